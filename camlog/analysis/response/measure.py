"""How the cam answers its command: dead time, T63, T86, overshoot and slew, by direction and oil window.

Terms after ANSI/ISA-TR75.25.02 (step response of control valves): dead time Td is the time from the input
step until the output starts to move, T63 and T86 the times from the input step until the output has covered
63.2 % and 86.5 % of its way. T63 thus includes the dead time.

Two ways that do not share their data handling: single command steps laid over one another (`step_pool`),
and a continuous fit (`fopdt`); `Response.agreement` says why they do not agree, where they do not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.estimate import Estimate, ratio
from camlog.analysis.response import say
from camlog.analysis.response.fopdt import GOOD_R2, FopdtFit, ResponseFit
from camlog.analysis.response.step_curves import StepCurves, step_curves
from camlog.analysis.response.step_pool import StepSummary, summarise
from camlog.analysis.sensor.implausible import implausible_readings
from camlog.oil_windows import OilWindow

AGREE_PART = 0.2  # the two ways weigh the drive differently; closer than this part of T63 they say the same
OVERSHOOT_PART = 0.08  # of a step: more is no first-order answer
ASYMMETRY = 1.4
FEW_STEPS = 3
GAIN_STEPS = 4
# Tails that still creep, and levels rounded to counts, leave this whatever the number of steps.
GAIN_DOUBT = 0.002
GAIN_COUNTS = 0.3


@dataclass(frozen=True)
class ResponseByWindow:
    advance: StepSummary
    retard: StepSummary
    fit: FopdtFit


@dataclass(frozen=True)
class Response(ResponseByWindow):
    """The response of one cam over a drive.

    `gain` is the static gain (deg of cam for each deg of command), `agrees` whether the continuous fit and
    the steps agree on T63, or None where one of them has none, `agreement` why they do not or cannot be
    compared; `by_window` holds the windows in which the command moved."""

    gain: Estimate
    agrees: bool | None
    agreement: str
    by_window: Mapping[OilWindow, ResponseByWindow] = field(default_factory=dict)


def measure_response(cam: CamData) -> Response:
    """Measure the response of `cam`, overall and in each of its oil-temperature windows. What happens with
    the engine off is left out: without oil pressure no cam answers, and so are readings that are no angle
    of the cam. Nothing is raised for poor data; what cannot be measured is None with its reason."""
    cam = cam.without(implausible_readings(cam))
    fit = ResponseFit(cam)
    curves = step_curves(cam, fit.overall.first_order)
    up = curves.steps.advance
    step_window = cam.window_at(curves.steps.time_s)
    block_window = cam.window_at(fit.blocks.start_s if fit.blocks is not None else np.empty(0))
    by_window = {}
    for i, window in enumerate(cam.windows):
        here, there = step_window == i, block_window == i
        if here.any() or there.any():
            advance, retard = summarise(curves, here & up, "advance"), summarise(curves, here & ~up, "retard")
            part = fit.part(there, say("fit.oil", window=window.label))
            by_window[window] = ResponseByWindow(advance, retard, part)
    advance, retard = summarise(curves, up, "advance"), summarise(curves, ~up, "retard")
    gain = static_gain(curves, fit.overall)
    return Response(advance, retard, fit.overall, gain, *agreement(advance, retard, fit.overall), by_window)


def static_gain(curves: StepCurves, fit: FopdtFit) -> Estimate:
    """Degrees of cam for each degree of command, from steps whose arrival was seen; else the fit's gain."""
    here = curves.settled
    if np.sum(here) < GAIN_STEPS:
        return fit.gain
    commanded = curves.steps.size_deg[here]
    gain = ratio(curves.arrived[here] * commanded**2, commanded**2)
    # The same few levels asked for again and again are rounded alike each time.
    doubt = GAIN_DOUBT + GAIN_COUNTS * curves.count_deg / float(np.median(np.abs(commanded)))
    return gain.widened(doubt)


def agreement(advance: StepSummary, retard: StepSummary, fit: FopdtFit) -> tuple[bool | None, str]:
    """Compare T63 of the steps with what the fit gives a step of the same size, in each direction."""
    if fit.lag.value is None:
        return None, say("agreement.no_fit", reason=fit.lag.reason)
    if fit.time_constant.value is None:
        return None, say("agreement.no_lag", reason=fit.time_constant.reason)
    far = []
    for summary, sign in ((advance, 1.0), (retard, -1.0)):
        t63, fitted = summary.t63, fit.t63_s(sign * (summary.size_deg or 0.0))
        if t63.value is not None and fitted is not None:
            doubt = max(0.5 * (summary.resolution_s or 0.0), t63.half_width + fit.lag.half_width)
            far.append(abs(fitted - t63.value) > max(AGREE_PART * t63.value, doubt))
    if not far:
        return None, say("agreement.no_steps", reason=advance.t63.reason or retard.t63.reason)
    return (False, _why(advance, retard, fit)) if any(far) else (True, "")


def _why(advance: StepSummary, retard: StepSummary, fit: FopdtFit) -> str:
    up, down = advance.t63.value, retard.t63.value
    if (fit.r2 or 0.0) < GOOD_R2:
        return say("agreement.no_lag_at_all", explained=100 * (fit.r2 or 0.0))
    if up and down and max(up, down) > ASYMMETRY * min(up, down):
        direction = say("advance" if up > down else "retard")
        return say("agreement.one_way", direction=direction, slow=max(up, down), quick=min(up, down))
    if min(advance.steps or FEW_STEPS, retard.steps or FEW_STEPS) < FEW_STEPS:
        return say("agreement.few_steps", advance=advance.steps, retard=retard.steps)
    for s in (advance, retard):
        if s.overshoot.value and s.overshoot.value > OVERSHOOT_PART * (s.size_deg or 0.0):
            return say("agreement.overshoot", overshoot=s.overshoot.value)
    return say("agreement.different")
