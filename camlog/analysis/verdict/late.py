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
from camlog.analysis.response.step_pool import StepSummary
from camlog.analysis.verdict.marks import Mark, chance_beyond, mark, marks_of

FEW_STEPS = 3  # below this a pooled step figure is an event or two, not a property of the cam
MANY_STEPS, LARGE_STEP_DEG = 6, 15.0  # steps that need no fit beside them
REFERENCE_STEP_DEG = 20.0  # a cam that turns at a fixed speed is late by the size of the move
DESCRIBES_R2 = 0.9  # a fit that explains less does not describe the cam
ROUGHLY_R2 = 0.8
LATE_MIN_S = 2.0
ALL_OIL = OilWindow(float("-inf"), float("inf"))
COLD_OIL = OilWindow(float("-inf"), 40.0)


def slow_marks(x: Examination, limits: Mapping[str, Limit]) -> list[Mark]:
    """Does it take too long to arrive?"""
    marks: list[Mark] = []
    for window, response in x.response.by_window.items():
        marks += _late(response.advance, response.retard, response.fit, t63_limit(limits, window), window)
    if not x.response.by_window:
        # Without any temperature the cam is given the time it would have with cold oil.
        r = x.response
        marks += _late(r.advance, r.retard, r.fit, t63_limit(limits, COLD_OIL), ALL_OIL)
    return marks + _cold_only(x, limits)


def _late(
    advance: StepSummary, retard: StepSummary, fit: FopdtFit, limit: Limit, window: OilWindow
) -> list[Mark]:
    marks = []
    for word, step, sign in (("advance", advance, 1.0), ("retard", retard, -1.0)):
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
        late = fitted_t63(fit, sign * REFERENCE_STEP_DEG)
        if late is not None:
            step_words = f"a {REFERENCE_STEP_DEG:.0f} deg step, by all its moves"
            words = f"In {word} the cam needs {{}} s to 63 % of {step_words}"
            marks += marks_of("t63_fit", "slow", late, limit, words, window)
    return marks


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
    # What the sampling cannot resolve is no lag.
    usual = max(fast.lag.high, 0.5 * (fast.resolution_s or 0.0), 0.05)
    chance = min(
        chance_beyond(slow.lag.value / usual, limit.value), chance_beyond(slow.lag, limits["t63_hot_s"].value)
    )
    ratio = slow.lag.value / usual
    words = f"The cam lags by {slow.lag.value:.2f} s, {ratio:.0f} times as long as with warm oil,"
    return [mark("cold_slowness_ratio", "slow", ratio, limit, chance, words, window)]


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
        "At a steady command the error is {} deg rms",
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
    if over.beyond_s and over.beyond_s >= LATE_MIN_S:
        share, late = over.beyond_s / max(over.watched_s, 1.0), limits["late_time_fraction"]
        marks.append(
            mark(
                "late_time_fraction",
                "",
                share,
                late,
                chance_beyond(share, late.value),
                f"For {over.beyond_s:.0f} s in all ({100 * share:.1f} % of the time) the cam was more than "
                f"{over.limit_deg:g} deg from everything commanded in the second before",
            )
        )
    return marks
