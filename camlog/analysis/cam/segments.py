"""Where the command has been steady long enough for a healthy phaser to arrive.

A reading is *settled* where even a slow but healthy phaser would by now be close to the command. That
phaser is a reference model, first order plus dead time, run over the command itself: a large move needs
longer than a small one, a slow ramp stays settled, and a move that came and went does not count as steady.
All of it works on an even grid that leaves the inside of long holes out, so the cost is linear in the number
of readings, however long the recording stood still or its clock jumped.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d
from scipy.signal import lfilter

from camlog.analysis.cam.camdata import CamData
from camlog.oil_windows import OIL_WINDOWS, OilWindow, Windows, window_index

GRID_S = 0.05
# A phaser in cold oil that a technician would still pass: what "long enough to arrive" is measured with.
SLOW_HEALTHY_DEAD_TIME_S = 0.2
SLOW_HEALTHY_TIME_CONSTANT_S = 0.5
# How near that phaser must be. A command that dithers by a little at all times widens it; one that is away by
# more than DITHER_MAX_DEG even in its quietest fifth is not dithering but on the move.
SETTLED_TOLERANCE_DEG = 0.5
DITHER_QUANTILE = 0.2
DITHER_MAX_DEG = 0.7
DITHER_FACTOR = 1.5
# After the engine starts or the recording resumes, where the cam is says nothing about where it was sent.
UNKNOWN_ALLOWANCE_S = 2.0
MIN_SEGMENT_S = 1.0
# A long segment is cut, so that one idle of ten minutes is not one single independent piece.
BLOCK_S = 10.0
# Commanded to rest: within a reading's step of it. A command of a degree or two is already being controlled.
REST_BAND_DEG = 0.5
# An error beyond everything commanded in this time is no lag: the time a healthy phaser needs for most of a
# move.
ENVELOPE_S = 1.0
# Of a hole between readings that is longer than this, the grid keeps a little before and after only: before
# what follows it so much that the reference has arrived, and less where what follows is hardly anything.
HOLE_S = 10.0
AFTER_HOLE_S = 5.0
EDGE_S = 4 * GRID_S
# Readings so far apart that a window asked for in intervals would be longer have no known command in it anyway.
LONGEST_WINDOW_S = 60.0


@dataclass(frozen=True, eq=False)
class CommandGrid:
    """The command on an even grid: `command_deg`, `reference_deg` (g,), `known` (g,) bool.

    `reference_deg` is where the slow but healthy phaser would be. Unknown command is held, and not `known`.
    The grid is even within the runs between long holes: run r begins with cell `first_cell[r]` (k,), which
    is step `first_step[r]` (k,) of GRID_S after `start_s`.
    """

    start_s: float
    first_cell: np.ndarray
    first_step: np.ndarray
    command_deg: np.ndarray
    reference_deg: np.ndarray
    known: np.ndarray

    def cell(self, time_s: np.ndarray) -> np.ndarray:
        """Index of the grid cell of each time; in a hole that was left out, and outside, the nearest before."""
        step = ((np.asarray(time_s) - self.start_s) / GRID_S + 0.5).astype(np.int64)
        run = np.maximum(np.searchsorted(self.first_step, step, side="right") - 1, 0)
        past = np.append(self.first_cell[1:], len(self.command_deg))[run]
        return np.clip(self.first_cell[run] + step - self.first_step[run], 0, past - 1)

    def time_s(self, cell: np.ndarray | int) -> np.ndarray:
        """The time of each cell, s."""
        run = np.searchsorted(self.first_cell, cell, side="right") - 1
        return self.start_s + GRID_S * (self.first_step[run] + cell - self.first_cell[run])


@dataclass(frozen=True, eq=False)
class Segments:
    """Settled stretches of one cam, over its actual readings (n,).

    `segment` (n,) numbers the segment each reading belongs to, -1 outside; `block` (n,) numbers the pieces of
    at most BLOCK_S they are cut into, -1 outside. `duration_s` (n,) is the time each reading stands for.
    `start_s`, `end_s` (k,) bound the segments; `tolerance_deg` is how near the reference had to be.
    """

    segment: np.ndarray
    block: np.ndarray
    duration_s: np.ndarray
    start_s: np.ndarray
    end_s: np.ndarray
    tolerance_deg: float

    @property
    def settled(self) -> np.ndarray:
        """True (n,) where the reading is settled."""
        return self.segment >= 0

    @property
    def settled_s(self) -> float:
        """Total settled time in seconds."""
        return float(np.sum(self.duration_s[self.settled]))


def command_grid(cam: CamData) -> CommandGrid:
    """The command of `cam` on a grid of GRID_S, with the slow but healthy phaser's answer to it."""
    start, first_step, size = _runs(cam)
    past = np.cumsum(size)
    first_cell = past - size
    time = start + GRID_S * (np.arange(past[-1]) + np.repeat(first_step - first_cell, size))
    value = cam.command_at(time)
    known = np.isfinite(value)
    if known.any():
        last = np.maximum.accumulate(np.where(known, np.arange(len(time)), -1))
        first = int(np.argmax(known))
        value = value[np.where(last < 0, first, last)]
    else:
        value = np.zeros(len(time))
    decay = np.exp(-GRID_S / SLOW_HEALTHY_TIME_CONSTANT_S)
    delay = round(SLOW_HEALTHY_DEAD_TIME_S / GRID_S)
    delayed = np.concatenate([np.full(delay, value[0]), value[: len(value) - delay]])[: len(value)]
    reference, _ = lfilter([1.0 - decay], [1.0, -decay], delayed, zi=[decay * value[0]])
    return CommandGrid(start, first_cell, first_step, value, reference, known & cam.running_at(time))


