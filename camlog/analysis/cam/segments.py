"""Where the command has been steady long enough for a healthy phaser to arrive, and how noisy the reading is.

A reading is *settled* where even a slow but healthy phaser would by now be close to the command. That phaser is a
reference model, first order plus dead time, run over the command itself: a large move needs longer than a small one, a
slow ramp stays settled, and a move that came and went does not count as steady. All on an even grid that leaves the
inside of long holes out, so that the cost is linear in the number of readings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d
from scipy.signal import lfilter

from camlog.analysis.cam.camdata import CamData, once_per_cam
from camlog.analysis.estimate import Blocks, blocks_of

GRID_S = 0.05
# A phaser in cold oil that a technician would still pass: what "long enough to arrive" is measured with.
SLOW_HEALTHY_DEAD_TIME_S, SLOW_HEALTHY_TIME_CONSTANT_S = 0.2, 0.5
# How near that phaser must be. A command that dithers by a little at all times widens it; one that is away by
# more than DITHER_MAX_DEG even in its quietest fifth is not dithering but on the move.
SETTLED_TOLERANCE_DEG = 0.5
DITHER_QUANTILE, DITHER_MAX_DEG, DITHER_FACTOR = 0.2, 0.7, 1.5
# After the engine starts or the recording resumes, where the cam is says nothing about where it was sent.
UNKNOWN_ALLOWANCE_S = 2.0
MIN_SEGMENT_S = 1.0
# A long segment is cut, so that one idle of ten minutes is not one single independent piece.
BLOCK_S = 10.0
# With fewer blocks than this an interval would rest on almost nothing: blocks are cut finer.
FEW_BLOCKS, FINE_BLOCK_S = 8, 3.0
# Commanded to rest: within a reading's step of it. A command of a degree or two is already being controlled.
REST_BAND_DEG = 0.5
# An error beyond everything commanded in this time is no lag: a healthy phaser needs it for most of a move.
ENVELOPE_S = 1.0
# Of a hole between readings that is longer than this, the grid keeps a little before and after only: before
# what follows it so much that the reference has arrived, and less where what follows is hardly anything.
HOLE_S, AFTER_HOLE_S, EDGE_S = 10.0, 5.0, 4 * GRID_S
# A window asked for in intervals and longer than this holds no known command anyway.
LONGEST_WINDOW_S = 60.0

# A reading of an ideal sensor still moves by this much (torsional vibration, tooth tolerance).
NOISE_FLOOR_DEG = 0.02
MAD_TO_SIGMA = 1.4826
FEW_READINGS = 30


@dataclass(frozen=True, eq=False)
class CommandGrid:
    """The command every GRID_S, but in long holes: arrays (g,). `reference_deg` is where the slow but
    healthy phaser would be. Unknown command is held, and not `known`."""

    time_s: np.ndarray
    command_deg: np.ndarray
    reference_deg: np.ndarray
    known: np.ndarray

    def cell(self, time_s: np.ndarray | float) -> np.ndarray:
        """Index of the nearest grid cell; in a hole that was left out, and outside, the nearest before."""
        step = ((np.asarray(time_s) - self.time_s[0]) / GRID_S + 0.5).astype(np.int64)
        return np.maximum(np.searchsorted(self._step, step, side="right") - 1, 0)

    @cached_property
    def _step(self) -> np.ndarray:
        return np.rint((self.time_s - self.time_s[0]) / GRID_S).astype(np.int64)

    def reference_speed(self) -> np.ndarray:
        """Speed (g,) of the slow but healthy phaser, deg/s."""
        return np.abs(np.gradient(self.reference_deg, GRID_S))


@dataclass(frozen=True, eq=False)
class Segments:
    """Settled stretches of one cam, over its actual readings (n,). `segment` (n,) numbers the segment each
    reading belongs to, `block` (n,) the pieces of at most BLOCK_S it is cut into, -1 outside. `start_s`,
    `end_s` (k,) bound the segments."""

    segment: np.ndarray
    block: np.ndarray
    start_s: np.ndarray
    end_s: np.ndarray

    @property
    def settled(self) -> np.ndarray:
        """True (n,) where the reading is settled; the command is known there."""
        return self.segment >= 0


def runs(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First and one past the last index of each unbroken run of True in `mask` (n,)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return edges[::2], edges[1::2]


@once_per_cam
def command_grid(cam: CamData) -> CommandGrid:
    """The command of `cam` on a grid of GRID_S, with the slow but healthy phaser's answer to it."""
    t = np.union1d(cam.actual_time_s, cam.command_time_s)
    wide = np.flatnonzero(np.diff(t) > HOLE_S)
    begin, end = t[np.concatenate([[0], wide + 1])], t[np.append(wide, len(t) - 1)]
    before = np.minimum(AFTER_HOLE_S, 2.0 * (end - begin)) + EDGE_S
    first = np.maximum(np.floor((begin - before - t[0]) / GRID_S), 0.0).astype(np.int64)
    past = ((end - t[0]) / GRID_S).astype(np.int64) + 2
    past[:-1] += round(EDGE_S / GRID_S)
    time = t[0] + GRID_S * np.concatenate([np.arange(a, b) for a, b in zip(first, past, strict=True)])
    value = cam.command_at(time)
    known = np.isfinite(value)
    if known.any():
        last = np.maximum.accumulate(np.where(known, np.arange(len(time)), -1))
        value = value[np.where(last < 0, int(np.argmax(known)), last)]
    else:
        value = np.zeros(len(time))
    reference = lagged(value, SLOW_HEALTHY_DEAD_TIME_S, SLOW_HEALTHY_TIME_CONSTANT_S)
    return CommandGrid(time, value, reference, known & cam.running_at(time))


