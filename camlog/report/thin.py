"""Fewer points, same picture: what a line of a chart keeps of a long recording.

M4 (Jugel, Jerzak, Hackenbroich & Markl, Proceedings of the VLDB Endowment 7, 2014): of each stretch the first,
lowest, highest and last reading are kept, so that no extreme is ever lost.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from tsdownsample import M4Downsampler

# A line is broken where readings are this many usual intervals apart: nothing is drawn where nothing was read.
BREAK_INTERVALS = 12.0
BREAK_MIN_S = 2.0


def thin(x: np.ndarray, y: np.ndarray, points: int) -> tuple[np.ndarray, np.ndarray]:
    """At most about `points` of the readings (n,), extremes of every stretch kept. `x` ascends, all finite."""
    points = max(4, points - points % 4)
    if len(x) <= points:
        return x, y
    keep = M4Downsampler().downsample(
        np.ascontiguousarray(x, dtype=np.float64), np.ascontiguousarray(y, dtype=np.float64), n_out=points
    )
    keep = np.unique(keep)
    return x[keep], y[keep]


def broken(
    x: np.ndarray, y: np.ndarray, all_x: np.ndarray, gaps: Sequence[tuple[float, float]] = ()
) -> tuple[np.ndarray, np.ndarray]:
    """The points with a NaN wherever the recording (`all_x`, before thinning) paused or lies in a gap."""
    if len(all_x) < 2 or len(x) < 2:
        return x, y
    step = np.diff(all_x)
    limit = max(BREAK_MIN_S, BREAK_INTERVALS * float(np.median(step)))
    ends = all_x[:-1][step > limit]
    starts_of_gaps = np.array([start for start, _ in gaps], dtype=float)
    cut = np.concatenate([ends, starts_of_gaps])
    where = np.unique(np.searchsorted(x, cut, side="right"))
    where = where[(where > 0) & (where < len(x))]
    if not len(where):
        return x, y
    middle = 0.5 * (x[where - 1] + x[where])
    return np.insert(x, where, middle), np.insert(y, where, np.nan)


def line_points(
    x: np.ndarray, y: np.ndarray, points: int, gaps: Sequence[tuple[float, float]] = ()
) -> tuple[np.ndarray, np.ndarray]:
    """`thin`, then `broken`: what is drawn of one signal."""
    few_x, few_y = thin(x, y, points)
    return broken(few_x, few_y, x, gaps)


def spread_choice(count: int, most: int) -> np.ndarray:
    """Indices of at most `most` of `count` things, evenly over all of them."""
    if count <= most:
        return np.arange(count)
    return np.unique(np.round(np.linspace(0, count - 1, most)).astype(np.int64))
