"""The readings of a cam that is told to stay, with what the command itself did taken off."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from camlog.analysis.cam.camdata import CamData, once_per_cam
from camlog.analysis.cam.segments import steady_segments
from camlog.analysis.estimate import Blocks, blocks_of

MIN_BLOCK_READINGS, MIN_BLOCK_S = 6, 1.5
# A command that moves by less than this within a piece explains nothing of the cam's motion.
COMMAND_QUIET_DEG, COMMAND_QUIET_COUNTS = 0.05, 0.3
COMMAND_LAG_S = 0.3
TREND_PARAMETERS = 2.0  # a straight line: its height and its slope
# Correlations are taken from the first readings and lags only: they describe the cam, not the drive.
ALIKE_SAMPLE, ALIKE_MOST, ALIKE_CORRELATION = 20_000, 80, 0.05


@dataclass(frozen=True, eq=False)
class HeldReadings:
    """Readings at steady command: `index` (m,), what trend and command leave of them (m,), their `block`
    (m,), and the `freedom` (b,) left in each block."""

    index: np.ndarray
    residual_deg: np.ndarray
    block: np.ndarray
    freedom: np.ndarray

    def follows(self, lag: int) -> np.ndarray:
        """True (m - lag,) where held reading k + lag is that many readings after k, in the same block."""
        index, block = self.index, self.block
        return (index[lag:] - index[: len(index) - lag] == lag) & (block[lag:] == block[: len(block) - lag])


@once_per_cam
def held_readings(cam: CamData) -> HeldReadings:
    """The readings at steady command with each block's trend and the command's own motion removed."""
    label = steady_segments(cam).block
    index = np.flatnonzero(label >= 0)
    blocks, t = blocks_of(label[index]), cam.actual_time_s[index]
    last = blocks.starts + blocks.size - 1
    usable = (blocks.size >= MIN_BLOCK_READINGS) & (t[last] - t[blocks.starts] >= MIN_BLOCK_S)
    index = index[blocks.spread(usable)]
    if not len(index):
        return HeldReadings(index, np.empty(0), index, np.empty(0))
    blocks, t = blocks_of(label[index]), cam.actual_time_s[index]
    now, lagged = cam.command_at_actual[index], cam.command_at(t - COMMAND_LAG_S)
    lagged = np.where(np.isfinite(lagged), lagged, now)
    residual, *command = (_detrended(t, angle, blocks) for angle in (cam.actual_deg[index], now, lagged))
    quiet = max(COMMAND_QUIET_DEG, COMMAND_QUIET_COUNTS * cam.command_step_deg)
    if np.sqrt(np.mean(command[0] ** 2)) > quiet:
        command = np.column_stack(command)
        residual = residual - command @ np.linalg.lstsq(command, residual, rcond=1e-6)[0]
    held = HeldReadings(index, residual, np.repeat(np.arange(len(blocks.size)), blocks.size), blocks.size)
    # Slow flutter looks like trend: a line takes as many readings' worth of it as it stays alike for.
    taken = TREND_PARAMETERS * _alike_readings(held)
    return replace(held, freedom=np.maximum(blocks.size - taken, 0.4 * blocks.size))


def _alike_readings(held: HeldReadings) -> float:
    """Over how many successive readings the residuals are alike: 1 + twice the sum of their correlations.

    The trend that was removed took the same share from every lag; it is given back in a second pass.
    """
    first = {name: getattr(held, name)[:ALIKE_SAMPLE] for name in ("index", "residual_deg", "block")}
    held, residual = replace(held, **first), first["residual_deg"]
    power = float(np.mean(residual**2))
    if power <= 1e-12:
        return 1.0
    covariance = []
    for lag in range(1, min(ALIKE_MOST, len(residual) - 1) + 1):
        product = (residual[lag:] * residual[:-lag])[held.follows(lag)]
        if not len(product):
            break
        covariance.append(float(np.mean(product)))
        if covariance[-1] < -0.2 * power:
            break
    length = len(residual) / (held.block[-1] - held.block[0] + 1)
    total, taken = 1.0, 0.0
    for _ in range(2):
        correlation = (np.array(covariance) + taken) / (power + taken)
        small = np.flatnonzero(correlation < ALIKE_CORRELATION)
        total = 1.0 + 2.0 * float(np.sum(correlation[: small[0] if len(small) else None]))
        share = min(TREND_PARAMETERS * total / length, 0.5)
        taken = share / (1.0 - share) * power
    return total


def centred(value: np.ndarray, blocks: Blocks) -> np.ndarray:
    """`value` (n,) less its mean in each block."""
    return value - blocks.spread(blocks.sum(value) / blocks.size)


def slopes(time_s: np.ndarray, value: np.ndarray, blocks: Blocks) -> np.ndarray:
    """Slope (b,) of the straight line through each block; 0 where a block has one time only."""
    x = centred(time_s, blocks)
    spread = blocks.sum(x * x)
    along = blocks.sum(x * centred(value, blocks))
    return np.divide(along, spread, out=np.zeros(len(spread)), where=spread > 0)


def _detrended(time_s: np.ndarray, value: np.ndarray, blocks: Blocks) -> np.ndarray:
    return centred(value, blocks) - blocks.spread(slopes(time_s, value, blocks)) * centred(time_s, blocks)
