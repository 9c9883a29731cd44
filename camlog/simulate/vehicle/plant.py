"""Engine and cams together, as arrays per control tick: what live driving and offline drives share."""

from __future__ import annotations

import numpy as np

from camlog.signals import actual, commanded, duty, misfire
from camlog.simulate.vehicle.drive_cycle import DriveCycle
from camlog.simulate.vehicle.engine import EngineModel
from camlog.simulate.vehicle.misfire import BIN_TICKS, draw_misfires, misfire_rates
from camlog.simulate.vehicle.phaser import Phaser
from camlog.simulate.vehicle.setup import TICK_S, VehicleSetup

SECOND_TICKS = 100
AMBIENT_PRESSURE_KPA = 100.0
AIR_GAS_CONSTANT = 287.0
VOLUMETRIC_EFFICIENCY = 0.86
CLOSED_LOOP_AFTER_S = 20.0
OIL_TOO_HOT_DEGC = 140.0

# One step of the value as the standard's scaling carries it, by signal (SAE J1979, from memory).
STEPS = {
    "engine_speed": 0.25, "vehicle_speed": 1.0, "engine_load": 100.0 / 255.0, "throttle_position": 100.0 /
    255.0, "coolant_temp": 1.0, "oil_temp": 1.0, "intake_air_temp": 1.0, "ambient_temp": 1.0,
    "manifold_pressure": 1.0, "mass_air_flow": 0.01, "spark_advance": 0.5, "short_fuel_trim_b1": 0.78125,
    "long_fuel_trim_b1": 0.78125, "short_fuel_trim_b2": 0.78125, "long_fuel_trim_b2": 0.78125,
    "module_voltage": 0.001, "run_time": 1.0, "oil_pressure": 1.0,
}  # fmt: skip

Block = dict[str, np.ndarray]


def vehicle_signals(setup: VehicleSetup) -> tuple[str, ...]:
    """Names of every signal this vehicle can report."""
    banks = len(setup.engine.banks)
    standard = [n for n in STEPS if not n.endswith("_b2") or banks > 1]
    cams = [name(c.id) for c in setup.cams for name in (commanded, actual, duty)]
    return (*standard, *cams, *(misfire(n) for n in range(1, setup.engine.cylinders + 1)))


