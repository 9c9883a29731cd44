"""Frozen readings: the very same number again and again although the command moved.

A seized cam is just as still, but its reading is not: torsional vibration and the sensor's own noise move
the last digit. Where the digits are too coarse for that, or the recording shows the reading at no other
time, a frozen value and a seized cam cannot be told apart, and that is what is said.
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

    `kind` is "none", "frozen" (a live reading elsewhere in the recording never repeats itself like that) or
    "stuck_or_frozen" (cannot be told apart, `reason` says why). `share` is of the running time, `first_s` when the
    first run began.
    """

    kind: str = "none"
    frozen_s: float = 0.0
    share: float = 0.0
    first_s: float | None = None
    reason: str = ""


def find_frozen(cam: CamData, others: Iterable[CamData] = ()) -> Frozen:
    """Look for frozen readings.

    `others` are further cams of the same engine: where this recording shows no live reading of this cam,
    theirs tell whether a still cam's reading would have changed.
    """
    t, grid = cam.actual_time_s, command_grid(cam)
    stopped = np.diff(cam.running.astype(np.int8)) != 0
    starts, ends = repeats(cam, (np.diff(t) > cam.actual_max_gap_s) | stopped)
    long = (ends - starts >= MIN_FROZEN_READINGS) & (t[ends - 1] - t[starts] >= MIN_FROZEN_S) & cam.running[starts]
    runs = []
    for start, end in zip(starts[long], ends[long], strict=True):
        first, last = grid.cell(t[[start, end - 1]])
        commanded, known = grid.command_deg[first : last + 1], grid.known[first : last + 1]
        away_s = GRID_S * np.sum(known & (np.abs(commanded - cam.actual_deg[start]) >= COMMAND_MOVED_DEG))
        if away_s >= COMMAND_AWAY_S and np.ptp(commanded[known]) >= COMMAND_MOVED_DEG:
            runs.append(slice(start, end))
    if not runs:
        return Frozen()
    in_run = np.zeros(len(t), dtype=bool)
    for run in runs:
        in_run[run] = True
    most = max(run.stop - run.start for run in runs)
    kind, reason = _tell_apart(cam, in_run, most)
    if kind != "frozen" and np.mean(in_run) > 0.5:
        alive = [_tell_apart(other, np.zeros(len(other.actual_deg), dtype=bool), most)[0] for other in others]
        if alive and all(each == "frozen" for each in alive):
            kind, reason = "frozen", "the other cams' readings never stand still like that"
    frozen_s = float(sum(t[run.stop - 1] - t[run.start] for run in runs))
    running_s = float(np.sum(np.minimum(np.diff(t), cam.actual_max_gap_s)[cam.running[1:]]))
    return Frozen(kind, frozen_s, min(frozen_s / max(running_s, 1e-9), 1.0), float(t[runs[0].start]), reason)


def _tell_apart(cam: CamData, in_run: np.ndarray, longest: int) -> tuple[str, str]:
    """The `kind` of `Frozen` and a reason: would a live reading of a cam that does not move have changed within a run
    of `longest` readings? Live readings are those outside the runs marked in `in_run` (n,)."""
    habits = live_habits(cam, in_run)
    if habits is None:
        return "stuck_or_frozen", "the recording shows no live reading to compare with"
    if habits.would_have_changed(longest, CHANCE):
        return "frozen", ""
    return "stuck_or_frozen", "the reading is too quiet or too coarse to show whether it is alive"


@dataclass(frozen=True, slots=True)
class LiveHabits:
    """How live readings of a cam that does not move behave: the share that turn back (`turns`) and the share
    that repeat the one before (`same`)."""

    turns: float
    same: float

    def would_have_changed(self, readings: int, chance: float) -> bool:
        """True where a live reading would hardly have repeated itself so many times on end."""
        return self.turns >= LIVE_TURNS and self.same ** (readings - 1) < chance


def live_habits(cam: CamData, in_run: np.ndarray) -> LiveHabits | None:
    """The habits of the readings outside the runs marked in `in_run` (n,); None where they are too few."""
    live = ~in_run & cam.running
    # A cam on the move changes its reading without noise: only readings while it stays at one angle tell.
    step = np.diff(cam.actual_deg)
    still = live[1:] & live[:-1] & (np.abs(step) <= max(STAYS_COUNTS * cam.actual_step_deg, STAYS_DEG))
    if np.sum(still) < MIN_LIVE_READINGS:
        return None
    both = still[1:] & still[:-1]
    turns = float(np.mean((step[1:] * step[:-1] < 0)[both])) if both.any() else 0.0
    same = (float(np.sum((step == 0) & still)) + 1.0) / (float(np.sum(still)) + 2.0)
    return LiveHabits(turns, same)
