"""Evidence from other signals of the engine: oil pressure, module voltage, fuel trims.

The rule for oil pressure is the same live and saved. Its limit rises with engine speed up to FLAT_RPM, above which the
pump's pressure is regulated. Two successive readings must lie below it after some seconds of running, so that neither a
single odd reading nor a start counts. Common practice, no source; a vehicle profile's limit wins."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from camlog.analysis.drive.ticks import RUNNING_RPM
from camlog.cams import BANKS
from camlog.limits import LIMITS, Limit
from camlog.messages import Messages
from camlog.trace import Trace

messages = Messages(__package__)
LIMIT_NAME = "oil_pressure_min_kpa_per_1000_rpm"
FLAT_RPM = 2000.0
AFTER_START_S = 10.0  # pressure builds within a few seconds
SPEED_REACH_S = 2.0  # the limit uses the lowest engine speed in this time before a pressure reading
MOST_APART_S = 30.0  # readings farther apart than this are not successive
LOW_READINGS = 2
# Voltage and trims need MIN_READINGS with the engine running, of which BEYOND_SHARE lie beyond the limit.
MIN_READINGS = 5
BEYOND_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class LowPressure:
    """An oil pressure below its limit (kPa), with its time (s) and the engine speed (rpm)."""

    time_s: float
    pressure_kpa: float
    limit_kpa: float
    engine_speed_rpm: float
    limit: Limit

    @property
    def share(self) -> float:
        return self.pressure_kpa / self.limit_kpa

    @property
    def figure(self) -> str:
        """`15 kPa at 700 rpm, where at least 49 kPa is expected (70 kPa for each 1,000 rpm; ...)`."""
        return messages(
            "oil_pressure.figure", pressure=self.pressure_kpa, speed=self.engine_speed_rpm,
            least=self.limit_kpa, limit=self.limit.value, source=self.limit.source,
        )  # fmt: skip

    @property
    def alarm(self) -> str:
        return messages("oil_pressure.alarm", figure=self.figure)


class OilPressureWatch:
    """Tracks oil pressure and engine speed. `worst` is the pressure farthest below its limit so far; `low` says whether
    the pressure is low now."""

    def __init__(self, limits: Mapping[str, Limit] = LIMITS):
        self._limit = limits[LIMIT_NAME]
        self._speeds: deque[tuple[float, float]] = deque()
        self._running_since_s: float | None = None
        self._in_a_row: list[LowPressure] = []
        self.low = False
        self.worst: LowPressure | None = None

    def accept(self, time_s: float, values: Mapping[str, float]) -> None:
        """Add readings of one time; other signals are ignored."""
        speed, pressure = values.get("engine_speed"), values.get("oil_pressure")
        if speed is not None and math.isfinite(speed):
            self._speed(time_s, speed)
        if pressure is not None and math.isfinite(pressure):
            self._pressure(time_s, pressure)

    def _speed(self, time_s: float, speed: float) -> None:
        self._speeds.append((time_s, speed))
        while self._speeds[0][0] < time_s - SPEED_REACH_S:
            self._speeds.popleft()
        if speed < RUNNING_RPM:
            self._running_since_s, self._in_a_row, self.low = None, [], False
        elif self._running_since_s is None:
            self._running_since_s = time_s

    def _pressure(self, time_s: float, pressure: float) -> None:
        speeds = [v for t, v in self._speeds if t >= time_s - SPEED_REACH_S]
        if not speeds or self._running_since_s is None or time_s < self._running_since_s + AFTER_START_S:
            return
        speed = min(speeds)
        least = self._limit.value * min(speed, FLAT_RPM) / 1000.0
        if pressure >= least:
            self._in_a_row, self.low = [], False
            return
        if self._in_a_row and time_s - self._in_a_row[-1].time_s > MOST_APART_S:
            self._in_a_row = []
        self._in_a_row.append(LowPressure(time_s, pressure, least, speed, self._limit))
        if len(self._in_a_row) < LOW_READINGS:
            return
        self.low = True
        # Of the last two low readings the one nearer to its limit counts.
        surest = max(self._in_a_row[-LOW_READINGS:], key=lambda r: r.share)
        if self.worst is None or surest.share < self.worst.share:
            self.worst = surest
        del self._in_a_row[:-LOW_READINGS]


def low_oil_pressure(trace: Trace, limits: Mapping[str, Limit] = LIMITS) -> LowPressure | None:
    """The oil pressure of a drive farthest below its limit; None if never low, or not recorded with engine speed."""
    watch = OilPressureWatch(limits)
    read = {name: trace.samples(name) for name in ("engine_speed", "oil_pressure")}
    if not all(len(times) for times, _ in read.values()):
        return None
    readings = sorted(
        (float(t), name, float(v)) for name, (times, values) in read.items() for t, v in zip(times, values, strict=True)
    )  # engine speed before oil pressure where both have the same time
    for time_s, name, value in readings:
        watch.accept(time_s, {name: value})
    return watch.worst


@dataclass(frozen=True)
class Supply:
    """The lowest oil pressure, if it was too low, and all `evidence`: name in the table of causes and values of the
    sentence."""

    pressure: LowPressure | None
    evidence: tuple[tuple[str, dict[str, Any]], ...] = ()


def engine_supply(trace: Trace, limits: Mapping[str, Limit]) -> Supply:
    evidence: list[tuple[str, dict[str, Any]]] = []
    pressure, limit = low_oil_pressure(trace, limits), limits["module_voltage_min_v"]
    if pressure is not None:
        evidence.append(("low_pressure", {"figure": pressure.figure}))
    _, volts = _running(trace, "module_voltage")
    if len(volts) >= MIN_READINGS and np.mean(volts < limit.value) >= BEYOND_SHARE:
        evidence.append(("low_voltage", {"volts": np.median(volts), "limit": limit}))
    evidence += [("fuel_trim", values) for values in _trims(trace, limits["fuel_trim_percent"])][:1]
    return Supply(pressure, tuple(evidence))


def _trims(trace: Trace, limit: Limit) -> Iterator[dict[str, Any]]:
    for bank in BANKS:
        t, short = _running(trace, f"short_fuel_trim_b{bank}")
        long_t, long = _running(trace, f"long_fuel_trim_b{bank}")
        if min(len(t), len(long_t)) >= MIN_READINGS:
            total = short + np.interp(t, long_t, long)
            if np.mean(np.abs(total) > limit.value) >= BEYOND_SHARE:
                yield {"bank": bank, "percent": np.median(total), "limit": limit}


def _running(trace: Trace, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Times and values of a signal's readings while the engine is known to run."""
    t, value = trace.samples(name)
    speed_t, speed = trace.samples("engine_speed")
    if not len(t) or not len(speed_t):
        return np.empty(0), np.empty(0)
    keep = (np.interp(t, speed_t, speed) >= RUNNING_RPM) & (t >= speed_t[0]) & (t <= speed_t[-1])
    return t[keep], value[keep]
