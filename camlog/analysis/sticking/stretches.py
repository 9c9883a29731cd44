"""The stretches of a drive that tell most about sticking: much command motion, begun on the move."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import GRID_S, command_grid

STRETCH_S, STRETCHES = 20.0, 6
WARM_UP_S = 2.0  # until the model has forgotten the state it was started in
BLOCK_S = 3.0
# A stretch is worth fitting where the command travels this far, large moves counted as COUNTED_DEG a second.
MIN_TRAVEL_DEG, COUNTED_DEG = 8.0, 5.0
KNOWN_SHARE = 0.98
MAX_READINGS = 1200  # beyond, more readings of the same stretches add cost and no information
MIN_READINGS = 20
MOVE_WATCHED_S, MOVE_MIN_DEG = 0.4, 1.0
FIRST_READINGS_S = 0.2  # the starting angle is a mean over this long
RAMP_LEAST_DEG_PER_S, RAMP_MOST_DEG_PER_S = 1.0, 30.0
TOP_SPEED_OVER_S = 0.5


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

    def every(self, stride: int) -> Stretches:
        """The same stretches with one of `stride` of their readings."""
        names = ("stretch", "cell", "part", "actual", "block")
        return replace(self, **{name: getattr(self, name)[::stride] for name in names})

    def top_speed(self) -> float:
        """Speed (deg/s) the cam exceeds for one twentieth of the time, over TOP_SPEED_OVER_S."""
        cells, speeds = round(TOP_SPEED_OVER_S / GRID_S), []
        for number in range(len(self.first)):
            cell, part, actual = (x[self.stretch == number] for x in (self.cell, self.part, self.actual))
            angle = np.interp(np.arange(cell[0], cell[-1]), cell + part, actual)
            speeds.append(np.abs(angle[cells:] - angle[:-cells]) / (cells * GRID_S))
        return max(float(np.quantile(np.concatenate(speeds), 0.95)), 1.0)

    def ramp_speed(self) -> float:
        """Typical speed (deg/s) of the command while it ramps; a step passes the band in no time at all."""
        slope = np.abs(np.diff(self.command, axis=1)) / GRID_S
        moving = slope[(slope > RAMP_LEAST_DEG_PER_S) & (slope < RAMP_MOST_DEG_PER_S)]
        return float(np.median(moving)) if len(moving) else 0.0


def choose_stretches(cam: CamData, knee_deg: float) -> Stretches | None:
    """The stretches with most command motion, known beginnings first; None where none has enough."""
    grid, t = command_grid(cam), cam.actual_time_s
    length = round(STRETCH_S / GRID_S)
    count = len(grid.command_deg) // length
    if not count or len(t) < MIN_READINGS:
        return None
    tiles = grid.command_deg[: count * length].reshape(count, length)
    whole = grid.known[: count * length].reshape(count, length).mean(axis=1) > KNOWN_SHARE
    travel = np.minimum(np.abs(np.diff(tiles[:, :: round(1.0 / GRID_S)], axis=1)), COUNTED_DEG).sum(axis=1)
    useful = np.flatnonzero(whole & (travel >= MIN_TRAVEL_DEG))
    useful = useful[np.argsort(-travel[useful], kind="stable")][: 3 * STRETCHES] * length
    starts = [(*_on_the_move(cam, int(tile), length), int(tile)) for tile in useful]
    # Known starts first, and of these the ones with most motion; then in time order.
    chosen = sorted(starts, key=lambda start: start[1] == 0)[:STRETCHES]
    pieces, command, first, moving = [], [], [], []
    for begin, way, tile in sorted(chosen, key=lambda start: start[0]):
        if begin + length > len(grid.command_deg) or not grid.known[begin : begin + length].all():
            begin, way = tile, 0
        start_s = float(grid.time_s[begin])
        a, b = np.searchsorted(t, [start_s, start_s + (length - 1) * GRID_S])
        if b - a < MIN_READINGS or np.max(np.diff(t[a:b])) > 2.0 * cam.actual_max_gap_s:
            continue
        keep = np.arange(a, b)[t[a:b] >= start_s + WARM_UP_S]
        where = (t[keep] - start_s) / GRID_S
        cell = np.minimum(where.astype(np.int64), length - 2)
        block = len(first) * 1000 + ((t[keep] - start_s) / BLOCK_S).astype(np.int64)
        pieces.append((np.full(len(keep), len(first)), cell, where - cell, cam.actual_deg[keep], block))
        command.append(grid.command_deg[begin : begin + length])
        early = slice(a, max(np.searchsorted(t, t[a] + FIRST_READINGS_S), a + 1))
        first.append(float(np.mean(cam.actual_deg[early])))
        moving.append(way)
    if not pieces:
        return None
    readings = (np.concatenate(p) for p in zip(*pieces, strict=True))
    found = Stretches(np.array(command), np.array(first), np.array(moving), *readings, knee_deg)
    return found.every(max(1, -(-len(found.actual) // MAX_READINGS)))


def _on_the_move(cam: CamData, begin: int, length: int) -> tuple[int, int]:
    """The first cell of the stretch at which cam and command go the same way, and which way.

    A cam that moves is not stuck; of one that stands it is not known how far its command has left it already.
    """
    grid = command_grid(cam)
    look, ordered = round(MOVE_WATCHED_S / GRID_S), grid.command_deg
    cells = np.arange(begin, min(begin + length, len(ordered) - look))
    if not len(cells):
        return begin, 0
    shifts = np.array([[-MOVE_WATCHED_S], [0.0], [MOVE_WATCHED_S]])
    before, now, later = np.interp(grid.time_s[cells] + shifts, cam.actual_time_s, cam.actual_deg)
    # The cam has moved up to now and goes on moving, and so does its command.
    ordered = ordered[np.stack([np.maximum(cells - look, 0), cells, cells + look])]
    motion = np.concatenate([np.diff([before, now, later], axis=0), np.diff(ordered, axis=0)])
    for way in (1, -1):
        both = np.flatnonzero(np.min(motion * way, axis=0) >= MOVE_MIN_DEG)
        if len(both):
            return int(cells[both[0]]), way
    return begin, 0