class Plant:
    """One vehicle through one drive, block after block of control ticks.

    `run` gives for each block the true quantities: what the engine does,
    `target_CAM` (the command the loop follows, deg), `angle_CAM` (where the
    phaser really is, deg from rest), `timing_CAM` (base-timing offset, deg),
    `stuck_CAM`, and what the module watches. `signals` turns a block into the
    values the module reports. Numbers do not depend on the size of blocks.
    """

    def __init__(
        self,
        setup: VehicleSetup,
        cycle: DriveCycle,
        compiled: bool = False,
        seed: int | None = None,
        hold_duty: dict[str, float] | None = None,
    ):
        self.setup = setup
        self.cycle = cycle
        self.tick = 0
        self._seed = setup.seed if seed is None else seed
        self._onset_tick = round(setup.onset_s / TICK_S)
        before = self._onset_tick > 0
        self._faulty = not before
        oil = setup.healthy_oil if before else setup.oil
        cams = setup.healthy_cams if before else setup.cams
        self.engine = EngineModel(setup.engine, oil, cycle, self._seed, compiled)
        holds = hold_duty or {}
        self.phasers = tuple(
            Phaser(c, self._seed, compiled, holds.get(c.id), cycle.starts_running) for c in cams
        )

    @property
    def hold_duty(self) -> dict[str, float]:
        """Learned hold duty by cam, %."""
        return {p.cam.id: p.hold_duty for p in self.phasers}

    def _set_in(self) -> None:
        self._faulty = True
        self.engine.set_oil(self.setup.oil)
        for phaser, cam in zip(self.phasers, self.setup.cams, strict=True):
            phaser.set_cam(cam)

    def run(self, count: int, mode: np.ndarray | None = None) -> Block:
        """The next `count` ticks; `mode` replaces the drive's modes where the key was turned."""
        to_onset = self._onset_tick - self.tick
        if not self._faulty and to_onset <= 0:
            self._set_in()
        if not self._faulty and to_onset < count:
            first = self.run(to_onset, None if mode is None else mode[:to_onset])
            rest = self.run(count - to_onset, None if mode is None else mode[to_onset:])
            return {k: np.concatenate((first[k], rest[k])) for k in first}
        block = self.engine.run(self.tick, count, mode)
        block["time_s"] = (self.tick + np.arange(count)) * TICK_S
        enabled = block["run_time"] > self.setup.enable_delay_s
        enabled &= block["coolant_temp"] > self.setup.enable_coolant_degc
        enabled &= block["oil_temp"] < OIL_TOO_HOT_DEGC
        block["enabled"] = enabled.astype(float)
        for phaser in self.phasers:
            cam = phaser.cam
            for name, values in phaser.run(self.tick, count, block).items():
                block[f"{name}_{cam.id}"] = values
            block[f"timing_{cam.id}"] = np.full(count, cam.timing_offset_deg)
        block["faulty"] = np.full(count, float(self._faulty))
        self.tick += count
        return block

    def misfires(self, block: Block) -> np.ndarray:
        """Misfire counts of a block of whole seconds per 0.1 s and cylinder: integer, (bins, cylinders)."""
        expected = misfire_rates(self.setup, block, coil=True)
        expected = np.where(
            (block["faulty"][::BIN_TICKS] > 0.5)[:, None],
            expected,
            misfire_rates(self.setup, block, coil=False),
        )
        first = round(float(block["time_s"][0]) / TICK_S) // SECOND_TICKS
        bins = SECOND_TICKS // BIN_TICKS
        parts = [
            draw_misfires(self._seed, first + n, expected[n * bins : (n + 1) * bins])
            for n in range(-(-len(expected) // bins))
        ]
        return np.concatenate(parts) if parts else np.zeros((0, self.setup.engine.cylinders), dtype=int)

    def signals(self, block: Block) -> Block:
        """What the module reports at each tick, in canonical units and steps; misfire counts left out."""
        setup, engine = self.setup, self.setup.engine
        rpm, load, speed = block["engine_speed"], block["engine_load"], block["vehicle_speed"]
        running = block["mode"] > 2.0
        ambient = self.cycle.ambient_degc
        pressure = np.where(
            running, np.minimum(22.0 + 0.8 * load, AMBIENT_PRESSURE_KPA), AMBIENT_PRESSURE_KPA
        )
        intake = ambient + 5.0 + 12.0 / (1.0 + speed / 20.0) * running
        density = pressure * 1000.0 / (AIR_GAS_CONSTANT * (intake + 273.15))
        flow = engine.displacement_l * rpm / 120.0 * density * VOLUMETRIC_EFFICIENCY
        flow = np.where(running, flow, 0.05 * flow)
        spark = np.clip(8.0 + 0.006 * rpm - 0.25 * (load - 20.0), -5.0, 42.0)
        throttle = 12.0 + 0.55 * np.maximum(load - 9.0, 0.0) * np.sqrt(np.maximum(rpm, 400.0) / 2000.0)
        closed_loop = running & (block["run_time"] > CLOSED_LOOP_AFTER_S) & (load > 9.5)
        noise = block["trim_noise"]
        coil_lean = 0.06 * setup.misfire.coil_per_1000_rev * block["faulty"]
        raw = {
            "engine_speed": rpm,
            "vehicle_speed": speed,
            "engine_load": np.where(running, load, 0.0),
            "throttle_position": np.clip(throttle, 0.0, 100.0),
            "coolant_temp": block["coolant_temp"],
            "oil_temp": block["oil_temp"],
            "intake_air_temp": intake,
            "ambient_temp": np.full(len(rpm), ambient),
            "manifold_pressure": pressure,
            "mass_air_flow": flow,
            "spark_advance": np.where(running, spark, 0.0),
            "module_voltage": self._voltage(block),
            "run_time": np.floor(block["run_time"]),
            "oil_pressure": np.maximum(block["oil_pressure"], 0.0),
        }
        coil_bank = next((i for i, b in enumerate(engine.banks) if setup.misfire.coil_cylinder in b), -1)
        for n in range(len(engine.banks)):
            wave = noise if n == 0 else -0.9 * noise
            lean = coil_lean if n == coil_bank else 0.0
            raw[f"short_fuel_trim_b{n + 1}"] = np.where(
                closed_loop, 0.3 * engine.fuel_trim_offset + 1.6 * wave, 0.0
            )
            raw[f"long_fuel_trim_b{n + 1}"] = np.full(len(rpm), engine.fuel_trim_offset) + lean
        found = {name: np.round(values / STEPS[name]) * STEPS[name] for name, values in raw.items()}
        for cam in setup.cams:
            found[commanded(cam.id)] = block[f"commanded_{cam.id}"]
            found[actual(cam.id)] = block[f"actual_{cam.id}"]
            found[duty(cam.id)] = np.round(block[f"duty_{cam.id}"] * 2.55) / 2.55
        return found

    def _voltage(self, block: Block) -> np.ndarray:
        engine, rpm, mode = self.setup.engine, block["engine_speed"], block["mode"]
        # The starter's first turn pulls deepest.
        cranking = engine.battery_v - 2.3 - 1.7 * np.maximum(0.0, 1.0 - rpm / 200.0)
        charging = engine.charging_v + 0.03 * block["trim_noise"] - 0.15 * (rpm < 900.0)
        return np.where(mode < 2.0, engine.battery_v, np.where(mode == 2.0, cranking, charging))
