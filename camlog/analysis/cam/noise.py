"""How noisy the angle reading itself is: what every measure of a cam at rest or in motion has to see past."""

from __future__ import annotations

import numpy as np

from camlog.analysis.cam.camdata import CamData

# A reading of an ideal sensor still moves by this much (torsional vibration, tooth tolerance).
NOISE_FLOOR_DEG = 0.02
MAD_TO_SIGMA = 1.4826


def midpoint_residual(cam: CamData) -> tuple[np.ndarray, np.ndarray]:
    """How far each reading lies from the line between its two neighbours, as (index, residual / its scale).

    Divided so that independent noise of standard deviation s gives residuals of standard deviation s,
    whatever the spacing. Readings beside a gap are left out; slow motion cancels.
    """
    t, a = cam.actual_time_s, cam.actual_deg
    if len(t) < 3:
        return np.empty(0, dtype=np.int64), np.empty(0)
    interval = np.diff(t)
    before, after = interval[:-1], interval[1:]
    weight = after / (before + after)
    other = 1.0 - weight
    residual = a[1:-1] - weight * a[:-2] - other * a[2:]
    residual /= np.sqrt(1.0 + weight * weight + other * other)
    near = interval <= cam.actual_max_gap_s
    whole = near[:-1] & near[1:]
    return np.flatnonzero(whole) + 1, residual[whole]


def reading_noise_deg(cam: CamData, keep: np.ndarray | None = None) -> float:
    """Standard deviation of the reading-to-reading noise in degrees, robust to moves and spikes.

    `keep` (n,) restricts it to those readings (say, the settled ones) where they are enough. Never below what
    the quantisation of the readings makes.
    """
    index, residual = midpoint_residual(cam)
    if keep is not None and np.sum(keep[index]) >= 30:
        residual = residual[keep[index]]
    floor = max(cam.actual_step_deg / np.sqrt(12.0), NOISE_FLOOR_DEG)
    if len(residual) < 3:
        return floor
    robust = MAD_TO_SIGMA * float(np.median(np.abs(residual)))
    return max(robust, floor)
