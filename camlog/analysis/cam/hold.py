"""Hold: what the cam does while it is told to stay.

Flutter is the root mean square about a straight line through each piece of steady command, less what the
command itself did and less what quantisation makes (Sheppard's correction, step squared over twelve). Drift
is the median slope of those pieces: a leaking phaser sinks steadily between the controller's corrections. A
steady oscillation is looked for in the spectrum (see `oscillation`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.oscillation import Oscillation, find_oscillation, no_oscillation
from camlog.analysis.cam.segments import Segments, by_window, steady_segments
from camlog.analysis.estimate import Blocks, Estimate, blocks_of, median, missing, root_mean_square
from camlog.oil_windows import OilWindow, Windows

MIN_BLOCK_READINGS = 6
MIN_BLOCK_S = 1.5
# Pieces of unequal length, so that no oscillation keeps step with them and passes for drift.
DRIFT_PIECES_S = (1.1, 1.9, 1.4, 2.3)
# A command that moves by less than this within a piece explains nothing of the cam's motion.
COMMAND_QUIET_DEG = 0.05
COMMAND_LAG_S = 0.3
TREND_PARAMETERS = 2.0  # a straight line: its height and its slope
# Correlations are taken from the first readings and lags only: they describe the cam, not the drive.
ALIKE_SAMPLE = 20_000
ALIKE_MOST = 80
ALIKE_CORRELATION = 0.05
# Long enough to be motion and not noise, short beside a leak's creep.
LOPSIDED_S = 0.4
LOPSIDED_LEAST_DEG = 0.3
MIN_LOPSIDED = 30
NOT_HELD = "the command was never steady for long enough to watch the cam hold it"
# Cam torque pulses come at several hertz even at idle: slower sampling folds them to any lower frequency.
TORQUE_PULSE_HZ = 10.0


@dataclass(frozen=True, slots=True)
class HoldWindow:
    """Flutter (degrees rms) and drift (degrees a second, advance positive) in one oil window."""

    flutter_rms_deg: Estimate
    drift_deg_per_s: Estimate
    held_s: float


@dataclass(frozen=True, slots=True)
class Hold:
    """How a cam holds a steady command.

    `held_s` is the time measured, `lopsided` how unlike its motion is both ways (see `lopsided`), `oscillation` the strongest steady oscillation or none, `aliasing` a
    sentence where the sampling is too slow to say how fast the cam really flutters (empty otherwise).
    """

    flutter_rms_deg: Estimate
    drift_deg_per_s: Estimate
    oscillation: Oscillation
    held_s: float
    lopsided: Estimate
    aliasing: str = ""
    windows: tuple[tuple[OilWindow, HoldWindow], ...] = ()


@dataclass(frozen=True, eq=False)
class HeldReadings:
    """Readings at steady command: indices (m,) into the cam's readings, what is left of them after trend and
    command were removed (m,), and the block (m,) each belongs to, with `freedom` (b,) left in each block."""

    index: np.ndarray
    residual_deg: np.ndarray
    block: np.ndarray
    freedom: np.ndarray
    duration_s: np.ndarray


def measure_hold(
    cam: CamData,
    windows: Windows | Iterable[OilWindow] | None = None,
    *,
    segments: Segments | None = None,
    held: HeldReadings | None = None,
) -> Hold:
    """Measure flutter, drift and oscillation at steady command, over the whole drive and in each oil
    window.

    `segments` and `held` may be handed in where they are known already.
    """
    segments = segments or steady_segments(cam)
    held = held or held_readings(cam, segments)
    aliasing = ""
    if cam.actual_interval_s > 0.5 / TORQUE_PULSE_HZ:
        aliasing = (
            f"read {1.0 / cam.actual_interval_s:.0f} times a second: motion faster than "
            f"{0.5 / cam.actual_interval_s:.1f} Hz shows as slower flutter, its size stays right"
        )
    if not len(held.index):
        nothing = missing(NOT_HELD)
        return Hold(nothing, nothing, no_oscillation(NOT_HELD), 0.0, nothing, aliasing)
    slope, slope_index = piece_slopes(cam, segments)
    rows, oscillations = [], []
    for window, mask in by_window(cam, windows):
        inside = mask[held.index]
        if not inside.any():
            continue
        rows.append((window, _window(cam, held, inside, slope[mask[slope_index]])))
        oscillations.append(find_oscillation(cam.actual_time_s, held, inside))
    whole = np.ones(len(held.index), dtype=bool)
    if not oscillations:
        oscillations = [find_oscillation(cam.actual_time_s, held, whole)]
    overall = _window(cam, held, whole, slope)
    strongest = max(oscillations, key=lambda o: (o.found, o.amplitude_deg or 0.0))
    return Hold(
        overall.flutter_rms_deg, overall.drift_deg_per_s, strongest, overall.held_s, lopsided(cam, held), aliasing, tuple(rows)
    )  # fmt: skip


def _window(cam: CamData, held: HeldReadings, inside: np.ndarray, slope: np.ndarray) -> HoldWindow:
    blocks = blocks_of(held.block[inside])
    number = held.block[inside][blocks.starts]
    # A window may hold part of a block: its share of the freedom left after the trend.
    share = blocks.size / np.bincount(held.block)[number]
    square = blocks.sum(held.residual_deg[inside] ** 2)
    flutter = root_mean_square(square, held.freedom[number] * share, cam.actual_step_deg**2 / 12.0)
    return HoldWindow(flutter, _drift(slope), float(np.sum(held.duration_s[inside])))


def _drift(slope: np.ndarray) -> Estimate:
    return median(slope) if len(slope) else missing(NOT_HELD)


def held_readings(cam: CamData, segments: Segments) -> HeldReadings:
    """The readings at steady command with each block's trend and the command's own motion removed."""
    known = np.isfinite(cam.command_at_actual)
    index = np.flatnonzero(segments.settled & known)
    blocks = blocks_of(segments.block[index])
    if not len(index):
        return HeldReadings(index, np.empty(0), index, np.empty(0), np.empty(0))
    t = cam.actual_time_s[index]
    last = blocks.starts + blocks.size - 1
    usable = (blocks.size >= MIN_BLOCK_READINGS) & (t[last] - t[blocks.starts] >= MIN_BLOCK_S)
    index = index[blocks.spread(usable)]
    if not len(index):
        return HeldReadings(index, np.empty(0), index, np.empty(0), np.empty(0))
    blocks = blocks_of(segments.block[index])
    t = cam.actual_time_s[index]
    residual = detrend(t, cam.actual_deg[index], blocks)
    lagged = cam.command_at(t - COMMAND_LAG_S)
    command = [
        detrend(t, c, blocks)
        for c in (
            cam.command_at_actual[index],
            np.where(np.isfinite(lagged), lagged, cam.command_at_actual[index]),
        )
    ]
    if np.sqrt(np.mean(command[0] ** 2)) > max(COMMAND_QUIET_DEG, 0.3 * cam.command_step_deg):
        design = np.column_stack(command)
        gain, *_ = np.linalg.lstsq(design, residual, rcond=1e-6)
        residual = residual - design @ gain
    number = np.repeat(np.arange(len(blocks.size)), blocks.size)
    # Slow flutter looks like trend: a line takes as many readings' worth of it as it stays alike for.
    taken = TREND_PARAMETERS * alike_readings(index, residual, number)
    freedom = np.maximum(blocks.size - taken, 0.4 * blocks.size)
    return HeldReadings(index, residual, number, freedom, segments.duration_s[index])


def alike_readings(index: np.ndarray, residual: np.ndarray, number: np.ndarray) -> float:
    """Over how many successive readings the residuals (m,) are alike: 1 + twice the sum of their
    correlations.

    The trend that was removed took the same share from every lag; it is given back in a second pass.
    """
    index, residual, number = index[:ALIKE_SAMPLE], residual[:ALIKE_SAMPLE], number[:ALIKE_SAMPLE]
    power = float(np.mean(residual**2))
    if power <= 1e-12:
        return 1.0
    covariance = []
    for lag in range(1, min(ALIKE_MOST, len(residual) - 1) + 1):
        together = (number[lag:] == number[:-lag]) & (index[lag:] - index[:-lag] == lag)
        if not together.any():
            break
        covariance.append(float(np.mean((residual[lag:] * residual[:-lag])[together])))
        if covariance[-1] < -0.2 * power:
            break
    length = len(residual) / (number[-1] - number[0] + 1)
    total, taken = 1.0, 0.0
    for _ in range(2):
        correlation = (np.array(covariance) + taken) / (power + taken)
        small = np.flatnonzero(correlation < ALIKE_CORRELATION)
        total = 1.0 + 2.0 * float(np.sum(correlation[: small[0] if len(small) else None]))
        share = min(TREND_PARAMETERS * total / length, 0.5)
        taken = share / (1.0 - share) * power
    return total


def lopsided(cam: CamData, held: HeldReadings) -> Estimate:
    """Skewness of the held cam's motion over LOPSIDED_S: 0 alike both ways, large where it creeps one way and is pushed back.

    A leaking phaser sinks and is caught; one that sticks or hunts goes both ways alike. The interval is the skewness's own
    for so many independent steps (six over their number, Cramer, Mathematical Methods of Statistics, ch. 27).
    """
    interval = cam.actual_interval_s
    if not len(held.index) or not interval > 0:
        return missing(NOT_HELD)
    lag = max(round(LOPSIDED_S / interval), 1)
    together = (held.index[lag:] - held.index[:-lag] == lag) & (held.block[lag:] == held.block[:-lag])
    step = (held.residual_deg[lag:] - held.residual_deg[:-lag])[together]
    power = float(np.mean(step**2)) if len(step) else 0.0
    count = len(step) // lag
    if count < MIN_LOPSIDED or power**0.5 < LOPSIDED_LEAST_DEG:
        return missing("the held cam hardly moves", count)
    skew = float(np.mean(step**3)) / power**1.5
    half = 1.96 * (6.0 / count) ** 0.5
    return Estimate(skew, skew - half, skew + half, count)


def piece_slopes(cam: CamData, segments: Segments) -> tuple[np.ndarray, np.ndarray]:
    """Slope (deg/s) of actual minus command over each of DRIFT_PIECES_S in turn, and each one's first
    reading."""
    index = np.flatnonzero(segments.settled & np.isfinite(cam.error_deg))
    if not len(index):
        return np.empty(0), index
    t = cam.actual_time_s[index]
    edges = np.cumsum(DRIFT_PIECES_S)
    turn = np.floor(t / edges[-1])
    piece = turn.astype(np.int64) * len(edges) + np.searchsorted(edges, t - turn * edges[-1], side="right")
    piece = piece + segments.segment[index] * (int(piece[-1]) + 2)
    blocks = blocks_of(piece)
    x, y = centred(t, blocks), centred(cam.error_deg[index], blocks)
    spread = blocks.sum(x * x)
    last = blocks.starts + blocks.size - 1
    usable = (blocks.size >= 4) & (t[last] - t[blocks.starts] >= 0.8 * min(DRIFT_PIECES_S))
    return (blocks.sum(x * y)[usable] / spread[usable]), index[blocks.starts[usable]]


def centred(value: np.ndarray, blocks: Blocks) -> np.ndarray:
    """`value` (n,) less its mean in each block."""
    return value - blocks.spread(blocks.sum(value) / blocks.size)


def detrend(time_s: np.ndarray, value: np.ndarray, blocks: Blocks) -> np.ndarray:
    """`value` (n,) less a straight line through each block."""
    x, y = centred(time_s, blocks), centred(value, blocks)
    spread = blocks.sum(x * x)
    slope = np.where(spread > 0, blocks.sum(x * y) / np.where(spread > 0, spread, 1.0), 0.0)
    return y - blocks.spread(slope) * x
