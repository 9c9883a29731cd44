"""A drive on one coarse, even time base, for everything that changes slowly.

Engine state (off, cranking, idle or driven), warm-up and coverage need four values a second, not every reading. A tick
holds the last reading at or before its time, NaN where that is too old. `tick_table` makes the ticks of a saved trace
at once, `TickStream` those of a live drive piece by piece; both give the same ticks for the same readings."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from camlog.trace import Trace

TICK_S = 0.25  # a power of two, so that tick times are exact
RATE_GAP_S = 2.0  # intervals longer than this are holes and do not count towards the sampling rate
HOLD_S = 5.0  # after this long without any reading there are no ticks until the next reading

UNKNOWN, OFF, CRANKING, IDLE, DRIVEN = range(5)

OFF_RPM = 30.0  # below this the engine stands; a stopped engine may read a few rpm of noise
RUNNING_RPM = 400.0  # above every cranking speed, below every idle
IDLE_MAX_RPM = 1600.0  # highest idle (fast idle after a cold start), if the vehicle is known to stand still
IDLE_MAX_RPM_BLIND = 1100.0  # highest idle if neither road speed nor throttle is known
STANDSTILL_KM_H = 1.6  # 13 CCR 1968.2(d): vehicle speed of 1 mph or less
THROTTLE_CLOSED_PERCENT = 4.0  # closed: at most this far above the lowest throttle reading so far
JUST_STARTED_S = 5.0  # a start counts as recorded up to this module run time
# How long a reading is used as the present value. For cam angles: three intervals of the slowest recording that can be
# judged.
_MAX_AGE_S = {"coolant_temp": 60.0, "oil_temp": 60.0, "run_time": 10.0}
_CAM_MAX_AGE_S, _OTHER_MAX_AGE_S = 1.0, 5.0

DRIVE_SIGNALS = (
    "engine_speed", "vehicle_speed", "throttle_position", "engine_load", "coolant_temp", "oil_temp",
    "run_time",
)  # fmt: skip


@dataclass(frozen=True)
class Ticks:
    """Ticks of a drive: `index` (n,) int64, ascending, time = index * TICK_S; `columns` name -> (n,), NaN unknown."""

    index: np.ndarray
    columns: Mapping[str, np.ndarray]

    def __len__(self) -> int:
        return len(self.index)

    @property
    def time_s(self) -> np.ndarray:
        return self.index * TICK_S

    def get(self, name: str) -> np.ndarray:
        """A signal's values, shape (n,); all NaN if it is not among the columns."""
        column = self.columns.get(name)
        return np.full(len(self.index), np.nan) if column is None else column


def tick_table(trace: Trace, signals: Iterable[str] = DRIVE_SIGNALS) -> Ticks:
    names = tuple(signals)
    present = np.zeros(len(trace.time_s), dtype=bool)
    for name in names:
        if name in trace.columns:
            present |= np.isfinite(trace.columns[name])
    return _ticks(trace.time_s[present], {name: trace.samples(name) for name in names})


class TickStream:
    """Makes the ticks of `tick_table` from live readings, and keeps them until `take` is called."""

    def __init__(self, signals: Iterable[str] = DRIVE_SIGNALS):
        self._rows: list[float] = []
        self._readings: dict[str, tuple[list[float], list[float]]] = {name: ([], []) for name in signals}

    def add(self, time_s: float, values: Mapping[str, float]) -> None:
        """Add the readings of one batch; batches must come in time order."""
        wanted = False
        for name, value in values.items():
            if name in self._readings and value is not None and math.isfinite(value):
                times, readings = self._readings[name]
                times.append(time_s)
                readings.append(value)
                wanted = True
        if wanted:
            self._rows.append(time_s)

    def take(self) -> Ticks:
        """The ticks completed since the last call. Afterwards only the last reading of each signal is kept."""
        readings = {name: (np.array(t), np.array(v)) for name, (t, v) in self._readings.items()}
        ticks = _ticks(np.array(self._rows), readings)
        for values in (self._rows, *(column for pair in self._readings.values() for column in pair)):
            del values[:-1]
        return ticks


def _ticks(row_s: np.ndarray, readings: Mapping[str, tuple[np.ndarray, np.ndarray]]) -> Ticks:
    """The ticks of rows at `row_s` and of each signal's (times, values)."""
    index = _complete(row_s)
    at_s = index * TICK_S
    columns = {}
    for name, (t, v) in readings.items():
        t, v = np.concatenate([[-np.inf], t]), np.concatenate([[np.nan], v])
        last = np.searchsorted(t, at_s, side="right") - 1
        age_s = _CAM_MAX_AGE_S if name.startswith("cam_") else _MAX_AGE_S.get(name, _OTHER_MAX_AGE_S)
        columns[name] = np.where(at_s - t[last] <= age_s, v[last], np.nan)
    return Ticks(index, columns)


