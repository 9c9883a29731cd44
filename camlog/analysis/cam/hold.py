"""Hold: how the cam moves while its command is steady.

Flutter is the root mean square about a straight line through each block of steady command. The command's own motion
and the quantisation noise (Sheppard's correction, step squared over twelve) are taken off. Drift is the median slope
over short pieces: a leaking phaser sinks steadily between the controller's corrections. A steady oscillation is
searched for in the Lomb-Scargle spectrum (Lomb 1976, Scargle 1982), averaged over several steady stretches. A cam's
wander is slower than its sampling, so powers are compared with the spectrum of first-order autoregressive noise
(Schulz & Mudelsee, Computers & Geosciences 28 (2002))."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import gamma

from camlog.analysis.cam.camdata import CamData, once_per_cam
from camlog.analysis.cam.segments import steady_segments
from camlog.analysis.estimate import Blocks, Estimate, blocks_of, evenly, lacking, median, root_mean_square, say
from camlog.oil_windows import OilWindow

MIN_BLOCK_READINGS, MIN_BLOCK_S = 6, 1.5
# A command that moves by less than this within a block is not fitted to the cam's motion.
COMMAND_QUIET_DEG, COMMAND_QUIET_COUNTS = 0.05, 0.3
COMMAND_LAG_S = 0.3
TREND_PARAMETERS = 2.0  # a straight line: its height and its slope
# Correlations use the first ALIKE_SAMPLE readings and ALIKE_MOST lags only, which bounds the cost.
ALIKE_SAMPLE, ALIKE_MOST, ALIKE_CORRELATION = 20_000, 80, 0.05


@dataclass(frozen=True, eq=False)
class HeldReadings:
    """Readings at steady command: `index` (m,) into the actual readings, `residual_deg` (m,) after trend and command
    are removed, `block` number (m,), and degrees of `freedom` (b,) of each block."""

    index: np.ndarray
    residual_deg: np.ndarray
    block: np.ndarray
    freedom: np.ndarray

    def follows(self, lag: int) -> np.ndarray:
        """True (m - lag,) where held readings k and k + lag are `lag` readings apart in the same block."""
        index, block = self.index, self.block
        return (index[lag:] - index[: len(index) - lag] == lag) & (block[lag:] == block[: len(block) - lag])


@once_per_cam
def held_readings(cam: CamData) -> HeldReadings:
    """The readings at steady command with each block's trend and the command's own motion removed."""
    label = steady_segments(cam).block
    index = np.flatnonzero(label >= 0)
    blocks, t = blocks_of(label[index]), cam.actual_time_s[index]
    usable = (blocks.size >= MIN_BLOCK_READINGS) & (blocks.lasted(t) >= MIN_BLOCK_S)
    index = index[blocks.spread(usable)]
    if not len(index):
        return HeldReadings(index, np.empty(0), index, np.empty(0))
    blocks, t = blocks_of(label[index]), cam.actual_time_s[index]
    now, lagged = cam.command_at_actual[index], cam.command_at(t - COMMAND_LAG_S)
    lagged = np.where(np.isfinite(lagged), lagged, now)
    angles = (blocks.centred(angle) for angle in (cam.actual_deg[index], now, lagged))
    centred_s = blocks.centred(t)
    residual, *command = (a - blocks.spread(slopes(t, a, blocks)) * centred_s for a in angles)
    quiet = max(COMMAND_QUIET_DEG, COMMAND_QUIET_COUNTS * cam.command_step_deg)
    if np.sqrt(np.mean(command[0] ** 2)) > quiet:
        command = np.column_stack(command)
        residual = residual - command @ np.linalg.lstsq(command, residual, rcond=1e-6)[0]
    held = HeldReadings(index, residual, np.repeat(np.arange(len(blocks.size)), blocks.size), blocks.size)
    # A fitted line removes slow flutter too: each trend parameter costs as many readings as are correlated.
    trend_freedom = TREND_PARAMETERS * _alike_readings(held)
    return replace(held, freedom=np.maximum(blocks.size - trend_freedom, 0.4 * blocks.size))


def _alike_readings(held: HeldReadings) -> float:
    """The number of successive readings over which residuals are correlated: 1 + twice the sum of correlations.
    Removing the trend lowered every lag by the same share; a second pass corrects for that."""
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
    total, trend_share = 1.0, 0.0
    for _ in range(2):
        correlation = (np.array(covariance) + trend_share) / (power + trend_share)
        small = np.flatnonzero(correlation < ALIKE_CORRELATION)
        total = 1.0 + 2.0 * float(np.sum(correlation[: small[0] if len(small) else None]))
        share = min(TREND_PARAMETERS * total / length, 0.5)
        trend_share = share / (1.0 - share) * power
    return total


def slopes(time_s: np.ndarray, value: np.ndarray, blocks: Blocks) -> np.ndarray:
    """Slope (b,) of the straight line through each block; 0 where a block has one time only."""
    x = blocks.centred(time_s)
    spread = blocks.sum(x * x)
    along = blocks.sum(x * value)
    return np.divide(along, spread, out=np.zeros(len(spread)), where=spread > 0)


LOWEST_HZ, HIGHEST_HZ = 0.1, 5.0  # a cam held by oil oscillates no faster; faster pulses come from the valve train
FALSE_ALARM = 0.0001
# An oscillation with less than this share of the whole flutter is ignored, however significant.
LINE_SHARE = 0.15
# Enough stretches to average; the number bounds the cost of a long recording.
STRETCHES, STRETCH_READINGS = 6, 320
MIN_STRETCH_S, MIN_STRETCH_READINGS = 4.0, 16
CYCLES_NEEDED, OVERSAMPLED = 2.5, 2.5
# Noise whose readings are correlated by less than this from one to the next counts as white.
WHITE_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Oscillation:
    """The strongest line in the spectrum at steady command; `amplitude_deg` is zero to peak. `found` is True where
    its false-alarm probability is below FALSE_ALARM and it makes up LINE_SHARE of the flutter. Frequency and amplitude
    are None, with a `reason`, where no spectrum could be computed."""

    found: bool = False
    frequency_hz: float | None = None
    amplitude_deg: float | None = None
    stretches: int = 0
    reason: str = ""


def find_oscillation(cam: CamData, held: HeldReadings, inside: np.ndarray) -> Oscillation:
    """Look for one oscillation in the held readings selected by `inside` (m,)."""
    t, y, block = cam.actual_time_s[held.index[inside]], held.residual_deg[inside], held.block[inside]
    stretches = _stretches(t, block)
    if not stretches:
        return Oscillation(reason=say("missing.steady_oscillation"))
    interval = float(np.median(np.concatenate([np.diff(t[s]) for s in stretches])))
    length = float(np.median([np.ptp(t[s]) for s in stretches]))
    lowest, highest = max(LOWEST_HZ, CYCLES_NEEDED / length), min(HIGHEST_HZ, 0.5 / interval)
    if highest <= 1.5 * lowest:
        return Oscillation(reason=say("missing.slow_oscillation"))
    frequency = np.arange(lowest, highest, 1.0 / (OVERSAMPLED * length))
    moving = [s for s in stretches if np.var(y[s]) > 1e-12]
    if not moving:
        return Oscillation(reason=say("missing.still_oscillation"))
    values = [y[s] - np.mean(y[s]) for s in moving]
    shares = np.array([spectrum(t[s] - t[s][0], v, frequency) for s, v in zip(moving, values, strict=True)])
    covariance = np.array([[np.mean(v[k:] * v[: len(v) - k]) for k in range(3)] for v in values])
    power, fraction = 0.5 * (np.array([len(v) for v in values]) - 3.0) @ shares, covariance[:, 0] @ shares
    # The line is part of the variance that normalised the powers, so it is taken out of the background.
    tested = power / _red_noise(frequency, interval, covariance.sum(axis=0))
    matters = fraction >= LINE_SHARE * covariance[:, 0].sum()
    best = int(np.argmax(np.where(matters, tested, -1.0))) if matters.any() else int(np.argmax(tested))
    single = float(gamma.sf(tested[best], len(values)))
    # The grid has 2.5 frequencies for each independent one, and the peak is the maximum over all of them.
    independent = max(OVERSAMPLED * length * (highest - lowest), 1.0)
    false_alarm = float(-np.expm1(independent * np.log1p(-min(single, 1.0 - 1e-15))))
    amplitude = float(np.sqrt(2.0 * max(fraction[best], 0.0) / len(values)))
    found = bool(false_alarm < FALSE_ALARM and matters[best])
    return Oscillation(found, float(frequency[best]), amplitude, len(values))


def spectrum(time_s: np.ndarray, value: np.ndarray, frequency_hz: np.ndarray) -> np.ndarray:
    """The share of the variance of `value` (n,) that a sinusoid of each frequency (f,) explains (Lomb 1976).
    Same result as `scipy.signal.lombscargle` with normalisation, but faster: the frequencies are evenly spaced, so a
    complex product gives the next frequency's phases without a sine and cosine of every reading."""
    turn = np.exp(2j * np.pi * frequency_hz[0] * time_s)
    onward = np.exp(2j * np.pi * (frequency_hz[1] - frequency_hz[0]) * time_s)
    waves = np.empty((len(frequency_hz), len(time_s)), dtype=complex)
    for wave in waves:
        wave[:] = turn
        turn *= onward
    along, doubled = np.einsum("fn,n->f", waves, value), np.einsum("fn,fn->f", waves, waves)
    c, s, cs = along.real, along.imag, 0.5 * doubled.imag
    cc, ss = 0.5 * (len(time_s) + doubled.real), 0.5 * (len(time_s) - doubled.real)
    explained = (c * c * ss - 2.0 * c * s * cs + s * s * cc) / np.maximum(cc * ss - cs * cs, 1e-12)
    return explained / np.sum(value * value)


