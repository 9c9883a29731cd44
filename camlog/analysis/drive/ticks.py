"""A drive on one coarse, even time base: what every slow question is answered from.

Engine state, warm-up and coverage need a quarter-second picture of a drive, not
every reading. A tick holds the last reading at or before its time, NaN where
that is too old. `tick_table` makes the ticks of a saved trace at once,
`TickStream` makes the same ticks one batch at a time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from camlog.trace import Trace

# A power of two, so that tick times are exact and both makers agree to the last bit.
TICK_S = 0.25
# After this long without any reading the drive's picture ends until the next one.
HOLD_S = 5.0

_MAX_AGE_S = {
    "coolant_temp": 60.0,
    "oil_temp": 60.0,
    "intake_air_temp": 60.0,
    "ambient_temp": 60.0,
    "module_voltage": 10.0,
    "run_time": 10.0,
}
_CAM_MAX_AGE_S = 1.0  # three readings of the slowest recording that can be judged
_OTHER_MAX_AGE_S = 5.0

DRIVE_SIGNALS = (
    "engine_speed",
    "vehicle_speed",
    "throttle_position",
    "engine_load",
    "coolant_temp",
    "oil_temp",
    "run_time",
)


def max_age_s(signal: str) -> float:
    """How long a reading of a signal stands for the present value, in seconds."""
    return _CAM_MAX_AGE_S if signal.startswith("cam_") else _MAX_AGE_S.get(signal, _OTHER_MAX_AGE_S)


@dataclass(frozen=True)
class Ticks:
    """`index` (n,) int64, ascending, tick time = index * TICK_S; `columns` name -> (n,), NaN unknown."""

    index: np.ndarray
    columns: Mapping[str, np.ndarray]

    def __len__(self) -> int:
        return len(self.index)

    @property
    def time_s(self) -> np.ndarray:
        return self.index * TICK_S

    def get(self, name: str) -> np.ndarray:
        """A signal's values, shape (n,); all NaN where it was not asked for."""
        column = self.columns.get(name)
        return np.full(len(self.index), np.nan) if column is None else column


def tick_table(trace: Trace, signals: Iterable[str] = DRIVE_SIGNALS) -> Ticks:
    """The ticks of a whole trace for the named signals."""
    names = tuple(signals)
    present = np.zeros(len(trace.time_s), dtype=bool)
    for name in names:
        if name in trace.columns:
            present |= np.isfinite(trace.columns[name])
    index = _tick_indices(trace.time_s[present])
    time_s = index * TICK_S
    columns = {}
    for name in names:
        t, v = trace.samples(name)
        if not len(t):
            columns[name] = np.full(len(index), np.nan)
            continue
        at = np.searchsorted(t, time_s, side="right") - 1
        known = (at >= 0) & (time_s - t[np.maximum(at, 0)] <= max_age_s(name))
        columns[name] = np.where(known, v[np.maximum(at, 0)], np.nan)
    return Ticks(index, columns)


def _tick_indices(time_s: np.ndarray) -> np.ndarray:
    """Ticks that are complete: a later row exists, and the last row before them is at most HOLD_S old."""
    if not len(time_s):
        return np.empty(0, dtype=np.int64)
    breaks = np.flatnonzero(np.diff(time_s) > HOLD_S)
    firsts = time_s[np.concatenate([[0], breaks + 1])]
    lasts = time_s[np.concatenate([breaks, [len(time_s) - 1]])]
    stretches = []
    for i, (first, last) in enumerate(zip(firsts, lasts, strict=True)):
        start = math.ceil(first / TICK_S)
        if i < len(breaks):
            stop = math.floor((last + HOLD_S) / TICK_S) + 1
        else:
            stop = math.ceil(last / TICK_S)
        stretches.append(np.arange(start, max(stop, start), dtype=np.int64))
    return np.concatenate(stretches)


class TickStream:
    """Makes the ticks of `tick_table` from readings as they come; memory and cost a reading are constant."""

    def __init__(self, signals: Iterable[str] = DRIVE_SIGNALS):
        self.names = tuple(signals)
        self._slot = {name: i for i, name in enumerate(self.names)}
        self._age = [max_age_s(name) for name in self.names]
        self._time = [-math.inf] * len(self.names)
        self._value = [math.nan] * len(self.names)
        self._next: int | None = None
        self._last_s = -math.inf
        self._index: list[int] = []
        self._rows: list[list[float]] = []

    def __len__(self) -> int:
        """Ticks waiting to be taken."""
        return len(self._index)

    def add(self, time_s: float, values: Mapping[str, float]) -> None:
        """Take the readings of one batch; batches come in time order."""
        slot = self._slot
        wanted = [(slot[n], v) for n, v in values.items() if n in slot and v is not None and math.isfinite(v)]
        if not wanted:
            return
        if self._next is None:
            self._next = math.ceil(time_s / TICK_S)
        self._complete(time_s)
        for i, value in wanted:
            self._time[i] = time_s
            self._value[i] = value
        self._last_s = time_s

    def _complete(self, time_s: float) -> None:
        ends_s = self._last_s + HOLD_S
        while (tick_s := self._next * TICK_S) < time_s and tick_s <= ends_s:
            self._index.append(self._next)
            self._rows.append(
                [
                    v if tick_s - t <= a else math.nan
                    for v, t, a in zip(self._value, self._time, self._age, strict=True)
                ]
            )
            self._next += 1
        if time_s - self._last_s > HOLD_S:
            self._next = max(self._next, math.ceil(time_s / TICK_S))

    def take(self) -> Ticks:
        """The completed ticks since the last call."""
        rows = np.array(self._rows, dtype=float).reshape(len(self._rows), len(self.names))
        ticks = Ticks(
            np.array(self._index, dtype=np.int64), {name: rows[:, i] for name, i in self._slot.items()}
        )
        self._index, self._rows = [], []
        return ticks


def run_bounds(flags: np.ndarray, index: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First and last position (both included) of each stretch of set flags without a hole in the ticks."""
    flags = np.asarray(flags, dtype=bool)
    if not flags.any():
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    joined = flags[1:] & flags[:-1] & (np.diff(index) == 1)
    first = flags.copy()
    first[1:] &= ~joined
    last = flags.copy()
    last[:-1] &= ~joined
    return np.flatnonzero(first), np.flatnonzero(last)


def trailing(values: np.ndarray, index: np.ndarray, width: int) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest of the last `width` ticks, shape (n,); NaN where any is unknown or missing."""
    n = len(values)
    low, high = np.full(n, np.nan), np.full(n, np.nan)
    if n >= width:
        unknown = np.isnan(values)
        filled = np.where(unknown, 0.0, values)
        upto = np.concatenate([[0], np.cumsum(unknown)])
        whole = (index[width - 1 :] - index[: n - width + 1]) == width - 1
        whole &= upto[width:] == upto[: n - width + 1]
        ends = slice(width // 2, n - width + 1 + width // 2)
        low[width - 1 :] = np.where(whole, minimum_filter1d(filled, width)[ends], np.nan)
        high[width - 1 :] = np.where(whole, maximum_filter1d(filled, width)[ends], np.nan)
    return low, high
