"""Engine and cams together, as arrays per control tick, for live and offline drives."""

from __future__ import annotations

import numpy as np

from camlog.signals import actual, commanded, duty, misfire
from camlog.simulate.car import SCALINGS
from camlog.simulate.vehicle.drive_cycle import DriveCycle
from camlog.simulate.vehicle.engine import EngineModel
from camlog.simulate.vehicle.kernels import SECOND_TICKS, TICK_S, Block
from camlog.simulate.vehicle.noise import stream_generator
from camlog.simulate.vehicle.phaser import Phaser
from camlog.simulate.vehicle.setup import VehicleSetup

AMBIENT_PRESSURE_KPA = 100.0
AIR_GAS_CONSTANT = 287.0
VOLUMETRIC_EFFICIENCY = 0.86
CLOSED_LOOP_AFTER_S = 20.0
OIL_TOO_HOT_DEGC = 140.0
BIN_TICKS = 10  # misfires are drawn for each 0.1 s
COIL_LOAD_FROM_PERCENT, COIL_LOAD_SPAN_PERCENT, COIL_LOAD_MOST = 15.0, 35.0, 2.0
LOWEST_FIRING_RPM = 400.0

# The step of each signal's reported value.
STEPS = {name: scaling.step for name, scaling in SCALINGS.items()} | {"oil_pressure": 1.0}


def vehicle_signals(setup: VehicleSetup) -> tuple[str, ...]:
    standard = [n for n in STEPS if not n.endswith("_b2") or len(setup.engine.banks) > 1]
    cams = [name(c.id) for c in setup.cams for name in (commanded, actual, duty)]
    return (*standard, *cams, *(misfire(n) for n in range(1, setup.engine.cylinders + 1)))


def timing_error(block: Block, cam_id: str) -> np.ndarray:
    """A cam's true deviation from its command (deg), mechanical timing included."""
    return block[f"angle_{cam_id}"] + block[f"timing_{cam_id}"] - block[f"target_{cam_id}"]


def misfire_rates(setup: VehicleSetup, block: Block) -> np.ndarray:
    """Expected misfires per bin of 0.1 s, shape (bins, cylinders). The rate of a bank's cylinders rises with the true
    error of its worst cam above a threshold; that of a failing coil with load."""
    starts = np.arange(0, len(block["engine_speed"]), BIN_TICKS)
    counts = np.diff(np.append(starts, len(block["engine_speed"])))

    def mean(values: np.ndarray) -> np.ndarray:
        return np.add.reduceat(values, starts) / counts

    firing = (block["mode"] > 2.0) & (block["engine_speed"] > LOWEST_FIRING_RPM)
    krev = np.add.reduceat(np.where(firing, block["engine_speed"], 0.0), starts) * TICK_S / 60.0 / 1000.0
    m = setup.misfire
    rates = np.full((len(starts), setup.engine.cylinders), m.base_per_1000_rev)
    for number, bank in enumerate(setup.engine.banks, start=1):
        cams = [c for c in setup.cams if c.bank == number]
        error = np.max([mean(np.abs(timing_error(block, c.id))) for c in cams], axis=0)
        extra = m.cam_error_per_1000_rev_deg * np.maximum(error - m.cam_error_start_deg, 0.0)
        rates[:, [c - 1 for c in bank]] += extra[:, None]
    if m.coil_cylinder:
        load = (mean(block["engine_load"]) - COIL_LOAD_FROM_PERCENT) / COIL_LOAD_SPAN_PERCENT
        coil = m.coil_per_1000_rev * np.clip(load, 0.05, COIL_LOAD_MOST)
        rates[:, m.coil_cylinder - 1] += coil
    return rates * krev[:, None]


