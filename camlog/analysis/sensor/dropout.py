"""Dropouts: angle readings that failed while the command, from the same control module, kept arriving."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import runs

# Two angles mostly read together come in one answer: each command without its angle is a failed reading.
PAIRED_SHARE = 0.5
# Otherwise readings are late often enough; one is missing where the wait is far beyond the usual one.
LATE_FACTOR = 2.0
COMMAND_ARRIVES = 0.5


@dataclass(frozen=True, slots=True)
class Dropouts:
    """Missing angle readings: their share of all expected, runs, the longest; or None and a `reason`."""

    fraction: float | None
    runs: int | None
    longest_s: float | None
    reason: str = ""


def find_dropouts(cam: CamData) -> Dropouts:
    """Count the readings of the actual angle that are missing while the command arrived."""
    command, actual = cam.command_time_s, cam.actual_time_s
    if len(actual) < 3 or len(command) < 3:
        return Dropouts(None, None, None, "fewer than three readings")
    together = np.isin(command, actual, assume_unique=True)
    # Over the stretch both cover, so that a sensor lost for good does not change how the drive was recorded.
    covered = (command >= actual[0]) & (command <= actual[-1])
    if covered.any() and np.mean(together[covered]) >= PAIRED_SHARE:
        starts, ends = runs(~together)
        lasted = np.append(command, command[-1])[ends] - command[starts]
        return Dropouts(float(np.mean(~together)), len(starts), float(lasted.max(initial=0.0)))
    # The ends count too: a reading that never came back is missing to the last command.
    edges = np.concatenate([[min(command[0], actual[0])], actual, [max(command[-1], actual[-1])]])
    wait, (usual, slow) = np.diff(edges), np.quantile(np.diff(actual), [0.5, 0.75])
    before = np.searchsorted(command, edges[:-1], side="right")
    arrived = np.searchsorted(command, edges[1:], side="left") - before
    least = np.maximum(2.0, COMMAND_ARRIVES * (wait / cam.command_interval_s - 1.0))
    lost = (wait > LATE_FACTOR * max(slow, usual)) & (arrived >= least)
    missing = np.maximum(np.round(wait[lost] / usual) - 1.0, 0.0)
    total = float(np.sum(missing))
    longest_s = float(wait[lost].max(initial=0.0))
    return Dropouts(total / (total + len(actual)), int(np.sum(missing > 0)), longest_s)
