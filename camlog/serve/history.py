"""Samples of one signal, the latest ten minutes of them, in memory that does not grow."""

from __future__ import annotations

import numpy as np

from camlog.report.thin import thin

KEPT_S = 600.0
KEPT_SAMPLES = 30_000  # ten minutes at 50 a second
# A break in sampling at least this long, and this many usual intervals, is a hole: no line is drawn over it.
HOLE_S = 2.0
HOLE_INTERVALS = 5.0
_SMOOTHING = 0.1


class History:
    """A ring of (sequence number, time, value). A hole in the sampling stands as a sample without a value (NaN)."""

    def __init__(self, kept: int = KEPT_SAMPLES):
        self._kept = kept
        # Written twice, one ring length apart: every stretch can then be had without copying around the end.
        self._table = np.full((3, 2 * kept), np.nan)
        self._count = 0
        self._last_s: float | None = None
        self._interval_s: float | None = None

    def add(self, number: int, time_s: float, value: float) -> None:
        """Add a sample; `number` never decreases. A time before the last one is put at the last one."""
        if self._last_s is not None:
            time_s = max(time_s, self._last_s)
            passed = time_s - self._last_s
            usual = self._interval_s
            if usual is not None and passed > max(HOLE_S, HOLE_INTERVALS * usual):
                self._put(number, self._last_s + usual, np.nan)
            else:
                self._interval_s = passed if usual is None else usual + _SMOOTHING * (passed - usual)
        self._put(number, time_s, value)
        self._last_s = time_s

    def _put(self, number: int, time_s: float, value: float) -> None:
        at = self._count % self._kept
        for column in (at, at + self._kept):
            self._table[:, column] = (number, time_s, value)
        self._count += 1

    def newer(self, number: int) -> tuple[np.ndarray, np.ndarray]:
        """Times (s) and values of the samples after `number`, shape (n,) each."""
        numbers, times, values = self._stretch()
        first = int(np.searchsorted(numbers, number, side="right"))
        return times[first:], values[first:]

    def last(self, span_s: float, now_s: float, points: int) -> tuple[np.ndarray, np.ndarray]:
        """Times and values of the last `span_s` seconds, thinned to about `points`; minima and maxima stay."""
        _, times, values = self._stretch()
        first = int(np.searchsorted(times, now_s - span_s, side="left"))
        times, values = times[first:], values[first:]
        kept = thinned(values, points)
        return times[kept], values[kept]

    def _stretch(self) -> np.ndarray:
        end = self._count % self._kept + self._kept
        return self._table[:, end - min(self._count, self._kept) : end]


def thinned(values: np.ndarray, points: int) -> np.ndarray:
    """Indices of at most about `points` values, as the reports thin a line, and every hole."""
    read = np.flatnonzero(~np.isnan(values))
    kept, _ = thin(read, values[read], points)
    return np.union1d(kept, np.flatnonzero(np.isnan(values))).astype(np.int64)
