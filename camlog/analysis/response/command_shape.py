"""What the shape of the command's own move adds to the crossing times of a response.

Controllers ramp or filter their commands, and a jump between two readings is known only to lie between them.
A lag answers the mean of its commands with the mean of its answers, so the mean command of the pooled steps,
run through a first-order lag, gives the crossing times that lag would show; the lag and dead time that show
the observed ones are those of a sudden step.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log

import numpy as np
from scipy.optimize import brentq
from scipy.signal import lfilter

# Lags below this follow the command as exactly as anything that could be measured.
LAG_MIN_S = 0.002
ONSET_LEVELS = (0.1, 0.3)
LEVEL_63 = 1.0 - exp(-1.0)


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

    def crossings_s(self, levels: tuple[float, ...], lag_s: float) -> list[float]:
        """Times at which the answer of a lag first covers each of `levels` of the way."""
        answer = self.answer(lag_s)
        rising = np.maximum.accumulate(answer)
        found = []
        for level in levels:
            if level > rising[-1]:
                # Past the end of the shape the command stands at 1.
                left = max(1.0 - float(answer[-1]), 1e-12)
                found.append(float(self.time_s[-1]) + max(lag_s, LAG_MIN_S) * log(left / (1.0 - level)))
                continue
            k = int(np.searchsorted(rising, level))
            if k == 0:
                found.append(float(self.time_s[0]))
                continue
            part = (level - rising[k - 1]) / max(rising[k] - rising[k - 1], 1e-12)
            found.append(float(self.time_s[k - 1] + part * (self.time_s[k] - self.time_s[k - 1])))
        return found

    def onset_and_63_s(self, lag_s: float) -> tuple[float, float]:
        """Where a line through 10 and 30 % of a lag's answer meets zero, and its 63.2 % crossing."""
        t10, t30, t63 = self.crossings_s((*ONSET_LEVELS, LEVEL_63), lag_s)
        return onset_s(t10, t30), t63

    def dead_time_and_lag(self, onset: float, crossing_63: float) -> tuple[float, float]:
        """Dead time and lag (s) whose answer starts at `onset` and covers 63.2 % at `crossing_63`.

        Their sum is T63 for a sudden step. An answer as steep as the command itself has no lag of its own:
        what it is late by is then dead time.
        """
        seen = crossing_63 - onset

        def short(lag: float) -> float:
            start, end = self.onset_and_63_s(lag)
            return end - start - seen

        if short(0.0) >= 0.0:
            return crossing_63 - self.onset_and_63_s(0.0)[1], 0.0
        high = 2.0 * seen
        lag = float(brentq(short, 0.0, high, xtol=1e-4)) if short(high) > 0.0 else high
        return crossing_63 - self.onset_and_63_s(lag)[1], lag


def onset_s(t10: float, t30: float) -> float:
    """Where the straight line through the 10 and 30 % crossings meets zero."""
    return 1.5 * t10 - 0.5 * t30
