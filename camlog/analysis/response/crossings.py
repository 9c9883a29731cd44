"""When a pooled answer covers given parts of its way, and what the command's own move adds to those times.

Controllers ramp or filter their commands, and a jump between two readings is known only to lie between them.
A lag answers the mean of its commands with the mean of its answers, so the mean command of the pooled steps,
run through a first-order lag, gives the crossing times that lag would show; the lag and dead time that show
the observed ones are those of a sudden step.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log

import numpy as np
from scipy.optimize import brentq, isotonic_regression
from scipy.signal import lfilter

LAG_MIN_S = 0.002  # lags below this follow the command as exactly as anything that could be measured
ONSET_LEVELS = (0.1, 0.3)
T63 = 1.0 - exp(-1.0)
T86 = 1.0 - exp(-2.0)


def monotone_crossings(
    count: np.ndarray, time: np.ndarray, value: np.ndarray, levels: np.ndarray
) -> np.ndarray:
    """Times at which the monotone mean of each set covers each level, shape (sets, levels), NaN where never.

    `count`, `time` and `value` (sets, bins) are the number, the summed times and the summed values of the
    readings in each bin. The mean is made monotone by isotonic regression (Barlow, Bartholomew, Bremner &
    Brunk 1972). Between two of its levels the time runs on straight from the last bin of the lower to the
    first of the upper: the pools before the onset and after the arrival are long, and their middles say
    nothing about the way between.
    """
    crossings = np.full((len(count), len(levels)), np.nan)
    for row, filled in enumerate(count > 0):
        if filled.sum() < 2:
            continue
        weight = count[row, filled]
        middle = time[row, filled] / weight
        mean = isotonic_regression(value[row, filled] / weight, weights=weight).x
        above = np.searchsorted(mean, levels)
        inner = (above > 0) & (above < len(mean))
        k = above[inner]
        part = (levels[inner] - mean[k - 1]) / (mean[k] - mean[k - 1])
        crossings[row, inner] = middle[k - 1] + part * (middle[k] - middle[k - 1])
    return crossings


def onset_s(t10: float, t30: float) -> float:
    """Where the straight line through the 10 and 30 % crossings meets zero."""
    return 1.5 * t10 - 0.5 * t30


@dataclass(frozen=True, eq=False)
class CommandShape:
    """The mean command of some steps: `share` (g,) of the way at even times `time_s` (g,), from 0 to 1."""

    time_s: np.ndarray
    share: np.ndarray

    def answer(self, lag_s: float) -> np.ndarray:
        """What a first-order lag without dead time makes of it, shape (g,); exact for straight pieces."""
        if lag_s < LAG_MIN_S:
            return self.share
        width = self.time_s[1] - self.time_s[0]
        kept = exp(-width / lag_s)
        # The point of a straight piece that, held still, has the piece's effect at its end.
        point = 1.0 / (1.0 - kept) - lag_s / width
        return lfilter([(1.0 - kept) * point, (1.0 - kept) * (1.0 - point)], [1.0, -kept], self.share)

    def crossings_s(self, levels: Sequence[float], lag_s: float) -> list[float]:
        """Times at which the answer of a lag first covers each of `levels` of the way."""
        answer = self.answer(lag_s)
        rising, end_s = np.maximum.accumulate(answer), float(self.time_s[-1])
        # Past the end of the shape the command stands at 1.
        left = max(1.0 - float(answer[-1]), 1e-12)
        return [
            end_s + max(lag_s, LAG_MIN_S) * log(left / (1.0 - level)) if level > rising[-1]
            else float(np.interp(level, rising, self.time_s))
            for level in levels
        ]  # fmt: skip

    def onset_and_63_s(self, lag_s: float) -> tuple[float, float]:
        """Where a line through 10 and 30 % of a lag's answer meets zero, and its 63.2 % crossing."""
        t10, t30, t63 = self.crossings_s((*ONSET_LEVELS, T63), lag_s)
        return onset_s(t10, t30), t63

    def dead_time_and_lag(self, onset: float, crossing_63: float) -> tuple[float, float]:
        """Dead time and lag (s) whose answer starts at `onset` and covers 63.2 % at `crossing_63`.

        Their sum is T63 for a sudden step. An answer as steep as the command itself has no lag of its own:
        what it is late by is then dead time.
        """
        rise_s = crossing_63 - onset

        def longer_by(lag: float) -> float:
            start, end = self.onset_and_63_s(lag)
            return end - start - rise_s

        lag = 0.0
        if longer_by(0.0) < 0.0:
            high = 2.0 * rise_s
            lag = float(brentq(longer_by, 0.0, high, xtol=1e-4)) if longer_by(high) > 0.0 else high
        return crossing_63 - self.onset_and_63_s(lag)[1], lag