def _runs(cam: CamData) -> tuple[float, np.ndarray, np.ndarray]:
    """The runs of readings between long holes: the first time, and of each run its first step and size."""
    t = cam.actual_time_s
    if not np.array_equal(t, cam.command_time_s):
        t = np.union1d(t, cam.command_time_s)
    wide = np.flatnonzero(np.diff(t) > HOLE_S)
    begin, end = t[np.concatenate([[0], wide + 1])], t[np.append(wide, len(t) - 1)]
    before = np.minimum(AFTER_HOLE_S, 2.0 * (end - begin)) + EDGE_S
    first = np.maximum(np.floor((begin - before - t[0]) / GRID_S), 0.0).astype(np.int64)
    last = ((end - t[0]) / GRID_S).astype(np.int64) + 1
    last[:-1] += round(EDGE_S / GRID_S)
    return float(t[0]), first, last - first + 1


def steady_segments(cam: CamData, grid: CommandGrid | None = None) -> Segments:
    """Find the settled readings of `cam` and the segments they form."""
    grid = grid or command_grid(cam)
    away = np.abs(grid.command_deg - grid.reference_deg)
    busy = float(np.quantile(away[grid.known], DITHER_QUANTILE)) if grid.known.any() else 0.0
    dither = busy if busy <= DITHER_MAX_DEG else 0.0
    tolerance = max(SETTLED_TOLERANCE_DEG, 0.6 * cam.command_step_deg) + DITHER_FACTOR * dither
    size, origin = _cells(UNKNOWN_ALLOWANCE_S), _trailing(UNKNOWN_ALLOWANCE_S)
    unknown = (~grid.known).astype(np.int8)
    recently_unknown = maximum_filter1d(unknown, size, origin=origin, mode="constant", cval=1)
    settled = (away <= tolerance) & (recently_unknown == 0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], settled.astype(np.int8), [0]])))
    # The last cell may already hold the first reading of the next move.
    starts, ends = edges[::2], edges[1::2] - 1
    long_enough = (ends - starts) * GRID_S >= MIN_SEGMENT_S
    starts, ends = starts[long_enough], ends[long_enough]

    start_s, end_s = grid.time_s(starts), grid.time_s(ends)
    t = cam.actual_time_s
    duration = reading_duration(t, cam.actual_max_gap_s)
    number = np.searchsorted(start_s, t, side="right") - 1
    inside = (number >= 0) & np.isfinite(cam.command_at_actual)
    inside[inside] = t[inside] < end_s[number[inside]]
    segment = np.where(inside, number, -1)
    piece = np.zeros(len(t), dtype=np.int64)
    piece[inside] = ((t[inside] - start_s[number[inside]]) / BLOCK_S).astype(np.int64)
    label = np.where(inside, segment * (int(piece.max(initial=0)) + 1) + piece, -1)
    _, block = np.unique(label[inside], return_inverse=True)
    blocks = np.full(len(t), -1, dtype=np.int64)
    blocks[inside] = block
    return Segments(segment, blocks, duration, start_s, end_s, tolerance)


