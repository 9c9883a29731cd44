"""The simulated vehicle behind the connector: one drive after another, with a memory that outlasts them."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from camlog.simulate.vehicle.conditions import Condition
from camlog.simulate.vehicle.control_module import DriveRun, VehicleMemory
from camlog.simulate.vehicle.draw import demo_setup
from camlog.simulate.vehicle.drive_cycle import MODE_CRANK, MODE_KEY_ON, MODE_OFF, DriveCycle, named_drive
from camlog.simulate.vehicle.faults import apply_condition
from camlog.simulate.vehicle.noise import stream_generator
from camlog.simulate.vehicle.plant import SECOND_TICKS, Block, vehicle_signals
from camlog.simulate.vehicle.setup import TICK_S, VehicleSetup, healthy_twin
from camlog.stream import CodeSnapshot

# Live driving goes ahead in pieces this long; values are still those of each control tick.
LIVE_TICKS = 20


class SimulatedCar:
    """A simulated vehicle that implements `camlog.simulate.car.Car`.

    Vehicle time starts at 0 with each drive. `compiled` runs the kernels by
    numba (identical numbers; plain Python is fast enough for live use).
    """

    def __init__(
        self,
        setup: VehicleSetup | None = None,
        drive: DriveCycle | str = "mixed",
        state: dict[str, Any] | None = None,
        compiled: bool = False,
    ):
        self.setup = demo_setup() if setup is None else setup
        self.vin = self.setup.vin
        self._compiled = compiled
        if state is None:
            self._memory = VehicleMemory(self.setup)
            self._memory.aged()
        else:
            self._memory = VehicleMemory.from_dict(state, self.setup)
        self._signals = frozenset(vehicle_signals(self.setup))
        self._start(drive)

    @property
    def signals(self) -> frozenset[str]:
        """Names of the signals this vehicle can report."""
        return self._signals

    def _start(self, drive: DriveCycle | str) -> None:
        self.drive = named_drive(drive, self.setup.seed) if isinstance(drive, str) else drive
        self._run = DriveRun(self.setup, self.drive, self._memory, self._compiled)
        self._time_s = 0.0
        self._forced: float | None = None
        self._pieces: list[Block] = []
        self._values: dict[str, list[float]] = {}
        self._first_tick = 0
        self._counters = list(self._memory.misfires["current"])
        self._cycle_closed = False
        self._extend()

    def _extend(self) -> None:
        plant = self._run.plant
        self._first_tick = plant.tick
        mode = None if self._forced is None else np.full(LIVE_TICKS, self._forced)
        was_running = bool(self._values) and self._values["mode"][-1] > MODE_CRANK
        block = plant.run(LIVE_TICKS, mode)
        self._values = {k: v.tolist() for k, v in plant.signals(block).items()}
        self._values["mode"] = block["mode"].tolist()
        self._pieces.append(block)
        if plant.tick % SECOND_TICKS == 0:
            second = {k: np.concatenate([p[k] for p in self._pieces]) for k in block}
            self._pieces.clear()
            self._run.watch(second)
            self._counters = list(self._memory.misfires["current"])
        now = self._values["mode"][-1]
        if was_running and now <= MODE_KEY_ON:
            self._close_cycle()
        elif self._cycle_closed and now > MODE_CRANK:
            self._cycle_closed = False
            self._run.restart()

    def advance(self, time_s: float) -> None:
        """Bring the vehicle forward to `time_s` of this drive; a time in the past changes nothing."""
        self._time_s = max(self._time_s, time_s)
        while self._tick >= self._run.plant.tick:
            self._extend()

    @property
    def time_s(self) -> float:
        """Vehicle time of this drive, seconds."""
        return self._time_s

    @property
    def _tick(self) -> int:
        return int(self._time_s / TICK_S + 1e-6)

    def _now(self, name: str) -> float:
        return self._values[name][self._tick - self._first_tick]

    def value(self, signal: str) -> float | None:
        """The module's present value in its canonical unit, None where the vehicle has none to give."""
        if signal not in self._signals:
            return None
        if signal.startswith("misfire_cyl"):
            return float(min(self._counters[int(signal.removeprefix("misfire_cyl")) - 1], 65535))
        value = self._now(signal)
        return None if value != value else value

    @property
    def ignition_on(self) -> bool:
        return self._now("mode") > MODE_OFF

    @property
    def engine_running(self) -> bool:
        return self._now("mode") > MODE_CRANK

    @property
    def battery_voltage(self) -> float:
        """Volts at the connector; dips while the starter turns."""
        return self._now("module_voltage")

    def code_snapshot(self) -> CodeSnapshot:
        """What the module holds now."""
        return self._memory.snapshot(self.setup, self._time_s)

    def clear_codes(self) -> bool:
        """Service 04: refused (False) with the ignition off or the engine turning."""
        if not self.ignition_on or self._now("mode") >= MODE_CRANK or self._now("engine_speed") > 0.0:
            return False
        self._memory.clear()
        self._counters = list(self._memory.misfires["current"])
        return True

    def stop_engine(self) -> None:
        """Turn the engine off and leave the ignition on, from the next moment on. Ends the driving cycle."""
        self._force(MODE_KEY_ON)

    def key_off(self) -> None:
        """Ignition off. Ends the driving cycle."""
        self._force(MODE_OFF)

    def _force(self, mode: float) -> None:
        self._forced = mode
        self._time_s = max(self._time_s, self._run.plant.tick * TICK_S)
        self.advance(self._time_s)

    def _close_cycle(self) -> None:
        if not self._cycle_closed:
            self._memory.end_drive(self._run.plant.hold_duty)
            self._cycle_closed = True
            self._counters = list(self._memory.misfires["current"])

    def next_drive(self, drive: DriveCycle | str = "mixed") -> None:
        """End this drive and begin another of the same vehicle; time starts at 0 again, codes live on."""
        self._close_cycle()
        self._start(drive)

    def drive_to_end(self) -> None:
        """Go through the rest of the drive at once."""
        self.advance(self.drive.duration_s)

    def repair(self, *remaining: Condition) -> None:
        """Take the faults out, from the next drive on; `remaining` stay in. Codes stay as they are."""
        setup = healthy_twin(self.setup)
        oil, cams, wrong, filled = setup.oil, setup.cams, setup.misfire, []
        for n, condition in enumerate(remaining):
            rng = stream_generator(setup.seed, f"condition {condition.kind}", n)
            condition, oil, cams, wrong = apply_condition(condition, setup.engine, oil, cams, wrong, rng)
            filled.append(condition)
        self.setup = dataclasses.replace(
            setup, oil=oil, cams=cams, misfire=wrong, conditions=tuple(filled),
            onset_s=min((c.onset_s for c in filled), default=0.0),
        )  # fmt: skip

    def state(self) -> dict[str, Any]:
        """The module's lasting memory as plain JSON values, for another SimulatedCar of the same setup.

        Taken in the middle of a drive, it is as after an ignition-off at that moment.
        """
        memory = VehicleMemory.from_dict(self._memory.to_dict(), self.setup)
        if not self._cycle_closed:
            memory.end_drive(self._run.plant.hold_duty)
        return memory.to_dict()
