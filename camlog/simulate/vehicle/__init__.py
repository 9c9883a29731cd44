"""The simulated vehicle: engine, oil, phasers and their control, monitors and codes, drawn from a seed."""

from camlog.simulate.vehicle.car import SimulatedCar
from camlog.simulate.vehicle.conditions import CONDITIONS, Condition
from camlog.simulate.vehicle.draw import demo_setup, draw_setup
from camlog.simulate.vehicle.drive_cycle import (
    DRIVES,
    DriveCycle,
    Segment,
    demo_drive,
    draw_drive,
    named_drive,
    parked_drive,
    permanent_code_drive,
)

__all__ = [
    "CONDITIONS",
    "DRIVES",
    "Condition",
    "DriveCycle",
    "Segment",
    "SimulatedCar",
    "demo_drive",
    "demo_setup",
    "draw_drive",
    "draw_setup",
    "named_drive",
    "parked_drive",
    "permanent_code_drive",
]
