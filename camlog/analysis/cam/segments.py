"""Where the command has been steady long enough for a healthy phaser to arrive, and how noisy the reading is.

A reading is *settled* where even a slow but healthy phaser would be close to the command by then. That phaser is a
reference model, first order plus dead time, run over the command itself: a large move takes longer than a small one, a
slow ramp stays settled, and a brief move does not count as steady. The even grid omits the inside of long holes, so
that the cost is linear in the number of readings."""

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
# The slowest phaser that is still healthy, in cold oil. It defines "long enough to arrive".
SLOW_HEALTHY_DEAD_TIME_S, SLOW_HEALTHY_TIME_CONSTANT_S = 0.2, 0.5
# How near that phaser must be to the command. A dithering command widens the tolerance: the distance in its quietest
# fifth, times DITHER_FACTOR. A quietest fifth above DITHER_MAX_DEG is motion, not dither.
SETTLED_TOLERANCE_DEG = 0.5
DITHER_QUANTILE, DITHER_MAX_DEG, DITHER_FACTOR = 0.2, 0.7, 1.5
# After an engine start or a gap the command before is unknown, so the cam is not settled for this long.
UNKNOWN_ALLOWANCE_S = 2.0
MIN_SEGMENT_S = 1.0
# Long segments are cut into blocks: ten minutes of idle are more than one independent piece.
BLOCK_S = 10.0
# With fewer blocks than FEW_BLOCKS, blocks are cut finer so that an interval can be given.
FEW_BLOCKS, FINE_BLOCK_S = 8, 3.0
# A command within this of zero is rest. At a degree or two the cam is already being controlled.
REST_BAND_DEG = 0.5
# A healthy phaser makes most of a move in this time, so an error beyond all that was commanded in it is no lag.
ENVELOPE_S = 1.0
# Of a hole between readings longer than HOLE_S, the grid keeps EDGE_S at its start and up to AFTER_HOLE_S at its end,
# in which the reference arrives.
HOLE_S, AFTER_HOLE_S, EDGE_S = 10.0, 5.0, 4 * GRID_S
# A longer window, asked for in sampling intervals, holds no known command anyway.
LONGEST_WINDOW_S = 60.0

# Noise of a perfect sensor's reading, from torsional vibration and tooth tolerance.
NOISE_FLOOR_DEG = 0.02
MAD_TO_SIGMA = 1.4826
FEW_READINGS = 30


@dataclass(frozen=True, eq=False)
class CommandGrid:
    """The command every GRID_S outside long holes: arrays (g,). `reference_deg` is where the slow but healthy
    phaser would be. Where the command is unknown, `known` is False and the last value is held."""

    time_s: np.ndarray
    command_deg: np.ndarray
    reference_deg: np.ndarray
    known: np.ndarray

    def cell(self, time_s: np.ndarray | float) -> np.ndarray:
        """Index of the nearest grid cell; in an omitted hole, and outside the grid, the nearest earlier one."""
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
    """Settled stretches of one cam, over its actual readings (n,). `segment` (n,) is the number of each reading's
    segment, `block` (n,) that of its piece of at most BLOCK_S; both are -1 outside. `start_s` and `end_s` (k,) bound
    the segments."""

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
    """The command of `cam` on a grid of GRID_S, with the slow but healthy phaser's response to it."""
    t = np.union1d(cam.actual_time_s, cam.command_time_s)
    wide = np.flatnonzero(np.diff(t) > HOLE_S)
    begin, end = t[np.concatenate([[0], wide + 1])], t[np.append(wide, len(t) - 1)]
    before = np.minimum(AFTER_HOLE_S, 2.0 * (end - begin)) + EDGE_S
    first = np.maximum(np.floor((begin - before - t[0]) / GRID_S), 0.0).astype(np.int64)
    end_cell = ((end - t[0]) / GRID_S).astype(np.int64) + 2
    end_cell[:-1] += round(EDGE_S / GRID_S)
    time = t[0] + GRID_S * np.concatenate([np.arange(a, b) for a, b in zip(first, end_cell, strict=True)])
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
    """Angle (g,) of a first-order cam with that dead time and time constant, for a command on the grid (g,)."""
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
    # The size must be odd for the filter's origin to put the whole window into the past.
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
    """How far (deg, signed) readings (n,) lie outside the range commanded in the last ENVELOPE_S; NaN: unknown.
    A lag shorter than ENVELOPE_S leaves no error here."""
    return outside(cam.actual_deg, *command_range(cam, ENVELOPE_S))


def outside(angle: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """How far each angle (n,) lies above `high` (positive) or below `low` (negative); 0 between."""
    return np.maximum(angle - high, 0.0) + np.minimum(angle - low, 0.0)


@once_per_cam
def rest_commanded(cam: CamData) -> np.ndarray:
    """True (n,) for the actual readings at which the cam is commanded to rest."""
    return np.abs(cam.command_at_actual) <= max(REST_BAND_DEG, 0.6 * cam.command_step_deg)


def settled_blocks(cam: CamData, keep: np.ndarray) -> Blocks:
    """Blocks of the settled readings in `keep`: one a segment, because the error depends on where the cam is held;
    pieces of segments where there are fewer than FEW_BLOCKS."""
    segments = steady_segments(cam)
    for label in (segments.segment[keep], segments.block[keep]):
        blocks = blocks_of(label)
        if len(blocks.size) >= FEW_BLOCKS:
            return blocks
    fine = (cam.actual_time_s[keep] / max(FINE_BLOCK_S, cam.seconds(keep) / FEW_BLOCKS)).astype(np.int64)
    return blocks_of(label * (int(fine.max(initial=0)) + 1) + fine)


def midpoint_residual(cam: CamData) -> tuple[np.ndarray, np.ndarray]:
    """Index and distance (deg) of readings from the line between their neighbours; readings beside gaps are left out.
    Scaled so that independent noise of standard deviation s gives residuals of s. Slow motion cancels."""
    t, a = cam.actual_time_s, cam.actual_deg
    if len(t) < 3:
        return np.empty(0, dtype=np.int64), np.empty(0)
    interval = np.diff(t)
    weight = interval[1:] / (interval[:-1] + interval[1:])
    other = 1.0 - weight
    residual = a[1:-1] - weight * a[:-2] - other * a[2:]
    residual /= np.sqrt(1.0 + weight * weight + other * other)
    unbroken = interval <= cam.actual_max_gap_s
    whole = unbroken[:-1] & unbroken[1:]
    return np.flatnonzero(whole) + 1, residual[whole]


@once_per_cam
def settled_noise_deg(cam: CamData) -> float:
    """`reading_noise_deg` of the settled readings, or of all where there are too few settled ones."""
    index, _ = midpoint_residual(cam)
    keep = steady_segments(cam).settled[index]
    return reading_noise_deg(cam, keep if np.sum(keep) >= FEW_READINGS else slice(None))


def reading_noise_deg(cam: CamData, keep: np.ndarray | slice = slice(None)) -> float:
    """Standard deviation (deg) of reading-to-reading noise, robust against moves and spikes; at least the
    quantisation noise. `keep` selects among the readings of `midpoint_residual`."""
    residual = midpoint_residual(cam)[1][keep]
    floor = max(cam.actual_step_deg / np.sqrt(12.0), NOISE_FLOOR_DEG)
    return max(MAD_TO_SIGMA * float(np.median(np.abs(residual))), floor) if len(residual) >= 3 else floor
