"""The shape of half a cycle: plateau or smooth swing.

A cam that sticks stands on plateaus and jumps between them (square or trapezoid half cycles), one that leaks
swings smoothly (sinusoid); each half cycle is fitted by both, as in He, Wang, Pottmann & Qin, Industrial &
Engineering Chemistry Research 46 (2007), with the trapezoid in place of their triangle because here the stuck
part itself is what is read.
"""

from __future__ import annotations

import numpy as np

RAMP_SHARES = (0.05, 0.1, 0.2)  # rise and fall of a trapezoid as shares of its half cycle
MIN_READINGS_A_HALF = 5


def misfits(part_of_half: np.ndarray, value: np.ndarray) -> tuple[float, float]:
    """Sums of squares that the best half sinusoid and the best trapezoid leave of `value` (n,), read at
    `part_of_half` (n,) of the way, 0 to 1, between two crossings of the middle."""
    x = part_of_half
    smooth = _left(value, np.sin(np.pi * x))
    trapezoid = min(_left(value, np.minimum(1.0, np.minimum(x, 1.0 - x) / ramp)) for ramp in RAMP_SHARES)
    return smooth, trapezoid


def _left(value: np.ndarray, form: np.ndarray) -> float:
    """Sum of squares left after the best multiple of `form`."""
    return float(np.sum(value**2) - np.sum(value * form) ** 2 / max(np.sum(form**2), 1e-12))
