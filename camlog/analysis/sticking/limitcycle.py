"""A steady oscillation told apart: stick-slip or leakage.

Two readings of the same cycle: by the shape of its half cycles (`halfcycle`), and by phase, where the valve
duty is known: Horch, Control Engineering Practice 7 (1999), an odd cross-correlation between duty and angle is
stiction, an even one is not.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.hold import HeldReadings
from camlog.analysis.cam.oscillation import Oscillation
from camlog.analysis.sticking.halfcycle import MIN_READINGS_A_HALF, misfits

MIN_HALF_CYCLES = 5
# A swing counts where it leaves the middle by this share of the cycle's amplitude.
SWING_SHARE = 0.3
STICK_INDEX, SMOOTH_INDEX = 0.6, 0.4  # He et al.: above, stiction; below, none; between, undecided
ODD, EVEN = 2.0 / 3.0, 1.0 / 3.0  # Horch's limits on the difference of the first zero crossings
CYCLE_MIN_DEG = 0.5


@dataclass(frozen=True, slots=True)
class OddEven:
    """Horch's measure: `delta_tau` = |l - r| / (l + r) of the first zero crossings of the cross-correlation
    at negative and positive lags, `delta_rho` the like of its value at zero and its extreme between them;
    `kind` is "odd" (stiction), "even" (none) or "unclear"."""

    delta_tau: float
    delta_rho: float
    kind: str


@dataclass(frozen=True, slots=True)
class LimitCycle:
    """`kind` is "stick_slip", "leakage", "unclear" or "none"; `period_s` and `amplitude_deg` (zero to peak)
    of the cycle, `shape_index` 0 (sinusoid) to 1 (plateaus), `odd_even` where the duty is known,
    `half_cycles` judged."""

    kind: str
    period_s: float | None = None
    amplitude_deg: float | None = None
    shape_index: float | None = None
    odd_even: OddEven | None = None
    half_cycles: int = 0
    reason: str = ""


def odd_even(first: np.ndarray, second: np.ndarray) -> OddEven | None:
    """Horch's odd/even measure of two signals (n,) on the same uniform grid; None where there is no
    crossing."""
    x, y = first - np.mean(first), second - np.mean(second)
    count = len(x)
    power = np.sqrt(np.sum(x * x) * np.sum(y * y))
    if power <= 0 or count < 8:
        return None
    size = 1 << (2 * count - 1).bit_length()
    spectrum = np.fft.rfft(x, size).conj() * np.fft.rfft(y, size)
    full = np.fft.irfft(spectrum, size) / power
    right, left = full[: count // 2], np.concatenate([full[:1], full[-1 : -(count // 2) : -1]])
    r, l = _first_crossing(right), _first_crossing(left)
    if r is None or l is None:
        return None
    between = np.concatenate([left[1 : int(l) + 1], right[: int(r) + 1]])
    extreme = float(between[np.argmax(np.abs(between))])
    delta_tau = abs(l - r) / max(l + r, 1e-9)
    delta_rho = abs(full[0] - extreme) / max(abs(full[0] + extreme), 1e-9)
    kind = "odd" if delta_tau > ODD else "even" if delta_tau < EVEN else "unclear"
    return OddEven(float(delta_tau), float(delta_rho), kind)


def _first_crossing(value: np.ndarray) -> float | None:
    """Lag (in samples, interpolated) at which the correlation first changes sign."""
    change = np.flatnonzero(value[1:] * value[:-1] <= 0)
    if not len(change):
        return None
    k = int(change[0])
    step = value[k] - value[k + 1]
    return k + (float(value[k] / step) if step != 0 else 0.0)


def shape_index(time_s: np.ndarray, value: np.ndarray, period_s: float) -> tuple[float, int] | None:
    """How flat the half cycles of an oscillation about zero are: 0 sinusoid, 1 plateaus; and how many were
    judged."""
    swing = np.quantile(np.abs(value), 0.9)
    sign = np.sign(value)
    edges = np.flatnonzero(np.diff(sign) != 0)
    smooth = trapezoid = 0.0
    judged = 0
    for a, b in pairwise(edges):
        part, t = value[a + 1 : b + 1], time_s[a + 1 : b + 1]
        if len(part) < MIN_READINGS_A_HALF or np.max(np.abs(part)) < SWING_SHARE * swing:
            continue
        begin, end = 0.5 * (time_s[a] + t[0]), 0.5 * (t[-1] + time_s[min(b + 1, len(time_s) - 1)])
        if not 0.25 * period_s <= end - begin <= 1.5 * period_s:
            continue
        x = np.clip((t - begin) / (end - begin), 0.0, 1.0)
        left = misfits(x, part)
        smooth, trapezoid = smooth + left[0], trapezoid + left[1]
        judged += 1
    if judged < MIN_HALF_CYCLES or smooth + trapezoid <= 0:
        return None
    return smooth / (smooth + trapezoid), judged


def classify_cycle(cam: CamData, held: HeldReadings, oscillation: Oscillation) -> LimitCycle:
    """Tell what kind of oscillation was found at steady command."""
    if not oscillation.found:
        return LimitCycle("none", reason=oscillation.reason)
    if oscillation.amplitude_deg < CYCLE_MIN_DEG:
        return LimitCycle("none", reason=f"only {oscillation.amplitude_deg:.1f} deg: no more than ripple")
    period = 1.0 / oscillation.frequency_hz
    shapes, weights, judged, phases = [], [], 0, []
    for begin, end in _swinging(held, oscillation.amplitude_deg):
        index = held.index[begin:end]
        t, value = cam.actual_time_s[index], held.residual_deg[begin:end]
        shape = shape_index(t, value, period)
        if shape is not None:
            shapes.append(shape[0])
            weights.append(shape[1])
            judged += shape[1]
        phase = _phase(cam, t, value, period)
        if phase is not None:
            phases.append(phase)
    index = float(np.average(shapes, weights=weights)) if shapes else None
    phase = phases[int(np.argsort([p.delta_tau for p in phases])[len(phases) // 2])] if phases else None
    kind, reason = _kind(index, phase)
    return LimitCycle(kind, period, oscillation.amplitude_deg, index, phase, judged, reason)


def _kind(index: float | None, phase: OddEven | None) -> tuple[str, str]:
    if index is None:
        return "unclear", "too few readings a cycle to see its shape"
    # The shape is read from the cam itself; the phase only settles what the shape leaves open.
    if index >= STICK_INDEX:
        return "stick_slip", ""
    if index <= SMOOTH_INDEX:
        return "leakage", ""
    if phase is not None and phase.kind != "unclear":
        return ("stick_slip" if phase.kind == "odd" else "leakage"), ""
    return "unclear", "the shape of the cycle lies between plateaus and a smooth swing"


def _swinging(held: HeldReadings, amplitude_deg: float, most: int = 24) -> list[tuple[int, int]]:
    """Blocks in which the cycle is really there, as (first, past the last) held reading."""
    edges = np.concatenate([[0], np.flatnonzero(np.diff(held.block)) + 1, [len(held.block)]])
    power = np.add.reduceat(held.residual_deg**2, edges[:-1]) / np.diff(edges)
    good = np.flatnonzero(power >= 0.25 * amplitude_deg**2)
    if len(good) > most:
        good = good[np.unique(np.linspace(0, len(good) - 1, most).astype(int))]
    return [(int(edges[i]), int(edges[i + 1])) for i in good]


def _phase(cam: CamData, time_s: np.ndarray, value: np.ndarray, period_s: float) -> OddEven | None:
    if len(cam.duty_time_s) < 8 or time_s[-1] - time_s[0] < 2.0 * period_s:
        return None
    step = max(float(np.median(np.diff(time_s))), period_s / 60.0)
    grid = np.arange(time_s[0], time_s[-1], step)
    duty = cam.duty_at(grid)
    if np.isnan(duty).any() or np.ptp(duty) <= 0:
        return None
    return odd_even(duty, np.interp(grid, time_s, value))
