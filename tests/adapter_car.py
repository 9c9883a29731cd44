"""A car whose every value is known beforehand, and a bare client, for tests of the simulated adapter.

Invented data, for mechanics only.
"""

from __future__ import annotations

import contextlib
import dataclasses
import time
import types

import obd
import obd.elm327
import serial

from camlog.simulate.adapter import TimingModel
from camlog.stream import CodeSnapshot, MonitorTest, TroubleCode

VIN = "ZZZGSM5TEST3D0ABZ"
# No waiting anywhere: for tests of what is said, not when.
INSTANT = TimingModel(None, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, bus_pace=False)

VALUES = {
    "engine_speed": 812.5,
    "vehicle_speed": 57.0,
    "engine_load": 33.0,
    "throttle_position": 17.5,
    "coolant_temp": 88.0,
    "oil_temp": 93.0,
    "intake_air_temp": 31.0,
    "ambient_temp": 22.0,
    "manifold_pressure": 36.0,
    "mass_air_flow": 4.21,
    "spark_advance": 12.5,
    "short_fuel_trim_b1": -2.5,
    "long_fuel_trim_b1": 4.0,
    "module_voltage": 14.123,
    "run_time": 1234.0,
    "cam_intake_b1_commanded": 12.5,
    "cam_intake_b1_actual": 11.25,
    "cam_intake_b1_duty": 48.0,
    "cam_exhaust_b1_commanded": -10.0,
    "cam_exhaust_b1_actual": -9.5,
    "cam_exhaust_b1_duty": 44.5,
    "oil_pressure": 312.4,
    "misfire_cyl1": 3.0,
    "misfire_cyl2": 0.0,
    "misfire_cyl3": 41.0,
    "misfire_cyl4": 0.0,
}

SNAPSHOT = CodeSnapshot(
    0.0,
    mil=True,
    stored=(TroubleCode("P0011", "7E8"), TroubleCode("P0301", "7E8")),
    pending=(TroubleCode("P0014", "7E8"),),
    permanent=(TroubleCode("P0011", "7E8"),),
    readiness={
        "misfire": "complete",
        "fuel_system": "complete",
        "catalyst": "incomplete",
        "egr_vvt_system": "complete",
    },
    freeze_frame={"code": "P0011", "engine_speed": 750.0, "coolant_temp": 90.0, "vehicle_speed": 0.0},
    since_clear={
        "warm_ups": 12,
        "distance_km": 340,
        "time_min": 600,
        "distance_with_mil_km": 21,
        "time_with_mil_min": 35,
    },
    monitor_tests=(
        MonitorTest("35", "80", 12.0, 0.0, 5.0, "deg"),
        MonitorTest("35", "81", 0.35, None, 0.8, "s"),
        MonitorTest("A2", "0B", 2.0, None, None, "count"),
    ),
)


class StandingCar:
    """A car that stands still: `values` by signal, `moving` values by function of vehicle time."""

    vin = VIN
    ignition_on = True
    battery_voltage = 14.1

    def __init__(self, values=VALUES, snapshot=SNAPSHOT, moving=None, may_clear=True):
        self.values, self.snapshot, self.moving = dict(values), snapshot, moving or {}
        self.may_clear, self.time_s, self.cleared = may_clear, 0.0, 0

    @property
    def signals(self):
        return frozenset(self.values) | frozenset(self.moving)

    def advance(self, time_s):
        self.time_s = max(self.time_s, time_s)

    def value(self, signal):
        return self.moving[signal](self.time_s) if signal in self.moving else self.values.get(signal)

    def code_snapshot(self):
        return self.snapshot

    def clear_codes(self):
        if self.may_clear:
            self.cleared += 1
            self.snapshot = dataclasses.replace(
                self.snapshot, mil=False, stored=(), pending=(), freeze_frame=None, monitor_tests=()
            )
        return self.may_clear


class FrameReader:
    """Puts the frames of one sender together (ISO 15765-2), without the library that makes them."""

    def __init__(self):
        self.length, self.message, self.due = 0, b"", 0

    def feed(self, frame: bytes) -> bytes | None:
        """The message that a frame completes; None where it completes none, or is not valid."""
        kind, low = frame[0] >> 4, frame[0] & 0xF
        if kind == 2 and self.length and low == self.due:
            part = frame[1:][: self.length - len(self.message)]
            self.message, self.due = self.message + part, (self.due + 1) % 16
            whole = len(self.message) == self.length
            if whole or len(part) < 7:
                self.length = 0
            return self.message if whole else None
        self.length = 0
        if kind == 0:
            return frame[1 : 1 + low] if 1 <= low <= 7 and len(frame) > low else None
        if kind == 1 and len(frame) == 8 and low * 256 + frame[1] > 7:
            self.length, self.message, self.due = low * 256 + frame[1], frame[2:], 1
        return None


class Client:
    """A terminal program: sends a line, reads to the prompt."""

    def __init__(self, address: str, timeout_s: float = 3.0):
        self.port = serial.serial_for_url(address, timeout=timeout_s)
        self.seconds = 0.0

    def ask(self, line: str) -> list[str]:
        """The lines printed for one line sent, the empty ones left out."""
        return [t.rstrip(" ") for t in self.raw(line).replace("\n", "\r").rstrip(">").split("\r") if t.strip()]

    def raw(self, line: str) -> str:
        """All characters printed for one line sent, prompt included."""
        begun = time.perf_counter()
        self.port.write(line.encode() + b"\r")
        text = self.port.read_until(b">").decode("latin-1")
        self.seconds = time.perf_counter() - begun
        return text

    def setup(self, *lines: str) -> Client:
        for line in ("ATE0", "ATS1", *lines):
            assert self.ask(line)[-1] == "OK", line
        return self

    def close(self) -> None:
        with contextlib.suppress(OSError, serial.SerialException):
            self.port.close()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()


def hurry(monkeypatch) -> None:
    """Let python-obd skip its fixed pauses (three seconds a connection): the simulated adapter needs none."""
    shim = types.SimpleNamespace(sleep=lambda s: None, time=time.time)
    monkeypatch.setattr(obd.elm327, "time", shim)
