"""The signs of each condition: which figures speak for it, and what must hold for them to count."""

from __future__ import annotations

from collections.abc import Mapping

from camlog.analysis.cam.examine import Examination
from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.limits import Limit
from camlog.analysis.sticking.swings import Swings
from camlog.analysis.verdict.late import slow_marks, target_marks
from camlog.analysis.verdict.marks import (
    HIGH_CHANCE,
    LOW_CHANCE,
    SPAN_DEG,
    Mark,
    chance_beyond,
    mark,
    marks_of,
)

FEW_BLOCKS = 6  # stretches at a steady command that a figure must rest on
STUCK_SPAN = 0.15  # a cam that covers less of the command's span than this does not follow at all
FEW_JUMPS = 6
# A sticking cam jumps most times it has stood, or stands for much of the time it should move.
MOST_STANDS, STANDS_LONG = 0.5, 0.1
SURE_P = 1e-3  # of "only slow", below which plateaus and jumps are told apart from slowness
SURE_FIT_P, GOOD_FIT = (
    0.005,
    0.5,
)  # the same for the stiction model, and the share of the misfit it must explain
INDEPENDENT = 0.4  # correlation of successive readings up to which noise is the sensor's, not the cam's
CONSISTENT_DEG = 1.5  # spread between visits to rest up to which an offset is the same each time
STANDS_OFF_SHARE = 0.5  # what is left about a constant error, as a share of it, up to which it is an offset
SPIKE_TO_USUAL = 12.0  # a reading this many times farther out than 95 % of them is no motion of the cam
CALM_DEG = 0.3
SAME_VALUE_RUNS = 6
FROZEN_SHARE, FROZEN_CHANCE = (
    0.2,
    0.75,
)  # of the drive stood still, and the chance that it is the reading then

Limits = Mapping[str, Limit]


def sensor_marks(x: Examination, limits: Limits) -> list[Mark]:
    """Is it the reading rather than the cam?"""
    s, marks = x.sensor, []
    noise = s.noise.at_rest_deg if s.noise.at_rest_deg else s.noise.rms_deg
    correlation = s.noise.correlation
    # At rest the cam is locked: what still jumps from reading to reading is the reading. A cam that was not
    # seen at rest must be read fast enough to tell its own motion from noise.
    told_apart = correlation < INDEPENDENT if correlation is not None else bool(s.noise.at_rest_deg)
    if told_apart:
        marks += marks_of(
            "sensor_noise_rms_deg", "sensor", noise, limits["sensor_noise_rms_deg"],
            "The angle reading jumps by typically {} deg from one sample to the next where the cam is at rest",
        )  # fmt: skip
    limit = limits["sensor_dropout_fraction"]
    if s.dropouts.fraction is not None:
        share = s.dropouts.fraction
        marks.append(
            mark(
                "sensor_dropout_fraction",
                "sensor",
                share,
                limit,
                chance_beyond(share, limit.value),
                f"{100 * share:.1f} % of the angle readings are missing while the command arrives, in "
                f"{s.dropouts.runs} stretches",
            )
        )
    limit = limits["sensor_jump_deg_per_s"]
    put = s.substituted
    same = put.runs if put.value_deg is not None and put.runs >= SAME_VALUE_RUNS else 0
    impossible = s.spikes.jumps + (s.spikes.count if _stand_out(x) else 0) + same
    chance = LOW_CHANCE if not impossible else min(0.3 + 0.2 * impossible, HIGH_CHANCE)
    marks.append(
        mark(
            "sensor_jump_deg_per_s",
            "sensor",
            float(impossible),
            limit,
            chance,
            f"{impossible} times the angle jumped faster than any phaser can move",
        )
    )
    return marks + _frozen(x, limits["stuck_time_fraction"])


def _stand_out(x: Examination) -> bool:
    """Are the readings that stand alone far outside what the cam does in all its other readings?"""
    p95, bias = x.tracking.p95_abs_deg.value, x.tracking.bias_deg.value or 0.0
    usual = max(p95 - abs(bias), CALM_DEG) if p95 is not None else x.hold.flutter_rms_deg.value or CALM_DEG
    return (x.sensor.spikes.largest_deg or 0.0) > SPIKE_TO_USUAL * usual


def _restless(x: Examination) -> Estimate:
    """How far the held cam moves from one reading to the next, degrees rms, beyond what it shows locked at
    rest."""
    noise = x.sensor.noise
    if noise.at_rest_deg.value is None or noise.off_rest_deg.count < FEW_BLOCKS:
        return missing("not seen both at rest and held")
    return without_noise(noise.off_rest_deg, noise.at_rest_deg.value)


