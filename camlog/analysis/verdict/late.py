"""The signs of a cam that arrives late: steps and fit against the time healthy oil gives, and the target
error.

The regulation asks for two failures to be caught, slow response and target error (13 CCR 1968.2(e)(13)).
"""

from __future__ import annotations

from collections.abc import Mapping

from camlog.analysis.cam.examine import Examination
from camlog.analysis.drive.windows import OilWindow
from camlog.analysis.estimate import Estimate
from camlog.analysis.limits import Limit, t63_limit
from camlog.analysis.response.fopdt import FopdtFit
from camlog.analysis.response.measure import Response, ResponseByWindow
from camlog.analysis.response.step_pool import StepSummary
from camlog.analysis.verdict.marks import LIKELY, Mark, chance_beyond, mark, marks_of

FEW_STEPS = 3  # below this a pooled step figure is an event or two, not a property of the cam
MANY_STEPS, LARGE_STEP_DEG = 6, 15.0  # steps that need no fit beside them
SEEN_STEPS = 2
LAGGING = 0.6  # share of the limit which at least the steps must take for a fit to be believed
REFERENCE_STEP_DEG = 20.0  # a cam that turns at a fixed speed is late by the size of the move
DESCRIBES_R2 = 0.9  # a fit that explains less does not describe the cam
ROUGHLY_R2 = 0.8
SHORTEST_LAG_S = 0.05
LATE_MIN_S = 1.5
ALL_OIL = OilWindow(float("-inf"), float("inf"))
COLD_OIL = OilWindow(float("-inf"), 40.0)


def slow_marks(x: Examination, limits: Mapping[str, Limit]) -> list[Mark]:
    """Does it take too long to arrive?"""
    marks: list[Mark] = []
    for window, response in x.response.by_window.items():
        marks += _late(x, response, t63_limit(limits, window), window)
    if not x.response.by_window:
        # Without any temperature the cam is given the time it would have with cold oil.
        marks += _late(x, x.response, t63_limit(limits, COLD_OIL), ALL_OIL)
    return marks + _cold_only(x, limits)


def _late(x: Examination, here: Response | ResponseByWindow, limit: Limit, window: OilWindow) -> list[Mark]:
    marks = []
    for word, step, whole, sign in (
        ("advance", here.advance, x.response.advance, 1.0), ("retard", here.retard, x.response.retard, -1.0)
    ):  # fmt: skip
        if step.steps >= FEW_STEPS:
            marks += marks_of(
                "t63",
                "slow",
                step.t63,
                limit,
                f"{word.capitalize()} steps take {{}} s to 63 % ({step.steps} steps)",
                window,
            )
        if step.steps >= MANY_STEPS and (step.size_deg or 0.0) >= LARGE_STEP_DEG:
            continue
        late = fitted_t63(here.fit, sign * REFERENCE_STEP_DEG)
        if late is not None and not _quick(step if step.steps >= SEEN_STEPS else whole, limit):
            step_words = f"a {REFERENCE_STEP_DEG:.0f} deg step, by all its moves"
            words = f"In {word} the cam needs {{}} s to 63 % of {step_words}"
            marks += marks_of("t63_fit", "slow", late, limit, words, window)
    return marks


def _quick(step: StepSummary, limit: Limit) -> bool:
    """Do the steps that were seen contradict a fit that calls the cam slow?

    Some loops move gently on small errors: what is read as a limit of the cam's speed is then the loop's.
    """
    if step.steps < SEEN_STEPS:
        return False
    return chance_beyond(step.t63, LAGGING * limit.value) < LIKELY


def fitted_t63(fit: FopdtFit, size_deg: float) -> Estimate | None:
    """T63 (s) of a step of `size_deg` by the continuous fit, with an interval; None where the fit cannot
    say."""
    if fit.r2 is None or fit.r2 < DESCRIBES_R2 or fit.lag.value is None or fit.lag.interval is None:
        return None
    value = fit.t63_s(size_deg)
    if value is None or fit.lag.value <= 0.0:
        return None
    doubt = (fit.lag.high - fit.lag.low) / (2.0 * fit.lag.value)
    slew = fit.slew_advance if size_deg > 0 else fit.slew_retard
    if slew.value and slew.interval is not None:
        doubt = max(doubt, (slew.high - slew.low) / (2.0 * slew.value))
    return Estimate(value, value * max(1.0 - doubt, 0.0), value * (1.0 + doubt), fit.blocks)


def _cold_only(x: Examination, limits: Mapping[str, Limit]) -> list[Mark]:
    """Slow with cold oil against itself with warm oil, beyond what oil alone does to a healthy phaser."""
    cold_top, warm_from = limits["cold_oil_degc"].value, limits["warm_oil_degc"].value
    cold = [(w, r.fit) for w, r in x.response.by_window.items() if w.max_degc <= cold_top and _known(r.fit)]
    warm = [(w, r.fit) for w, r in x.response.by_window.items() if w.min_degc >= warm_from and _known(r.fit)]
    if not cold or not warm:
        return []
    window, slow = max(cold, key=lambda item: item[1].lag.value)
    _, fast = min(warm, key=lambda item: item[1].lag.value)
    limit = limits["cold_slowness_ratio"]
    usual = _usual(fast)
    chance = min(
        chance_beyond(slow.lag.value / usual, limit.value), chance_beyond(slow.lag, limits["t63_hot_s"].value)
    )
    ratio = slow.lag.value / usual
    words = f"The cam lags by {slow.lag.value:.2f} s, {ratio:.0f} times as long as with warm oil,"
    return [mark("cold_slowness_ratio", "slow", ratio, limit, chance, words, window)]


