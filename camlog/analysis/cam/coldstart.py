"""The first seconds after an engine start: does the lock pin hold the cam while there is no oil pressure
yet?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import RUNNING_RPM, CamData
from camlog.analysis.estimate import Estimate, blocks_of, missing, root_mean_square

WATCHED_S = 10.0  # pressure builds within a few seconds; a rattle that a technician hears is over by then
MIN_READINGS = 8
MIN_WATCHED_S = 2.0
BLOCK_S = 1.0
# A run-time counter that starts this low began within the recording's first moments.
FRESH_RUN_TIME_S = 3.0
UNSEEN = "the engine was not started during the recording"


@dataclass(frozen=True, slots=True)
class ColdStart:
    """Flutter at rest in the first WATCHED_S after an engine start.

    `flutter_rms_deg` about the mean angle, `peak_to_peak_deg` the whole swing (98 % of readings); `start_s`
    when the engine started; `temp_degc` the oil (or stand-in) then and `cold` whether that is cold, both
    None where unknown. Of several starts the coldest is given.
    """

    flutter_rms_deg: Estimate
    peak_to_peak_deg: float | None = None
    start_s: float | None = None
    temp_degc: float | None = None
    cold: bool | None = None


def engine_starts(cam: CamData) -> np.ndarray:
    """Times (s) at which the engine began to run within the recording."""
    starts = []
    speed, t = cam.speed_rpm, cam.speed_time_s
    if len(speed) > 1:
        starts += list(t[1:][(speed[1:] >= RUNNING_RPM) & (speed[:-1] < RUNNING_RPM)])
    if len(cam.run_time_s):
        # A counter in whole seconds: the start it points back to is known to a second.
        fresh = cam.run_time_s <= FRESH_RUN_TIME_S
        fresh &= np.concatenate([[True], np.diff(cam.run_time_s) < 0])
        first = min(cam.actual_time_s[0], cam.command_time_s[0])
        for start in cam.run_time_time_s[fresh] - cam.run_time_s[fresh]:
            if not any(abs(start - known) < 2.0 * FRESH_RUN_TIME_S for known in starts):
                starts.append(max(start, first))
    return np.sort(np.asarray(starts, dtype=float))


def measure_cold_start(cam: CamData, rest_commanded: np.ndarray, cold_below_degc: float) -> ColdStart:
    """Flutter while commanded to rest (`rest_commanded` (n,)) just after the coldest engine start."""
    starts = engine_starts(cam)
    if not len(starts):
        return ColdStart(missing(UNSEEN))
    temperature = cam.oil_temp_at(starts)
    order = np.argsort(np.where(np.isnan(temperature), np.inf, temperature), kind="stable")
    results = [
        _one(cam, rest_commanded, float(starts[i]), float(temperature[i]), cold_below_degc) for i in order
    ]
    return next((r for r in results if r.flutter_rms_deg), results[0])


def _one(
    cam: CamData, rest_commanded: np.ndarray, start_s: float, temp_degc: float, cold_below_degc: float
) -> ColdStart:
    known = bool(np.isfinite(temp_degc))
    about = (start_s, temp_degc if known else None, temp_degc < cold_below_degc if known else None)
    t = cam.actual_time_s
    after = (t >= start_s) & (t <= start_s + WATCHED_S) & cam.running
    moved = after & ~rest_commanded & np.isfinite(cam.command_at_actual)
    if moved.any():
        # What the cam does once it has been sent away, or comes back from there, is not the lock pin's doing.
        after &= t < t[moved][0]
    keep = after & rest_commanded
    if np.sum(keep) < MIN_READINGS or t[keep][-1] - t[keep][0] < MIN_WATCHED_S:
        return ColdStart(missing("too few readings at rest after the start", int(np.sum(keep))), None, *about)
    value = cam.actual_deg[keep]
    square = (value - np.mean(value)) ** 2
    blocks = blocks_of(((t[keep] - start_s) / BLOCK_S).astype(np.int64))
    size = blocks.size * (1.0 - 1.0 / len(value))
    flutter = root_mean_square(blocks.sum(square), size, cam.actual_step_deg**2 / 12.0)
    low, high = np.quantile(value, [0.01, 0.99])
    return ColdStart(flutter, float(high - low), *about)
