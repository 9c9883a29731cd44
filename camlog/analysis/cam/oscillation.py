"""A steady oscillation about a held command: Lomb-Scargle spectrum with a false-alarm level.

Lomb (1976) and Scargle (1982) for readings at irregular times, averaged over several steady stretches. A cam
wanders more slowly than it reads, so the noise is not white: powers are set against the spectrum of
first-order autoregressive noise (Schulz & Mudelsee, Computers & Geosciences 28 (2002)).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import gamma

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.held import HeldReadings
from camlog.analysis.estimate import blocks_of

LOWEST_HZ = 0.1
HIGHEST_HZ = 5.0  # a cam held by oil has no freedom to oscillate faster; pulses above are the valve train's
FALSE_ALARM = 0.0001
# A cycle that is less than this share of the whole flutter is none that matters, however surely it is there.
LINE_SHARE = 0.15
# Enough stretches to average, few enough that a day's recording costs no more than an hour's.
STRETCHES, STRETCH_READINGS = 6, 320
MIN_STRETCH_S, MIN_STRETCH_READINGS = 4.0, 16
CYCLES_NEEDED = 2.5
OVERSAMPLED = 2.5
# Readings correlated by less than this from one to the next are white for this purpose.
WHITE_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Oscillation:
    """The strongest line in the spectrum at steady command; `amplitude_deg` is zero to peak.

    `found` where its false-alarm probability is below FALSE_ALARM and it is LINE_SHARE of the flutter. None
    with a `reason` where no spectrum could be made.
    """

    found: bool
    frequency_hz: float | None
    amplitude_deg: float | None
    stretches: int = 0
    reason: str = ""


def no_oscillation(reason: str) -> Oscillation:
    """No spectrum, and why."""
    return Oscillation(False, None, None, reason=reason)


def find_oscillation(cam: CamData, held: HeldReadings, inside: np.ndarray) -> Oscillation:
    """Look for one oscillation in the held readings selected by `inside` (m,)."""
    t, y, block = cam.actual_time_s[held.index[inside]], held.residual_deg[inside], held.block[inside]
    stretches = _stretches(t, block)
    if not stretches:
        return no_oscillation("no steady command long enough to see an oscillation")
    interval = float(np.median(np.concatenate([np.diff(t[s]) for s in stretches])))
    length = float(np.median([np.ptp(t[s]) for s in stretches]))
    lowest, highest = max(LOWEST_HZ, CYCLES_NEEDED / length), min(HIGHEST_HZ, 0.5 / interval)
    if highest <= 1.5 * lowest:
        return no_oscillation("sampled too slowly to see an oscillation")
    frequency = np.arange(lowest, highest, 1.0 / (OVERSAMPLED * length))
    moving = [s for s in stretches if np.var(y[s]) > 1e-12]
    if not moving:
        return no_oscillation("the reading does not change at steady command")
    values = [y[s] - np.mean(y[s]) for s in moving]
    shares = np.array([spectrum(t[s] - t[s][0], v, frequency) for s, v in zip(moving, values, strict=True)])
    covariance = np.array([[np.mean(v[k:] * v[: len(v) - k]) for k in range(3)] for v in values])
    power, fraction = 0.5 * (np.array([len(v) for v in values]) - 3.0) @ shares, covariance[:, 0] @ shares
    # The line itself is part of the variance the powers were normalised by, hence of the background.
    tested = power / _red_noise(frequency, interval, covariance.sum(axis=0))
    matters = fraction >= LINE_SHARE * covariance[:, 0].sum()
    best = int(np.argmax(np.where(matters, tested, -1.0))) if matters.any() else int(np.argmax(tested))
    single = float(gamma.sf(tested[best], len(values)))
    # Frequencies are tried 2.5 to each independent one, and the peak is the highest of all.
    independent = max(OVERSAMPLED * length * (highest - lowest), 1.0)
    false_alarm = float(-np.expm1(independent * np.log1p(-min(single, 1.0 - 1e-15))))
    amplitude = float(np.sqrt(2.0 * max(fraction[best], 0.0) / len(values)))
    found = bool(false_alarm < FALSE_ALARM and matters[best])
    return Oscillation(found, float(frequency[best]), amplitude, len(values))


def spectrum(time_s: np.ndarray, value: np.ndarray, frequency_hz: np.ndarray) -> np.ndarray:
    """The share of the variance of `value` (n,) that a sinusoid of each frequency (f,) explains (Lomb 1976).

    As `scipy.signal.lombscargle` normalised, thirteen times as fast: frequencies are evenly spaced, so one
    product leads from each to the next in place of a sine and a cosine of every reading.
    """
    turn = np.exp(2j * np.pi * frequency_hz[0] * time_s)
    onward = np.exp(2j * np.pi * (frequency_hz[1] - frequency_hz[0]) * time_s)
    waves = np.empty((len(frequency_hz), len(time_s)), dtype=complex)
    for wave in waves:
        wave[:] = turn
        turn *= onward
    along = np.einsum("fn,n->f", waves, value)
    doubled = np.einsum("fn,fn->f", waves, waves)
    cc, ss = 0.5 * (len(time_s) + doubled.real), 0.5 * (len(time_s) - doubled.real)
    cs = 0.5 * doubled.imag
    c, s = along.real, along.imag
    explained = (c * c * ss - 2.0 * c * s * cs + s * s * cc) / np.maximum(cc * ss - cs * cs, 1e-12)
    return explained / np.sum(value * value)


def _stretches(time_s: np.ndarray, block: np.ndarray) -> list[slice]:
    """Up to STRETCHES of the longest unbroken stretches of readings."""
    blocks = blocks_of(block)
    starts, ends = blocks.starts, blocks.starts + np.minimum(blocks.size, STRETCH_READINGS)
    span = time_s[ends - 1] - time_s[starts]
    good = np.flatnonzero((span >= MIN_STRETCH_S) & (ends - starts >= MIN_STRETCH_READINGS))
    # Spread over the drive rather than the first few of equal length.
    longest = np.sort(good[np.argsort(-span[good], kind="stable")[: 4 * STRETCHES]])
    chosen = longest[np.unique(np.linspace(0, len(longest) - 1, min(STRETCHES, len(longest))).astype(int))]
    return [slice(int(starts[i]), int(ends[i])) for i in chosen]


def _red_noise(frequency_hz: np.ndarray, interval_s: float, covariance: np.ndarray) -> np.ndarray:
    """Spectrum of first-order autoregressive motion read with white noise, as a share of white noise.

    Of the covariances at lags 0, 1 and 2 only the first holds the reading's noise: the rest give the motion.
    """
    variance, first, second = covariance
    if first <= WHITE_SHARE * variance:
        return np.ones(len(frequency_hz))
    rho = float(np.clip(second / first, 0.0, 0.995))
    share = float(np.clip(first / max(rho, 0.1) / variance, 0.0, 1.0))
    red = (1.0 - rho**2) / (1.0 - 2.0 * rho * np.cos(2.0 * np.pi * frequency_hz * interval_s) + rho**2)
    return np.maximum(share * red + (1.0 - share), 0.05)
