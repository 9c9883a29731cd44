"""Figures set against their limits: for each kind of fault, the chance that its figures are really beyond them.

Every mark carries a sentence with the figure, the limit and where the limit comes from.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from scipy.special import ndtr

from camlog.analysis.cam.examine import Examination
from camlog.analysis.drive.windows import OilWindow
from camlog.analysis.estimate import Estimate
from camlog.analysis.limits import Limit, slew_limit, t63_limit

SOFTNESS = 0.10  # one standard deviation of a limit, as a share of it
Z95 = 1.96
LOW_CHANCE, HIGH_CHANCE = 0.005, 0.995
FEW_STEPS = 3  # below this a pooled step figure is an event or two, not a property of the cam
SPAN_DEG = 8.0  # a command that never moved farther than this shows neither a stuck nor a slow cam
STUCK_SPAN = 0.15  # a cam that covers less of the command's span than this does not follow at all
LAGGING = 0.6  # share of the T63 limit beyond which a low speed is the cam's own
FEW_JUMPS = 4
SURE_P = 1e-3  # of "only slow", below which sticking is told apart from slowness
INDEPENDENT = 0.4  # correlation of successive readings up to which noise is the sensor's, not the cam's
CONSISTENT_DEG = 1.5  # spread between visits to rest up to which an offset is the same each time
FEW_SPIKES = 3


@dataclass(frozen=True, slots=True)
class Mark:
    """One figure beside its limit.

    `condition` is the fault it speaks for, `chance` (0 to 1) the chance that the figure is really beyond the
    limit, `oil` the oil window in words (empty for the whole drive).
    """

    name: str
    condition: str
    value: float | None
    limit: Limit
    chance: float
    sentence: str
    oil: str = ""


def chance_beyond(figure: Estimate | float | None, limit: float, *, above: bool = True) -> float:
    """Chance that a figure lies beyond a limit, from its 95 % interval and the limit's softness.

    A figure that is only bounded (a step that had not arrived when watching ended) counts by its bound.
    """
    if figure is None:
        return LOW_CHANCE
    if not isinstance(figure, Estimate):
        figure = Estimate(float(figure))
    sign = 1.0 if above else -1.0
    value, toward = figure.value, figure.low if above else figure.high
    if value is None:
        if toward is None:
            return LOW_CHANCE
        value = toward
    near = 0.0 if toward is None else max(sign * (value - toward), 0.0)
    spread = ((near / Z95) ** 2 + (SOFTNESS * limit) ** 2) ** 0.5
    chance = float(ndtr(sign * (value - limit) / spread)) if spread else float(sign * (value - limit) > 0)
    return min(max(chance, LOW_CHANCE), HIGH_CHANCE)


def oil_words(window: OilWindow | None) -> str:
    """An oil window in words: `below 40 °C`, `40 to 70 °C`, `above 100 °C`."""
    if window is None:
        return ""
    low, high = window.min_degc, window.max_degc
    if low == float("-inf"):
        return f"below {high:g} °C"
    return f"above {low:g} °C" if high == float("inf") else f"{low:g} to {high:g} °C"


def _mark(
    name: str, condition: str, value: float | None, limit: Limit, chance: float, words: str, window: OilWindow | None = None
) -> Mark:
    oil = oil_words(window)
    where = f" with oil {oil}" if oil else ""
    return Mark(name, condition, value, limit, chance, f"{words}{where}; the limit is {limit}.", oil)


def _figure(
    name: str,
    condition: str,
    figure: Estimate,
    limit: Limit,
    words: str,
    window: OilWindow | None = None,
    *,
    above: bool = True,
    size: bool = False,
) -> list[Mark]:
    """A mark from an Estimate; `words` has a place {} for the value. `size` judges the value without its sign."""
    if size and figure.value is not None and figure.value < 0:
        low, high = figure.low, figure.high
        figure = Estimate(
            -figure.value, None if high is None else -high, None if low is None else -low, figure.count, figure.reason
        )
    value = figure.value if figure.value is not None else figure.low if above else figure.high
    if value is None:
        return []
    chance = chance_beyond(figure, limit.value, above=above)
    return [_mark(name, condition, value, limit, chance, words.format(f"{value:.3g}"), window)]


def sensor_marks(x: Examination, limits: Mapping[str, Limit]) -> list[Mark]:
    """Is it the reading rather than the cam?"""
    s, marks = x.sensor, []
    noise = s.noise.at_rest_deg if s.noise.at_rest_deg else s.noise.rms_deg
    correlation = s.noise.correlation
    if correlation is None or correlation < INDEPENDENT:
        # At rest the cam is locked: what still jumps from reading to reading is the reading.
        marks += _figure(
            "sensor_noise_rms_deg", "sensor", noise, limits["sensor_noise_rms_deg"],
            "The angle reading jumps by {} deg rms from one sample to the next where the cam is at rest",
        )  # fmt: skip
    limit = limits["sensor_dropout_fraction"]
    if s.dropouts.fraction is not None:
        share = s.dropouts.fraction
        marks.append(
            _mark(
                "sensor_dropout_fraction", "sensor", share, limit, chance_beyond(share, limit.value),
                f"{100 * share:.1f} % of the angle readings are missing while the command arrives, in "
                f"{s.dropouts.runs} stretches",
            )  # fmt: skip
        )
    limit = limits["sensor_jump_deg_per_s"]
    impossible = s.spikes.count + s.spikes.jumps
    chance = LOW_CHANCE if not impossible else min(0.3 + 0.2 * impossible, HIGH_CHANCE)
    marks.append(
        _mark(
            "sensor_jump_deg_per_s", "sensor", float(impossible), limit, chance,
            f"{impossible} times the angle jumped faster than any phaser can move",
        )  # fmt: skip
    )
    if s.frozen.kind == "frozen":
        marks.append(
            _mark(
                "sensor_frozen", "sensor", s.frozen.share, limits["stuck_time_fraction"], HIGH_CHANCE,
                f"The angle reading stands still to the last digit for {s.frozen.longest_s:.0f} s with the engine "
                "running, without the small motion a real cam shows",
            )  # fmt: skip
        )
    return marks


def stuck_marks(x: Examination, limits: Mapping[str, Limit]) -> list[Mark]:
    """Does the cam move at all?"""
    travel, limit = x.travel, limits["stuck_time_fraction"]
    span, moved = travel.command_span_deg, travel.actual_span_deg
    if span < SPAN_DEG:
        return []
    share = x.sticking.stuck_time_fraction
    if moved < STUCK_SPAN * span:
        words = f"The command moved over {span:.0f} deg, the cam over {moved:.1f} deg"
        return [_mark("stuck_time_fraction", "stuck", share, limit, HIGH_CHANCE, words)]
    over = x.tracking.excursions.time_over_limit_s
    if share is None or not over or any(m.chance > 0.5 for m in offset_marks(x, limits)):
        return []
    # It moves at times, and stands far from its command for long: as gross as never moving.
    chance = min(chance_beyond(share, limit.value), chance_beyond(over / max(x.tracking.excursions.watched_s, 1.0), 0.1))
    words = f"In {100 * share:.0f} % of the time it should have moved the cam stood still, {over:.0f} s far from its command"
    return [_mark("stuck_time_fraction", "stuck", share, limit, chance, words)]


def offset_marks(x: Examination, limits: Mapping[str, Limit]) -> list[Mark]:
    """Is base timing off: the same angle away from rest, every time it rests?"""
    rest, limit = x.rest, limits["rest_offset_deg"]
    figures = [(rest.offset_deg, None)] if rest.offset_deg else [(e, w) for w, e in rest.windows if e]
    if not figures:
        return []
    if rest.spread_deg is not None and rest.spread_deg > CONSISTENT_DEG or rest.consistent is False:
        return []
    marks = []
    for figure, window in figures:
        size = figure.value or 0.0
        teeth = "" if rest.teeth.value is None else f" ({rest.teeth.value:+.2f} crank-sprocket teeth)"
        words = f"At rest the cam stands {{}} deg {'advanced' if size > 0 else 'retarded'}{teeth}, each time alike"
        marks += _figure("rest_offset_deg", "offset", figure, limit, words, window, size=True)
    return marks


def unstable_marks(x: Examination, limits: Mapping[str, Limit]) -> list[Mark]:
    """Does the cam hold still where it is told to?"""
    marks: list[Mark] = []
    windows = x.hold.windows or ((None, x.hold),)
    noise = x.sensor.noise.at_rest_deg.value or 0.0
    for window, held in windows:
        figure = _without_noise(held.flutter_rms_deg, noise)
        marks += _figure(
            "flutter_rms_deg", "unstable", figure, limits["flutter_rms_deg"],
            "Held at a steady command the cam wanders by {} deg rms", window,
        )  # fmt: skip
        marks += _figure(
            "drift_deg_per_s", "unstable", held.drift_deg_per_s, limits["drift_deg_per_s"],
            "Held at a steady command the cam drifts by {} deg/s", window, size=True,
        )  # fmt: skip
    swing = x.hold.oscillation
    if swing.found and swing.amplitude_deg is not None:
        limit = limits["limit_cycle_deg"]
        marks.append(
            _mark(
                "limit_cycle_deg", "unstable", swing.amplitude_deg, limit, chance_beyond(swing.amplitude_deg, limit.value),
                f"At a steady command the cam swings by {swing.amplitude_deg:.1f} deg at {swing.frequency_hz:.2f} Hz",
            )  # fmt: skip
        )
    cold = x.rest.cold_start
    marks += _figure(
        "cold_start_flutter_deg", "unstable", _without_noise(cold.flutter_rms_deg, noise),
        limits["cold_start_flutter_deg"],
        "In the first seconds after the start the cam flutters at rest by {} deg rms: the lock pin does not hold",
    )  # fmt: skip
    return marks


def _without_noise(figure: Estimate, noise_deg: float) -> Estimate:
    """Flutter without the part that is only noise of the reading."""

    def less(value: float | None) -> float | None:
        return None if value is None else max(value * value - noise_deg * noise_deg, 0.0) ** 0.5

    return Estimate(less(figure.value), less(figure.low), less(figure.high), figure.count, figure.reason)


def sticking_marks(x: Examination, limits: Mapping[str, Limit]) -> list[Mark]:
    """Does it stay put while the command leaves, then jump?"""
    s = x.sticking
    if not s.sticks or s.jumps < FEW_JUMPS or s.p_smooth is None or s.p_smooth > SURE_P:
        return []
    band, jump = limits["stick_band_deg"], limits["jump_deg"]
    chance = min(chance_beyond(s.stick_band_deg, band.value), chance_beyond(s.jump_deg, jump.value))
    if s.stick_band_deg.value is None:
        return []
    leaps = "" if s.jump_deg.value is None else f", then jumps {s.jump_deg.value:.1f} deg"
    return [
        _mark(
            "stick_band_deg", "sticking", s.stick_band_deg.value, band, chance,
            f"The cam stays put until the command has left it by {s.stick_band_deg.value:.1f} deg{leaps} ({s.jumps} times)",
        )  # fmt: skip
    ]


def slow_marks(x: Examination, limits: Mapping[str, Limit]) -> list[Mark]:
    """Does it take too long to arrive?"""
    marks: list[Mark] = []
    for window, response in x.response.by_window.items():
        late, speed = t63_limit(limits, window), slew_limit(limits, window)
        for word, step in (("advance", response.advance), ("retard", response.retard)):
            if step.steps < FEW_STEPS:
                continue
            marks += _figure(
                "t63", "slow", step.t63, late, f"{word.capitalize()} steps take {{}} s to 63 % ({step.steps} steps)", window
            )
            if step.slew.value is None:
                continue
            # A command that itself moves slowly shows no speed limit: only a cam that also lags is slow.
            chance = min(
                chance_beyond(step.slew, speed.value, above=False), chance_beyond(step.t63, LAGGING * late.value)
            )
            marks.append(
                _mark(
                    "slew", "slow", step.slew.value, speed, chance,
                    f"In {word} the cam moves at no more than {step.slew.value:.3g} deg/s ({step.steps} steps)", window,
                )  # fmt: skip
            )
    return marks


def tracking_marks(x: Examination, limits: Mapping[str, Limit]) -> list[Mark]:
    """Is the cam where it was told to be once it had time to arrive? Speaks for no fault by itself."""
    over, limit = x.tracking.excursions, limits["hold_error_deg"]
    marks = _figure(
        "p95_abs_deg", "", x.tracking.p95_abs_deg, limit, "At a steady command the error reaches {} deg (95 % of readings)"
    )
    if over.time_over_limit_s:
        marks.append(
            _mark(
                "time_over_limit_s", "", over.time_over_limit_s, limit, HIGH_CHANCE,
                f"For {over.time_over_limit_s:.0f} s the cam was off its command for more than {over.limit_time_s:g} s on end",
            )  # fmt: skip
        )
    return marks


def all_marks(x: Examination, limits: Mapping[str, Limit]) -> tuple[Mark, ...]:
    """Every figure of a cam beside its limit."""
    groups = (sensor_marks, stuck_marks, offset_marks, unstable_marks, sticking_marks, slow_marks, tracking_marks)
    return tuple(mark for group in groups for mark in group(x, limits))
