"""The two-parameter stiction model, run over many candidate cams at once.

Choudhury, Thornhill & Shah, Control Engineering Practice 13 (2005): after a reversal the output stays put
until the input has travelled S (dead band plus stick band), then jumps by J and follows, (S - J) / 2 behind; after a
halt it stays until the input has gone on by J. Behind it here a first-order lag with dead time and rate
limit, so that S = J = 0 is the slow but smooth cam and the two hypotheses are one family.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# A command that has not moved on for this long has halted, and the output with it.
HALT_S = 0.3
HALT_DEG = 0.02
# Less than this back is a count of the command, not a turn.
RETREAT_DEG = 0.15


@dataclass(frozen=True, eq=False)
class Candidates:
    """Parameters of c candidate cams, each array (c,): degrees, seconds, degrees a second (may be
    infinite). `stick_band_deg` is the whole of S, dead band plus stick band."""

    stick_band_deg: np.ndarray
    jump_deg: np.ndarray
    time_constant_s: np.ndarray
    dead_time_s: np.ndarray
    rate_deg_per_s: np.ndarray

    def __len__(self) -> int:
        return len(self.stick_band_deg)

    def take(self, which: np.ndarray) -> Candidates:
        """The candidates at the given indices, or where a mask is true."""
        return Candidates(*(getattr(self, f)[which] for f in self.__dataclass_fields__))

    def one(self, index: int) -> tuple[float, float, float, float, float]:
        """The parameters of one candidate in the order of the fields."""
        return tuple(float(getattr(self, f)[index]) for f in self.__dataclass_fields__)


def product(stick, jump_share, time_constant, dead_time, rate) -> Candidates:
    """Every combination of the given values; the jump is given as a share of the stick band."""
    mesh = np.meshgrid(stick, jump_share, time_constant, dead_time, rate, indexing="ij")
    s, share, tau, dead, limit = (np.ravel(m).astype(float) for m in mesh)
    return Candidates(s, s * share, tau, dead, limit)


def simulate(
    command_deg: np.ndarray,
    first_deg: np.ndarray,
    step_s: float,
    cams: Candidates,
    moving: np.ndarray | None = None,
) -> np.ndarray:
    """Answer of each candidate to each stretch of command.

    `command_deg` (k, m) on a uniform grid of `step_s`, `first_deg` (k,) where the cam stood at its start,
    `moving` (k,) which way it was going then (+1, -1, or 0: it stood). Returns (m, c, k).
    """
    stretches, length = command_deg.shape
    full = (len(cams), stretches)
    first = np.broadcast_to(first_deg, full).astype(float)
    aim = _delayed(np.ascontiguousarray(command_deg.T), step_s, cams)
    if np.any(cams.stick_band_deg > 0):
        going = np.zeros(full) if moving is None else np.broadcast_to(moving, full).astype(float)
        _stick(aim, np.broadcast_to(command_deg[:, 0], full), first, going, HALT_S / step_s, cams)
    # Every parameter in the full shape: stretching it anew in each step would take longer than the sums.
    decay = _full(-np.expm1(-step_s / np.maximum(cams.time_constant_s, 1e-3)), full)
    aim *= decay
    now, change = first, np.empty(full)
    if np.isinf(cams.rate_deg_per_s).all():
        kept = 1.0 - decay
        for target in aim:
            np.multiply(now, kept, out=change)
            now = np.add(target, change, out=target)
        return aim
    most = _full(cams.rate_deg_per_s * step_s, full)
    least = -most
    for target in aim:
        np.multiply(now, decay, out=change)
        np.subtract(target, change, out=change)
        np.minimum(change, most, out=change)
        np.maximum(change, least, out=change)
        now = np.add(now, change, out=target)
    return aim


def _full(per_candidate: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    return np.repeat(per_candidate[:, None], shape[1], axis=1)


def _delayed(command: np.ndarray, step_s: float, cams: Candidates) -> np.ndarray:
    """The command (m, k) as each candidate sees it after its dead time, shape (m, c, k)."""
    late = cams.dead_time_s / step_s
    delay = np.floor(late + 1e-9).astype(np.int64)
    part = np.maximum(late - delay, 0.0)
    # Before the first grid point the command stood as at it.
    place = np.arange(len(command))[:, None] - delay
    seen = np.take(command, place, axis=0, mode="clip")
    if part.any():
        earlier = np.take(command, place - 1, axis=0, mode="clip")
        earlier -= seen
        earlier *= _full(part, seen.shape[1:])
        seen += earlier
    return seen


def _stick(
    x: np.ndarray,
    start: np.ndarray,
    first: np.ndarray,
    going: np.ndarray,
    halt_steps: float,
    cams: Candidates,
) -> None:
    """The stick band and jump of each candidate on its input `x` (m, c, k), in place."""
    shape = first.shape
    band, jump = _full(cams.stick_band_deg, shape), _full(cams.jump_deg, shape)
    offset, back_by = 0.5 * (band - jump), -band
    # Where the cam is on the move it follows; where it stands, it is taken to have come from the side it
    # lags on.
    direction = np.where(going != 0, going, np.where(start >= first, 1.0, -1.0))
    extreme = np.where(going != 0, direction * start, direction * first + offset)
    halt = np.floor(halt_steps) + 1.0
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