def envelope_error(
    cam: CamData, grid: CommandGrid, window_s: float = ENVELOPE_S, bias_deg: np.ndarray | float = 0.0
) -> np.ndarray:
    """How far each actual reading (n,) lies outside everything commanded in the last `window_s`, signed.

    Zero inside, NaN where any of that command is unknown. A lag shorter than `window_s` leaves no error here,
    whatever the command did. `bias_deg` (n,) or a number is a known error taken off the readings first.
    """
    low, high = command_range(cam, grid, window_s)
    angle = cam.actual_deg - bias_deg
    above, below = angle - high, angle - low
    return np.maximum(above, 0.0) + np.minimum(below, 0.0)


def command_range(cam: CamData, grid: CommandGrid, window_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest command of the last `window_s` at each actual reading (n,); NaN where any is
    unknown."""
    size, origin = _cells(window_s), _trailing(window_s)
    high = maximum_filter1d(grid.command_deg, size, origin=origin, mode="nearest")
    low = minimum_filter1d(grid.command_deg, size, origin=origin, mode="nearest")
    unknown = maximum_filter1d((~grid.known).astype(np.int8), size, origin=origin, mode="constant", cval=1)
    cell = grid.cell(cam.actual_time_s)
    now = np.where(unknown[cell] > 0, np.nan, cam.command_at_actual)
    return np.minimum(low[cell], now), np.maximum(high[cell], now)


def rest_commanded(cam: CamData) -> np.ndarray:
    """True (n,) for the actual readings at which the cam is told to rest."""
    band = max(REST_BAND_DEG, 0.6 * cam.command_step_deg)
    return np.abs(cam.command_at_actual - cam.rest_deg) <= band


def reading_duration(time_s: np.ndarray, max_gap_s: float) -> np.ndarray:
    """The time (s) each reading stands for: half way to each neighbour, gaps counted as nothing."""
    if len(time_s) < 2:
        return np.zeros(len(time_s))
    gap = np.diff(time_s)
    gap = np.where(gap > max_gap_s, 0.0, gap)
    return 0.5 * (np.concatenate([[0.0], gap]) + np.concatenate([gap, [0.0]]))


def by_window(
    cam: CamData, windows: Windows | Iterable[OilWindow] | None
) -> Iterator[tuple[OilWindow, np.ndarray]]:
    """Each oil-temperature window that occurs, with a mask (n,) of the actual readings in it."""
    known = tuple(getattr(windows, "windows", windows) if windows is not None else OIL_WINDOWS)
    index = window_index(known, cam.oil_temp_at_actual)
    for number, window in enumerate(known):
        mask = index == number
        if mask.any():
            yield window, mask


def _cells(window_s: float) -> int:
    # Odd, so that the filter's origin can put the window wholly into the past.
    return 2 * round(min(window_s, LONGEST_WINDOW_S) / GRID_S / 2.0) + 1


def _trailing(window_s: float) -> int:
    return _cells(window_s) // 2