def _stretches(time_s: np.ndarray, block: np.ndarray) -> list[slice]:
    """Up to STRETCHES long unbroken stretches of readings, spread over the drive."""
    blocks = blocks_of(block)
    starts, ends = blocks.starts, blocks.starts + np.minimum(blocks.size, STRETCH_READINGS)
    span = time_s[ends - 1] - time_s[starts]
    good = np.flatnonzero((span >= MIN_STRETCH_S) & (ends - starts >= MIN_STRETCH_READINGS))
    longest = np.sort(good[np.argsort(-span[good], kind="stable")[: 4 * STRETCHES]])
    return [slice(int(starts[i]), int(ends[i])) for i in evenly(longest, STRETCHES)]


def _red_noise(frequency_hz: np.ndarray, interval_s: float, covariance: np.ndarray) -> np.ndarray:
    """Spectrum of first-order autoregressive motion plus white reading noise, relative to white noise. Of the
    covariances at lags 0, 1 and 2 only the first contains the reading noise; the others give the motion."""
    variance, first, second = covariance
    if first <= WHITE_SHARE * variance:
        return np.ones(len(frequency_hz))
    rho = float(np.clip(second / first, 0.0, 0.995))
    share = float(np.clip(first / max(rho, 0.1) / variance, 0.0, 1.0))
    power = (1.0 - rho**2) / (1.0 - 2.0 * rho * np.cos(2.0 * np.pi * frequency_hz * interval_s) + rho**2)
    return np.maximum(share * power + (1.0 - share), 0.05)


