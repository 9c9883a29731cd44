"""Dropouts: angle readings that failed while the command, from the same control module, kept arriving."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData

# Two angles mostly read together come in one answer: each command without its angle is a failed reading.
PAIRED_SHARE = 0.5
# Otherwise readings are late often enough; one is missing where the wait is far beyond the usual one.
LATE_FACTOR = 2.0
COMMAND_ARRIVES = 0.5


@dataclass(frozen=True, slots=True)
class Dropouts:
    """Missing angle readings: their share of all expected (`fraction`), the number of `runs`, the
    `longest_s`.

    All None, with a `reason`, where it cannot be told.
    """

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
        return _paired(command, together)
    return _separate(cam)


def _paired(command_time_s: np.ndarray, together: np.ndarray) -> Dropouts:
    absent = (~together).astype(np.int8)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], absent, [0]])))
    starts, ends = edges[::2], edges[1::2]
    if not len(starts):
        return Dropouts(0.0, 0, 0.0)
    last = len(command_time_s) - 1
    lasted = command_time_s[np.minimum(ends, last)] - command_time_s[starts]
    return Dropouts(float(np.mean(absent)), len(starts), float(lasted.max()))


def _separate(cam: CamData) -> Dropouts:
    command, actual = cam.command_time_s, cam.actual_time_s
    # The ends count too: a reading that never came back is missing to the last command.
    edges = np.concatenate([[min(command[0], actual[0])], actual, [max(command[-1], actual[-1])]])
    wait = np.diff(edges)
    usual = float(np.median(np.diff(actual)))
    slow = float(np.quantile(np.diff(actual), 0.75))
    arrived = np.searchsorted(command, edges[1:], side="left") - np.searchsorted(
        command, edges[:-1], side="right"
    )
    expected = wait / cam.command_interval_s
    lost = (
        (wait > LATE_FACTOR * max(slow, usual))
        & (arrived >= 2)
        & (arrived >= COMMAND_ARRIVES * (expected - 1.0))
    )
    missing = np.where(lost, np.maximum(np.round(wait / usual) - 1.0, 0.0), 0.0)
    total = float(np.sum(missing))
    longest = float(wait[lost].max()) if lost.any() else 0.0
    return Dropouts(total / (total + len(actual)), int(np.sum(missing > 0)), longest)
