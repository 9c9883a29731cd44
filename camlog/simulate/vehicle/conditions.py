"""The faults of the simulated vehicle and the parameters they change: CONDITIONS, one entry a fault.

Severity 0 changes nothing. If a fault has a physical extreme, the parameter moves from the vehicle's own healthy value
towards it in proportion on a log scale, so that a severity means about the same for any vehicle. The arguments of a
change are the parameters it changes, the severity, the whole vehicle and random numbers."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from camlog.oil import kinematic_viscosity
from camlog.simulate import say
from camlog.simulate.vehicle.kernels import REFERENCE_VISCOSITY_MM2_S

if TYPE_CHECKING:
    from camlog.simulate.vehicle.setup import CamSetup, MisfireSetup, OilSetup, VehicleSetup

BLOCKED_SLEW_DEG_S = 7.0
SEIZED_SHARPNESS = 8.0
STRETCH_AT_FULL_DEG = 12.0
SECOND_TOOTH_SEVERITY = 0.75
COIL_AT_FULL_PER_1000_REV = 100.0
# Friction at full severity, as a share of a warm engine's pressure at a fast idle, which can only just overcome it.
GROSS_FRICTION_SHARE = 0.95

Changes = dict[str, Any]


def _toward(healthy: float, gross: float, severity: float) -> float:
    return healthy * (gross / healthy) ** severity


def hot_pressure_kpa(oil: OilSetup, rpm: float = 1500.0, temp_degc: float = 90.0) -> float:
    """Gallery pressure of a warm engine without wear, kPa."""
    viscosity = float(kinematic_viscosity(oil.grade, temp_degc)) * oil.viscosity_factor
    raw = oil.pump_kpa_at_1000rpm * rpm / 1000.0 * math.sqrt(viscosity / REFERENCE_VISCOSITY_MM2_S)
    return min(raw, oil.relief_kpa)


def _stick_slip(cam: CamSetup, s: float, vehicle: VehicleSetup, rng: np.random.Generator) -> Changes:
    static = max(GROSS_FRICTION_SHARE * s**0.65 * hot_pressure_kpa(vehicle.oil), cam.static_friction_kpa)
    return {
        "static_friction_kpa": static,
        "moving_friction_kpa": max(static * rng.uniform(0.25, 0.45), cam.moving_friction_kpa),
        # Air in the oil behind a stuck phaser makes the jump wide.
        "stiffness_kpa_deg": _toward(cam.stiffness_kpa_deg, 28.0, math.sqrt(s)),
        "viscous_kpa_s_deg": _toward(cam.viscous_kpa_s_deg, 0.6, s**0.4),
    }


def _leakage(cam: CamSetup, s: float, vehicle: VehicleSetup, rng: np.random.Generator) -> Changes:
    return {
        "leak_deg_s_kpa": _toward(cam.leak_deg_s_kpa, 0.9, s**0.45),
        "hunt_kpa": rng.uniform(95.0, 115.0) * s**0.6,
        "hunt_hz": rng.uniform(0.7, 2.0),
    }


def _seized(cam: CamSetup, s: float, vehicle: VehicleSetup, rng: np.random.Generator) -> Changes:
    reach = cam.authority_deg * cam.direction
    centre = 0.0 if rng.random() < 0.5 else reach * rng.uniform(0.1, 0.8)
    half = 0.5 * cam.authority_deg * (1.0 - s) ** SEIZED_SHARPNESS
    return {
        "stop_low_deg": max(min(0.0, reach), centre - half),
        "stop_high_deg": min(max(0.0, reach), centre + half),
        "pin_holds": centre == 0.0,
    }


def _dropout(cam: CamSetup, s: float, vehicle: VehicleSetup, rng: np.random.Generator) -> Changes:
    return {
        "dropout_rate_hz": 0.45 * s**1.5,
        "dropout_s": rng.uniform(0.3, 1.2),
        "dropout_style": str(rng.choice(["missing", "spike", "held"], p=[0.5, 0.35, 0.15])),
    }


def _frozen(cam: CamSetup, s: float, vehicle: VehicleSetup, rng: np.random.Generator) -> Changes:
    # Severity is the share of the time that the reading is frozen, up to always.
    if s >= 0.5:
        return {"frozen": True}
    return {"dropout_rate_hz": 0.05 * s / 0.25, "dropout_s": 6.0, "dropout_style": "held"}


def _stretched(vehicle: VehicleSetup, s: float, rng: np.random.Generator) -> float:
    return -STRETCH_AT_FULL_DEG * s


def _jumped(vehicle: VehicleSetup, s: float, rng: np.random.Generator) -> float:
    # Mostly retarded, as with a worn chain.
    sign = 1.0 if rng.random() < 0.15 else -1.0
    return sign * (2 if s >= SECOND_TOOTH_SEVERITY else 1) * 360.0 / vehicle.engine.crank_sprocket_teeth


def _mistimed(vehicle: VehicleSetup, s: float, rng: np.random.Generator) -> float:
    return (_jumped if s >= 0.5 and rng.random() < 0.5 else _stretched)(vehicle, s, rng)


@dataclass(frozen=True, slots=True)
class ConditionInfo:
    """One fault the vehicle can have.

    `words` says what is wrong. `finding` is the true Findings `condition` of each affected cam; `also` are other
    conditions that a careful reader of the trace may name. `scope` is `cam` (one or more cams), `vehicle` (every cam)
    or `cylinder`. The functions: `cam` changes a cam's parameters, `timing` gives the base-timing offset of all cams
    (deg, advance positive), `oil` and `misfire` change the parameters of oil and misfire."""

    words: str
    finding: str
    also: tuple[str, ...] = ()
    scope: str = "cam"
    cam: Callable[[CamSetup, float, VehicleSetup, np.random.Generator], Changes] | None = None
    timing: Callable[[VehicleSetup, float, np.random.Generator], float] | None = None
    oil: Callable[[OilSetup, float], Changes] | None = None
    misfire: Callable[[MisfireSetup, float], Changes] | None = None


CONDITIONS: dict[str, ConditionInfo] = {
    "healthy": ConditionInfo("nothing is wrong", "healthy", scope="vehicle"),
    "stick_slip": ConditionInfo(
        "the phaser stays put until the pressure across its vanes breaks it loose, then jumps",
        "sticking", cam=_stick_slip,
    ),
    "restricted_flow": ConditionInfo(
        "a blocked screen or oil passage: slow at every oil temperature",
        "slow", cam=lambda c, s, v, rng: {"slew_deg_s": _toward(c.slew_deg_s, BLOCKED_SLEW_DEG_S, s**0.75)},
    ),
    "slow_cold": ConditionInfo(
        "varnish or oil of the wrong grade in narrow passages: slow while the oil is cold, right once warm",
        "slow", cam=lambda c, s, v, rng: {"cold_share": _toward(0.05, 4.0, s**0.75) - 0.05},
    ),
    "internal_leakage": ConditionInfo(
        "worn vane seals: the cam drifts toward retard and hunts, worst with hot thin oil",
        "unstable", also=("slow",), cam=_leakage,
    ),
    "low_oil_pressure": ConditionInfo(
        "worn pump or bearings: pressure is low with hot oil, every cam turns weak together",
        "slow", also=("stuck", "unstable"), scope="vehicle",
        oil=lambda o, s: {"wear_factor": _toward(1.0, 0.045, s**0.8)},
    ),
    "seized": ConditionInfo("the phaser does not move", "stuck", cam=_seized),
    "chain_stretch": ConditionInfo(
        "the worn chain retards every cam it drives, most plainly seen at rest",
        "offset", scope="vehicle", timing=_stretched,
    ),
    "jumped_tooth": ConditionInfo(
        "the chain has jumped one tooth or two: cams stand off by whole teeth",
        "offset", scope="vehicle", timing=_jumped,
    ),
    "base_timing_offset": ConditionInfo(
        "mechanical timing is off, by a stretched chain or a jumped tooth",
        "offset", scope="vehicle", timing=_mistimed,
    ),
    "worn_lock_pin": ConditionInfo(
        "the lock pin does not hold: the cam flutters at rest and rattles at a cold start", "unstable",
        cam=lambda c, s, v, rng: {"pin_holds": False, "rest_play_deg": 14.0 * s * rng.uniform(0.85, 1.15)},
    ),
    "sticking_control_valve": ConditionInfo(
        "the oil control valve's spool sticks: flow comes late and too much",
        "unstable", also=("sticking", "slow"),
        cam=lambda c, s, v, rng: {"spool_stick": c.spool_stick + 0.75 * s},
    ),
    "unstable_control": ConditionInfo(
        "the control loop is set too sharp and oscillates", "unstable",
        cam=lambda c, s, v, rng: {
            "gain_factor": _toward(1.0, 14.0, s), "idle_gain": _toward(c.idle_gain, 1.0, s)
        },
    ),
    "sensor_noise": ConditionInfo(
        "the cam sensor's signal is noisy; the cam itself is right", "sensor",
        cam=lambda c, s, v, rng: {"sensor_noise_deg": math.hypot(c.sensor_noise_deg, 7.0 * s**1.4)},
    ),
    "sensor_dropout": ConditionInfo("the cam sensor's signal drops out at times", "sensor", cam=_dropout),
    "sensor_frozen": ConditionInfo(
        "the reported angle stands still while the engine runs", "sensor", also=("stuck",), cam=_frozen
    ),
    "bad_coil": ConditionInfo(
        "one cylinder's ignition coil fails under load", "healthy", scope="cylinder",
        misfire=lambda m, s: {"coil_per_1000_rev": COIL_AT_FULL_PER_1000_REV * s**1.5},
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Condition:
    """One fault: `kind` from CONDITIONS, `severity` from 0 (healthy exactly) to 1 (gross).

    0.25 is hard to see; 0.5 is clearly a fault that a technician wants to find. `cams` are the affected cams
    (`intake_b1` ...; empty: drawn from the seed, or all cams for a fault of the vehicle). `cylinder` counts from 1
    (None: drawn). Raises InputError for an unknown kind."""

    kind: str
    severity: float = 0.5
    cams: tuple[str, ...] = ()
    cylinder: int | None = None

    def __post_init__(self) -> None:
        if self.kind not in CONDITIONS:
            raise say.error("unknown", kind="condition", name=self.kind, known=", ".join(CONDITIONS))

    @property
    def info(self) -> ConditionInfo:
        return CONDITIONS[self.kind]

    @property
    def is_fault(self) -> bool:
        return self.severity > 0.0 and self.kind != "healthy"


def with_condition(vehicle: VehicleSetup, condition: Condition, rng: np.random.Generator) -> VehicleSetup:
    """The vehicle with the fault applied, and with the drawn cams or cylinder in its condition."""
    info, s, ids = condition.info, condition.severity, tuple(c.id for c in vehicle.cams)
    if info.scope == "cylinder" or condition.kind == "healthy":
        chosen: tuple[str, ...] = ()
    elif condition.cams:
        chosen = tuple(i for i in ids if i in condition.cams)
    else:
        chosen = ids if info.scope == "vehicle" else (str(rng.choice(ids)),)
    condition = dataclasses.replace(condition, cams=chosen)
    if info.misfire:
        most = vehicle.engine.cylinders
        cylinder = min(condition.cylinder or int(rng.integers(1, most + 1)), most)
        condition = dataclasses.replace(condition, cylinder=cylinder)
    vehicle = dataclasses.replace(vehicle, conditions=(*vehicle.conditions, condition))
    if not condition.is_fault:
        return vehicle
    offset = info.timing(vehicle, s, rng) if info.timing else 0.0

    def changes(cam: CamSetup) -> Changes:
        if info.cam:
            return info.cam(cam, s, vehicle, rng)
        return {"timing_offset_deg": cam.timing_offset_deg + offset}

    cams = tuple(dataclasses.replace(c, **changes(c)) if c.id in chosen else c for c in vehicle.cams)
    oil = dataclasses.replace(vehicle.oil, **(info.oil(vehicle.oil, s) if info.oil else {}))
    misfire = vehicle.misfire
    if info.misfire:
        misfire = dataclasses.replace(misfire, **info.misfire(misfire, s), coil_cylinder=cylinder)
    return dataclasses.replace(vehicle, cams=cams, oil=oil, misfire=misfire)
