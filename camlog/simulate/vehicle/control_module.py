"""The control module: its memory over drives, and its monitoring of one drive."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pydantic

from camlog.simulate.vehicle.code_memory import CodeMemory
from camlog.simulate.vehicle.drive_cycle import DriveCycle
from camlog.simulate.vehicle.kernels import SECOND_TICKS, Block
from camlog.simulate.vehicle.monitors import Monitors, monitor_tests, per_second, readiness
from camlog.simulate.vehicle.plant import Plant
from camlog.simulate.vehicle.setup import VehicleSetup
from camlog.stream import CodeSnapshot, TroubleCode

ECU = "7E8"
FRAME_SIGNALS = (
    "engine_speed", "vehicle_speed", "engine_load", "coolant_temp", "intake_air_temp", "manifold_pressure",
    "mass_air_flow", "throttle_position", "spark_advance", "short_fuel_trim_b1", "long_fuel_trim_b1",
    "run_time",
)  # fmt: skip
AVERAGE_WEIGHT = 0.1
DRIVE_SEED_STEP = 7919
STATE_SCHEMA = "camlog.simulated-vehicle/1"


@dataclass
class Misfires:
    """Misfires by cylinder: the average over ten driving cycles, and the count of this one."""

    average: list[float]
    current: list[int]

    @classmethod
    def none(cls, cylinders: int) -> Misfires:
        return cls([0.0] * cylinders, [0] * cylinders)


@dataclass
class VehicleMemory:
    """The control module's memory that survives switching off."""

    misfires: Misfires
    codes: CodeMemory = field(default_factory=CodeMemory)
    progress: dict[str, float] = field(default_factory=dict)
    tests: dict[str, list[float]] = field(default_factory=dict)
    hold_duty: dict[str, float] = field(default_factory=dict)
    drives: int = 0

    def to_dict(self) -> dict[str, Any]:
        return {"schema": STATE_SCHEMA} | dataclasses.asdict(self)

    @classmethod
    def aged(cls, setup: VehicleSetup) -> VehicleMemory:
        """The memory of a car long in use: every monitor complete, high counters."""
        memory = cls(Misfires.none(setup.engine.cylinders), progress=dict.fromkeys(readiness({}), 1e6))
        memory.codes.since_clear.update(warm_ups=180.0, distance_km=5200.0, time_min=7300.0)
        return memory

    @classmethod
    def of(cls, setup: VehicleSetup, state: dict[str, Any] | None) -> VehicleMemory:
        """The memory after an earlier drive (from `to_dict`), or an aged one for None. Raises ValueError for other
        data."""
        return cls.aged(setup) if state is None else pydantic.TypeAdapter(cls).validate_python(state)

    def snapshot(self, setup: VehicleSetup, time_s: float) -> CodeSnapshot:
        """Codes, lamp, readiness, freeze frame, counters and tests in the module's answers now."""
        codes = self.codes
        kinds = ("stored", "pending", "permanent")
        most = {"warm_ups": 255}
        return CodeSnapshot(
            time_s=time_s,
            mil=codes.lamp,
            **{kind: tuple(TroubleCode(code, ECU) for code in codes.listed(kind)) for kind in kinds},
            readiness=readiness(self.progress),
            freeze_frame=None if codes.freeze_frame is None else dict(codes.freeze_frame),
            since_clear={k: _counter(v, most.get(k, 65535)) for k, v in codes.since_clear.items()},
            monitor_tests=tuple(monitor_tests(setup, self.tests, self.misfires.average, self.misfires.current)),
        )

    def clear(self) -> None:
        self.codes.clear()
        self.progress.clear()
        self.tests.clear()
        self.misfires = Misfires.none(len(self.misfires.current))

    def end_drive(self, hold_duty: dict[str, float]) -> None:
        """The key is off: close the driving cycle."""
        average, current = self.misfires.average, self.misfires.current
        if self.codes.clock.run_s > 0.0:
            pairs = zip(average, current, strict=True)
            average = [(1.0 - AVERAGE_WEIGHT) * mean + AVERAGE_WEIGHT * now for mean, now in pairs]
        self.misfires = Misfires(average, [0] * len(current))
        self.codes.end_cycle()
        self.hold_duty = dict(hold_duty)
        self.drives += 1


def _counter(value: float, most: int) -> float:
    return float(int(min(value, most)))


class DriveRun:
    """One drive of a vehicle: the plant, the monitors and the misfire counters, whole seconds at a time."""

    def __init__(self, setup: VehicleSetup, cycle: DriveCycle, memory: VehicleMemory):
        self.setup = setup
        self.memory = memory
        # Each drive of the same vehicle has other random disturbances.
        seed = setup.seed + DRIVE_SEED_STEP * memory.drives
        self.plant = Plant(setup, cycle, seed, memory.hold_duty)
        self._watched: Block = {}
        self._watched_ticks = 0
        self.restart(cycle.is_cold)

    def restart(self, cold_start: bool = False) -> None:
        """The engine is started, for the first time or again in the drive: begin a new driving cycle."""
        memory = self.memory
        self._monitors = Monitors(
            self.setup, memory.codes, memory.progress, memory.tests, self._frame, cold_start=cold_start
        )

    def watch(self, block: Block) -> np.ndarray:
        """Run the monitors on a block of whole seconds. Returns the misfire counters (seconds, cylinders) at the end of
        each second."""
        counts = self.plant.misfires(block)
        totals = np.array(self.memory.misfires.current) + np.cumsum(counts, axis=0)
        self._watched = block
        for n, seen in enumerate(per_second(self.setup, block)):
            self._watched_ticks = (n + 1) * SECOND_TICKS
            self.memory.misfires.current = totals[n].tolist()
            self._monitors.second(seen, counts[n])
        return totals

    def _frame(self) -> dict[str, Any]:
        """The freeze frame: values at the end of the second being watched."""
        last = slice(self._watched_ticks - 1, self._watched_ticks)
        values = self.plant.signals({k: v[last] for k, v in self._watched.items()})
        return {name: round(float(values[name][0]), 3) for name in FRAME_SIGNALS}
