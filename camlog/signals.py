"""The vocabulary: every signal of camlog with its canonical unit.

Angles are crankshaft degrees, advance positive, zero at the phaser's rest (locked) position. Names are trade words."""

from __future__ import annotations

import re
from dataclasses import dataclass

from camlog import cams
from camlog.cams import CAM_IDS, actual, commanded, duty

MAX_CYLINDERS = 12
MISFIRE = "misfire_cyl"  # start of the name of a cylinder's misfire count


@dataclass(frozen=True, slots=True)
class Signal:
    """One measured quantity.

    `low` and `high` bound what a working sensor can report, in `unit`; a value outside is a failed reading, not a
    number. `pid` is the service 01 parameter (SAE J1979) that carries the signal, or None."""

    name: str
    unit: str
    low: float
    high: float
    pid: int | None = None
    title: str = ""


# Ranges: what SAE J1979 scaling can express, narrowed to what is possible in a vehicle.
_STANDARD = (
    Signal("engine_speed", "rpm", 0.0, 12000.0, 0x0C, "Engine speed"),
    Signal("vehicle_speed", "km/h", 0.0, 255.0, 0x0D, "Vehicle speed"),
    Signal("engine_load", "%", 0.0, 100.0, 0x04, "Engine load"),
    Signal("throttle_position", "%", 0.0, 100.0, 0x11, "Throttle position"),
    Signal("coolant_temp", "degC", -40.0, 215.0, 0x05, "Coolant temperature"),
    Signal("oil_temp", "degC", -40.0, 210.0, 0x5C, "Oil temperature"),
    Signal("intake_air_temp", "degC", -40.0, 215.0, 0x0F, "Intake air temperature"),
    Signal("ambient_temp", "degC", -40.0, 215.0, 0x46, "Ambient temperature"),
    Signal("manifold_pressure", "kPa", 0.0, 255.0, 0x0B, "Manifold pressure"),
    Signal("mass_air_flow", "g/s", 0.0, 655.35, 0x10, "Mass air flow"),
    Signal("spark_advance", "deg", -64.0, 63.5, 0x0E, "Spark advance"),
    Signal("short_fuel_trim_b1", "%", -100.0, 99.3, 0x06, "Short fuel trim, bank 1"),
    Signal("long_fuel_trim_b1", "%", -100.0, 99.3, 0x07, "Long fuel trim, bank 1"),
    Signal("short_fuel_trim_b2", "%", -100.0, 99.3, 0x08, "Short fuel trim, bank 2"),
    Signal("long_fuel_trim_b2", "%", -100.0, 99.3, 0x09, "Long fuel trim, bank 2"),
    Signal("module_voltage", "V", 0.0, 65.535, 0x42, "Module voltage"),
    Signal("run_time", "s", 0.0, 65535.0, 0x1F, "Run time since engine start"),
    Signal("oil_pressure", "kPa", 0.0, 2000.0, None, "Oil pressure"),
)
_CAMS = [
    made
    for cam in CAM_IDS
    for made in (
        Signal(commanded(cam), "deg", -120.0, 120.0, None, f"{cams.title(cam)}: commanded angle"),
        Signal(actual(cam), "deg", -120.0, 120.0, None, f"{cams.title(cam)}: actual angle"),
        Signal(duty(cam), "%", 0.0, 100.0, None, f"{cams.title(cam)}: oil control valve duty"),
    )
]


def misfire(cylinder: int) -> str:
    """Signal name of a cylinder's misfire count (cylinders from 1)."""
    return f"{MISFIRE}{cylinder}"


_MISFIRES = [
    Signal(misfire(n), "count", 0.0, 65535.0, None, f"Misfires, cylinder {n}") for n in range(1, MAX_CYLINDERS + 1)
]
SIGNALS: dict[str, Signal] = {s.name: s for s in (*_STANDARD, *_CAMS, *_MISFIRES)}
BY_PID: dict[int, Signal] = {s.pid: s for s in SIGNALS.values() if s.pid is not None}

_NAME = re.compile(r"[a-z][a-z0-9_]*\Z")


def is_signal_name(name: str) -> bool:
    """True where `name` has the form of a signal name (lower case, digits, underscores)."""
    return bool(_NAME.match(name))


def signal(name: str) -> Signal | None:
    """The signal of that name; None if there is none."""
    return SIGNALS.get(name)


def in_order(names: set[str]) -> list[str]:
    """Names of signals in the order of the vocabulary, then unknown ones."""
    return [n for n in SIGNALS if n in names] + sorted(names - SIGNALS.keys())


def title_of(name: str) -> str:
    """A signal as a heading; its name where it is unknown."""
    definition = SIGNALS.get(name)
    return definition.title if definition else name


def unit_of(name: str) -> str:
    """Canonical unit of a known signal; an empty string for an unknown one."""
    definition = SIGNALS.get(name)
    return definition.unit if definition else ""
