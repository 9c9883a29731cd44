"""The two-parameter stiction model, simulated for many candidate cams at once.

Choudhury, Thornhill & Shah, Control Engineering Practice 13 (2005): after a reversal the output stands until the input
has travelled S (dead band plus stick band), then jumps by J and follows (S - J) / 2 behind; after a halt it stands
until the input has moved on by J. A first-order lag with dead time and rate limit follows, so that S = J = 0 is the
slow but smooth cam and both hypotheses are one family."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import GRID_S, command_grid

# A command that has moved less than HALT_DEG for this long has halted, and the output with it.
HALT_S, HALT_DEG = 0.3, 0.02
# A smaller backward move is a count of the command, not a reversal.
RETREAT_DEG = 0.15
# Columns of an array of candidate cams (c, 5): stick band (all of S, dead band included) and jump in degrees,
# time constant and dead time in seconds, rate limit in degrees a second (may be infinite).
BAND, JUMP, TAU, DEAD, RATE = range(5)


def candidates(band, jump_share, time_constant, dead_time, rate) -> np.ndarray:
    """Every combination of the given values (c, 5); the jump is given as a share of the stick band."""
    cams = np.array(list(product(band, jump_share, time_constant, dead_time, rate)), dtype=float)
    cams[:, JUMP] *= cams[:, BAND]
    return cams


def simulate(
    command_deg: np.ndarray, first_deg: np.ndarray, step_s: float, cams: np.ndarray, moving: np.ndarray
) -> np.ndarray:
    """Response (m, c, k) of each candidate to each stretch of command. `command_deg` (k, m) is on a uniform grid of
    `step_s`, `first_deg` (k,) is the cam's angle at the start, `moving` (k,) its direction then (+1, -1, or 0: it
    stood)."""
    # Every parameter has the full shape (c, k), because broadcasting in each step would take longer than the
    # arithmetic.
    band, jump, tau, dead, rate = (np.repeat(column[:, None], len(command_deg), axis=1) for column in cams.T)
    now = np.broadcast_to(first_deg, band.shape).astype(float)
    answer = _delayed(np.ascontiguousarray(command_deg.T), dead / step_s)
    if np.any(band > 0):
        _stick(answer, command_deg[:, 0], now, moving, np.floor(HALT_S / step_s) + 1.0, band, jump)
    decay, most = -np.expm1(-step_s / np.maximum(tau, 1e-3)), rate * step_s
    limited, least = bool(np.isfinite(rate).any()), -most
    for target in answer:
        target -= now
        target *= decay
        if limited:
            np.minimum(target, most, out=target)
            np.maximum(target, least, out=target)
        target += now
        now = target
    return answer


def _delayed(command: np.ndarray, late: np.ndarray) -> np.ndarray:
    """The command (m, k) as each candidate sees it `late` (c, k) steps after its time, shape (m, c, k)."""
    delay = np.floor(late[:, 0] + 1e-9).astype(np.int64)
    part = np.maximum(late - delay[:, None], 0.0)
    # Before the first grid point the command is taken as constant.
    place = np.arange(len(command))[:, None] - delay
    delayed = np.take(command, place, axis=0, mode="clip")
    if part.any():
        delayed += part * (np.take(command, place - 1, axis=0, mode="clip") - delayed)
    return delayed


def _stick(x: np.ndarray, start, first, going, halt: float, band: np.ndarray, jump: np.ndarray) -> None:
    """Apply each candidate's stick band and jump (c, k) to its input `x` (m, c, k), in place."""
    offset, turned_back = 0.5 * (band - jump), -band
    # A moving cam follows. A standing one is taken to have come from the side on which it lags.
    direction = np.where(going != 0, going, np.where(start >= first, 1.0, -1.0))
    extreme = np.where(going != 0, direction * start, direction * first + offset)
    held, last_move = np.zeros((2, *band.shape))
    for n, now in enumerate(x, start=1):
        ahead = direction * now - extreme
        back = ahead < turned_back
        moved = (ahead > held) | back
        np.negative(direction, out=direction, where=back)
        np.putmask(last_move, moved & (np.abs(ahead) > HALT_DEG), n)
        # After a reversal the input must travel the whole band, in either direction; after a halt, only the jump.
        takes = (last_move <= n - halt) * jump
        np.copyto(takes, band, where=ahead < -RETREAT_DEG)
        held = np.maximum(held, takes)
        held[moved] = 0.0
        np.copyto(extreme, direction * now, where=moved)
        np.multiply(extreme - offset, direction, out=now)


