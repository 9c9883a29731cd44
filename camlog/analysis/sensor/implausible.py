"""Readings that are no angle of the cam: spikes, and a value put in place of a failed reading.

Spikes and default values leave the cam's angle in one sampling interval, away from the command, and come
back as suddenly; in between they are one or two readings long or hold the very same number. A module that
holds its last good value instead repeats it to the last digit, where a live reading would have changed, and
then jumps. No cam does either. They are sensor evidence, and every other measure is better made without them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.noise import reading_noise_deg
from camlog.analysis.cam.segments import rest_commanded
from camlog.analysis.sensor.frozen import live_habits

LEAVE_MIN_DEG = 8.0
LEAVE_SIGMAS = 10.0
RETURN_SHARE = 0.5
SPIKE_READINGS = 2
# A value that stays this long is what the module reports by default; longer, and the fault is a frozen one.
LONGEST_S = 30.0
MIN_RUNS = 2
# A command that moved by this share of the excursion may have taken the cam with it between two slow
# readings.
COMMAND_MOVED_SHARE = 0.3
HELD_MIN_READINGS = 5
HELD_CHANCE = 1e-4
HELD_MIN_S = 0.4
HELD_EXIT_DEG = 2.0
HELD_EXIT_SIGMAS = 5.0


@dataclass(frozen=True, slots=True)
class Substitution:
    """Implausible readings: their number, the `runs` they form, their share of all, the value most of them
    hold."""

    readings: int
    runs: int
    share: float
    value_deg: float | None


def implausible_readings(cam: CamData) -> np.ndarray:
    """True (n,) for readings that are no angle of the cam."""
    noise = reading_noise_deg(cam)
    return _excursions(cam, noise) | _held(cam, noise)


def _excursions(cam: CamData, noise: float) -> np.ndarray:
    """Readings that left the cam's angle away from the command and came back, each at a stroke."""
    t, a = cam.actual_time_s, cam.actual_deg
    bad = np.zeros(len(a), dtype=bool)
    if len(a) < 5:
        return bad
    error = np.abs(cam.error_deg)
    command = cam.command_at_actual
    step = np.abs(np.diff(a))
    large = step > max(LEAVE_MIN_DEG, LEAVE_SIGMAS * noise)
    leaves = large & (error[1:] > error[:-1] + 0.5 * step)
    returns = large & (error[1:] < error[:-1] - 0.5 * step)
    # A jump at a reading beside a gap says nothing about how fast.
    close = np.diff(t) <= cam.actual_max_gap_s
    leaves &= close
    back_at = np.flatnonzero(returns) + 1
    for k in np.flatnonzero(leaves) + 1:
        if bad[k]:
            continue
        following = back_at[np.searchsorted(back_at, k, side="right") :]
        if not len(following):
            continue
        m = int(following[0])
        if t[m] - t[k] > LONGEST_S:
            continue
        if m - k <= SPIKE_READINGS or bool(np.all(a[k:m] == a[k])):
            moved = np.ptp(command[max(k - 3, 0) : m + 1]) if m - k <= SPIKE_READINGS else 0.0
            if step[m - 1] >= RETURN_SHARE * step[k - 1] and moved <= COMMAND_MOVED_SHARE * step[k - 1]:
                bad[k:m] = True
    return bad


def _held(cam: CamData, noise: float) -> np.ndarray:
    """Runs of the very same reading, too long for a live one, that end in a jump."""
    t, a = cam.actual_time_s, cam.actual_deg
    bad = np.zeros(len(a), dtype=bool)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(a) != 0) + 1, [len(a)]])
    starts, ends = edges[:-1], edges[1:]
    long = (ends - starts >= HELD_MIN_READINGS) & (t[ends - 1] - t[starts] >= HELD_MIN_S) & (ends < len(a))
    starts, ends = starts[long], ends[long]
    if not len(starts):
        return bad
    jump = np.abs(a[ends] - a[ends - 1]) > max(HELD_EXIT_DEG, HELD_EXIT_SIGMAS * noise)
    resting = rest_commanded(cam)
    # Readings may be clipped at rest; there a repeated zero is no sign of anything.
    jump &= np.array([not resting[s:e].any() for s, e in zip(starts, ends, strict=True)], dtype=bool)
    in_run = np.zeros(len(a), dtype=bool)
    for s, e in zip(starts, ends, strict=True):
        in_run[s:e] = True
    habits = live_habits(cam, in_run)
    for s, e in zip(starts[jump], ends[jump], strict=True):
        if habits is not None and habits.would_have_changed(int(e - s), HELD_CHANCE):
            bad[s + 1 : e] = True
    return bad


def measure_substitution(cam: CamData, bad: np.ndarray | None = None) -> Substitution:
    """Count the implausible readings of a cam; `bad` (n,) marks them where known already."""
    bad = implausible_readings(cam) if bad is None else bad
    runs = int(np.sum(np.diff(np.concatenate([[0], bad.astype(np.int8)])) == 1))
    value = None
    if runs >= MIN_RUNS:
        values, counts = np.unique(cam.actual_deg[bad], return_counts=True)
        if counts.max() > 0.5 * bad.sum():
            value = float(values[np.argmax(counts)])
    return Substitution(int(bad.sum()), runs, float(np.mean(bad)) if len(bad) else 0.0, value)


def without(cam: CamData, bad: np.ndarray) -> CamData:
    """The cam's data without the readings marked (n,); the same object where none is, or too few would be
    left."""
    if not bad.any() or np.sum(~bad) < 5:
        return cam
    return replace(cam, actual_time_s=cam.actual_time_s[~bad], actual_deg=cam.actual_deg[~bad])
