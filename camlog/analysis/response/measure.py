"""How the cam answers its command: dead time, T63, T86, overshoot and slew, by direction and oil window.

Terms after ANSI/ISA-TR75.25.02 (step response of control valves): dead time Td is the time from the input
step until the output starts to move, T63 and T86 the times from the input step until the output has covered
63.2 % and 86.5 % of its way. T63 thus includes the dead time.

Two ways that do not share their data handling: single command steps laid over one another (`step_pool`), and
a continuous fit (`fopdt`). `FitAgreement` says whether they agree and, where not, why.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.estimate import Estimate, ratio
from camlog.analysis.response.fopdt import FopdtFit, ResponseFit
from camlog.analysis.response.step_curves import KnownLag, StepCurves, step_curves
from camlog.analysis.response.step_pool import StepSummary, summarise
from camlog.analysis.response.steps import find_steps
from camlog.oil_windows import OIL_WINDOWS, OilWindow, Windows, window_index

# The two ways weigh the drive differently; closer than this part of T63 they say the same.
AGREE_PART = 0.2
GOOD_R2 = 0.9
OVERSHOOT_PART = 0.08  # of a step: more is no first-order answer
ASYMMETRY = 1.4
FEW_STEPS = 3
GAIN_STEPS = 4
# Tails that still creep, and levels rounded to counts, leave this whatever the number of steps.
GAIN_DOUBT = 0.002
GAIN_COUNTS = 0.3


@dataclass(frozen=True, slots=True)
class FitAgreement:
    """Whether the continuous fit and the steps agree on T63: True, False, or None where one of them has none.

    `difference_s` is fit minus steps, the larger of the two directions; `reason` says why they differ or why
    they could not be compared.
    """

    agrees: bool | None
    difference_s: float | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class ResponseByWindow:
    """The response within one oil-temperature window."""

    window: OilWindow
    advance: StepSummary
    retard: StepSummary
    fit: FopdtFit


@dataclass(frozen=True)
class Response:
    """The response of one cam over a drive.

    `gain` is the static gain (deg of cam for each deg of command), `by_window` holds the windows in which the
    command moved.
    """

    advance: StepSummary
    retard: StepSummary
    gain: Estimate
    fit: FopdtFit
    agreement: FitAgreement
    by_window: Mapping[OilWindow, ResponseByWindow] = field(default_factory=dict)


def measure_response(cam: CamData, windows: Windows | Iterable[OilWindow] | None = None) -> Response:
    """Measure the response of `cam`, overall and in each oil-temperature window.

    `windows` are the usual ones unless given; the temperature is the cam data's own. What happens with the
    engine off is left out: without oil pressure no cam answers. Nothing is raised for poor data; what
    cannot be measured is None with its reason.
    """
    bounds = OIL_WINDOWS if windows is None else tuple(getattr(windows, "windows", windows))

    fit = ResponseFit(cam)
    steps = find_steps(cam)
    steps = steps.take(cam.running_at(steps.start_s) & cam.running_at(steps.end_s))
    curves = step_curves(cam, steps, _known(fit.overall))
    up = curves.steps.advance
    advance, retard = summarise(curves, up, "advance"), summarise(curves, ~up, "retard")
    step_window = window_index(bounds, cam.oil_temp_at(curves.steps.time_s))
    starts = fit.blocks.start_s if fit.blocks is not None else np.empty(0)
    block_window = window_index(bounds, cam.oil_temp_at(starts))
    by_window = {}
    for i, window in enumerate(bounds):
        here, there = step_window == i, block_window == i
        if here.any() or there.any():
            by_window[window] = ResponseByWindow(
                window,
                summarise(curves, here & up, "advance"),
                summarise(curves, here & ~up, "retard"),
                fit.part(there, f"with oil {window.label}"),
            )
    gain = static_gain(curves, fit.overall)
    return Response(advance, retard, gain, fit.overall, agreement(advance, retard, fit.overall), by_window)


def _known(fit: FopdtFit) -> KnownLag | None:
    """The fit's lag where it describes the cam."""
    if fit.time_constant.value is None or fit.r2 is None or fit.r2 < GOOD_R2:
        return None
    tau = fit.time_constant.value
    return KnownLag(fit.gain.value, max(0.0, fit.lag.value - tau), tau)


def static_gain(curves: StepCurves, fit: FopdtFit) -> Estimate:
    """Degrees of cam for each degree of command, from steps whose arrival was seen; else the fit's gain."""
    here = curves.settled
    if np.sum(here) < GAIN_STEPS:
        return fit.gain
    asked = curves.steps.size_deg[here]
    found = ratio(curves.arrived[here] * asked * asked, asked * asked)
    if found.interval is None:
        return found
    # The same few levels asked for again and again are rounded alike each time.
    doubt = GAIN_DOUBT + GAIN_COUNTS * curves.count_deg / float(np.median(np.abs(asked)))
    return replace(found, low=found.low - doubt, high=found.high + doubt)


def agreement(advance: StepSummary, retard: StepSummary, fit: FopdtFit) -> FitAgreement:
    """Compare T63 of the steps with what the fit gives a step of the same size, in each direction."""
    if fit.lag.value is None:
        return FitAgreement(None, None, f"no continuous fit: {fit.lag.reason}")
    if fit.time_constant.value is None:
        return FitAgreement(None, None, f"no time constant from the fit: {fit.time_constant.reason}")
    worst, far = None, False
    for summary, sign in ((advance, 1.0), (retard, -1.0)):
        if summary.t63.value is None or summary.size_deg is None:
            continue
        model = fit.t63_s(sign * summary.size_deg)
        if model is None:
            continue
        difference = model - summary.t63.value
        doubt = 0.5 * (summary.t63.high - summary.t63.low) + 0.5 * (fit.lag.high - fit.lag.low)
        allowed = max(AGREE_PART * summary.t63.value, 0.5 * (summary.resolution_s or 0.0), doubt)
        far = far or abs(difference) > allowed
        if worst is None or abs(difference) > abs(worst):
            worst = difference
    if worst is None:
        reason = advance.t63.reason or retard.t63.reason
        return FitAgreement(None, None, f"no T63 from steps: {reason}")
    return FitAgreement(not far, worst, _why(advance, retard, fit) if far else "")


def _why(advance: StepSummary, retard: StepSummary, fit: FopdtFit) -> str:
    up, down = advance.t63.value, retard.t63.value
    if fit.r2 is not None and fit.r2 < GOOD_R2:
        return (
            f"the cam does not move as a lag with a rate limit would (explained {100 * fit.r2:.0f} %): "
            "look at sticking and hold"
        )
    if up and down and max(up, down) > ASYMMETRY * min(up, down):
        slow = "advance" if up > down else "retard"
        times = f"{max(up, down):.2f} s against {min(up, down):.2f} s"
        return f"the cam is slower in {slow} ({times}); one lag stands for both"
    if min(advance.steps or FEW_STEPS, retard.steps or FEW_STEPS) < FEW_STEPS:
        return f"few steps ({advance.steps} in advance, {retard.steps} in retard) stand for the whole drive"
    for summary in (advance, retard):
        if (
            summary.overshoot.value
            and summary.size_deg
            and summary.overshoot.value > OVERSHOOT_PART * summary.size_deg
        ):
            return f"the cam overshoots ({summary.overshoot.value:.1f} deg), which a first-order lag does not"
    return "the steps and the rest of the drive were answered differently (size of moves, engine speed, oil)"
