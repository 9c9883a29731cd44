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
from camlog.analysis.cam.segments import GRID_S, CommandGrid

MIN_FROZEN_S = 3.0
MIN_FROZEN_READINGS = 8
# The command must have moved, and stood away for longer than any cam takes to start.
COMMAND_MOVED_DEG = 3.0
COMMAND_AWAY_S = 1.5
# The chance that a live reading repeats itself for the whole run by luck.
CHANCE = 1e-6
MIN_LIVE_READINGS = 20
# Independent noise turns back on itself at two readings in three, a smooth motion hardly ever.
LIVE_TURNS = 0.25


@dataclass(frozen=True, slots=True)
class Frozen:
    """Time in runs of identical readings while the command moved and the engine ran.

    `kind` is "none", "frozen" (a live reading elsewhere in the recording never repeats itself like that) or
    "stuck_or_frozen" (cannot be told apart, `reason` says why). `share` is of the running time.
    """

    kind: str
    frozen_s: float
    longest_s: float
    share: float
    first_s: float | None = None
    reason: str = ""


def find_frozen(cam: CamData, grid: CommandGrid, others: Iterable[CamData] = ()) -> Frozen:
    """Look for frozen readings; `grid` is the cam's command grid.

    `others` are further cams of the same engine: where this recording shows no live reading of this cam,
    theirs tell whether a still cam's reading would have changed.
    """
    t, a = cam.actual_time_s, cam.actual_deg
    if len(a) < MIN_FROZEN_READINGS:
        return Frozen("none", 0.0, 0.0, 0.0, reason="too few readings")
    stopped = np.diff(cam.running.astype(np.int8)) != 0
    breaks = np.flatnonzero((np.diff(a) != 0) | (np.diff(t) > cam.actual_max_gap_s) | stopped) + 1
    starts = np.concatenate([[0], breaks])
    ends = np.append(breaks, len(a)) - 1
    size, lasted = ends - starts + 1, t[ends] - t[starts]
    long = np.flatnonzero((size >= MIN_FROZEN_READINGS) & (lasted >= MIN_FROZEN_S))
    in_run = np.zeros(len(a), dtype=bool)
    chosen = []
    for i in long:
        if not cam.running[starts[i] : ends[i] + 1].all():
            continue
        first, last = grid.cell(t[[starts[i], ends[i]]])
        commanded, known = grid.command_deg[first : last + 1], grid.known[first : last + 1]
        away_s = GRID_S * np.sum(known & (np.abs(commanded - a[starts[i]]) >= COMMAND_MOVED_DEG))
        if away_s >= COMMAND_AWAY_S and np.ptp(commanded[known]) >= COMMAND_MOVED_DEG:
            chosen.append(i)
            in_run[starts[i] : ends[i] + 1] = True
    if not chosen:
        return Frozen("none", 0.0, 0.0, 0.0)
    frozen_s, longest = float(np.sum(lasted[chosen])), float(np.max(lasted[chosen]))
    running_s = float(np.sum(np.minimum(np.diff(t), cam.actual_max_gap_s)[cam.running[1:]]))
    most = int(np.max(size[chosen]))
    kind, reason = tell_apart(cam, in_run, most)
    if kind != "frozen" and np.mean(in_run) > 0.5:
        alive = [tell_apart(other, np.zeros(len(other.actual_deg), dtype=bool), most)[0] for other in others]
        if alive and all(each == "frozen" for each in alive):
            kind, reason = "frozen", "the other cams' readings never stand still like that"
    return Frozen(
        kind,
        frozen_s,
        longest,
        min(frozen_s / max(running_s, 1e-9), 1.0),
        float(t[starts[chosen[0]]]),
        reason,
    )


def tell_apart(cam: CamData, in_run: np.ndarray, longest: int, chance: float = CHANCE) -> tuple[str, str]:
    """Would a live reading of a cam that does not move have changed within a run of `longest` readings?

    Returns the `kind` of `Frozen` and a reason. Live readings are those outside the runs marked in `in_run`
    (n,).
    """
    habits = live_habits(cam, in_run)
    if habits is None:
        return "stuck_or_frozen", "the recording shows no live reading to compare with"
    if habits.would_have_changed(longest, chance):
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
    still = live[1:] & live[:-1] & (np.abs(step) <= max(3.0 * cam.actual_step_deg, 0.5))
    if np.sum(still) < MIN_LIVE_READINGS:
        return None
    both = still[1:] & still[:-1]
    turns = float(np.mean((step[1:] * step[:-1] < 0)[both])) if both.any() else 0.0
    same = (float(np.sum((step == 0) & still)) + 1.0) / (float(np.sum(still)) + 2.0)
    return LiveHabits(turns, same)
