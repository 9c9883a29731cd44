"""The stretches of a drive that tell most about sticking: much command motion, begun while the cam is on
the move."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import GRID_S, CommandGrid

STRETCH_S = 20.0
STRETCHES = 6
WARM_UP_S = 2.0  # until the model has forgotten the state it was started in
BLOCK_S = 3.0
# A stretch is worth fitting where the command travels this far, large moves counted as COUNTED_DEG a second.
MIN_TRAVEL_DEG = 8.0
COUNTED_DEG = 5.0
MAX_READINGS = 1200  # beyond, more readings of the same stretches add cost and no information
MIN_READINGS = 20
MOVE_WATCHED_S = 0.4
MOVE_MIN_DEG = 1.0
FIRST_READINGS_S = 0.2  # the starting angle is a mean over this long
RAMP_LEAST_DEG_PER_S, RAMP_MOST_DEG_PER_S = 1.0, 30.0


@dataclass(frozen=True, eq=False)
class Stretches:
    """k stretches and the n readings in them that are to be explained.

    `command` (k, m) on the grid, `first` (k,) where the cam stood at the start, `moving` (k,) which way it
    went (+1, -1, or 0). Of each reading (n,): its `stretch`, grid `cell` and `part` of the way to the next
    cell, the `actual` angle, and the `block` of BLOCK_S it belongs to. `knee_deg` is where residuals stop
    counting squared.
    """

    command: np.ndarray
    first: np.ndarray
    moving: np.ndarray
    stretch: np.ndarray
    cell: np.ndarray
    part: np.ndarray
    actual: np.ndarray
    block: np.ndarray
    knee_deg: float

    def thinned(self, most: int) -> Stretches:
        """The same stretches with at most about so many of their readings, evenly taken."""
        stride = max(1, round(len(self.actual) / most))
        kept = {
            name: getattr(self, name)[::stride] for name in ("stretch", "cell", "part", "actual", "block")
        }
        return replace(self, **kept)


def choose_stretches(cam: CamData, grid: CommandGrid, knee_deg: float) -> Stretches | None:
    """The stretches with most command motion, those first whose beginning is known; None where none has
    enough."""
    length = round(STRETCH_S / GRID_S)
    count = len(grid.command_deg) // length
    if not count or len(cam.actual_deg) < MIN_READINGS:
        return None
    tiles = grid.command_deg[: count * length].reshape(count, length)
    whole = grid.known[: count * length].reshape(count, length).mean(axis=1) > 0.98
    second = round(1.0 / GRID_S)
    travel = np.minimum(np.abs(np.diff(tiles[:, ::second], axis=1)), COUNTED_DEG).sum(axis=1)
    useful = np.flatnonzero(whole & (travel >= MIN_TRAVEL_DEG))
    useful = useful[np.argsort(-travel[useful], kind="stable")]
    starts = [_on_the_move(cam, grid, int(tile) * length, length) for tile in useful[: 3 * STRETCHES]]
    # Known starts first, and of these the ones with most motion.
    known_first = sorted(range(len(starts)), key=lambda i: (starts[i][1] == 0, i))[:STRETCHES]
    t = cam.actual_time_s
    pieces = []
    command, first, moving = [], [], []
    for number in sorted(known_first, key=lambda i: starts[i][0]):
        (begin, way), tile = starts[number], useful[number]
        if begin + length > len(grid.command_deg) or not grid.known[begin : begin + length].all():
            begin, way = int(tile) * length, 0
        start_s = float(grid.time_s(begin))
        a, b = np.searchsorted(t, [start_s, start_s + (length - 1) * GRID_S])
        if b - a < MIN_READINGS or np.max(np.diff(t[a:b])) > 2.0 * cam.actual_max_gap_s:
            continue
        keep = np.arange(a, b)[t[a:b] >= start_s + WARM_UP_S]
        where = (t[keep] - start_s) / GRID_S
        cell = np.minimum(where.astype(np.int64), length - 2)
        block = len(first) * 1000 + ((t[keep] - start_s) / BLOCK_S).astype(np.int64)
        pieces.append((np.full(len(keep), len(first)), cell, where - cell, cam.actual_deg[keep], block))
        command.append(grid.command_deg[begin : begin + length])
        near_start = slice(a, max(int(np.searchsorted(t, t[a] + FIRST_READINGS_S)), a + 1))
        first.append(float(np.mean(cam.actual_deg[near_start])))
        moving.append(way)
    if not pieces:
        return None
    stride = max(1, -(-sum(len(p[0]) for p in pieces) // MAX_READINGS))
    stretch, cell, part, actual, block = (np.concatenate(p)[::stride] for p in zip(*pieces, strict=True))
    begun = (np.array(command), np.array(first), np.array(moving))
    return Stretches(*begun, stretch, cell, part, actual, block, knee_deg)


def _on_the_move(cam: CamData, grid: CommandGrid, begin: int, length: int) -> tuple[int, int]:
    """The first cell of the stretch at which cam and command go the same way, and which way.

    A cam that moves is not stuck; of one that stands it is not known how far its command has left it already.
    """
    look = round(MOVE_WATCHED_S / GRID_S)
    cells = np.arange(begin, min(begin + length, len(grid.command_deg) - look))
    if len(cells) == 0:
        return begin, 0
    at_s = grid.time_s(cells)
    t, a = cam.actual_time_s, cam.actual_deg
    # The cam has moved up to now and goes on moving, and so does its command.
    now, ordered = np.interp(at_s, t, a), grid.command_deg
    motion = np.stack(
        [
            now - np.interp(at_s - MOVE_WATCHED_S, t, a),
            np.interp(at_s + MOVE_WATCHED_S, t, a) - now,
            ordered[cells + look] - ordered[cells],
            ordered[cells] - ordered[np.maximum(cells - look, 0)],
        ]
    )
    for way in (1, -1):
        both = np.flatnonzero(np.min(motion * way, axis=0) >= MOVE_MIN_DEG)
        if len(both):
            return int(cells[both[0]]), way
    return begin, 0


def top_speed(data: Stretches) -> float:
    """Speed (deg/s) the cam exceeds for one twentieth of the time, over half a second."""
    cells = round(0.5 / GRID_S)
    speeds = []
    for number in range(len(data.first)):
        here = data.stretch == number
        at = np.arange(data.cell[here][0], data.cell[here][-1])
        angle = np.interp(at, data.cell[here] + data.part[here], data.actual[here])
        speeds.append(np.abs(angle[cells:] - angle[:-cells]) / (cells * GRID_S))
    return max(float(np.quantile(np.concatenate(speeds), 0.95)), 1.0)


def ramp_speed(data: Stretches) -> float:
    """Typical speed (deg/s) of the command while it ramps; a step passes the band in no time at all."""
    slope = np.abs(np.diff(data.command, axis=1)) / GRID_S
    moving = slope[(slope > RAMP_LEAST_DEG_PER_S) & (slope < RAMP_MOST_DEG_PER_S)]
    return float(np.median(moving)) if len(moving) else 0.0
