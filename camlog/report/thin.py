"""Reduces the points of a chart's line without changing the picture.

M4 (Jugel, Jerzak, Hackenbroich & Markl, Proceedings of the VLDB Endowment 7, 2014): the first, lowest, highest and last
reading of each stretch are kept, so no extreme is lost.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from tsdownsample import M4Downsampler

# A line is broken if readings are at least this many usual intervals apart.
BREAK_INTERVALS = 12.0
BREAK_MIN_S = 2.0


def thinned(x: np.ndarray, y: np.ndarray, points: int) -> np.ndarray:
    """Indices of at most about `points` readings (n,), with the extremes of every stretch. `x` ascends; all are
    finite."""
    points = max(4, points - points % 4)
    if len(x) <= points:
        return np.arange(len(x))
    x64, y64 = (np.ascontiguousarray(values, dtype=np.float64) for values in (x, y))
    return np.unique(M4Downsampler().downsample(x64, y64, n_out=points))


def thin(x: np.ndarray, y: np.ndarray, points: int) -> tuple[np.ndarray, np.ndarray]:
    """As `thinned`, but the readings themselves."""
    keep = thinned(x, y, points)
    return x[keep], y[keep]


def line_points(
    x: np.ndarray, y: np.ndarray, points: int, gaps: Sequence[tuple[float, float]] = ()
) -> tuple[np.ndarray, np.ndarray]:
    """The points of one signal to draw: thinned, with NaN at pauses and gaps of the recording."""
    few_x, few_y = thin(x, y, points)
    if len(few_x) < 2:
        return few_x, few_y
    step = np.diff(x)
    pauses = x[:-1][step > max(BREAK_MIN_S, BREAK_INTERVALS * float(np.median(step)))]
    cut = np.concatenate([pauses, [start for start, _ in gaps]])
    where = np.unique(np.searchsorted(few_x, cut, side="right"))
    where = where[(where > 0) & (where < len(few_x))]
    middle = 0.5 * (few_x[where - 1] + few_x[where])
    return np.insert(few_x, where, middle), np.insert(few_y, where, np.nan)


def spread_choice(count: int, most: int) -> np.ndarray:
    """Indices of at most `most` of `count` items, evenly spread."""
    return np.unique(np.round(np.linspace(0, count - 1, min(count, most))).astype(np.int64))
