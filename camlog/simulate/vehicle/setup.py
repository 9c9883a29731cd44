"""Everything that makes one simulated vehicle differ from another, as frozen values."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import Any

from camlog.simulate.vehicle.conditions import Condition

TICK_S = 0.01
PLANT_STEP_S = 0.002
PLANT_STEPS = 5
REFERENCE_PRESSURE_KPA = 300.0
# Hydraulic constants of a phaser are stated at this viscosity, about that of 5W-30 at 90 degC.
REFERENCE_VISCOSITY_MM2_S = 13.8
MAP_RPM_STEP = 500.0
MAP_RPM_POINTS = 15
MAP_LOAD_STEP = 10.0
MAP_LOAD_POINTS = 11


@dataclass(frozen=True, slots=True)
class EngineSetup:
    """Engine, gearbox and body: what turns a drive into engine speed, load and heat."""

    cylinders: int = 4
    banks: tuple[tuple[int, ...], ...] = ((1, 2, 3, 4),)
    displacement_l: float = 2.0
    crank_sprocket_teeth: int = 21
    loaded_chain_links: int = 42
    idle_rpm: float = 700.0
    cold_idle_rise_rpm: float = 450.0
    torque_max_nm: float = 190.0
    mass_kg: float = 1450.0
    drag_area_m2: float = 0.68
    gear_rpm_per_kmh: tuple[float, ...] = (130.0, 78.0, 52.0, 39.0, 31.0, 26.0)
    upshift_rpm: float = 2300.0
    coolant_heat_kj_k: float = 62.0
    oil_heat_kj_k: float = 26.0
    thermostat_degc: float = 86.0
    oil_cooler_w_k: float = 35.0
    fuel_trim_offset: float = 1.0
    battery_v: float = 12.5
    charging_v: float = 14.1


@dataclass(frozen=True, slots=True)
class OilSetup:
    """Oil and its pump. Pressure is that of the main gallery, above ambient, kPa.

    `wear_factor` is the share of pressure that wear leaves at the reference viscosity.
    """

    grade: str = "5W-30"
    viscosity_factor: float = 1.0
    pump_kpa_at_1000rpm: float = 170.0
    relief_kpa: float = 400.0
    wear_factor: float = 1.0
    fill_time_s: float = 0.8


@dataclass(frozen=True, slots=True)
class CamSetup:
    """One cam's phaser, valve, sensor and controller.

    Angles are crankshaft degrees from rest, advance positive; pressures kPa
    across the vanes; `direction` +1 for a cam that leaves rest by advancing
    (intake), -1 by retarding (exhaust).
    """

    id: str = "intake_b1"
    direction: float = 1.0
    authority_deg: float = 45.0
    # hydraulics
    slew_deg_s: float = 120.0
    viscous_share: float = 0.12
    cold_share: float = 0.0
    viscous_kpa_s_deg: float = 0.10
    leak_deg_s_kpa: float = 0.06
    stiffness_kpa_deg: float = 220.0
    bias_kpa: float = -18.0
    static_friction_kpa: float = 7.0
    moving_friction_kpa: float = 4.0
    friction_speed_deg_s: float = 0.5
    torque_noise_kpa: float = 5.0
    hunt_kpa: float = 0.0
    hunt_hz: float = 1.2
    stop_low_deg: float = -1000.0
    stop_high_deg: float = 1000.0
    # lock pin
    pin_release_kpa: float = 60.0
    pin_release_s: float = 0.04
    pin_holds: bool = True
    rest_play_deg: float = 0.0
    # valve
    valve_lag_s: float = 0.012
    valve_dead_band: float = 0.04
    spool_stick: float = 0.005
    neutral_duty: float = 50.0
    duty_span: float = 28.0
    # sensor and reporting
    sensor_teeth: float = 4.0
    sensor_noise_deg: float = 0.12
    report_bias_deg: float = 0.0
    timing_offset_deg: float = 0.0
    offset_trimmed: bool = True
    actual_step_deg: float = 0.1
    commanded_step_deg: float = 0.1
    dropout_rate_hz: float = 0.0
    dropout_s: float = 0.5
    dropout_style: str = "missing"
    frozen: bool = False
    # controller
    family: str = "A"
    error_full_open_deg: float = 7.0
    integral_per_s: float = 0.7
    derivative_s: float = 0.0
    integral_dead_zone_deg: float = 0.0
    soft_gain_deg: float = 1000.0
    gain_factor: float = 1.0
    hold_learned_duty: float = 50.0
    idle_gain: float = 0.5
    # command
    command_map: tuple[float, ...] = field(default=(), repr=False)
    command_hysteresis_deg: float = 0.0
    command_rate_deg_s: float = 150.0
    command_lag_s: float = 0.03
    load_lag_s: float = 0.15
    dither_deg: float = 0.0
    dither_period_s: float = 1.0
    rest_below_deg: float = 1.5
    # monitoring
    error_limit_deg: float = 6.0
    error_time_s: float = 4.5
    response_limit_s: float = 1.6
    correlation_limit_deg: float = 8.0

    @property
    def side(self) -> str:
        return self.id.split("_")[0]

    @property
    def bank(self) -> int:
        return int(self.id[-1])


@dataclass(frozen=True, slots=True)
class MisfireSetup:
    """Misfires per 1,000 revolutions of a cylinder, before and beyond what a fault adds."""

    base_per_1000_rev: float = 0.05
    cam_error_start_deg: float = 6.0
    cam_error_per_1000_rev_deg: float = 1.2
    coil_per_1000_rev: float = 0.0
    coil_cylinder: int = 0


@dataclass(frozen=True, slots=True)
class VehicleSetup:
    """One vehicle, drawn from a seed by `camlog.simulate.vehicle.draw.draw_setup`.

    `cams` are as the vehicle is now; `healthy_cams`, `healthy_oil` and so on as
    it was before the fault, which begins at `onset_s`.
    """

    seed: int
    family: str
    name: str
    vin: str
    engine: EngineSetup
    oil: OilSetup
    cams: tuple[CamSetup, ...]
    healthy_cams: tuple[CamSetup, ...]
    healthy_oil: OilSetup
    misfire: MisfireSetup
    conditions: tuple[Condition, ...] = ()
    enable_delay_s: float = 4.0
    enable_coolant_degc: float = 0.0
    onset_s: float = 0.0

    def cam(self, cam_id: str) -> CamSetup | None:
        """The cam of that name, or None."""
        return next((c for c in self.cams if c.id == cam_id), None)

    @property
    def is_healthy(self) -> bool:
        return all(c.severity == 0.0 or c.kind == "healthy" for c in self.conditions)

    def parameters(self) -> dict[str, Any]:
        """Every drawn number as plain JSON values, command maps left out."""

        def plain(value: Any) -> dict[str, Any]:
            return {k: v for k, v in dataclasses.asdict(value).items() if k != "command_map"}

        return {
            "family": self.family,
            "engine": plain(self.engine),
            "oil": plain(self.oil),
            "misfire": plain(self.misfire),
            "cams": {c.id: plain(c) for c in self.cams},
            "enable_delay_s": self.enable_delay_s,
            "enable_coolant_degc": self.enable_coolant_degc,
        }


def healthy_twin(setup: VehicleSetup) -> VehicleSetup:
    """The same vehicle without its faults."""
    return dataclasses.replace(
        setup, cams=setup.healthy_cams, oil=setup.healthy_oil, conditions=(), onset_s=0.0,
        misfire=dataclasses.replace(setup.misfire, coil_per_1000_rev=0.0, coil_cylinder=0),
    )  # fmt: skip