class Plant:
    """One vehicle in one drive, block after block of control ticks.

    `run` returns the true quantities of each block: those of the engine, `target_CAM` (the command of the loop, deg),
    `angle_CAM` (the true phaser angle, deg from rest), `timing_CAM` (base-timing offset, deg), `stuck_CAM`, and the
    inputs of the monitors. `signals` converts a block to the values that the module reports. Numbers do not depend on
    the size of blocks."""

    def __init__(
        self, setup: VehicleSetup, cycle: DriveCycle, seed: int | None = None, hold_duty: dict[str, float] | None = None
    ):
        self.setup = setup
        self.cycle = cycle
        self.tick = 0
        self._seed = setup.seed if seed is None else seed
        self.engine = EngineModel(setup.engine, setup.oil, cycle, self._seed)
        holds = hold_duty or {}
        self.phasers = tuple(Phaser(c, self._seed, holds.get(c.id), cycle.starts_running) for c in setup.cams)

    @property
    def hold_duty(self) -> dict[str, float]:
        """Learned hold duty by cam, %."""
        return {p.cam.id: p.hold_duty for p in self.phasers}

    def run(self, count: int) -> Block:
        block = self.engine.run(self.tick, count)
        block["time_s"] = (self.tick + np.arange(count)) * TICK_S
        enabled = block["run_time"] > self.setup.enable_delay_s
        enabled &= block["coolant_temp"] > self.setup.enable_coolant_degc
        enabled &= block["oil_temp"] < OIL_TOO_HOT_DEGC
        block["enabled"] = enabled.astype(float)
        for phaser in self.phasers:
            cam = phaser.cam
            block |= {f"{name}_{cam.id}": v for name, v in phaser.run(self.tick, count, block).items()}
            block[f"timing_{cam.id}"] = np.full(count, cam.timing_offset_deg)
        self.tick += count
        return block

    def misfires(self, block: Block) -> np.ndarray:
        """Misfire counts of a block of whole seconds: integer, (seconds, cylinders)."""
        expected = misfire_rates(self.setup, block)
        bins = SECOND_TICKS // BIN_TICKS
        first = round(float(block["time_s"][0]) / TICK_S) // SECOND_TICKS
        counts = [
            stream_generator(self._seed, "misfire", first + n).poisson(expected[n * bins : (n + 1) * bins])
            for n in range(len(expected) // bins)
        ]
        return np.array(counts).sum(axis=1)

    def signals(self, block: Block) -> Block:
        """The module's reported values at each tick, in canonical units and rounded to steps, without misfire
        counts."""
        setup, engine = self.setup, self.setup.engine
        rpm, load, speed = block["engine_speed"], block["engine_load"], block["vehicle_speed"]
        running, ambient = block["mode"] > 2.0, self.cycle.ambient_degc
        sucking = np.minimum(22.0 + 0.8 * load, AMBIENT_PRESSURE_KPA)
        pressure = np.where(running, sucking, AMBIENT_PRESSURE_KPA)
        intake = ambient + 5.0 + 12.0 / (1.0 + speed / 20.0) * running
        density = pressure * 1000.0 / (AIR_GAS_CONSTANT * (intake + 273.15))
        flow = engine.displacement_l * rpm / 120.0 * density * VOLUMETRIC_EFFICIENCY
        spark = np.clip(8.0 + 0.006 * rpm - 0.25 * (load - 20.0), -5.0, 42.0)
        throttle = 12.0 + 0.55 * np.maximum(load - 9.0, 0.0) * np.sqrt(np.maximum(rpm, 400.0) / 2000.0)
        raw = {
            **{name: block[name] for name in ("engine_speed", "vehicle_speed", "coolant_temp", "oil_temp")},
            "engine_load": np.where(running, load, 0.0),
            "throttle_position": np.clip(throttle, 0.0, 100.0),
            "intake_air_temp": intake,
            "ambient_temp": np.full(len(rpm), ambient),
            "manifold_pressure": pressure,
            "mass_air_flow": np.where(running, flow, 0.05 * flow),
            "spark_advance": np.where(running, spark, 0.0),
            "module_voltage": self._voltage(block),
            "run_time": np.floor(block["run_time"]),
            "oil_pressure": np.maximum(block["oil_pressure"], 0.0),
            **self._fuel_trims(block, running & (block["run_time"] > CLOSED_LOOP_AFTER_S) & (load > 9.5)),
        }
        steps = np.array([STEPS[name] for name in raw])[:, None]
        reported = dict(zip(raw, np.round(np.array(list(raw.values())) / steps) * steps, strict=True))
        for cam in setup.cams:
            reported[commanded(cam.id)] = block[f"commanded_{cam.id}"]
            reported[actual(cam.id)] = block[f"actual_{cam.id}"]
            reported[duty(cam.id)] = np.round(block[f"duty_{cam.id}"] * 2.55) / 2.55
        return reported

    def _fuel_trims(self, block: Block, closed_loop: np.ndarray) -> Block:
        """Short and long trims of each bank (%); a misfiring cylinder makes the mixture look lean."""
        offset, misfire = self.setup.engine.fuel_trim_offset, self.setup.misfire
        trims = {}
        for n, bank in enumerate(self.setup.engine.banks, start=1):
            wave = block["trim_noise"] if n == 1 else -0.9 * block["trim_noise"]
            lean = 0.06 * misfire.coil_per_1000_rev if misfire.coil_cylinder in bank else 0.0
            trims[f"short_fuel_trim_b{n}"] = np.where(closed_loop, 0.3 * offset + 1.6 * wave, 0.0)
            trims[f"long_fuel_trim_b{n}"] = np.full(len(wave), offset) + lean
        return trims

    def _voltage(self, block: Block) -> np.ndarray:
        engine, rpm, mode = self.setup.engine, block["engine_speed"], block["mode"]
        # The voltage is lowest as the starter begins to turn.
        cranking = engine.battery_v - 2.3 - 1.7 * np.maximum(0.0, 1.0 - rpm / 200.0)
        charging = engine.charging_v + 0.03 * block["trim_noise"] - 0.15 * (rpm < 900.0)
        return np.where(mode < 2.0, engine.battery_v, np.where(mode == 2.0, cranking, charging))
