"""Readings that cannot be angles of the cam: spikes, and values substituted for failed readings.

Spikes and default values leave the cam's angle within one sampling interval, away from the command, and return as
suddenly. In between they last one or two readings or repeat the same number. A module that holds its last good value
repeats it to the last digit, where a live reading would change, and then jumps. No cam moves like this. Such readings
are sensor evidence and are left out of every other measure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData, once_per_cam
from camlog.analysis.cam.segments import GRID_S, command_grid, reading_noise_deg, rest_commanded, runs
from camlog.analysis.cam.standing import repeats

MIN_FROZEN_S, MIN_FROZEN_READINGS = 3.0, 8
# The command must have moved, and been away for longer than any cam takes to start.
COMMAND_MOVED_DEG, COMMAND_AWAY_S = 3.0, 1.5
# Probability, by chance, that a live reading repeats for the whole run.
CHANCE = 1e-6
MIN_LIVE_READINGS = 20
STAYS_COUNTS, STAYS_DEG = 3.0, 0.5
# Share of turning points from which readings count as noisy: independent noise turns at two readings in three, smooth
# motion hardly ever.
LIVE_TURNS = 0.25


@dataclass(frozen=True, slots=True)
class Frozen:
    """Time in runs of identical readings while the command moved and the engine ran.

    `kind` is "none", "frozen" (a live reading never repeats like that) or "stuck_or_frozen" (the two cannot be
    distinguished). `share` is the share of the running time, `stretches_s` are all runs (start, end)."""

    kind: str = "none"
    share: float = 0.0
    stretches_s: tuple[tuple[float, float], ...] = ()


def find_frozen(cam: CamData, others: Iterable[CamData] = ()) -> Frozen:
    """Search for frozen readings. `others` are the engine's other cams: if this cam was never read live, their readings
    show whether the reading of a still cam would have changed."""
    t, grid = cam.actual_time_s, command_grid(cam)
    broken = (np.diff(t) > cam.actual_max_gap_s) | (np.diff(cam.running.astype(np.int8)) != 0)
    starts, ends = repeats(cam, broken)
    long = (ends - starts >= MIN_FROZEN_READINGS) & (t[ends - 1] - t[starts] >= MIN_FROZEN_S)
    long &= cam.running[starts]
    frozen = []
    for start, end in zip(starts[long], ends[long], strict=True):
        first, last = grid.cell(t[[start, end - 1]])
        commanded, known = grid.command_deg[first : last + 1], grid.known[first : last + 1]
        away = known & (np.abs(commanded - cam.actual_deg[start]) >= COMMAND_MOVED_DEG)
        if GRID_S * np.sum(away) >= COMMAND_AWAY_S and np.ptp(commanded[known]) >= COMMAND_MOVED_DEG:
            frozen.append((start, end))
    if not frozen:
        return Frozen()
    in_run, most = mark(cam, frozen), max(end - start for start, end in frozen)
    longest = longest_live_repeat(cam, in_run, CHANCE)
    elsewhere = [longest_live_repeat(other, mark(other, []), CHANCE) for other in others]
    # If frozen from the start, only the other cams show whether a still cam's reading would have changed.
    distinguishable = np.mean(in_run) > 0.5 and elsewhere and all(e and most > e for e in elsewhere)
    kind = "frozen" if longest is not None and most > longest or distinguishable else "stuck_or_frozen"
    times = tuple((float(t[start]), float(t[end - 1])) for start, end in frozen)
    frozen_s = float(sum(t[end - 1] - t[start] for start, end in frozen))
    running_s = float(np.sum(np.minimum(np.diff(t), cam.actual_max_gap_s)[cam.running[1:]]))
    return Frozen(kind, min(frozen_s / max(running_s, 1e-9), 1.0), times)


def mark(cam: CamData, runs: Iterable[tuple[int, int]]) -> np.ndarray:
    """True (n,) for the readings in the given runs (first, one past the last)."""
    inside = np.zeros(len(cam.actual_deg), dtype=bool)
    for start, end in runs:
        inside[start:end] = True
    return inside


def longest_live_repeat(cam: CamData, in_run: np.ndarray, chance: float) -> float | None:
    """The longest run of equal live readings of a still cam, exceeded only with probability `chance`.
    Estimated from the readings outside the runs marked in `in_run` (n,): None where they are too few, infinite where
    they do not show noise."""
    live = ~in_run & cam.running
    # The reading of a moving cam changes without noise, so only readings while it stays at one angle are used.
    step = np.diff(cam.actual_deg)
    still = live[1:] & live[:-1] & (np.abs(step) <= max(STAYS_COUNTS * cam.actual_step_deg, STAYS_DEG))
    if np.sum(still) < MIN_LIVE_READINGS:
        return None
    turns = (step[1:] * step[:-1] < 0)[still[1:] & still[:-1]]
    if not len(turns) or np.mean(turns) < LIVE_TURNS:
        return np.inf
    same = (np.sum((step == 0) & still) + 1.0) / (np.sum(still) + 2.0)
    return float(1.0 + np.log(chance) / np.log(same))


LEAVE_MIN_DEG, LEAVE_SIGMAS = 8.0, 10.0
RETURN_SHARE = 0.5
SPIKE_READINGS = 2
# A default value of the module lasts up to this long; a longer one counts as frozen.
LONGEST_S = 30.0
MIN_RUNS = 2
# If the command moved by this share of the excursion, the cam may have followed it between two slow readings.
COMMAND_MOVED_SHARE = 0.3
HELD_MIN_READINGS, HELD_MIN_S = 5, 0.4
HELD_CHANCE = 1e-4
HELD_EXIT_DEG, HELD_EXIT_SIGMAS = 2.0, 5.0


@dataclass(frozen=True, slots=True)
class Substitution:
    """Implausible readings: number, `runs`, share of all, and their most frequent value."""

    readings: int
    runs: int
    share: float
    value_deg: float | None


@once_per_cam
def implausible_readings(cam: CamData) -> np.ndarray:
    """True (n,) for readings that cannot be angles of the cam."""
    return _excursions(cam) | _held(cam)


def measure_substitution(cam: CamData) -> Substitution:
    bad = implausible_readings(cam)
    count, value = len(runs(bad)[0]), None
    if count >= MIN_RUNS:
        values, counts = np.unique(cam.actual_deg[bad], return_counts=True)
        if counts.max() > 0.5 * bad.sum():
            value = float(values[np.argmax(counts)])
    return Substitution(int(bad.sum()), count, float(np.mean(bad)), value)


def _excursions(cam: CamData) -> np.ndarray:
    """Readings that left the cam's angle away from the command and returned, each within one interval."""
    t, a, command, error = cam.actual_time_s, cam.actual_deg, cam.command_at_actual, np.abs(cam.error_deg)
    bad = np.zeros(len(a), dtype=bool)
    if len(a) < 5:
        return bad
    step = np.abs(np.diff(a))
    large = step > max(LEAVE_MIN_DEG, LEAVE_SIGMAS * reading_noise_deg(cam))
    # Beside a gap the speed of a jump is unknown.
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
    """Runs of the same reading that are too long for a live one and end in a jump."""
    t, a, resting = cam.actual_time_s, cam.actual_deg, rest_commanded(cam)
    starts, ends = repeats(cam)
    long = (ends - starts >= HELD_MIN_READINGS) & (t[ends - 1] - t[starts] >= HELD_MIN_S) & (ends < len(a))
    held = list(zip(starts[long], ends[long], strict=True))
    longest = longest_live_repeat(cam, mark(cam, held), HELD_CHANCE) if held else None
    if longest is None:
        return np.zeros(len(a), dtype=bool)
    least = max(HELD_EXIT_DEG, HELD_EXIT_SIGMAS * reading_noise_deg(cam))
    # Readings may be clipped at rest, so a repeated zero means nothing there.
    return mark(cam, (
        (start + 1, end) for start, end in held
        if end - start > longest and abs(a[end] - a[start]) > least and not resting[start:end].any()
    ))  # fmt: skip