def lagged(command_deg: np.ndarray, dead_s: float, tau_s: float) -> np.ndarray:
    """Where a first-order cam with that dead time and time constant is, on the grid of its command (g,)."""
    decay = np.exp(-GRID_S / tau_s)
    delayed = np.concatenate([np.full(round(dead_s / GRID_S), command_deg[0]), command_deg])[: len(command_deg)]
    return lfilter([1.0 - decay], [1.0, -decay], delayed, zi=[decay * command_deg[0]])[0]


@once_per_cam
def cell_of_reading(cam: CamData) -> np.ndarray:
    """Index (n,) of the cell of `command_grid` of each actual reading."""
    return command_grid(cam).cell(cam.actual_time_s)


@once_per_cam
def steady_segments(cam: CamData) -> Segments:
    grid, t = command_grid(cam), cam.actual_time_s
    away = np.abs(grid.command_deg - grid.reference_deg)
    busy = float(np.quantile(away[grid.known], DITHER_QUANTILE)) if grid.known.any() else 0.0
    dither = busy if busy <= DITHER_MAX_DEG else 0.0
    tolerance = max(SETTLED_TOLERANCE_DEG, 0.6 * cam.command_step_deg) + DITHER_FACTOR * dither
    starts, ends = runs((away <= tolerance) & ~_recently_unknown(grid, UNKNOWN_ALLOWANCE_S))
    ends = ends - 1  # the last cell may already hold the first reading of the next move
    long_enough = (ends - starts) * GRID_S >= MIN_SEGMENT_S
    start_s, end_s = grid.time_s[starts[long_enough]], grid.time_s[ends[long_enough]]
    number = np.searchsorted(start_s, t, side="right") - 1
    inside = (number >= 0) & np.isfinite(cam.command_at_actual)
    inside[inside] = t[inside] < end_s[number[inside]]
    segment, block = np.where(inside, number, -1), np.full(len(t), -1, dtype=np.int64)
    piece = ((t[inside] - start_s[number[inside]]) / BLOCK_S).astype(np.int64)
    label = segment[inside] * (int(piece.max(initial=0)) + 1) + piece
    block[inside] = np.unique(label, return_inverse=True)[1]
    return Segments(segment, block, start_s, end_s)


