"""The two-parameter stiction model, run over many candidate cams at once.

Choudhury, Thornhill & Shah, Control Engineering Practice 13 (2005): after a reversal the output stays put
until the input has travelled S (dead band plus stick band), then jumps by J and follows, (S - J) / 2 behind; after a
halt it stays until the input has gone on by J. Behind it here a first-order lag with dead time and rate
limit, so that S = J = 0 is the slow but smooth cam and the two hypotheses are one family.
"""

from __future__ import annotations

from itertools import product

import numpy as np

# A command that has not moved on for this long has halted, and the output with it.
HALT_S, HALT_DEG = 0.3, 0.02
# Less than this back is a count of the command, not a turn.
RETREAT_DEG = 0.15
# Columns of an array of candidate cams (c, 5): stick band (all of S, dead band included) and jump in degrees, time
# constant and dead time in seconds, rate limit in degrees a second (may be infinite).
BAND, JUMP, TAU, DEAD, RATE = range(5)


def candidates(band, jump_share, time_constant, dead_time, rate) -> np.ndarray:
    """Every combination of the given values as an array (c, 5); the jump is given as a share of the stick band."""
    cams = np.array(list(product(band, jump_share, time_constant, dead_time, rate)), dtype=float)
    cams[:, JUMP] *= cams[:, BAND]
    return cams


def simulate(
    command_deg: np.ndarray, first_deg: np.ndarray, step_s: float, cams: np.ndarray, moving: np.ndarray
) -> np.ndarray:
    """Answer of each candidate to each stretch of command.

    `command_deg` (k, m) on a uniform grid of `step_s`, `first_deg` (k,) where the cam stood at its start,
    `moving` (k,) which way it was going then (+1, -1, or 0: it stood). Returns (m, c, k).
    """
    # Every parameter in the full shape (c, k): stretching it anew in each step would take longer than the sums.
    band, jump, tau, dead, rate = (np.repeat(column[:, None], len(command_deg), axis=1) for column in cams.T)
    now = np.broadcast_to(first_deg, band.shape).astype(float)
    aim = _delayed(np.ascontiguousarray(command_deg.T), dead / step_s)
    if np.any(band > 0):
        _stick(aim, command_deg[:, 0], now, moving, np.floor(HALT_S / step_s) + 1.0, band, jump)
    decay = -np.expm1(-step_s / np.maximum(tau, 1e-3))
    aim *= decay
    change = np.empty(band.shape)
    if np.isinf(rate).all():
        kept = 1.0 - decay
        for target in aim:
            np.multiply(now, kept, out=change)
            now = np.add(target, change, out=target)
        return aim
    most = rate * step_s
    least = -most
    for target in aim:
        np.multiply(now, decay, out=change)
        np.subtract(target, change, out=change)
        np.minimum(change, most, out=change)
        np.maximum(change, least, out=change)
        now = np.add(now, change, out=target)
    return aim


def _delayed(command: np.ndarray, late: np.ndarray) -> np.ndarray:
    """The command (m, k) as each candidate sees it `late` (c, k) steps after its time, shape (m, c, k)."""
    delay = np.floor(late[:, 0] + 1e-9).astype(np.int64)
    part = np.maximum(late - delay[:, None], 0.0)
    # Before the first grid point the command stood as at it.
    place = np.arange(len(command))[:, None] - delay
    seen = np.take(command, place, axis=0, mode="clip")
    if part.any():
        earlier = np.take(command, place - 1, axis=0, mode="clip")
        earlier -= seen
        earlier *= part
        seen += earlier
    return seen


def _stick(
    x: np.ndarray, start: np.ndarray, first: np.ndarray, going: np.ndarray, halt: float, band: np.ndarray, jump: np.ndarray
) -> None:  # fmt: skip
    """The stick band and jump of each candidate on its input `x` (m, c, k), in place (all of it, for speed)."""
    shape = first.shape
    offset, back_by = 0.5 * (band - jump), -band
    # Where the cam is on the move it follows; where it stands, it is taken to have come from the side it lags on.
    direction = np.where(going != 0, going, np.where(start >= first, 1.0, -1.0))
    extreme = np.where(going != 0, direction * start, direction * first + offset)
    held, moved_on, turned = np.zeros(shape), np.zeros(shape), np.empty(shape)
    along, ahead = np.empty(shape), np.empty(shape)
    on, back, here = (np.empty(shape, dtype=bool) for _ in range(3))
    for n, now in enumerate(x):
        np.multiply(direction, now, out=along)
        np.subtract(along, extreme, out=ahead)
        np.greater(ahead, held, out=on)
        np.less(ahead, back_by, out=back)
        moved = np.logical_or(on, back, out=on)
        np.negative(direction, out=along)
        np.putmask(direction, back, along)
        # Having turned back, it takes the whole band to go on either way; having only halted, the jump.
        np.less(ahead, -RETREAT_DEG, out=back)
        np.abs(ahead, out=ahead)
        np.greater(ahead, HALT_DEG, out=here)
        np.logical_and(here, moved, out=here)
        np.putmask(moved_on, here, n + 1.0)
        np.less_equal(moved_on, n + 1.0 - halt, out=here)
        turned.fill(0.0)
        np.putmask(turned, here, jump)
        np.putmask(turned, back, band)
        np.maximum(held, turned, out=held)
        np.putmask(held, moved, 0.0)
        np.multiply(direction, now, out=along)
        np.putmask(extreme, moved, along)
        np.subtract(extreme, offset, out=now)
        np.multiply(now, direction, out=now)
