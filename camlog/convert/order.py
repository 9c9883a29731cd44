"""Keeps watch over the order of a table's rows in time."""

from __future__ import annotations

import numpy as np


class Order:
    """What the times of the rows do: how often they go forward, back or stay (`forward`, `back`, `same`).

    `first_back` is the line of the first step back with the times before and after it, `largest_back` the
    largest such step, `whole` True while all times are whole numbers.
    """

    def __init__(self):
        self.last = None
        self.back = self.forward = self.same = 0
        self.largest_back = 0.0
        self.first_back: tuple[int, float, float] | None = None
        self.steps: list[np.ndarray] = []
        self.whole = True

    def see(self, times: np.ndarray, lines: np.ndarray) -> None:
        """Take in the times of the next rows, shape (n,), and their line numbers."""
        if not len(times):
            return
        before = times[:1] if self.last is None else np.asarray([self.last])
        steps = np.diff(np.concatenate([before, times]))
        back = steps < 0
        self.back += int(back.sum())
        self.forward += int((steps > 0).sum())
        self.same += int((steps == 0).sum())
        if back.any():
            self.largest_back = max(self.largest_back, float(-steps.min()))
            if self.first_back is None:
                i = int(np.flatnonzero(back)[0])
                previous = self.last if i == 0 else times[i - 1]
                self.first_back = (int(lines[i]), float(previous), float(times[i]))
        if len(self.steps) < 20:
            self.steps.append(steps[steps > 0][:5000])
        if self.whole:
            self.whole = bool((times == np.floor(times)).all())
        self.last = float(times[-1])

    def median_step(self) -> float:
        """Median of the steps forward among the first rows; NaN where there are none."""
        steps = np.concatenate(self.steps) if self.steps else np.empty(0)
        return float(np.median(steps)) if len(steps) else float("nan")