def _recent(value: np.ndarray, window_s: float, extreme: Callable, **edge: object) -> np.ndarray:
    """The `extreme` of `value` (g,) over the last `window_s` at each grid cell."""
    # Odd, so that the filter's origin can put the window wholly into the past.
    size = 2 * round(min(window_s, LONGEST_WINDOW_S) / GRID_S / 2.0) + 1
    return extreme(value, size, origin=size // 2, **edge)


def _recently_unknown(grid: CommandGrid, window_s: float) -> np.ndarray:
    unknown = (~grid.known).astype(np.int8)
    return _recent(unknown, window_s, maximum_filter1d, mode="constant", cval=1) > 0


def command_range(cam: CamData, window_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest command of the last `window_s` at each reading (n,); NaN where any is unknown."""
    grid, cell = command_grid(cam), cell_of_reading(cam)
    low = _recent(grid.command_deg, window_s, minimum_filter1d, mode="nearest")
    high = _recent(grid.command_deg, window_s, maximum_filter1d, mode="nearest")
    now = np.where(_recently_unknown(grid, window_s)[cell], np.nan, cam.command_at_actual)
    return np.minimum(low[cell], now), np.maximum(high[cell], now)


@once_per_cam
def envelope_error(cam: CamData) -> np.ndarray:
    """How far (deg, signed) readings (n,) lie outside all commanded in the last ENVELOPE_S; NaN: unknown.
    A lag shorter than that leaves no error here, whatever the command did."""
    return outside(cam.actual_deg, *command_range(cam, ENVELOPE_S))


def outside(angle: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """How far each angle (n,) lies above `high` (positive) or below `low` (negative); 0 between."""
    return np.maximum(angle - high, 0.0) + np.minimum(angle - low, 0.0)


@once_per_cam
def rest_commanded(cam: CamData) -> np.ndarray:
    """True (n,) for the actual readings at which the cam is told to rest."""
    return np.abs(cam.command_at_actual) <= max(REST_BAND_DEG, 0.6 * cam.command_step_deg)


def settled_blocks(cam: CamData, keep: np.ndarray) -> Blocks:
    """Blocks of the kept settled readings: segments, or pieces of them where there are few. The error
    depends on where the cam is held, so the readings of one segment are one block."""
    segments = steady_segments(cam)
    for label in (segments.segment[keep], segments.block[keep]):
        blocks = blocks_of(label)
        if len(blocks.size) >= FEW_BLOCKS:
            return blocks
    fine = (cam.actual_time_s[keep] / max(FINE_BLOCK_S, cam.seconds(keep) / FEW_BLOCKS)).astype(np.int64)
    return blocks_of(label * (int(fine.max(initial=0)) + 1) + fine)


def midpoint_residual(cam: CamData) -> tuple[np.ndarray, np.ndarray]:
    """How far readings lie from the line between their neighbours: index and residual (deg), not beside gaps. Scaled so
    that independent noise of standard deviation s gives residuals of s; slow motion cancels."""
    t, a = cam.actual_time_s, cam.actual_deg
    if len(t) < 3:
        return np.empty(0, dtype=np.int64), np.empty(0)
    interval = np.diff(t)
    weight = interval[1:] / (interval[:-1] + interval[1:])
    other = 1.0 - weight
    residual = a[1:-1] - weight * a[:-2] - other * a[2:]
    residual /= np.sqrt(1.0 + weight * weight + other * other)
    near = interval <= cam.actual_max_gap_s
    whole = near[:-1] & near[1:]
    return np.flatnonzero(whole) + 1, residual[whole]


@once_per_cam
def settled_noise_deg(cam: CamData) -> float:
    """`reading_noise_deg` of the settled readings, where they are enough; else of all."""
    index, _ = midpoint_residual(cam)
    keep = steady_segments(cam).settled[index]
    return reading_noise_deg(cam, keep if np.sum(keep) >= FEW_READINGS else slice(None))


def reading_noise_deg(cam: CamData, keep: np.ndarray | slice = slice(None)) -> float:
    """Standard deviation (deg) of reading-to-reading noise, despite moves and spikes; at least that of
    counts. `keep` chooses among the readings of `midpoint_residual`."""
    residual = midpoint_residual(cam)[1][keep]
    floor = max(cam.actual_step_deg / np.sqrt(12.0), NOISE_FLOOR_DEG)
    return max(MAD_TO_SIGMA * float(np.median(np.abs(residual))), floor) if len(residual) >= 3 else floor
