"""Readings that are no angle of the cam: spikes, and a value put in place of a failed reading.

Spikes and default values leave the cam's angle in one sampling interval, away from the command, and come back
as suddenly; in between they are one or two readings long or hold the very same number. A module that holds
its last good value instead repeats it to the last digit, where a live reading would have changed, and then
jumps. No cam does either. They are sensor evidence, and every other measure is better made without them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData, once_per_cam
from camlog.analysis.cam.segments import reading_noise_deg, rest_commanded, runs
from camlog.analysis.cam.standing import repeats
from camlog.analysis.sensor.frozen import longest_live_repeat, mark

LEAVE_MIN_DEG, LEAVE_SIGMAS = 8.0, 10.0
RETURN_SHARE = 0.5
SPIKE_READINGS = 2
# A value that stays this long is what the module reports by default; longer, and the fault is a frozen one.
LONGEST_S = 30.0
MIN_RUNS = 2
# A command that moved by this share of the excursion may have taken the cam with it between two slow
# readings.
COMMAND_MOVED_SHARE = 0.3
HELD_MIN_READINGS, HELD_MIN_S = 5, 0.4
HELD_CHANCE = 1e-4
HELD_EXIT_DEG, HELD_EXIT_SIGMAS = 2.0, 5.0


@dataclass(frozen=True, slots=True)
class Substitution:
    """Implausible readings: number, `runs`, share of all, and the value most of them hold."""

    readings: int
    runs: int
    share: float
    value_deg: float | None


@once_per_cam
def implausible_readings(cam: CamData) -> np.ndarray:
    """True (n,) for readings that are no angle of the cam."""
    return _excursions(cam) | _held(cam)


def measure_substitution(cam: CamData) -> Substitution:
    """Count the implausible readings of a cam."""
    bad = implausible_readings(cam)
    count, value = len(runs(bad)[0]), None
    if count >= MIN_RUNS:
        values, counts = np.unique(cam.actual_deg[bad], return_counts=True)
        if counts.max() > 0.5 * bad.sum():
            value = float(values[np.argmax(counts)])
    return Substitution(int(bad.sum()), count, float(np.mean(bad)), value)


def _excursions(cam: CamData) -> np.ndarray:
    """Readings that left the cam's angle away from the command and came back, each at a stroke."""
    t, a, command, error = cam.actual_time_s, cam.actual_deg, cam.command_at_actual, np.abs(cam.error_deg)
    bad = np.zeros(len(a), dtype=bool)
    if len(a) < 5:
        return bad
    step = np.abs(np.diff(a))
    large = step > max(LEAVE_MIN_DEG, LEAVE_SIGMAS * reading_noise_deg(cam))
    # A jump at a reading beside a gap says nothing about how fast.
    leaves = large & (error[1:] > error[:-1] + 0.5 * step) & (np.diff(t) <= cam.actual_max_gap_s)
    back_at = np.flatnonzero(large & (error[1:] < error[:-1] - 0.5 * step)) + 1
    for k in np.flatnonzero(leaves) + 1:
        following = back_at[np.searchsorted(back_at, k, side="right") :]
        if bad[k] or not len(following) or t[following[0]] - t[k] > LONGEST_S:
            continue
        m = int(following[0])
        short = m - k <= SPIKE_READINGS
        moved = np.ptp(command[max(k - 3, 0) : m + 1]) if short else 0.0
        if (short or np.all(a[k:m] == a[k])) and moved <= COMMAND_MOVED_SHARE * step[k - 1]:
            bad[k:m] = step[m - 1] >= RETURN_SHARE * step[k - 1]
    return bad


def _held(cam: CamData) -> np.ndarray:
    """Runs of the very same reading, too long for a live one, that end in a jump."""
    t, a, resting = cam.actual_time_s, cam.actual_deg, rest_commanded(cam)
    starts, ends = repeats(cam)
    long = (ends - starts >= HELD_MIN_READINGS) & (t[ends - 1] - t[starts] >= HELD_MIN_S) & (ends < len(a))
    held = list(zip(starts[long], ends[long], strict=True))
    longest = longest_live_repeat(cam, mark(cam, held), HELD_CHANCE) if held else None
    if longest is None:
        return np.zeros(len(a), dtype=bool)
    least = max(HELD_EXIT_DEG, HELD_EXIT_SIGMAS * reading_noise_deg(cam))
    # Readings may be clipped at rest; there a repeated zero is no sign of anything.
    return mark(cam, (
        (start + 1, end) for start, end in held
        if end - start > longest and abs(a[end] - a[start]) > least and not resting[start:end].any()
    ))  # fmt: skip
