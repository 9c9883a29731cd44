"""The cam's response to its command: dead time, T63, T86, overshoot and slew, by direction and oil window.

Terms after ANSI/ISA-TR75.25.02 (step response of control valves): dead time Td is the time from the input
step until the output starts to move, T63 and T86 the times from the input step until the output has covered
63.2 % and 86.5 % of its way. T63 thus includes the dead time.

Two methods that handle the data independently: single command steps, aligned and averaged (`step_pool`), and a
continuous fit (`fopdt`). If they disagree, `Response.agreement` says why."""

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

AGREE_PART = 0.2  # the methods weigh the drive differently; within this part of T63 they agree
OVERSHOOT_PART = 0.08  # of a step; with more overshoot the response is not first order
ASYMMETRY = 1.4
FEW_STEPS = 3
GAIN_STEPS = 4
# Least uncertainty of the gain for any number of steps: tails that still creep, and levels rounded to counts.
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

    `gain` is the static gain (deg of cam per deg of command). `agrees` says whether fit and steps agree on T63 (None:
    one of them has none), `agreement` why they disagree or cannot be compared. `by_window` has the windows in which the
    command moved."""

    gain: Estimate
    agrees: bool | None
    agreement: str
    by_window: Mapping[OilWindow, ResponseByWindow] = field(default_factory=dict)


def measure_response(cam: CamData) -> Response:
    """Measure the response of `cam`, overall and in each of its oil-temperature windows. Readings with the engine off
    are left out, because no cam moves without oil pressure; so are readings that cannot be angles. Poor data raises
    nothing: a figure that cannot be measured is None with a reason."""
    cam = cam.without(implausible_readings(cam))
    fit = ResponseFit(cam)
    curves = step_curves(cam, fit.overall.first_order)
    up = curves.steps.advance
    step_window = cam.window_at(curves.steps.time_s)
    block_window = cam.window_at(fit.blocks.start_s if fit.blocks is not None else np.empty(0))
    by_window = {}
    for i, window in enumerate(cam.windows):
        in_steps, in_blocks = step_window == i, block_window == i
        if in_steps.any() or in_blocks.any():
            advance, retard = summarise(curves, in_steps & up, "advance"), summarise(curves, in_steps & ~up, "retard")
            part = fit.part(in_blocks, say("fit.oil", window=window.label))
            by_window[window] = ResponseByWindow(advance, retard, part)
    advance, retard = summarise(curves, up, "advance"), summarise(curves, ~up, "retard")
    gain = static_gain(curves, fit.overall)
    return Response(advance, retard, fit.overall, gain, *agreement(advance, retard, fit.overall), by_window)


def static_gain(curves: StepCurves, fit: FopdtFit) -> Estimate:
    """Degrees of cam per degree of command, from steps whose arrival was recorded; else the fit's gain."""
    settled = curves.settled
    if np.sum(settled) < GAIN_STEPS:
        return fit.gain
    commanded = curves.steps.size_deg[settled]
    gain = ratio(curves.arrived[settled] * commanded**2, commanded**2)
    # Repeated moves between the same few levels have the same rounding error each time.
    doubt = GAIN_DOUBT + GAIN_COUNTS * curves.count_deg / float(np.median(np.abs(commanded)))
    return gain.widened(doubt)


def agreement(advance: StepSummary, retard: StepSummary, fit: FopdtFit) -> tuple[bool | None, str]:
    """Compare T63 of the steps with the fit's T63 for a step of the same size, in each direction."""
    if fit.lag.value is None:
        return None, say("agreement.no_fit", reason=fit.lag.reason)
    if fit.time_constant.value is None:
        return None, say("agreement.no_lag", reason=fit.time_constant.reason)
    differences = []
    for summary, sign in ((advance, 1.0), (retard, -1.0)):
        t63, fitted = summary.t63, fit.t63_s(sign * (summary.size_deg or 0.0))
        if t63.value is not None and fitted is not None:
            doubt = max(0.5 * (summary.resolution_s or 0.0), t63.half_width + fit.lag.half_width)
            differences.append(abs(fitted - t63.value) > max(AGREE_PART * t63.value, doubt))
    if not differences:
        return None, say("agreement.no_steps", reason=advance.t63.reason or retard.t63.reason)
    return (False, _disagreement(advance, retard, fit)) if any(differences) else (True, "")


def _disagreement(advance: StepSummary, retard: StepSummary, fit: FopdtFit) -> str:
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
