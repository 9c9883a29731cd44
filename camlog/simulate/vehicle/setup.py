"""The parameters of a simulated vehicle, each with the range it is drawn from.

There are two families of cars, so that limits chosen on one can be tested on the other. Family A has a
proportional-integral loop, a smooth command map and two-level friction. Family B has a soft-gain loop with velocity
damping and an integral dead zone, a command that moves in steps, and friction that falls with speed. Ranges are common
practice, no source."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from camlog import cams
from camlog.simulate.vehicle.conditions import Condition

MAP_RPM_STEP, MAP_RPM_POINTS = 500.0, 15
MAP_LOAD_STEP, MAP_LOAD_POINTS = 10.0, 11

Range = tuple[float, float]


def drawn(low: Any = None, high: float = 0.0, *, default: Any = dataclasses.MISSING, **ranges: Range) -> Any:
    """A field drawn uniformly from `low` to `high`, or by a function `low` of the generator and the fields drawn so
    far. `ranges` are given by kind of engine, side or family; if none fits, the field keeps its `default`. Fields are
    drawn in the order of their declaration."""
    how = low if callable(low) else ranges or (low, high)
    return field(default=default, metadata={"how": how})


def one_of(*values: Any, p: list[float] | None = None) -> Callable[[np.random.Generator, dict], Any]:
    """A function that draws one of `values`, with their type."""
    return lambda rng, so_far: type(values[0])(rng.choice(values, p=p))


def draw_fields(cls: type, rng: np.random.Generator, kinds: tuple[str, ...], **fixed: Any) -> dict[str, Any]:
    values = dict(fixed)
    for entry in dataclasses.fields(cls):
        how = entry.metadata.get("how")
        if isinstance(how, Mapping):
            how = next((how[kind] for kind in kinds if kind in how), None)
        if callable(how):
            values[entry.name] = how(rng, values)
        elif how is not None:
            values[entry.name] = float(rng.uniform(*how))
    return values


def _gears(rng: np.random.Generator, so_far: dict) -> tuple[float, ...]:
    count = int(rng.integers(5, 9))
    first, last = rng.uniform(118.0, 140.0), rng.uniform(22.0, 29.0)
    return tuple(float(x) for x in np.geomspace(first, last, count))


def _torque(rng: np.random.Generator, so_far: dict) -> float:
    return so_far["displacement_l"] * float(rng.uniform(90.0, 102.0))


def _heat(low: float, high: float, of_a_v6: float) -> Callable[[np.random.Generator, dict], float]:
    return lambda rng, so_far: float(rng.uniform(low, high)) * (of_a_v6 if so_far["cylinders"] == 6 else 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineSetup:
    """Engine, gearbox and body, which determine engine speed, load and heat in a drive."""

    cylinders: int
    banks: tuple[tuple[int, ...], ...]
    displacement_l: float = drawn(four=(1.4, 2.5), v6=(2.7, 3.8))
    gear_rpm_per_kmh: tuple[float, ...] = drawn(_gears)
    crank_sprocket_teeth: int = drawn(one_of(18, 19, 21, 22, 23, 24))
    loaded_chain_links: int = drawn(lambda rng, so_far: int(rng.integers(38, 54)))
    idle_rpm: float = drawn(620.0, 800.0)
    cold_idle_rise_rpm: float = drawn(250.0, 600.0)
    torque_max_nm: float = drawn(_torque)
    mass_kg: float = drawn(four=(1150.0, 1700.0), v6=(1500.0, 2100.0))
    drag_area_m2: float = drawn(0.60, 0.90)
    upshift_rpm: float = drawn(1900.0, 2700.0)
    coolant_heat_kj_k: float = drawn(_heat(50.0, 75.0, 1.35))
    oil_heat_kj_k: float = drawn(_heat(20.0, 32.0, 1.2))
    thermostat_degc: float = drawn(80.0, 92.0)
    oil_cooler_w_k: float = drawn(20.0, 55.0)
    fuel_trim_offset: float = drawn(lambda rng, so_far: float(rng.normal(0.0, 2.0)))
    battery_v: float = drawn(12.2, 12.7)
    charging_v: float = drawn(13.7, 14.5)


OIL_GRADES = {
    "0W-16": 0.05, "0W-20": 0.22, "5W-20": 0.10, "5W-30": 0.34, "0W-30": 0.10, "5W-40": 0.08, "10W-30": 0.06,
    "10W-40": 0.05,
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class OilSetup:
    """Oil and its pump. Pressure is that of the main gallery above ambient (kPa). `wear_factor` is the share of
    pressure that remains with wear at the reference viscosity."""

    grade: str = drawn(one_of(*OIL_GRADES, p=list(OIL_GRADES.values())))
    viscosity_factor: float = drawn(0.85, 1.12)
    pump_kpa_at_1000rpm: float = drawn(150.0, 215.0)
    relief_kpa: float = drawn(350.0, 480.0)
    fill_time_s: float = drawn(0.8, 2.0)
    wear_factor: float = 1.0


def _static_share(rng: np.random.Generator, so_far: dict) -> float:
    return so_far["static_friction_kpa"] * float(rng.uniform(0.6, 0.85))


def _command_step(rng: np.random.Generator, so_far: dict) -> float:
    return float(rng.choice([so_far["actual_step_deg"], 0.1, 0.5], p=[0.7, 0.2, 0.1]))


def _command_lag(rng: np.random.Generator, so_far: dict) -> float:
    return float(rng.uniform(0.0, 0.12) if so_far["family"] == "A" else rng.choice([0.0, 0.05]))


def _dither(rng: np.random.Generator, so_far: dict) -> float:
    return float(rng.choice([0.0, rng.uniform(0.1, 0.4)], p=[0.7, 0.3]))


@dataclass(frozen=True, slots=True, kw_only=True)
class CamSetup:
    """One cam's phaser, valve, sensor and controller. Angles are crankshaft degrees from rest, advance
    positive; pressures kPa across the vanes; `direction` +1 for a cam that leaves rest by advancing
    (intake), -1 by retarding (exhaust)."""

    id: str
    family: str
    direction: float
    authority_deg: float = drawn(intake=(30.0, 60.0), exhaust=(25.0, 50.0))
    # hydraulics
    static_friction_kpa: float = drawn(5.0, 11.0)
    slew_deg_s: float = drawn(90.0, 200.0)
    viscous_share: float = drawn(0.08, 0.20)
    cold_share: float = 0.0
    viscous_kpa_s_deg: float = drawn(0.04, 0.10)
    leak_deg_s_kpa: float = drawn(0.03, 0.08)
    stiffness_kpa_deg: float = drawn(140.0, 320.0)
    bias_kpa: float = drawn(intake=(-26.0, -10.0), exhaust=(6.0, 18.0))
    moving_friction_kpa: float = drawn(_static_share)
    torque_noise_kpa: float = drawn(2.5, 6.0)
    hunt_kpa: float = 0.0
    hunt_hz: float = 1.2
    stop_low_deg: float = -1000.0
    stop_high_deg: float = 1000.0
    # lock pin
    pin_release_kpa: float = drawn(25.0, 45.0)
    pin_release_s: float = drawn(0.02, 0.08)
    pin_holds: bool = True
    rest_play_deg: float = 0.0
    # valve
    valve_lag_s: float = drawn(0.006, 0.02)
    valve_dead_band: float = drawn(0.0, 0.05)
    spool_stick: float = 0.005
    neutral_duty: float = drawn(44.0, 56.0)
    duty_span: float = drawn(20.0, 36.0)
    # sensor and reporting
    sensor_teeth: float = drawn(one_of(3.0, 4.0, 6.0, p=[0.35, 0.45, 0.2]))
    actual_step_deg: float = drawn(one_of(0.01, 0.0625, 0.1, 0.25, 0.5, 1.0, p=[0.2, 0.2, 0.2, 0.15, 0.15, 0.1]))
    sensor_noise_deg: float = 0.12
    report_bias_deg: float = 0.0
    timing_offset_deg: float = 0.0
    offset_trimmed: bool = True
    dropout_rate_hz: float = 0.0
    dropout_s: float = 0.5
    dropout_style: str = "missing"
    frozen: bool = False
    # controller, command, monitoring
    idle_gain: float = drawn(0.35, 0.6)
    gain_factor: float = 1.0
    hold_learned_duty: float = 50.0
    rest_below_deg: float = drawn(1.0, 2.0)
    error_limit_deg: float = drawn(5.0, 8.0)
    error_time_s: float = drawn(3.0, 6.0)
    response_limit_s: float = drawn(1.3, 2.0)
    correlation_limit_deg: float = drawn(7.0, 9.0)
    commanded_step_deg: float = drawn(_command_step)
    error_full_open_deg: float = drawn(A=(5.0, 10.0), B=(4.0, 7.0))
    integral_per_s: float = drawn(A=(0.4, 1.2), B=(0.15, 0.5))
    derivative_s: float = drawn(B=(0.01, 0.03), default=0.0)
    integral_dead_zone_deg: float = drawn(B=(0.3, 0.9), default=0.0)
    soft_gain_deg: float = drawn(B=(6.0, 20.0), default=1000.0)
    friction_speed_deg_s: float = drawn(B=(5.0, 20.0), default=0.5)
    command_hysteresis_deg: float = drawn(A=(0.0, 1.0), B=(1.5, 4.0))
    command_rate_deg_s: float = drawn(A=(60.0, 400.0), B=(120.0, 1500.0))
    command_lag_s: float = drawn(_command_lag)
    load_lag_s: float = drawn(A=(0.05, 0.4), B=(0.1, 0.8))
    dither_deg: float = drawn(_dither)
    dither_period_s: float = drawn(0.4, 2.0)
    command_map: tuple[float, ...] = field(default=(), repr=False)

    @property
    def side(self) -> str:
        return cams.side_of(self.id)

    @property
    def bank(self) -> int:
        return cams.bank_of(self.id)


@dataclass(frozen=True, slots=True, kw_only=True)
class MisfireSetup:
    """Misfires per 1,000 revolutions of a cylinder: the base rate, and the rates added by cam error and a failing
    coil."""

    base_per_1000_rev: float = drawn(0.02, 0.08)
    cam_error_start_deg: float = 6.0
    cam_error_per_1000_rev_deg: float = 1.2
    coil_per_1000_rev: float = 0.0
    coil_cylinder: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleSetup:
    """One vehicle, drawn from a seed by `camlog.simulate.vehicle.draw.draw_setup`. `healthy` is the same vehicle
    without its faults; None if it has none."""

    seed: int
    family: str
    name: str
    vin: str
    engine: EngineSetup
    oil: OilSetup
    cams: tuple[CamSetup, ...]
    misfire: MisfireSetup
    conditions: tuple[Condition, ...] = ()
    enable_delay_s: float = drawn(1.5, 10.0)
    enable_coolant_degc: float = drawn(one_of(-20.0, 0.0, 10.0, 20.0, 35.0, p=[0.25, 0.3, 0.2, 0.15, 0.1]))
    healthy: VehicleSetup | None = field(default=None, repr=False)

    def cam(self, cam_id: str) -> CamSetup:
        return next(c for c in self.cams if c.id == cam_id)


def healthy_twin(setup: VehicleSetup) -> VehicleSetup:
    return setup.healthy or setup