def _frozen(x: Examination, limit: Limit) -> list[Mark]:
    frozen = x.sensor.frozen
    if frozen.kind == "none" or _covers(x) < STUCK_SPAN:
        return []  # a reading that never moved is judged as a stuck cam: the two cannot be told apart
    words = (
        f"The angle reading stands still to the last digit for {frozen.longest_s:.0f} s with the engine "
        "running"
    )
    if frozen.kind == "frozen":
        words += ", without the small motion it shows at other times"
        return [mark("sensor_frozen", "sensor", frozen.share, limit, HIGH_CHANCE, words)]
    # Too coarse or too quiet a reading to show life; but a cam that followed before seldom stops dead for
    # good.
    for_good = frozen.longest_s > FROZEN_SHARE * x.tracking.excursions.watched_s
    chance = FROZEN_CHANCE if for_good else LOW_CHANCE
    return [
        mark("sensor_frozen", "sensor", frozen.share, limit, chance, words + ", after it had followed before")
    ]


def _covers(x: Examination) -> float:
    span = x.travel.command_span_deg
    return x.travel.actual_span_deg / span if span > 0.0 else 1.0


def stuck_marks(x: Examination, limits: Limits) -> list[Mark]:
    """Does the cam move at all?"""
    travel, limit = x.travel, limits["stuck_time_fraction"]
    span, moved = travel.command_span_deg, travel.actual_span_deg
    if span < SPAN_DEG:
        return []
    share, over = x.sticking.stuck_time_fraction, x.tracking.excursions
    if moved < STUCK_SPAN * span:
        words = f"The command moved over {span:.0f} deg, the cam over {moved:.1f} deg"
        chance = HIGH_CHANCE if over.time_over_limit_s else 0.6
        return [mark("stuck_time_fraction", "stuck", share, limit, chance, words)]
    if share is None or not over.time_over_limit_s:
        return []
    # It moves at times, and stands far from its command for long: as gross as never moving.
    away = over.time_over_limit_s / max(over.watched_s, 1.0)
    chance = min(chance_beyond(share, limit.value), chance_beyond(away, 0.1))
    words = (
        f"In {100 * share:.0f} % of the time it should have moved the cam stood still, "
        f"{over.time_over_limit_s:.0f} s of it far from its command"
    )
    return [mark("stuck_time_fraction", "stuck", share, limit, chance, words)]


def offset_marks(x: Examination, limits: Limits) -> list[Mark]:
    """Is mechanical timing off: the same angle away from rest, every time it rests?"""
    rest, limit = x.rest, limits["rest_offset_deg"]
    figures = [(rest.offset_deg, None)] if rest.offset_deg else [(e, w) for w, e in rest.windows if e]
    if not figures:
        return _held_offset(x, limits["tracking_bias_deg"])
    if rest.spread_deg is not None and rest.spread_deg > CONSISTENT_DEG or rest.consistent is False:
        return []
    marks = []
    for figure, window in figures:
        way = "advanced" if (figure.value or 0.0) > 0 else "retarded"
        teeth = "" if rest.teeth.value is None else f" ({rest.teeth.value:+.2f} crank-sprocket teeth)"
        words = f"At rest the cam stands {{}} deg {way}{teeth}, each time alike"
        marks += marks_of("rest_offset_deg", "offset", figure, limit, words, window, size=True)
    return marks


def _held_offset(x: Examination, limit: Limit) -> list[Mark]:
    """A cam that was never at rest, but stands off by the same angle wherever it is held."""
    bias, rms = x.tracking.bias_deg, x.tracking.rms_deg.value
    if bias.value is None or rms is None or _covers(x) < STUCK_SPAN:
        return []
    left = max(rms * rms - bias.value * bias.value, 0.0) ** 0.5
    if left > STANDS_OFF_SHARE * abs(bias.value):
        return []
    way = "advanced" if bias.value > 0 else "retarded"
    words = f"Wherever it is held the cam stands {{}} deg {way} of its command"
    return marks_of("bias_deg", "offset", bias, limit, words, size=True)


