"""How each condition changes a healthy vehicle's parameters, by severity.

Severity 0 changes nothing. Where a fault has a physical extreme, the parameter
moves from the vehicle's own healthy value toward it in proportion on a log
scale, so that the same severity means about the same to any vehicle.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from camlog.oil import kinematic_viscosity
from camlog.simulate.vehicle.conditions import Condition
from camlog.simulate.vehicle.setup import (
    REFERENCE_VISCOSITY_MM2_S,
    CamSetup,
    EngineSetup,
    MisfireSetup,
    OilSetup,
)

BLOCKED_SLEW_DEG_S = 7.0
SEIZED_SHARPNESS = 8.0
STRETCH_AT_FULL_DEG = 12.0
SECOND_TOOTH_SEVERITY = 0.75
COIL_AT_FULL_PER_1000_REV = 100.0
# Friction that a warm engine's pressure at a fast idle can only just break loose.
GROSS_FRICTION_SHARE = 0.95


def _toward(healthy: float, gross: float, severity: float) -> float:
    return healthy * (gross / healthy) ** severity


def hot_pressure_kpa(oil: OilSetup, rpm: float = 1500.0, temp_degc: float = 90.0) -> float:
    """Gallery pressure of a warm engine without wear, kPa."""
    viscosity = float(kinematic_viscosity(oil.grade, temp_degc)) * oil.viscosity_factor
    raw = oil.pump_kpa_at_1000rpm * rpm / 1000.0 * math.sqrt(viscosity / REFERENCE_VISCOSITY_MM2_S)
    return min(raw, oil.relief_kpa)


def _stick_slip(cam: CamSetup, s: float, oil: OilSetup, rng: np.random.Generator) -> CamSetup:
    share = GROSS_FRICTION_SHARE * s**0.65
    static = max(share * hot_pressure_kpa(oil), cam.static_friction_kpa)
    moving = static * rng.uniform(0.25, 0.45)
    # Air in the oil behind a phaser that will not move makes the jump wide.
    softer = _toward(cam.stiffness_kpa_deg, 28.0, math.sqrt(s))
    return dataclasses.replace(
        cam, static_friction_kpa=static, moving_friction_kpa=max(moving, cam.moving_friction_kpa),
        stiffness_kpa_deg=softer, viscous_kpa_s_deg=_toward(cam.viscous_kpa_s_deg, 0.6, s**0.4),
    )  # fmt: skip


def _restricted(cam: CamSetup, s: float, oil: OilSetup, rng: np.random.Generator) -> CamSetup:
    return dataclasses.replace(cam, slew_deg_s=_toward(cam.slew_deg_s, BLOCKED_SLEW_DEG_S, s**0.75))


def _slow_cold(cam: CamSetup, s: float, oil: OilSetup, rng: np.random.Generator) -> CamSetup:
    return dataclasses.replace(cam, cold_share=_toward(0.05, 4.0, s**0.75) - 0.05)


def _leakage(cam: CamSetup, s: float, oil: OilSetup, rng: np.random.Generator) -> CamSetup:
    leak = _toward(cam.leak_deg_s_kpa, 0.9, s**0.45)
    return dataclasses.replace(
        cam, leak_deg_s_kpa=leak, hunt_kpa=rng.uniform(95.0, 115.0) * s**0.6, hunt_hz=rng.uniform(0.7, 2.0)
    )


def _seized(cam: CamSetup, s: float, oil: OilSetup, rng: np.random.Generator) -> CamSetup:
    reach = cam.authority_deg * cam.direction
    centre = 0.0 if rng.random() < 0.5 else reach * rng.uniform(0.1, 0.8)
    half = 0.5 * cam.authority_deg * (1.0 - s) ** SEIZED_SHARPNESS
    low, high = min(0.0, reach), max(0.0, reach)
    return dataclasses.replace(
        cam,
        stop_low_deg=max(low, centre - half),
        stop_high_deg=min(high, centre + half),
        pin_holds=centre == 0.0,
    )


def _pin(cam: CamSetup, s: float, oil: OilSetup, rng: np.random.Generator) -> CamSetup:
    return dataclasses.replace(cam, pin_holds=False, rest_play_deg=14.0 * s * rng.uniform(0.85, 1.15))


def _valve(cam: CamSetup, s: float, oil: OilSetup, rng: np.random.Generator) -> CamSetup:
    return dataclasses.replace(cam, spool_stick=cam.spool_stick + 0.75 * s)


def _sharp(cam: CamSetup, s: float, oil: OilSetup, rng: np.random.Generator) -> CamSetup:
    return dataclasses.replace(
        cam, gain_factor=_toward(1.0, 14.0, s), idle_gain=_toward(cam.idle_gain, 1.0, s)
    )


def _noise(cam: CamSetup, s: float, oil: OilSetup, rng: np.random.Generator) -> CamSetup:
    return dataclasses.replace(cam, sensor_noise_deg=math.hypot(cam.sensor_noise_deg, 7.0 * s**1.4))


def _dropout(cam: CamSetup, s: float, oil: OilSetup, rng: np.random.Generator) -> CamSetup:
    return dataclasses.replace(
        cam, dropout_rate_hz=0.45 * s**1.5, dropout_s=rng.uniform(0.3, 1.2),
        dropout_style=str(rng.choice(["missing", "spike", "held"], p=[0.5, 0.35, 0.15])),
    )  # fmt: skip


def _frozen(cam: CamSetup, s: float, oil: OilSetup, rng: np.random.Generator) -> CamSetup:
    # Severity is the share of the time: freezes for longer and longer until it stays frozen.
    if s >= 0.5:
        return dataclasses.replace(cam, frozen=True)
    return dataclasses.replace(cam, dropout_rate_hz=0.05 * s / 0.25, dropout_s=6.0, dropout_style="held")


_CAM_FAULTS = {
    "stick_slip": _stick_slip,
    "restricted_flow": _restricted,
    "slow_cold": _slow_cold,
    "internal_leakage": _leakage,
    "seized": _seized,
    "worn_lock_pin": _pin,
    "sticking_control_valve": _valve,
    "unstable_control": _sharp,
    "sensor_noise": _noise,
    "sensor_dropout": _dropout,
    "sensor_frozen": _frozen,
}


def choose_cams(
    condition: Condition, cams: tuple[CamSetup, ...], rng: np.random.Generator
) -> tuple[str, ...]:
    """Ids of the cams a condition concerns on this vehicle."""
    ids = tuple(c.id for c in cams)
    if condition.info.scope == "cylinder" or condition.kind == "healthy":
        return ()
    if condition.cams:
        return tuple(i for i in ids if i in condition.cams)
    if condition.info.scope == "vehicle":
        return ids
    return (str(rng.choice(ids)),)


def timing_offset_deg(condition: Condition, engine: EngineSetup, rng: np.random.Generator) -> float:
    """Offset (deg, advance positive) of a base-timing condition: mostly retard, as a chain wears."""
    kind = condition.kind
    if kind == "base_timing_offset":
        kind = "jumped_tooth" if condition.severity >= 0.5 and rng.random() < 0.5 else "chain_stretch"
    if kind == "chain_stretch":
        return -STRETCH_AT_FULL_DEG * condition.severity
    teeth = 2 if condition.severity >= SECOND_TOOTH_SEVERITY else 1
    sign = 1.0 if rng.random() < 0.15 else -1.0
    return sign * teeth * 360.0 / engine.crank_sprocket_teeth


def apply_condition(
    condition: Condition,
    engine: EngineSetup,
    oil: OilSetup,
    cams: tuple[CamSetup, ...],
    misfire: MisfireSetup,
    rng: np.random.Generator,
) -> tuple[Condition, OilSetup, tuple[CamSetup, ...], MisfireSetup]:
    """The vehicle with the fault in it; the condition comes back with its cams or cylinder filled in."""
    s = condition.severity
    chosen = choose_cams(condition, cams, rng)
    condition = dataclasses.replace(condition, cams=chosen)
    if condition.kind == "bad_coil":
        cylinder = condition.cylinder or int(rng.integers(1, engine.cylinders + 1))
        condition = dataclasses.replace(condition, cylinder=min(cylinder, engine.cylinders))
    if s == 0.0 or condition.kind == "healthy":
        return condition, oil, cams, misfire
    if condition.kind == "bad_coil":
        misfire = dataclasses.replace(
            misfire, coil_per_1000_rev=COIL_AT_FULL_PER_1000_REV * s**1.5, coil_cylinder=condition.cylinder
        )
    elif condition.kind == "low_oil_pressure":
        oil = dataclasses.replace(oil, wear_factor=_toward(1.0, 0.045, s**0.8))
    elif condition.info.finding == "offset":
        offset = timing_offset_deg(condition, engine, rng)
        cams = tuple(
            dataclasses.replace(c, timing_offset_deg=c.timing_offset_deg + offset) if c.id in chosen else c
            for c in cams
        )
    else:
        change = _CAM_FAULTS[condition.kind]
        cams = tuple(change(c, s, oil, rng) if c.id in chosen else c for c in cams)
    return condition, oil, cams, misfire
