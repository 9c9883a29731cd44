"""Blocks of equal length in which the command moves, and the simulation of the lag over them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.signal import lfilter

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.estimate import Blocks, blocks_of, evenly
from camlog.analysis.response.step_curves import whole
from camlog.analysis.response.steps import readings_between

# (block, run-in, grid) in seconds. During the run-in the model forgets its unknown start and readings do not count. The
# grid is fine against the lags that the block length suits.
LENGTHS = ((4.0, 2.0, 0.02), (12.0, 6.0, 0.05), (36.0, 24.0, 0.15))
LEAD_S = 0.3  # time of a block before its move, for the level it starts from
BLOCKS_MAX = 160  # more blocks add no precision; they are selected evenly, which bounds the cost of a long drive
RANGE_MIN_DEG = 3.0  # least travel of the command within a block
READINGS_MIN = 6


@dataclass(frozen=True, eq=False)
class FitBlocks:
    """Blocks of one length. `command` (b, g) is on the grid. Readings are flat: `actual` (m,), its `block` (m,) and
    position `at` (m,) in grid steps. `start_s` (b,) are block starts.
    `command` is linear between readings; `jumped` puts each jump into the middle between its two readings. Averaged
    over many jumps, a linear plant responds as to `command`, but a rate-limited one as to `jumped`, because its
    response depends on the time of a jump, not on its steepness. `jumps` is the share of moves that are jumps, `moves`
    the number of moves a block."""

    command: np.ndarray
    jumped: np.ndarray
    actual: np.ndarray
    block: np.ndarray
    at: np.ndarray
    start_s: np.ndarray
    grid_s: float
    length_s: float
    resolution_s: float
    command_interval_s: float
    jumps: float
    moves: float

    def __len__(self) -> int:
        return len(self.command)

    @cached_property
    def parts(self) -> Blocks:
        """The readings of each block; none is empty."""
        return blocks_of(self.block)

    @cached_property
    def centred_actual(self) -> np.ndarray:
        """The actual angle minus its mean over each block, shape (m,)."""
        return self.parts.centred(self.actual)

    @property
    def usual_move_deg(self) -> float:
        return float(np.median(np.ptp(self.command, axis=1)))

    def take(self, index: np.ndarray) -> FitBlocks:
        new = np.full(len(self), -1)
        new[index] = np.arange(len(index))
        keep = new[self.block] >= 0
        return replace(
            self, command=self.command[index], jumped=self.jumped[index], actual=self.actual[keep],
            block=new[self.block[keep]], at=self.at[keep], start_s=self.start_s[index],
        )  # fmt: skip

    def some(self, most: int) -> FitBlocks:
        """At most `most` of the blocks, evenly over the drive."""
        return self if len(self) <= most else self.take(evenly(np.arange(len(self)), most))

    def thinned(self, readings: int) -> FitBlocks:
        """The same blocks with every k-th reading, so that a typical block keeps about `readings` of them."""
        stride = max(1, int(np.median(self.parts.size)) // readings)
        keep = (np.arange(len(self.block)) - self.parts.spread(self.parts.starts)) % stride == 0
        return replace(self, actual=self.actual[keep], block=self.block[keep], at=self.at[keep])

    def propagate(self, tau_s: np.ndarray, up: np.ndarray, down: np.ndarray, jumped: bool) -> np.ndarray:
        """The unit-gain state (g, p, b) for p trial parameters, starting at each block's first command.
        `up` and `down` are the slew limits (deg/s, positive, may be infinite); `jumped` selects which of the two
        commands is used. Each grid step is exact for a lag behind a straight piece of command."""
        command = np.ascontiguousarray((self.jumped if jumped else self.command).T)
        state = np.empty((len(command), len(tau_s), len(self)))
        # The part of its distance that the lag covers in one grid step, and the point of a straight piece of
        # command that has the same effect as the piece if held constant.
        decay = -np.expm1(-self.grid_s / tau_s)
        point = 1.0 / decay - tau_s / self.grid_s
        if np.isinf(up).all() and np.isinf(down).all():
            # A lag without limits is a linear filter of the command.
            for i, (d, p) in enumerate(zip(decay.tolist(), point.tolist(), strict=True)):
                b = [d * p, d * (1.0 - p)]
                state[:, i] = lfilter(b, [1.0, d - 1.0], command, axis=0, zi=(1.0 - b[0]) * command[:1])[0]
            return state
        # Arrays of one full shape, because broadcasting in each step would take longer than the arithmetic.
        limits = (decay, point, up * self.grid_s, -down * self.grid_s)
        decay, point, up, down = (np.repeat(v[:, None], len(self), axis=1) for v in limits)
        target = (command[:-1, None, :] + point * np.diff(command, axis=0)[:, None, :]) * decay
        state[0] = command[0]
        change = np.empty(state.shape[1:])
        for k, aim in enumerate(target):
            np.multiply(state[k], decay, out=change)
            np.subtract(aim, change, out=change)
            np.minimum(change, up, out=change)
            np.maximum(change, down, out=change)
            np.add(state[k], change, out=state[k + 1])
        return state

    def read(self, state: np.ndarray, dead_s: float, jumped: bool) -> tuple[np.ndarray, np.ndarray]:
        """The state `dead_s` before each reading and its rate (per s), both (p, m)."""
        # A jump within a grid step starts a rate-limited move at the step's start, half a step early on average.
        early = 0.5 * self.jumps if jumped else 0.0
        g, p, b = state.shape
        place = np.clip(self.at - dead_s / self.grid_s - early, 0.0, g - 1.001)
        low = place.astype(np.int64)
        index = low * (p * b) + self.block + b * np.arange(p)[:, None]
        flat = state.ravel()
        before = flat[index]
        rise = flat[index + p * b] - before
        return before + (place - low) * rise, rise / self.grid_s


def fit_blocks(cam: CamData, moves: np.recarray, lengths: tuple[float, float, float]) -> FitBlocks:
    """At most BLOCKS_MAX blocks around the command's moves, none across a hole in the readings. `lengths` is one of
    LENGTHS."""
    length, run_in, grid = lengths
    t, y = cam.actual_time_s, cam.actual_deg
    starts = _starts(t, moves, length)
    lo, hi = np.searchsorted(t, starts), np.searchsorted(t, starts + length, "right")
    good = (hi - lo >= READINGS_MIN) & whole(t, lo, hi, cam.actual_max_gap_s)
    good &= cam.running_at(starts) & cam.running_at(starts + length)
    # Not every candidate has enough of a move, so three times as many are examined.
    good = evenly(np.flatnonzero(good), 3 * BLOCKS_MAX)
    points = np.arange(0.0, run_in + length + 0.5 * grid, grid)
    command = cam.command_at(starts[good, None] - run_in + points)
    counted = command[:, points >= run_in - LEAD_S]
    moving = np.isfinite(counted).all(axis=1)
    moving[moving] &= np.ptp(counted[moving], axis=1) >= RANGE_MIN_DEG
    chosen = evenly(np.flatnonzero(moving), BLOCKS_MAX)
    command, good = command[chosen], good[chosen]
    starts, lo, hi = starts[good], lo[good], hi[good]
    # An unknown command before a block's readings is taken equal to the first known one.
    known = np.isfinite(command)
    place = np.where(known, np.arange(len(points)), len(points) - 1)
    nearest = np.minimum.accumulate(place[:, ::-1], axis=1)[:, ::-1]
    command = np.take_along_axis(command, nearest, axis=1)
    jumped = np.where(known, _with_jumps(cam, moves, starts[:, None] - run_in + points), command)
    block, index = readings_between(lo, hi - 1)
    inside = np.searchsorted(moves.start_s, starts + length) - np.searchsorted(moves.start_s, starts)
    return FitBlocks(
        command, jumped, y[index], block, (t[index] - starts[block] + run_in) / grid, starts, grid, length,
        resolution_s=float(np.fmax(cam.actual_interval_s, cam.command_interval_s)),
        command_interval_s=cam.command_interval_s,
        jumps=float(np.sum(moves.way_deg * moves.jump) / max(float(np.sum(moves.way_deg)), 1e-9)),
        moves=float(np.mean(np.maximum(inside, 1))) if len(starts) else 1.0,
    )  # fmt: skip


def _starts(time_s: np.ndarray, moves: np.recarray, length: float) -> np.ndarray:
    """Start times of blocks: shortly before a move, and one after the other while the command keeps moving. A hole
    counts as a move; blocks without any of the readings at `time_s` are skipped."""
    starts: list[float] = []
    free = -np.inf
    for begin, end in zip(moves.start_s.tolist(), moves.end_s.tolist(), strict=True):
        at = max(begin - LEAD_S, free)
        while at < end:
            if end - at > length:
                after = np.searchsorted(time_s, at)
                ahead = time_s[after] - at if after < len(time_s) else end - at
                at += length * (ahead // length)
                if at >= end:
                    break
            starts.append(at)
            at = free = at + length
    return np.array(starts)


def _with_jumps(cam: CamData, moves: np.recarray, at_s: np.ndarray) -> np.ndarray:
    """The command at `at_s`, with every jump in the middle between its two readings."""
    t, c = cam.command_time_s, cam.command_deg
    begin, end = (np.searchsorted(t, v[moves.jump]).tolist() for v in (moves.start_s, moves.end_s))
    change = np.abs(np.diff(c))
    # The interval of the move that contains the jump.
    place = np.array([b + np.argmax(change[b:e]) for b, e in zip(begin, end, strict=True)], dtype=np.int64)
    middle = 0.5 * (t[place] + t[place + 1])
    times = np.insert(t, np.repeat(place + 1, 2), np.column_stack([middle - 1e-6, middle + 1e-6]).ravel())
    values = np.insert(c, np.repeat(place + 1, 2), np.column_stack([c[place], c[place + 1]]).ravel())
    return np.interp(at_s, times, values)