def _complete(row_s: np.ndarray) -> np.ndarray:
    """Index of each complete tick: a later row exists, and the last row before it is at most HOLD_S old."""
    if not len(row_s):
        return np.empty(0, dtype=np.int64)
    breaks = np.flatnonzero(np.diff(row_s) > HOLD_S)
    starts = [math.ceil(t / TICK_S) for t in row_s[np.concatenate([[0], breaks + 1])].tolist()]
    stops = [math.floor((t + HOLD_S) / TICK_S) + 1 for t in row_s[breaks].tolist()]
    stops.append(math.ceil(row_s[-1] / TICK_S))
    return np.concatenate([np.arange(a, max(a, b)) for a, b in zip(starts, stops, strict=True)])


@dataclass(frozen=True)
class EngineStates:
    """`state` (n,) of UNKNOWN, OFF, CRANKING, IDLE, DRIVEN; `started` (n,) True at the tick of an engine start;
    `since_start_s` (n,) seconds since the last start, infinite before the first."""

    state: np.ndarray
    started: np.ndarray
    since_start_s: np.ndarray

    @property
    def running(self) -> np.ndarray:
        return self.state >= IDLE

    @property
    def stopped(self) -> np.ndarray:
        """True where the engine is known not to run by itself."""
        return (self.state == OFF) | (self.state == CRANKING)


class EngineClassifier:
    """Classifies the engine state of ticks, in pieces or at once. A tick's state depends only on that tick and earlier
    ones, so a live drive in pieces and a saved trace give the same states."""

    def __init__(self) -> None:
        self._throttle_min = np.inf
        self._last_known = UNKNOWN
        self._start_index = -np.inf

    def classify(self, ticks: Ticks) -> EngineStates:
        rpm, throttle, speed = (ticks.get(n) for n in ("engine_speed", "throttle_position", "vehicle_speed"))
        lowest = np.fmin.accumulate(np.concatenate([[self._throttle_min], throttle]))
        # Accelerator released and vehicle standing, as far as the available signals show.
        released = ~(throttle > lowest[1:] + THROTTLE_CLOSED_PERCENT)
        top_rpm = np.where(np.isfinite(speed), IDLE_MAX_RPM, IDLE_MAX_RPM_BLIND)
        idle = (rpm <= top_rpm) & ~(speed > STANDSTILL_KM_H) & released
        running = rpm >= RUNNING_RPM
        state = np.select(
            [running & idle, running, rpm < OFF_RPM, rpm < RUNNING_RPM], [IDLE, DRIVEN, OFF, CRANKING], UNKNOWN
        )
        # The module may drop out while cranking, so the last known state decides, not the last tick.
        known = np.concatenate([[self._last_known], state])
        last_known = known[np.maximum.accumulate(np.where(known == UNKNOWN, 0, np.arange(len(known))))]
        before = last_known[:-1]
        first = (before == UNKNOWN) & (ticks.get("run_time") <= JUST_STARTED_S)
        started = running & ((before == OFF) | (before == CRANKING) | first)
        start = np.maximum.accumulate(np.concatenate([[self._start_index], np.where(started, ticks.index, -np.inf)]))
        self._throttle_min, self._last_known, self._start_index = lowest[-1], last_known[-1], start[-1]
        return EngineStates(state, started, (ticks.index - start[1:]) * TICK_S)


class Intervals:
    """Mean time between the readings of one signal without holes; exact in whole microseconds."""

    def __init__(self) -> None:
        self.readings = 0
        self._last_us = np.empty(0, dtype=np.int64)
        self._total_us = self._count = 0

    def add(self, time_s: np.ndarray) -> None:
        us = np.concatenate([self._last_us, np.rint(np.asarray(time_s) * 1e6).astype(np.int64)])
        steps = np.diff(us)
        steps = steps[(steps > 0) & (steps <= round(RATE_GAP_S * 1e6))]
        self.readings += len(time_s)
        self._total_us += int(steps.sum())
        self._count += len(steps)
        self._last_us = us[-1:]

    @property
    def mean_s(self) -> float | None:
        """Mean interval (s); None without two successive readings."""
        return self._total_us / self._count / 1e6 if self._count else None


def trailing(values: np.ndarray, index: np.ndarray, width: int) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest of the last `width` ticks, shape (n,); NaN where any is unknown or missing."""
    low, high = np.full((2, len(values)), np.nan)
    if len(values) >= width:
        last = sliding_window_view(values, width)
        whole = index[width - 1 :] - index[: len(index) - width + 1] == width - 1
        low[width - 1 :] = np.where(whole, last.min(axis=1), np.nan)
        high[width - 1 :] = np.where(whole, last.max(axis=1), np.nan)
    return low, high
