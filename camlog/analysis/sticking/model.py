"""The two-parameter stiction model, run over many candidate cams at once.

Choudhury, Thornhill & Shah, Control Engineering Practice 13 (2005): after a reversal the output stays put
until the input has travelled S (dead band plus stick band), then jumps by J and follows, (S - J) / 2 behind;
after a halt it stays until the input has gone on by J. Behind it here a first-order lag with dead time and
rate limit, so that S = J = 0 is the slow but smooth cam and the two hypotheses are one family.
"""

from __future__ import annotations

from itertools import product

import numpy as np

# A command that has not moved on for this long has halted, and the output with it.
HALT_S, HALT_DEG = 0.3, 0.02
# Less than this back is a count of the command, not a turn.
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
    """Answer of each candidate to each stretch of command.

    `command_deg` (k, m) on a uniform grid of `step_s`, `first_deg` (k,) where the cam stood at its start,
    `moving` (k,) which way it was going then (+1, -1, or 0: it stood). Returns (m, c, k).
    """
    # Every parameter in the full shape (c, k): stretching it anew in each step would take longer than the
    # sums.
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
    # Before the first grid point the command stood as at it.
    place = np.arange(len(command))[:, None] - delay
    seen = np.take(command, place, axis=0, mode="clip")
    if part.any():
        seen += part * (np.take(command, place - 1, axis=0, mode="clip") - seen)
    return seen


def _stick(x: np.ndarray, start, first, going, halt: float, band: np.ndarray, jump: np.ndarray) -> None:
    """Put each candidate's stick band and jump (c, k) on its input `x` (m, c, k), in place."""
    offset, turned_back = 0.5 * (band - jump), -band
    # Where the cam is on the move it follows; where it stands, it is taken to have come from the side it lags
    # on.
    direction = np.where(going != 0, going, np.where(start >= first, 1.0, -1.0))
    extreme = np.where(going != 0, direction * start, direction * first + offset)
    held, last_move = np.zeros((2, *band.shape))
    for n, now in enumerate(x, start=1):
        ahead = direction * now - extreme
        back = ahead < turned_back
        moved = (ahead > held) | back
        np.negative(direction, out=direction, where=back)
        np.putmask(last_move, moved & (np.abs(ahead) > HALT_DEG), n)
        # Having turned back, it takes the whole band to go on either way; having only halted, the jump.
        takes = (last_move <= n - halt) * jump
        np.copyto(takes, band, where=ahead < -RETREAT_DEG)
        held = np.maximum(held, takes)
        held[moved] = 0.0
        np.copyto(extreme, direction * now, where=moved)
        np.multiply(extreme - offset, direction, out=now)
