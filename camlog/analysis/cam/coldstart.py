"""The first seconds after an engine start: does the lock pin hold the cam without oil pressure?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import RUNNING_RPM, CamData
from camlog.analysis.cam.segments import rest_commanded
from camlog.analysis.estimate import Estimate, blocks_of, missing, root_mean_square

WATCHED_S = 10.0  # pressure builds within a few seconds; a rattle that a technician hears is over by then
MIN_READINGS, MIN_WATCHED_S = 8, 2.0
BLOCK_S = 1.0
# A run-time counter that starts this low began within the recording's first moments.
FRESH_RUN_TIME_S = 3.0


@dataclass(frozen=True, slots=True)
class ColdStart:
    """Flutter at rest, about the mean, in the first WATCHED_S after the coldest engine start.

    `start_s` when it was, `temp_degc` the oil (or stand-in) then, `cold` whether that is cold; None: unknown.
    """

    flutter_rms_deg: Estimate
    start_s: float | None = None
    temp_degc: float | None = None
    cold: bool | None = None


def measure_cold_start(cam: CamData, cold_below_degc: float) -> ColdStart:
    """Flutter while commanded to rest just after the coldest engine start."""
    starts = _engine_starts(cam)
    if not len(starts):
        return ColdStart(missing("the engine was not started during the recording"))
    degc = cam.oil_temp_at(starts)
    found = []
    for k in np.argsort(degc, kind="stable"):
        start, temp = float(starts[k]), float(degc[k])
        known = (None, None) if np.isnan(temp) else (temp, temp < cold_below_degc)
        found.append(ColdStart(_flutter(cam, start), start, *known))
    return next((start for start in found if start.flutter_rms_deg), found[0])


def _engine_starts(cam: CamData) -> np.ndarray:
    """Times (s) at which the engine began to run within the recording."""
    runs = cam.speed_rpm >= RUNNING_RPM
    starts = list(cam.speed_time_s[1:][runs[1:] & ~runs[:-1]])
    if len(cam.run_time_s):
        # A counter in whole seconds: the start it points back to is known to a second.
        fresh = (cam.run_time_s <= FRESH_RUN_TIME_S) & (np.diff(cam.run_time_s, prepend=np.inf) < 0)
        first = min(cam.actual_time_s[0], cam.command_time_s[0])
        for start in cam.run_time_time_s[fresh] - cam.run_time_s[fresh]:
            if not any(abs(start - known) < 2.0 * FRESH_RUN_TIME_S for known in starts):
                starts.append(max(start, first))
    return np.sort(np.asarray(starts, dtype=float))


def _flutter(cam: CamData, start_s: float) -> Estimate:
    t, at_rest = cam.actual_time_s, rest_commanded(cam)
    after = (t >= start_s) & (t <= start_s + WATCHED_S) & cam.running
    moved = after & ~at_rest & np.isfinite(cam.command_at_actual)
    if moved.any():
        # What the cam does once it has been sent away, or comes back from there, is not the lock pin's doing.
        after &= t < t[moved][0]
    keep = after & at_rest
    if np.sum(keep) < MIN_READINGS or t[keep][-1] - t[keep][0] < MIN_WATCHED_S:
        return missing("too few readings at rest after the start", int(np.sum(keep)))
    square = (cam.actual_deg[keep] - np.mean(cam.actual_deg[keep])) ** 2
    blocks = blocks_of(((t[keep] - start_s) / BLOCK_S).astype(np.int64))
    freedom = blocks.size * (1.0 - 1.0 / len(square))
    return root_mean_square(blocks.sum(square), freedom, cam.actual_step_deg**2 / 12.0)
