"""The simulated vehicle behind the connector: one drive, with a memory that survives it."""

from __future__ import annotations

import copy
import math
from typing import Any

import numpy as np

from camlog.signals import MISFIRE
from camlog.simulate.vehicle.control_module import DriveRun, VehicleMemory
from camlog.simulate.vehicle.draw import demo_setup
from camlog.simulate.vehicle.drive_cycle import MODE_CRANK, MODE_KEY_ON, MODE_OFF, DriveCycle, named_drive
from camlog.simulate.vehicle.kernels import SECOND_TICKS, TICK_S, Block
from camlog.simulate.vehicle.plant import vehicle_signals
from camlog.simulate.vehicle.setup import VehicleSetup
from camlog.stream import CodeSnapshot

# A live drive is computed in pieces of this many ticks; values are still those of each control tick.
LIVE_TICKS = 20
MOST_MISFIRES = 65535


class SimulatedCar:
    """A simulated vehicle on a drive; implements `camlog.simulate.car.Car`. Vehicle time starts at 0 with the drive.
    `state` is the result of `state()` after the previous drive."""

    def __init__(
        self, setup: VehicleSetup | None = None, drive: DriveCycle | str = "mixed", state: dict[str, Any] | None = None
    ):
        self.setup = demo_setup() if setup is None else setup
        self.vin = self.setup.vin
        self._memory = VehicleMemory.of(self.setup, state)
        self.signals = frozenset(vehicle_signals(self.setup))
        self.drive = named_drive(drive, self.setup.seed) if isinstance(drive, str) else drive
        self._run = DriveRun(self.setup, self.drive, self._memory)
        self._time_s = 0.0
        self._pieces: list[Block] = []
        self._values: dict[str, list[float]] = {}
        self._first_tick = 0
        self._cycle_closed = False
        self._extend()

    def _extend(self) -> None:
        plant = self._run.plant
        self._first_tick = plant.tick
        was_running = bool(self._values) and self._values["mode"][-1] > MODE_CRANK
        block = plant.run(LIVE_TICKS)
        self._values = {k: v.tolist() for k, v in (plant.signals(block) | {"mode": block["mode"]}).items()}
        self._pieces.append(block)
        if plant.tick % SECOND_TICKS == 0:
            self._run.watch({k: np.concatenate([p[k] for p in self._pieces]) for k in block})
            self._pieces.clear()
        now = self._values["mode"][-1]
        if was_running and now <= MODE_KEY_ON:
            self._memory.end_drive(plant.hold_duty)
            self._cycle_closed = True
        elif self._cycle_closed and now > MODE_CRANK:
            self._cycle_closed = False
            self._run.restart()

    def advance(self, time_s: float) -> None:
        self._time_s = max(self._time_s, time_s)
        while self._tick >= self._run.plant.tick:
            self._extend()

    @property
    def time_s(self) -> float:
        return self._time_s

    @property
    def _tick(self) -> int:
        return int(self._time_s / TICK_S + 1e-6)

    def _now(self, name: str) -> float:
        return self._values[name][self._tick - self._first_tick]

    def value(self, signal: str) -> float | None:
        if signal not in self.signals:
            return None
        if signal.startswith(MISFIRE):
            count = self._memory.misfires.current[int(signal.removeprefix(MISFIRE)) - 1]
            return float(min(count, MOST_MISFIRES))
        value = self._now(signal)
        return None if math.isnan(value) else value

    @property
    def ignition_on(self) -> bool:
        return self._now("mode") > MODE_OFF

    @property
    def battery_voltage(self) -> float:
        """Volts at the connector; dips while the starter turns."""
        return self._now("module_voltage")

    def code_snapshot(self) -> CodeSnapshot:
        return self._memory.snapshot(self.setup, self._time_s)

    def clear_codes(self) -> bool:
        if not self.ignition_on or self._now("mode") >= MODE_CRANK or self._now("engine_speed") > 0.0:
            return False
        self._memory.clear()
        return True

    def state(self) -> dict[str, Any]:
        """The module's permanent memory as plain JSON values, for another SimulatedCar of the same setup. In the middle
        of a drive, it is that after switching the ignition off at that time."""
        memory = copy.deepcopy(self._memory)
        if not self._cycle_closed:
            memory.end_drive(self._run.plant.hold_duty)
        return memory.to_dict()