def unstable_marks(x: Examination, limits: Limits) -> list[Mark]:
    """Does the cam hold still where it is told to?"""
    marks: list[Mark] = []
    windows = x.hold.windows or ((None, x.hold),)
    noise = x.sensor.noise.at_rest_deg.value or 0.0
    for window, held in windows:
        if held.flutter_rms_deg.interval is not None:
            marks += marks_of(
                "flutter_rms_deg", "unstable", without_noise(held.flutter_rms_deg, noise), limits["flutter_rms_deg"],
                "Held at a steady command the cam wanders by typically {} deg", window,
            )  # fmt: skip
        if held.drift_deg_per_s.count >= FEW_BLOCKS:
            marks += marks_of(
                "drift_deg_per_s", "unstable", held.drift_deg_per_s, limits["drift_deg_per_s"],
                "Held at a steady command the cam drifts by {} deg/s", window, size=True,
            )  # fmt: skip
    marks += marks_of(
        "restless_rms_deg", "unstable", _restless(x), limits["flutter_rms_deg"],
        "Held, the cam moves by typically {} deg from one reading to the next, which it does not at rest",
    )  # fmt: skip
    swings, swing = x.sticking.swings, x.hold.oscillation
    if swings.hunts:
        words = (
            "About a command that hardly moves the cam swings {} deg to either side and never stands still "
            f"({swings.judged} swings from one side to the other in {swings.seconds:.0f} s)"
        )
        marks += marks_of(
            "hunting_amplitude_deg", "unstable", swings.amplitude_deg, limits["limit_cycle_deg"], words
        )
    if swing.found and swing.amplitude_deg is not None and not swings.sticks:
        limit = limits["limit_cycle_deg"]
        sticks = x.sticking.limit_cycle.kind == "stick_slip"
        how = "jumps to and fro between plateaus" if sticks else "swings"
        marks.append(
            mark(
                "limit_cycle_deg",
                "sticking" if sticks else "unstable",
                swing.amplitude_deg,
                limit,
                chance_beyond(swing.amplitude_deg, limit.value),
                f"At a steady command the cam {how} by {swing.amplitude_deg:.1f} deg at "
                f"{swing.frequency_hz:.2f} Hz",
            )
        )
    return marks + marks_of(
        "cold_start_flutter_deg", "unstable", without_noise(x.rest.cold_start.flutter_rms_deg, noise),
        limits["cold_start_flutter_deg"],
        "In the first seconds after the start the cam rattles at rest by typically {} deg: the lock pin does not hold",
    )  # fmt: skip


def without_noise(figure: Estimate, noise_deg: float) -> Estimate:
    """Flutter without the part that is only noise of the reading."""

    def less(value: float | None) -> float | None:
        return None if value is None else max(value * value - noise_deg * noise_deg, 0.0) ** 0.5

    return Estimate(less(figure.value), less(figure.low), less(figure.high), figure.count, figure.reason)


def jumps_for_sure(x: Examination) -> bool:
    """Do plateaus and jumps tell this cam from a slow one, or its swings, or does the stiction model?"""
    s = x.sticking
    if not s.sticks or s.p_smooth is None:
        return False
    if s.swings.sticks:
        return True
    often = (
        s.jumps >= MOST_STANDS * (s.plateaus - s.with_supply) or (s.stuck_time_fraction or 0.0) > STANDS_LONG
    )
    return s.jumps >= FEW_JUMPS and s.p_smooth <= SURE_P and often or _stiction_fits(x)


def _stiction_fits(x: Examination) -> bool:
    fit = x.sticking.fit
    return (
        x.sticking.sticks is True
        and fit.p_smooth is not None
        and fit.p_smooth <= SURE_FIT_P
        and (fit.explained or 0.0) >= GOOD_FIT
    )


def sticking_marks(x: Examination, limits: Limits) -> list[Mark]:
    """Does it stay put while the command leaves, then jump?"""
    s = x.sticking
    marks = _swing_marks(s.swings, limits["limit_cycle_deg"])
    if not jumps_for_sure(x) or s.stick_band_deg.value is None:
        return marks
    band, jump = limits["stick_band_deg"], limits["jump_deg"]
    chance = chance_beyond(s.stick_band_deg, band.value)
    if not _stiction_fits(x):
        chance = min(chance, chance_beyond(s.jump_deg, jump.value))
    leaps = "" if not s.jump_deg.value or s.swings.sticks else f", then jumps {s.jump_deg.value:.1f} deg"
    often = f" ({s.jumps} times)" if s.jumps else ""
    marks.append(
        mark(
            "stick_band_deg",
            "sticking",
            s.stick_band_deg.value,
            band,
            chance,
            f"The cam stays put until the command has left it by {s.stick_band_deg.value:.1f} deg"
            f"{leaps}{often}",
        )
    )
    share, limit = s.stuck_time_fraction, limits["standing_time_fraction"]
    if share is not None:
        words = (
            f"In {100 * share:.0f} % of the time it should have moved the cam stood still, and then jumped"
        )
        marks.append(
            mark("standing_time_fraction", "sticking", share, limit, chance_beyond(share, limit.value), words)
        )
    return marks


def _swing_marks(swings: Swings, limit: Limit) -> list[Mark]:
    """Does it jump to and fro about a command that hardly moves?"""
    if not swings.sticks:
        return []
    words = (
        "About a command that hardly moves the cam jumps {} deg to either side, and stands still in between "
        f"(in {swings.standing} of {swings.judged} swings from one side to the other)"
    )
    return marks_of("swing_amplitude_deg", "sticking", swings.amplitude_deg, limit, words)


def all_marks(x: Examination, limits: Limits) -> tuple[Mark, ...]:
    """Every figure of a cam beside its limit."""
    groups = (
        sensor_marks,
        stuck_marks,
        offset_marks,
        unstable_marks,
        sticking_marks,
        slow_marks,
        target_marks,
    )
    return tuple(m for group in groups for m in group(x, limits))
