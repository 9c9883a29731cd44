"""Play back a saved drive as a car behind the simulated adapter."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np

from camlog.drive import Drive
from camlog.profile import VehicleProfile
from camlog.replay import parse_speed, stretch
from camlog.signals import MISFIRE, SIGNALS
from camlog.simulate import say
from camlog.simulate.adapter import SimulatedAdapter, serve
from camlog.stream import CodeSnapshot
from camlog.trace import Trace

# A value is held over missed samples, but not over a real gap, where a flat line would look like a stuck cam.
HOLD_INTERVALS = 5.0
HOLD_AT_LEAST_S = 2.0

# The adapter runs this long after the trace's end, so that a client can still read codes.
LINGER_S = 3.0

# Voltage at the adapter's power pin if the trace has no module voltage: that of a running engine.
NOMINAL_SUPPLY_V = 14.0


class TraceCar:
    """A saved trace as the car behind an adapter (`camlog.simulate.car.Car`).

    A signal has the value of its latest sample, without interpolation. It has no value before its first sample, after
    the trace's end, and after `HOLD_INTERVALS` median intervals (at least `HOLD_AT_LEAST_S`) without a sample. Signals
    are those with samples that an adapter can request: standard ones, misfire counts, and those in `profile` (all of
    the trace's if it is None). Codes are the drive file's latest snapshot up to now, and cannot be cleared.

    The trace begins at vehicle time 0, or with `lead_in_s` that long after a client first requests a value. Until then
    every signal has the value of its first sample, so that a client can connect and probe."""

    def __init__(
        self,
        trace: Trace,
        drive: Drive | None = None,
        profile: VehicleProfile | None = None,
        *,
        lead_in_s: float | None = None,
    ):
        self._drive = drive or Drive()
        self._first_s = float(trace.time_s[0]) if len(trace.time_s) else 0.0
        self._last_s = float(trace.time_s[-1]) if len(trace.time_s) else 0.0
        self._now_s = 0.0  # vehicle time, set by advance
        self._lead_in_s = lead_in_s
        self._begins_s = 0.0 if lead_in_s is None else math.inf  # vehicle time at which the trace begins
        self._snapshots = sorted(self._drive.code_snapshots, key=lambda s: s.time_s)
        self._samples = {}
        for name in trace.signals:
            times, values = trace.samples(name)
            if len(times) and (profile is None or can_be_asked(name, profile)):
                interval_s = float(np.median(np.diff(times))) if len(times) > 1 else math.inf
                self._samples[name] = (times, values, max(HOLD_AT_LEAST_S, HOLD_INTERVALS * interval_s))
        self.vin = str(self._drive.vehicle.get("vin") or "")

    @property
    def signals(self) -> frozenset[str]:
        return frozenset(self._samples)

    @property
    def begun(self) -> bool:
        return self._now_s >= self._begins_s

    @property
    def time_s(self) -> float:
        return self._first_s + (self._now_s - self._begins_s if self.begun else 0.0)

    @property
    def ended(self) -> bool:
        return self.time_s > self._last_s

    def advance(self, time_s: float) -> None:
        self._now_s = max(self._now_s, time_s)

    def value(self, signal: str) -> float | None:
        """The latest sample of a signal; None if there is none yet or it is too old."""
        if math.isinf(self._begins_s):
            self._begins_s = self._now_s + (self._lead_in_s or 0.0)
        return self._value(signal)

    def _value(self, signal: str) -> float | None:
        if signal not in self._samples:
            return None
        times, values, hold_s = self._samples[signal]
        if not self.begun:
            return float(values[0])
        now = self.time_s
        if now > self._last_s:
            return None
        latest = int(np.searchsorted(times, now, side="right")) - 1
        if latest < 0 or now - times[latest] > hold_s:
            return None
        return float(values[latest])

    @property
    def ignition_on(self) -> bool:
        """Always True: after the trace's end the values are missing, but codes can still be read."""
        return True

    @property
    def battery_voltage(self) -> float:
        """The trace's module voltage, or NOMINAL_SUPPLY_V if it has none."""
        voltage = self._value("module_voltage")
        return NOMINAL_SUPPLY_V if voltage is None else voltage

    def code_snapshot(self) -> CodeSnapshot:
        """The drive file's latest snapshot up to now; if there is none, an empty one."""
        latest = CodeSnapshot(self.time_s)
        for snapshot in self._snapshots:
            if snapshot.time_s <= self.time_s:
                latest = snapshot
        return latest

    def clear_codes(self) -> bool:
        """Always False: recorded codes cannot be cleared."""
        return False


def can_be_asked(name: str, profile: VehicleProfile | None) -> bool:
    """True for a signal that can be requested: a standard one, a misfire count, or one of the profile."""
    known = SIGNALS.get(name)
    standard = known is not None and (known.pid is not None or name.startswith(MISFIRE))
    return standard or (profile is not None and profile.definition(name) is not None)


def serve_trace(
    trace: Trace,
    drive: Drive | None = None,
    profile: VehicleProfile | None = None,
    *,
    speed: float | str = 1.0,
    start_s: float | None = None,
    end_s: float | None = None,
    lead_in_s: float = 0.0,
    link: str | Path | None = None,
    tcp: str | None = None,
    pty: bool = False,
    announce: Callable[[str], object] = print,
) -> None:
    """Serve a stretch of a trace on a simulated adapter until LINGER_S after its end, or until it is stopped.

    `announce` is called with the port to connect to: on the network of this computer (`tcp`: at HOST:PORT), or with
    `pty` or `link` a pseudo-terminal. For `lead_in_s` see TraceCar. Raises InputError for the speed "max", which no
    client could follow, for a stretch that is not in the trace, and if the port cannot be opened."""
    factor = parse_speed(speed)
    if factor is None:
        raise say.error("speed_max")
    first_s, last_s = stretch(trace, start_s, end_s)
    car = TraceCar(trace.between(first_s, last_s), drive, profile, lead_in_s=lead_in_s)
    adapter = SimulatedAdapter(car, profile, time_scale=factor)
    over_since: list[float] = []

    def ended() -> bool:
        # Advance here too, because no client may be asking any more.
        car.advance(adapter.vehicle_time(adapter.elapsed_s))
        if car.ended and not over_since:
            over_since.append(adapter.elapsed_s)
        return bool(over_since) and adapter.elapsed_s - over_since[0] > LINGER_S

    serve(adapter, link=link, tcp=tcp, pty=pty, announce=announce, ended=ended)
