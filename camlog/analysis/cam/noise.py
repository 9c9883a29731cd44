"""How noisy the angle reading itself is: what every measure of a cam at rest or in motion has to see past."""

from __future__ import annotations

import numpy as np

from camlog.analysis.cam.camdata import CamData, once_per_cam
from camlog.analysis.cam.segments import steady_segments

# A reading of an ideal sensor still moves by this much (torsional vibration, tooth tolerance).
NOISE_FLOOR_DEG = 0.02
MAD_TO_SIGMA = 1.4826
FEW_READINGS = 30


@once_per_cam
def midpoint_residual(cam: CamData) -> tuple[np.ndarray, np.ndarray]:
    """How far each reading lies from the line between its two neighbours, as (index, residual / its scale).

    Divided so that independent noise of standard deviation s gives residuals of standard deviation s,
    whatever the spacing. Readings beside a gap are left out; slow motion cancels.
    """
    t, a = cam.actual_time_s, cam.actual_deg
    if len(t) < 3:
        return np.empty(0, dtype=np.int64), np.empty(0)
    interval = np.diff(t)
    weight = interval[1:] / (interval[:-1] + interval[1:])
    other = 1.0 - weight
    residual = a[1:-1] - weight * a[:-2] - other * a[2:]
    residual /= np.sqrt(1.0 + weight * weight + other * other)
    near = interval <= cam.actual_max_gap_s
    whole = near[:-1] & near[1:]
    return np.flatnonzero(whole) + 1, residual[whole]


@once_per_cam
def settled_noise_deg(cam: CamData) -> float:
    """`reading_noise_deg` of the settled readings, where they are enough; else of all."""
    index, _ = midpoint_residual(cam)
    keep = steady_segments(cam).settled[index]
    return reading_noise_deg(cam, keep if np.sum(keep) >= FEW_READINGS else slice(None))


def reading_noise_deg(cam: CamData, keep: np.ndarray | slice = slice(None)) -> float:
    """Standard deviation of the reading-to-reading noise in degrees, robust to moves and spikes.

    `keep` chooses among the readings of `midpoint_residual`. Never below what the quantisation of the
    readings makes.
    """
    residual = midpoint_residual(cam)[1][keep]
    floor = max(cam.actual_step_deg / np.sqrt(12.0), NOISE_FLOOR_DEG)
    return max(MAD_TO_SIGMA * float(np.median(np.abs(residual))), floor) if len(residual) >= 3 else floor