# Pieces have unequal lengths so that no oscillation stays in phase with them and looks like drift.
DRIFT_PIECES_S = (1.1, 1.9, 1.4, 2.3)
MIN_PIECE_READINGS, MIN_PIECE_S = 4, 0.8 * min(DRIFT_PIECES_S)
# Motion is taken over LOPSIDED_S: long enough to exceed the noise, short against the creep of a leak.
LOPSIDED_S, LOPSIDED_LEAST_DEG, MIN_LOPSIDED = 0.4, 0.3, 30
# Cam torque pulses come at several hertz even at idle; slower sampling aliases them to lower frequencies.
TORQUE_PULSE_HZ = 10.0


@dataclass(frozen=True, slots=True)
class HoldWindow:
    """Flutter (degrees rms) and drift (degrees a second, advance positive) of a cam held for `held_s`."""

    flutter_rms_deg: Estimate
    drift_deg_per_s: Estimate
    held_s: float


@dataclass(frozen=True, slots=True)
class Hold(HoldWindow):
    """How a cam holds a steady command. `oscillation` is the strongest one; `lopsided` the skewness of its motion;
    `aliasing` a sentence where the sampling is too slow to tell how fast the cam flutters (else empty)."""

    oscillation: Oscillation
    lopsided: Estimate
    aliasing: str
    windows: tuple[tuple[OilWindow, HoldWindow], ...] = ()