STRETCH_S, STRETCHES = 20.0, 6
WARM_UP_S = 2.0  # until the model has forgotten the state it was started in
BLOCK_S = 3.0
# A stretch is fitted only if the command travels this far; moves count as COUNTED_DEG a second at most.
MIN_TRAVEL_DEG, COUNTED_DEG = 8.0, 5.0
KNOWN_SHARE = 0.98
MAX_READINGS = 1200  # more readings of the same stretches add cost but no information
MIN_READINGS = 20
MOVE_WATCHED_S, MOVE_MIN_DEG = 0.4, 1.0
FIRST_READINGS_S = 0.2  # the starting angle is a mean over this long
RAMP_LEAST_DEG_PER_S, RAMP_MOST_DEG_PER_S = 1.0, 30.0
TOP_SPEED_OVER_S = 0.5


@dataclass(frozen=True, eq=False)
class Stretches:
    """k stretches and the n readings in them that are fitted.

    `command` (k, m) is on the grid, `first` (k,) the cam's angle at the start, `moving` (k,) its direction then (+1,
    -1, or 0). For each reading (n,): its `stretch`, its grid `cell` and `part` of the distance to the next cell, its
    `actual` angle, and its `block` of BLOCK_S. `knee_deg` is where residuals stop counting squared."""

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
        """The same stretches with every `stride`-th reading."""
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
        """Typical speed (deg/s) of the command while it ramps; steps are left out, as they pass the band at once."""
        slope = np.abs(np.diff(self.command, axis=1)) / GRID_S
        moving = slope[(slope > RAMP_LEAST_DEG_PER_S) & (slope < RAMP_MOST_DEG_PER_S)]
        return float(np.median(moving)) if len(moving) else 0.0


def choose_stretches(cam: CamData, knee_deg: float) -> Stretches | None:
    """The stretches with most command motion, those with a known start first; None where none has enough."""
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
    # Select those with a known start first, then those with most motion; return them in time order.
    chosen = sorted(starts, key=lambda start: start[1] == 0)[:STRETCHES]
    pieces: list[tuple[np.ndarray, ...]] = []
    command, moving = [], []
    first: list[float] = []
    for begin, direction, tile in sorted(chosen, key=lambda start: start[0]):
        if begin + length > len(grid.command_deg) or not grid.known[begin : begin + length].all():
            begin, direction = tile, 0
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
        moving.append(direction)
    if not pieces:
        return None
    stretch, cell, part, actual, block = (np.concatenate(p) for p in zip(*pieces, strict=True))
    begun = np.array(command), np.array(first), np.array(moving)
    stretches = Stretches(*begun, stretch, cell, part, actual, block, knee_deg)
    return stretches.every(max(1, -(-len(stretches.actual) // MAX_READINGS)))


def _on_the_move(cam: CamData, begin: int, length: int) -> tuple[int, int]:
    """The first cell of the stretch at which cam and command move in the same direction, and that direction. A moving
    cam is not stuck; for a standing one it is unknown how far its command has already left it."""
    grid = command_grid(cam)
    cell_count, ordered = round(MOVE_WATCHED_S / GRID_S), grid.command_deg
    cells = np.arange(begin, min(begin + length, len(ordered) - cell_count))
    if not len(cells):
        return begin, 0
    shifts = np.array([[-MOVE_WATCHED_S], [0.0], [MOVE_WATCHED_S]])
    before, now, later = np.interp(grid.time_s[cells] + shifts, cam.actual_time_s, cam.actual_deg)
    # The cam has moved up to now and goes on moving, and so does its command.
    ordered = ordered[np.stack([np.maximum(cells - cell_count, 0), cells, cells + cell_count])]
    motion = np.concatenate([np.diff([before, now, later], axis=0), np.diff(ordered, axis=0)])
    for direction in (1, -1):
        both = np.flatnonzero(np.min(motion * direction, axis=0) >= MOVE_MIN_DEG)
        if len(both):
            return int(cells[both[0]]), direction
    return begin, 0
