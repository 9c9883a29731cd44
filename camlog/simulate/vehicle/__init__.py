"""The simulated vehicle: engine, oil, phasers and their control, monitors and codes, drawn from a seed."""

from __future__ import annotations

import importlib

_PUBLIC = {
    "CONDITIONS": "conditions",
    "Condition": "conditions",
    "DRIVES": "drive_cycle",
    "DriveCycle": "drive_cycle",
    "Segment": "drive_cycle",
    "SimulatedCar": "car",
    "VehicleSetup": "setup",
    "demo_drive": "drive_cycle",
    "demo_setup": "draw",
    "draw_drive": "drive_cycle",
    "draw_setup": "draw",
    "named_drive": "drive_cycle",
    "parked_drive": "drive_cycle",
    "permanent_code_drive": "drive_cycle",
}

__all__ = list(_PUBLIC)


def __getattr__(name: str):
    if name in _PUBLIC:
        return getattr(importlib.import_module(f"{__name__}.{_PUBLIC[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