def measure_hold(cam: CamData) -> Hold:
    held, hz = held_readings(cam), 1.0 / cam.actual_interval_s
    aliasing = say("hold.aliasing", hz=hz, highest=0.5 * hz) if hz < 2.0 * TORQUE_PULSE_HZ else ""
    if not len(held.index):
        nothing = lacking("held")
        return Hold(nothing, nothing, 0.0, Oscillation(reason=nothing.reason), nothing, aliasing)
    slope, slope_index = _piece_slopes(cam)
    by_window = [(w, mask[held.index], mask[slope_index]) for w, mask in cam.by_window if mask[held.index].any()]
    everywhere = np.ones(len(held.index), dtype=bool)
    oscillations = [find_oscillation(cam, held, i) for i in [i for _, i, _ in by_window] or [everywhere]]
    strongest = max(oscillations, key=lambda o: (o.found, o.amplitude_deg or 0.0))
    rows = tuple((w, HoldWindow(*_held(cam, held, i, slope[s]))) for w, i, s in by_window)
    return Hold(*_held(cam, held, everywhere, slope), strongest, _lopsided(cam, held), aliasing, rows)


def flutter(cam: CamData, held: HeldReadings, weight: np.ndarray) -> Estimate:
    """Flutter of the held readings, weighted by `weight` (m,); at least one weight must be above zero."""
    inside = weight > 0
    block, w = held.block[inside], weight[inside].astype(float)
    blocks = blocks_of(block)
    number = block[blocks.starts]
    # A block that is only partly selected gets the same part of its degrees of freedom.
    freedom = held.freedom[number] * blocks.sum(w) / np.bincount(held.block)[number]
    return root_mean_square(blocks.sum(w * held.residual_deg[inside] ** 2), freedom, cam.actual_step_deg**2 / 12.0)


def _held(cam: CamData, held: HeldReadings, inside: np.ndarray, slope: np.ndarray) -> tuple[Estimate, Estimate, float]:
    """Flutter of the held readings selected by `inside` (m,), drift from the slopes of pieces, and seconds held."""
    drift = median(slope) if len(slope) else lacking("held")
    return flutter(cam, held, inside), drift, cam.seconds(held.index[inside])


def _lopsided(cam: CamData, held: HeldReadings) -> Estimate:
    """Skewness of the held cam's motion over LOPSIDED_S: large where it creeps one way and is pushed back.
    The interval assumes independent steps (Cramer, Mathematical Methods of Statistics, ch. 27)."""
    lag = max(round(LOPSIDED_S / cam.actual_interval_s), 1)
    step = (held.residual_deg[lag:] - held.residual_deg[:-lag])[held.follows(lag)]
    power = float(np.mean(step**2)) if len(step) else 0.0
    count = len(step) // lag
    if count < MIN_LOPSIDED or power**0.5 < LOPSIDED_LEAST_DEG:
        return lacking("held_still", count)
    skew = float(np.mean(step**3)) / power**1.5
    half = 1.96 * (6.0 / count) ** 0.5
    return Estimate(skew, skew - half, skew + half, count)


def _piece_slopes(cam: CamData) -> tuple[np.ndarray, np.ndarray]:
    """Slope (deg/s) of the error over pieces with the lengths DRIFT_PIECES_S in turn; index of each first reading."""
    segment = steady_segments(cam).segment
    index = np.flatnonzero(segment >= 0)
    t, edges = cam.actual_time_s[index], np.cumsum(DRIFT_PIECES_S)
    turn = np.floor(t / edges[-1])
    piece = turn.astype(np.int64) * len(edges) + np.searchsorted(edges, t - turn * edges[-1], side="right")
    blocks = blocks_of(piece + segment[index] * (int(piece[-1]) + 2))
    usable = (blocks.size >= MIN_PIECE_READINGS) & (blocks.lasted(t) >= MIN_PIECE_S)
    return slopes(t, cam.error_deg[index], blocks)[usable], index[blocks.starts[usable]]