def bank_marks(x: Examination, other: Examination, limits: Mapping[str, Limit]) -> list[Mark]:
    """Slow against the same cam of the other bank, on the same oil: two phasers of one make are alike."""
    marks = []
    for window, here in x.response.by_window.items():
        there = other.response.by_window.get(window)
        if there is None or not (_known(here.fit) and _known(there.fit)):
            continue
        limit, ratio = limits["bank_slowness_ratio"], here.fit.lag.value / _usual(there.fit)
        chance = min(
            chance_beyond(ratio, limit.value), chance_beyond(here.fit.lag, limits["bank_slowness_s"].value)
        )
        words = f"The cam lags by {here.fit.lag.value:.2f} s, {ratio:.1f} times as long as that of the other bank,"
        marks.append(mark("bank_slowness_ratio", "slow", ratio, limit, chance, words, window))
    return marks


def _usual(fit: FopdtFit) -> float:
    """A lag (s) to compare with: at most so long, and what the sampling cannot resolve is no lag."""
    return max(fit.lag.high, 0.5 * (fit.resolution_s or 0.0), SHORTEST_LAG_S)


def _known(fit: FopdtFit) -> bool:
    # A lag that changes as the oil warms leaves some of the motion unexplained.
    return (
        fit.r2 is not None and fit.r2 >= ROUGHLY_R2 and fit.lag.value is not None and fit.lag.high is not None
    )


def target_marks(x: Examination, limits: Mapping[str, Limit]) -> list[Mark]:
    """Is the cam where it was told to be, once it had time to arrive? Speaks for no fault by itself."""
    over, limit = x.tracking.excursions, limits["hold_error_deg"]
    marks = marks_of(
        "p95_abs_deg",
        "",
        x.tracking.p95_abs_deg,
        limit,
        "At a steady command the error reaches {} deg (95 % of readings)",
    )
    marks += marks_of(
        "rms_deg",
        "",
        x.tracking.rms_deg,
        limits["tracking_rms_deg"],
        "At a steady command the error is typically {} deg",
    )
    if over.longest_s:
        lasting = limits["hold_error_time_s"]
        marks.append(
            mark(
                "longest_excursion_s",
                "",
                over.longest_s,
                lasting,
                chance_beyond(over.longest_s, lasting.value),
                f"For {over.longest_s:.1f} s on end the cam was more than {over.limit_deg:g} deg off its "
                "command",
            )
        )
    p95, bias = x.tracking.p95_abs_deg.value, x.tracking.bias_deg.value
    if p95 is not None and bias is not None:
        spread, limit = max(p95 - abs(bias), 0.0), limits["error_spread_deg"]
        words = f"At a steady command the error varies by {spread:.1f} deg about its mean (95 % of readings)"
        marks.append(mark("error_spread_deg", "", spread, limit, chance_beyond(spread, limit.value), words))
    return marks + _late_time(x, limits) + _standing(x, limits)


def _late_time(x: Examination, limits: Mapping[str, Limit]) -> list[Mark]:
    marks = []
    for window, here in x.tracking.windows or ((ALL_OIL, x.tracking),):
        over = here.excursions
        if not over.beyond_s or over.beyond_s < LATE_MIN_S:
            continue
        # In cold oil a healthy phaser needs most of a second for a large move.
        cold = window.min_degc < limits["cold_oil_degc"].value
        limit = limits["late_time_cold_fraction" if cold else "late_time_fraction"]
        share = over.beyond_s / max(over.watched_s, 1.0)
        words = (
            f"For {over.beyond_s:.1f} s in all ({100 * share:.1f} % of the time) the cam was more than "
            f"{over.limit_deg:g} deg from everything commanded in the second before"
        )
        chance = chance_beyond(share, limit.value)
        marks.append(mark("late_time_fraction", "", share, limit, chance, words, window))
    return marks


def _standing(x: Examination, limits: Mapping[str, Limit]) -> list[Mark]:
    """Does it stand still where it should move, or wait for oil pressure to move off?"""
    s, marks = x.sticking, []
    limit = limits["standing_time_fraction"]
    for window, share in [
        (ALL_OIL, s.stuck_time_fraction),
        *((w, r.stuck_time_fraction) for w, r in s.windows),
    ]:
        if share is not None:
            words = f"In {100 * share:.0f} % of the time it should have moved the cam stood still"
            chance = chance_beyond(share, limit.value)
            marks.append(mark("standing_time_fraction", "", share, limit, chance, words, window))
    waits, limit = float(s.with_supply), limits["waits_for_speed"]
    words = f"{s.with_supply} times the cam stood still until engine speed, and with it oil pressure, rose"
    marks.append(mark("waits_for_speed", "slow", waits, limit, chance_beyond(waits, limit.value), words))
    return marks
