"""Where the monotone mean of binned readings crosses given levels, for many sets of sums at once.

Isotonic regression (Barlow, Bartholomew, Bremner & Brunk, Statistical Inference under Order Restrictions,
1972) is the slope of the greatest convex minorant of the cumulative sums. Its crossing of one level is where
the cumulative sum of (value - level) is lowest, and the pools on either side are the steepest chord up to
there and the flattest from there: no pooling is needed, and sets of sums go through together.
"""

from __future__ import annotations

import numpy as np


def monotone_crossings(
    count: np.ndarray, time: np.ndarray, value: np.ndarray, levels: np.ndarray
) -> np.ndarray:
    """Times at which the monotone mean of each set covers each level, shape (sets, levels), NaN where never.

    `count`, `time` and `value` (sets, bins) are the number, the summed times and the summed values of the
    readings in each bin. Between two pools the time runs on straight from the last bin of the lower to the
    first of the upper: the pools before the onset and after the arrival are long, and their middles say
    nothing about the way between.
    """
    here = count.any(axis=0)
    count, time, value = count[:, here], time[:, here], value[:, here]
    sets, bins = count.shape
    found = np.full((sets, len(levels)), np.nan)
    if bins < 2:
        return found
    filled = count > 0
    middle = np.divide(time, count, out=np.zeros((sets, bins)), where=filled)
    number = np.arange(bins)
    before = np.maximum.accumulate(np.where(filled, number, -1), axis=1)
    after = np.minimum.accumulate(np.where(filled, number, bins)[:, ::-1], axis=1)[:, ::-1]
    weight, total = _from_zero(count), _from_zero(value)
    row, edge = np.arange(sets), np.arange(bins + 1)
    for j, level in enumerate(levels):
        k = np.argmin(total - level * weight, axis=1)
        apart = weight - weight[row, k][:, None]
        chord = np.divide(
            total - total[row, k][:, None], apart, out=np.full(apart.shape, np.nan), where=apart != 0
        )
        lower = np.fmax.reduce(np.where(edge < k[:, None], chord, np.nan), axis=1)
        upper = np.fmin.reduce(np.where(edge > k[:, None], chord, np.nan), axis=1)
        inner = np.isfinite(lower) & np.isfinite(upper)
        r, k = row[inner], k[inner]
        lower, upper = lower[inner], upper[inner]
        start, end = middle[r, before[r, k - 1]], middle[r, after[r, k]]
        # Where both sides are level itself the crossing lies anywhere between: take the middle.
        rise = upper - lower
        part = np.divide(level - lower, rise, out=np.full(rise.shape, 0.5), where=rise > 0)
        found[inner, j] = start + np.clip(part, 0.0, 1.0) * (end - start)
    return found


def _from_zero(value: np.ndarray) -> np.ndarray:
    """Sums of `value` (sets, bins) up to each edge between bins, shape (sets, bins + 1)."""
    return np.concatenate([np.zeros((len(value), 1)), np.cumsum(value, axis=1)], axis=1)
