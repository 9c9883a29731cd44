"""The two-parameter stiction model, run over many candidate cams at once.

Choudhury, Thornhill & Shah, Control Engineering Practice 13 (2005): after a reversal the output stays put
until the input has travelled the stick band S, then jumps by J and follows, (S - J) / 2 behind; after a
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
    infinite)."""

    stick_band_deg: np.ndarray
    jump_deg: np.ndarray
    time_constant_s: np.ndarray
    dead_time_s: np.ndarray
    rate_deg_per_s: np.ndarray

    def __len__(self) -> int:
        return len(self.stick_band_deg)

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
    `moving` (k,) which way it was going then (+1, -1, or 0: it stood). Returns (m, k, c).
    """
    stretches, length = command_deg.shape
    delay = np.floor(cams.dead_time_s / step_s + 1e-9).astype(np.int64)
    part = np.maximum(cams.dead_time_s / step_s - delay, 0.0)
    band, jump = cams.stick_band_deg, cams.jump_deg
    offset = 0.5 * (band - jump)
    decay = -np.expm1(-step_s / np.maximum(cams.time_constant_s, 1e-3))
    most = cams.rate_deg_per_s * step_s
    sticks = bool(np.any(band > 0))
    out = np.empty((length, stretches, len(cams)))
    position = np.repeat(first_deg[:, None].astype(float), len(cams), axis=1)
    going = np.zeros(stretches) if moving is None else np.asarray(moving, dtype=float)
    going = np.repeat(going[:, None], len(cams), axis=1)
    # Where the cam is on the move it follows; where it stands, it is taken to have come from the side it
    # lags on.
    direction = np.where(going != 0, going, np.where(command_deg[:, :1] >= position, 1.0, -1.0))
    extreme = np.where(going != 0, direction * command_deg[:, :1], direction * position + offset)
    held = np.zeros_like(position)
    since = np.zeros_like(position)
    halt_steps = HALT_S / step_s
    columns = np.arange(stretches)[:, None]
    for n in range(length):
        x = (1.0 - part) * command_deg[columns, np.maximum(n - delay, 0)]
        x += part * command_deg[columns, np.maximum(n - delay - 1, 0)]
        if sticks:
            ahead = direction * x - extreme
            on = ahead > held
            back = ahead < -band
            direction = np.where(back, -direction, direction)
            moved = on | back
            since = np.where(moved & (np.abs(ahead) > HALT_DEG), 0.0, since + 1.0)
            extreme = np.where(moved, direction * x, extreme)
            # Having turned back, it takes the whole band to go on either way; having only halted, the jump.
            turned = np.where(ahead < -RETREAT_DEG, band, np.where(since > halt_steps, jump, 0.0))
            held = np.where(moved, 0.0, np.maximum(held, turned))
            target = direction * (extreme - offset)
        else:
            target = x
        position = position + np.clip(decay * (target - position), -most, most)
        out[n] = position
    return out
