"""Frozen readings: the very same number again and again although the command moved.

A seized cam is just as still, but its reading is not: torsional vibration and the sensor's own noise move the
last digit. Where the digits are too coarse for that, or the recording shows the reading at no other time, a
frozen value and a seized cam cannot be told apart, and that is what is said.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import GRID_S, command_grid
from camlog.analysis.cam.standing import repeats

MIN_FROZEN_S, MIN_FROZEN_READINGS = 3.0, 8
# The command must have moved, and stood away for longer than any cam takes to start.
COMMAND_MOVED_DEG, COMMAND_AWAY_S = 3.0, 1.5
# The chance that a live reading repeats itself for the whole run by luck.
CHANCE = 1e-6
MIN_LIVE_READINGS = 20
STAYS_COUNTS, STAYS_DEG = 3.0, 0.5
# Independent noise turns back on itself at two readings in three, a smooth motion hardly ever.
LIVE_TURNS = 0.25


@dataclass(frozen=True, slots=True)
class Frozen:
    """Time in runs of identical readings while the command moved and the engine ran.

    `kind` is "none", "frozen" (a live reading never repeats itself like that) or "stuck_or_frozen" (cannot be
    told apart, `reason` says why). `share` is of the running time, `first_s` when the first run began,
    `stretches_s` all runs (start, end).
    """

    kind: str = "none"
    frozen_s: float = 0.0
    share: float = 0.0
    first_s: float | None = None
    reason: str = ""
    stretches_s: tuple[tuple[float, float], ...] = ()


def find_frozen(cam: CamData, others: Iterable[CamData] = ()) -> Frozen:
    """Look for frozen readings.

    `others` are further cams of the same engine: where this recording shows no live reading of this cam,
    theirs tell whether a still cam's reading would have changed.
    """
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
    kind, reason = "stuck_or_frozen", "the reading is too quiet or too coarse to show whether it is alive"
    longest = longest_live_repeat(cam, in_run, CHANCE)
    if longest is None:
        reason = "the recording shows no live reading to compare with"
    elif most > longest:
        kind, reason = "frozen", ""
    elsewhere = [longest_live_repeat(other, mark(other, []), CHANCE) for other in others]
    if kind != "frozen" and np.mean(in_run) > 0.5 and elsewhere and all(e and most > e for e in elsewhere):
        kind, reason = "frozen", "the other cams' readings never stand still like that"
    times = tuple((float(t[start]), float(t[end - 1])) for start, end in frozen)
    frozen_s = float(sum(t[end - 1] - t[start] for start, end in frozen))
    running_s = float(np.sum(np.minimum(np.diff(t), cam.actual_max_gap_s)[cam.running[1:]]))
    return Frozen(kind, frozen_s, min(frozen_s / max(running_s, 1e-9), 1.0), float(t[frozen[0][0]]), reason, times)


def mark(cam: CamData, runs: Iterable[tuple[int, int]]) -> np.ndarray:
    """True (n,) for the readings in the given runs (first, one past the last)."""
    inside = np.zeros(len(cam.actual_deg), dtype=bool)
    for start, end in runs:
        inside[start:end] = True
    return inside


def longest_live_repeat(cam: CamData, in_run: np.ndarray, chance: float) -> float | None:
    """How often a live reading of a cam that stands still repeats itself on end, but for a small `chance`.

    By the readings outside the runs marked in `in_run` (n,): None where they are too few, infinite where they
    do not show that the reading is alive.
    """
    live = ~in_run & cam.running
    # A cam on the move changes its reading without noise: only readings while it stays at one angle tell.
    step = np.diff(cam.actual_deg)
    still = live[1:] & live[:-1] & (np.abs(step) <= max(STAYS_COUNTS * cam.actual_step_deg, STAYS_DEG))
    if np.sum(still) < MIN_LIVE_READINGS:
        return None
    turns = (step[1:] * step[:-1] < 0)[still[1:] & still[:-1]]
    if not len(turns) or np.mean(turns) < LIVE_TURNS:
        return np.inf
    same = (np.sum((step == 0) & still) + 1.0) / (np.sum(still) + 2.0)
    return float(1.0 + np.log(chance) / np.log(same))
