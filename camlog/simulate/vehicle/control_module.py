"""The control module: what it remembers over drives, and how it watches one drive."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np

from camlog.simulate.vehicle.code_memory import CodeMemory
from camlog.simulate.vehicle.drive_cycle import DriveCycle
from camlog.simulate.vehicle.monitors import Monitors, monitor_tests, per_second, readiness
from camlog.simulate.vehicle.plant import SECOND_TICKS, Block, Plant
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


class VehicleMemory:
    """What the control module keeps when the key is off. `to_dict` is plain JSON values."""

    def __init__(self, setup: VehicleSetup):
        self.codes = CodeMemory()
        self.progress: dict[str, float] = {}
        self.tests: dict[str, list[float]] = {}
        cylinders = setup.engine.cylinders
        self.misfires = {"average": [0.0] * cylinders, "current": [0] * cylinders}
        self.hold_duty: dict[str, float] = {}
        self.drives = 0

    def to_dict(self) -> dict[str, Any]:
        return {
            "schema": STATE_SCHEMA,
            "codes": self.codes.to_dict(),
            "progress": dict(self.progress),
            "tests": {k: list(v) for k, v in self.tests.items()},
            "misfires": copy.deepcopy(self.misfires),
            "hold_duty": dict(self.hold_duty),
            "drives": self.drives,
        }

    @classmethod
    def from_dict(cls, raw: dict[str, Any], setup: VehicleSetup) -> VehicleMemory:
        memory = cls(setup)
        memory.codes = CodeMemory.from_dict(raw["codes"])
        memory.progress = dict(raw["progress"])
        memory.tests = {k: list(v) for k, v in raw["tests"].items()}
        memory.misfires = copy.deepcopy(raw["misfires"])
        memory.hold_duty = dict(raw["hold_duty"])
        memory.drives = int(raw["drives"])
        return memory

    def aged(self) -> None:
        """Fill the memory as that of a car long in use: every monitor complete, counters far on."""
        self.progress = {name: 1e6 for name in readiness({})}
        self.codes.since_clear.update(warm_ups=180.0, distance_km=5200.0, time_min=7300.0)

    def snapshot(self, setup: VehicleSetup, time_s: float) -> CodeSnapshot:
        """Codes, lamp, readiness, freeze frame, counters and tests as the module would answer now."""
        codes = self.codes

        def listed(kind: str) -> tuple[TroubleCode, ...]:
            return tuple(TroubleCode(code, ECU) for code in codes.listed(kind))

        since = {
            k: float(min(v, 255) if k == "warm_ups" else int(min(v, 65535)))
            for k, v in codes.since_clear.items()
        }
        return CodeSnapshot(
            time_s=time_s,
            mil=codes.lamp,
            stored=listed("stored"),
            pending=listed("pending"),
            permanent=listed("permanent"),
            readiness=readiness(self.progress),
            freeze_frame=None if codes.freeze_frame is None else dict(codes.freeze_frame),
            since_clear=since,
            monitor_tests=tuple(monitor_tests(setup, self.tests, self.misfires)),
        )

    def clear(self) -> None:
        """Service 04."""
        self.codes.clear()
        self.progress.clear()
        self.tests.clear()
        cylinders = len(self.misfires["current"])
        self.misfires = {"average": [0.0] * cylinders, "current": [0] * cylinders}

    def end_drive(self, hold_duty: dict[str, float]) -> None:
        """The key is off: close the driving cycle."""
        if self.codes.clock.run_s > 0.0:
            self.misfires["average"] = [
                (1.0 - AVERAGE_WEIGHT) * mean + AVERAGE_WEIGHT * now
                for mean, now in zip(self.misfires["average"], self.misfires["current"], strict=True)
            ]
        self.codes.end_cycle()
        self.misfires["current"] = [0] * len(self.misfires["current"])
        self.hold_duty = dict(hold_duty)
        self.drives += 1


class DriveRun:
    """One drive of a vehicle: the plant, the monitors and the misfire counters, whole seconds at a time."""

    def __init__(self, setup: VehicleSetup, cycle: DriveCycle, memory: VehicleMemory, compiled: bool):
        self.setup = setup
        self.memory = memory
        # Another drive of the same vehicle meets other traffic.
        seed = setup.seed + DRIVE_SEED_STEP * memory.drives
        self.plant = Plant(setup, cycle, compiled, seed, memory.hold_duty)
        self._cold_start = cycle.is_cold
        self._frame_block: Block | None = None
        self._frame_end = 0
        self._monitors = self._new_monitors()

    def _new_monitors(self) -> Monitors:
        memory = self.memory
        return Monitors(
            self.setup, memory.codes, memory.progress, memory.tests, self._frame, cold_start=self._cold_start
        )

    def restart(self) -> None:
        """The engine was started again within the drive: a new driving cycle, warm."""
        self._cold_start = False
        self._monitors = self._new_monitors()

    def watch(self, block: Block) -> np.ndarray:
        """Let the monitors see a block of whole seconds.

        Returns the misfire counters at the end of each second, shape (seconds, cylinders).
        """
        bins = self.plant.misfires(block)
        cylinders = self.setup.engine.cylinders
        counts = bins.reshape(-1, len(bins) // max(len(block["time_s"]) // SECOND_TICKS, 1), cylinders).sum(
            axis=1
        )
        current = np.array(self.memory.misfires["current"])
        totals = current + np.cumsum(counts, axis=0)
        self._frame_block = block
        for n, seen in enumerate(per_second(self.setup, block)):
            self._frame_end = (n + 1) * SECOND_TICKS
            self.memory.misfires["current"] = totals[n].tolist()
            self._monitors.second(seen, counts[n])
        return totals

    def _frame(self) -> dict[str, Any]:
        last = slice(self._frame_end - 1, self._frame_end)
        values = self.plant.signals({k: v[last] for k, v in self._frame_block.items()})
        return {name: round(float(values[name][0]), 3) for name in FRAME_SIGNALS}
