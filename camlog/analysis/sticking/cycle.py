"""The shape of a steady oscillation: stick-slip or leakage.

A cam that sticks stands on plateaus and jumps between them (square or trapezoid half cycles), one that leaks
swings smoothly (sinusoid); each half cycle is fitted by both, as in He, Wang, Pottmann & Qin, Industrial &
Engineering Chemistry Research 46 (2007), with the trapezoid in place of their triangle because here the stuck
part itself is what is read.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.held import held_readings
from camlog.analysis.cam.oscillation import Oscillation
from camlog.analysis.estimate import blocks_of

RAMP_SHARES = (0.05, 0.1, 0.2)  # rise and fall of a trapezoid as shares of its half cycle
MIN_READINGS_A_HALF = 5
MIN_HALF_CYCLES = 5
# A swing counts where it leaves the middle by this share of the cycle's amplitude, and lasts so many periods.
SWING_SHARE = 0.3
HALF_PERIODS = (0.25, 1.5)
STICK_INDEX, SMOOTH_INDEX = 0.6, 0.4  # He et al.: above, stiction; below, none; between, undecided
CYCLE_MIN_DEG = 0.5
THERE_SHARE = 0.25  # of the cycle's squared amplitude, which a block's power must reach for the cycle to be there
MOST_BLOCKS = 24


@dataclass(frozen=True, slots=True)
class LimitCycle:
    """`kind` is "stick_slip", "leakage", "unclear" or "none"; `period_s` and `amplitude_deg` (zero to peak)
    of the cycle, `shape_index` 0 (sinusoid) to 1 (plateaus), `half_cycles` judged."""

    kind: str
    period_s: float | None = None
    amplitude_deg: float | None = None
    shape_index: float | None = None
    half_cycles: int = 0


def classify_cycle(cam: CamData, oscillation: Oscillation) -> LimitCycle:
    """Tell what kind of oscillation was found at steady command."""
    if not oscillation.found or oscillation.amplitude_deg < CYCLE_MIN_DEG:
        return LimitCycle("none")
    held, period = held_readings(cam), 1.0 / oscillation.frequency_hz
    blocks = blocks_of(held.block)
    power = blocks.sum(held.residual_deg**2) / blocks.size
    swinging = np.flatnonzero(power >= THERE_SHARE * oscillation.amplitude_deg**2)
    if len(swinging) > MOST_BLOCKS:
        swinging = swinging[np.unique(np.linspace(0, len(swinging) - 1, MOST_BLOCKS).astype(int))]
    shapes = []
    for number in swinging:
        part = slice(blocks.starts[number], blocks.starts[number] + blocks.size[number])
        shape = shape_index(cam.actual_time_s[held.index[part]], held.residual_deg[part], period)
        if shape is not None:
            shapes.append(shape)
    if not shapes:
        return LimitCycle("unclear", period, oscillation.amplitude_deg)
    index, judged = np.array(shapes).T
    shape = float(np.average(index, weights=judged))
    kind = "stick_slip" if shape >= STICK_INDEX else "leakage" if shape <= SMOOTH_INDEX else "unclear"
    return LimitCycle(kind, period, oscillation.amplitude_deg, shape, int(judged.sum()))


def shape_index(time_s: np.ndarray, value: np.ndarray, period_s: float) -> tuple[float, int] | None:
    """How flat the half cycles of an oscillation about zero are: 0 sinusoid, 1 plateaus; and how many were
    judged."""
    swing = np.quantile(np.abs(value), 0.9)
    left = []
    for a, b in pairwise(np.flatnonzero(np.diff(np.sign(value)) != 0)):
        part, t = value[a + 1 : b + 1], time_s[a + 1 : b + 1]
        if len(part) < MIN_READINGS_A_HALF or np.max(np.abs(part)) < SWING_SHARE * swing:
            continue
        begin, end = 0.5 * (time_s[a] + t[0]), 0.5 * (t[-1] + time_s[b + 1])
        if HALF_PERIODS[0] * period_s <= end - begin <= HALF_PERIODS[1] * period_s:
            left.append(misfits(np.clip((t - begin) / (end - begin), 0.0, 1.0), part))
    smooth, trapezoid = np.sum(left, axis=0) if left else (0.0, 0.0)
    if len(left) < MIN_HALF_CYCLES or smooth + trapezoid <= 0:
        return None
    return float(smooth / (smooth + trapezoid)), len(left)


def misfits(part_of_half: np.ndarray, value: np.ndarray) -> tuple[float, float]:
    """Sums of squares that the best half sinusoid and the best trapezoid leave of `value` (n,), read at
    `part_of_half` (n,) of the way, 0 to 1, between two crossings of the middle."""
    to_end = np.minimum(part_of_half, 1.0 - part_of_half)
    forms = [np.sin(np.pi * part_of_half), *(np.minimum(1.0, to_end / ramp) for ramp in RAMP_SHARES)]
    total = np.sum(value**2)
    left = [float(total - np.sum(value * form) ** 2 / max(np.sum(form**2), 1e-12)) for form in forms]
    return left[0], min(left[1:])
