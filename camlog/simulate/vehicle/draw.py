"""Drawing a vehicle from a seed, of two families: limits chosen on one can be tried on the other.

Family A has a proportional-integral loop, a smooth command map and two-level
friction; family B a soft-gain loop with velocity damping and an integral dead
zone, a command that moves in steps, and friction that falls off with speed.
Ranges are common practice, no source.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

import numpy as np

from camlog.errors import InputError
from camlog.simulate.vehicle.conditions import Condition
from camlog.simulate.vehicle.faults import apply_condition
from camlog.simulate.vehicle.noise import stream_generator
from camlog.simulate.vehicle.setup import (
    MAP_LOAD_POINTS,
    MAP_LOAD_STEP,
    MAP_RPM_POINTS,
    MAP_RPM_STEP,
    CamSetup,
    EngineSetup,
    MisfireSetup,
    OilSetup,
    VehicleSetup,
)

if TYPE_CHECKING:
    from camlog.profile import VehicleProfile

FAMILIES = ("A", "B")
ENGINES = ("four", "v6")
OIL_GRADES = ("0W-16", "0W-20", "5W-20", "5W-30", "0W-30", "5W-40", "10W-30", "10W-40")
_OIL_WEIGHTS = (0.05, 0.22, 0.10, 0.34, 0.10, 0.08, 0.06, 0.05)

DEMO_SEED = 7
_CAM_FIELDS = frozenset(f.name for f in dataclasses.fields(CamSetup)) - {"id", "direction", "command_map"}


def draw_setup(
    seed: int,
    conditions: tuple[Condition, ...] | list[Condition] = (),
    family: str = "A",
    engine: str = "four",
    **overrides: Any,
) -> VehicleSetup:
    """A vehicle with every parameter drawn from the seed and the conditions built into it.

    `family` is A or B, `engine` `four` (intake_b1, exhaust_b1) or `v6` (both
    banks). `overrides` set fields of EngineSetup (`engine_NAME`), OilSetup
    (`oil_NAME`), every CamSetup (`cam_NAME`, or `intake_NAME`, `exhaust_NAME`)
    or VehicleSetup (`enable_NAME`) before the conditions are applied. The same
    arguments give the same vehicle, and conditions do not change what else is
    drawn. Raises InputError for an unknown family, engine or override.
    """
    if family not in FAMILIES:
        raise InputError(f"family {family!r} is not known", remedy="Use A or B.")
    if engine not in ENGINES:
        raise InputError(f"engine {engine!r} is not known", remedy="Use four or v6.")
    rng = stream_generator(seed, f"vehicle {family} {engine}")
    engine_setup = _draw_engine(rng, engine)
    oil = _draw_oil(rng)
    bias = rng.uniform(-0.7, 0.7)
    banks = (1, 2) if engine == "v6" else (1,)
    sides = {side: _draw_cam(rng, side, family) for side in ("intake", "exhaust")}
    cams = tuple(
        _vary_cam(rng, dataclasses.replace(sides[side], id=f"{side}_b{bank}"), bias)
        for bank in banks
        for side in ("intake", "exhaust")
    )
    misfire = MisfireSetup(base_per_1000_rev=float(rng.uniform(0.02, 0.08)))
    top = {
        "enable_delay_s": float(rng.uniform(1.5, 10.0)),
        "enable_coolant_degc": float(
            rng.choice([-20.0, 0.0, 10.0, 20.0, 35.0], p=[0.25, 0.3, 0.2, 0.15, 0.1])
        ),
    }
    engine_setup, oil, cams = _override(engine_setup, oil, cams, top, overrides)

    healthy_cams, healthy_oil = cams, oil
    filled = []
    for n, condition in enumerate(conditions):
        condition_rng = stream_generator(seed, f"condition {condition.kind}", n)
        condition, oil, cams, misfire = apply_condition(
            condition, engine_setup, oil, cams, misfire, condition_rng
        )
        filled.append(condition)
    return VehicleSetup(
        seed=seed,
        family=family,
        name="Invented four-cylinder" if engine == "four" else "Invented V6",
        vin=invented_vin(seed),
        engine=engine_setup,
        oil=oil,
        cams=cams,
        healthy_cams=healthy_cams,
        healthy_oil=healthy_oil,
        misfire=misfire,
        conditions=tuple(filled),
        onset_s=min((c.onset_s for c in filled), default=0.0),
        **top,
    )


def demo_setup(*conditions: Condition) -> VehicleSetup:
    """The vehicle the demo drives; its signals fit the shipped demo profile."""
    return draw_setup(
        DEMO_SEED, conditions, oil_grade="5W-30", enable_delay_s=1.0, enable_coolant_degc=0.0,
        engine_crank_sprocket_teeth=21, engine_loaded_chain_links=42, engine_displacement_l=2.0,
        intake_authority_deg=50.0, exhaust_authority_deg=40.0,
    )  # fmt: skip


def profile_overrides(profile: VehicleProfile) -> dict[str, Any]:
    """Overrides for `draw_setup` that make a drawn vehicle the one a vehicle profile describes.

    Takes oil grade, displacement, chain geometry and the cams' ranges; what the profile leaves open
    stays drawn.
    """
    engine = profile.engine
    found = {
        "oil_grade": profile.oil_grade,
        "engine_displacement_l": engine.displacement_l,
        "engine_crank_sprocket_teeth": engine.crank_sprocket_teeth,
        "engine_loaded_chain_links": engine.loaded_chain_links,
    }
    for cam in profile.cams:
        if cam.range_deg is not None:
            found[f"{cam.id.split('_')[0]}_authority_deg"] = cam.range_deg[1] - cam.range_deg[0]
    return {name: value for name, value in found.items() if value is not None}


def _override(engine, oil, cams, top: dict[str, Any], overrides: dict[str, Any]):
    for key, value in overrides.items():
        part, _, name = key.partition("_")
        if part == "engine" and hasattr(engine, name):
            engine = dataclasses.replace(engine, **{name: value})
        elif part == "oil" and hasattr(oil, name):
            oil = dataclasses.replace(oil, **{name: value})
        elif part in ("cam", "intake", "exhaust") and name in _CAM_FIELDS:
            cams = tuple(_set_cam(c, name, value) if part in ("cam", c.side) else c for c in cams)
        elif key in top:
            top[key] = value
        else:
            raise InputError(
                f"override {key!r} is not known",
                remedy="Use engine_, oil_, cam_, intake_, exhaust_ or enable_ with a field's name.",
            )
    return engine, oil, cams


def _set_cam(cam: CamSetup, name: str, value: Any) -> CamSetup:
    changed = dataclasses.replace(cam, **{name: value})
    if name == "authority_deg":
        # The command goes as far as the phaser.
        scale = changed.authority_deg / cam.authority_deg
        changed = dataclasses.replace(changed, command_map=tuple(x * scale for x in cam.command_map))
    return changed


def _draw_engine(rng: np.random.Generator, engine: str) -> EngineSetup:
    v6 = engine == "v6"
    displacement = float(rng.uniform(2.7, 3.8) if v6 else rng.uniform(1.4, 2.5))
    gears = int(rng.integers(5, 9))
    first, last = rng.uniform(118.0, 140.0), rng.uniform(22.0, 29.0)
    return EngineSetup(
        cylinders=6 if v6 else 4,
        banks=((1, 3, 5), (2, 4, 6)) if v6 else ((1, 2, 3, 4),),
        displacement_l=displacement,
        crank_sprocket_teeth=int(rng.choice([18, 19, 21, 22, 23, 24])),
        loaded_chain_links=int(rng.integers(38, 54)),
        idle_rpm=float(rng.uniform(620.0, 800.0)),
        cold_idle_rise_rpm=float(rng.uniform(250.0, 600.0)),
        torque_max_nm=displacement * float(rng.uniform(90.0, 102.0)),
        mass_kg=float(rng.uniform(1500.0, 2100.0) if v6 else rng.uniform(1150.0, 1700.0)),
        drag_area_m2=float(rng.uniform(0.60, 0.90)),
        gear_rpm_per_kmh=tuple(float(x) for x in np.geomspace(first, last, gears)),
        upshift_rpm=float(rng.uniform(1900.0, 2700.0)),
        coolant_heat_kj_k=float(rng.uniform(50.0, 75.0)) * (1.35 if v6 else 1.0),
        oil_heat_kj_k=float(rng.uniform(20.0, 32.0)) * (1.2 if v6 else 1.0),
        thermostat_degc=float(rng.uniform(80.0, 92.0)),
        oil_cooler_w_k=float(rng.uniform(20.0, 55.0)),
        fuel_trim_offset=float(rng.normal(0.0, 2.0)),
        battery_v=float(rng.uniform(12.2, 12.7)),
        charging_v=float(rng.uniform(13.7, 14.5)),
    )


def _draw_oil(rng: np.random.Generator) -> OilSetup:
    return OilSetup(
        grade=str(rng.choice(OIL_GRADES, p=_OIL_WEIGHTS)),
        viscosity_factor=float(rng.uniform(0.85, 1.12)),
        pump_kpa_at_1000rpm=float(rng.uniform(150.0, 215.0)),
        relief_kpa=float(rng.uniform(350.0, 480.0)),
        fill_time_s=float(rng.uniform(0.8, 2.0)),
    )


def _draw_cam(rng: np.random.Generator, side: str, family: str) -> CamSetup:
    intake = side == "intake"
    authority = float(rng.uniform(30.0, 60.0) if intake else rng.uniform(25.0, 50.0))
    static = float(rng.uniform(5.0, 11.0))
    common: dict[str, Any] = {
        "id": f"{side}_b1",
        "direction": 1.0 if intake else -1.0,
        "authority_deg": authority,
        "slew_deg_s": float(rng.uniform(90.0, 200.0)),
        "viscous_share": float(rng.uniform(0.08, 0.20)),
        "viscous_kpa_s_deg": float(rng.uniform(0.04, 0.10)),
        "leak_deg_s_kpa": float(rng.uniform(0.03, 0.08)),
        "stiffness_kpa_deg": float(rng.uniform(140.0, 320.0)),
        "bias_kpa": float(rng.uniform(-26.0, -10.0) if intake else rng.uniform(6.0, 18.0)),
        "static_friction_kpa": static,
        "moving_friction_kpa": static * float(rng.uniform(0.6, 0.85)),
        "torque_noise_kpa": float(rng.uniform(2.5, 6.0)),
        "pin_release_kpa": float(rng.uniform(25.0, 45.0)),
        "pin_release_s": float(rng.uniform(0.02, 0.08)),
        "valve_lag_s": float(rng.uniform(0.006, 0.02)),
        "valve_dead_band": float(rng.uniform(0.0, 0.05)),
        "neutral_duty": float(rng.uniform(44.0, 56.0)),
        "duty_span": float(rng.uniform(20.0, 36.0)),
        "sensor_teeth": float(rng.choice([3.0, 4.0, 6.0], p=[0.35, 0.45, 0.2])),
        "actual_step_deg": float(
            rng.choice([0.01, 0.0625, 0.1, 0.25, 0.5, 1.0], p=[0.2, 0.2, 0.2, 0.15, 0.15, 0.1])
        ),
        "idle_gain": float(rng.uniform(0.35, 0.6)),
        "rest_below_deg": float(rng.uniform(1.0, 2.0)),
        "error_limit_deg": float(rng.uniform(5.0, 8.0)),
        "error_time_s": float(rng.uniform(3.0, 6.0)),
        "response_limit_s": float(rng.uniform(1.3, 2.0)),
        "correlation_limit_deg": float(rng.uniform(7.0, 9.0)),
    }
    common["commanded_step_deg"] = float(rng.choice([common["actual_step_deg"], 0.1, 0.5], p=[0.7, 0.2, 0.1]))
    if family == "A":
        style: dict[str, Any] = {
            "family": "A",
            "error_full_open_deg": float(rng.uniform(5.0, 10.0)),
            "integral_per_s": float(rng.uniform(0.4, 1.2)),
            "command_hysteresis_deg": float(rng.uniform(0.0, 1.0)),
            "command_rate_deg_s": float(rng.uniform(60.0, 400.0)),
            "command_lag_s": float(rng.uniform(0.0, 0.12)),
            "load_lag_s": float(rng.uniform(0.05, 0.4)),
        }
    else:
        style = {
            "family": "B",
            "error_full_open_deg": float(rng.uniform(4.0, 7.0)),
            "integral_per_s": float(rng.uniform(0.15, 0.5)),
            "derivative_s": float(rng.uniform(0.01, 0.03)),
            "integral_dead_zone_deg": float(rng.uniform(0.3, 0.9)),
            "soft_gain_deg": float(rng.uniform(6.0, 20.0)),
            "friction_speed_deg_s": float(rng.uniform(5.0, 20.0)),
            "command_hysteresis_deg": float(rng.uniform(1.5, 4.0)),
            "command_rate_deg_s": float(rng.uniform(120.0, 1500.0)),
            "command_lag_s": float(rng.choice([0.0, 0.05])),
            "load_lag_s": float(rng.uniform(0.1, 0.8)),
        }
    style["dither_deg"] = float(rng.choice([0.0, rng.uniform(0.1, 0.4)], p=[0.7, 0.3]))
    style["dither_period_s"] = float(rng.uniform(0.4, 2.0))
    return CamSetup(**common, **style, command_map=_draw_map(rng, side, family, authority))


def _vary_cam(rng: np.random.Generator, cam: CamSetup, bias: float) -> CamSetup:
    """Two phasers of one make are alike, not equal."""

    def near(value: float, share: float) -> float:
        return value * float(rng.uniform(1.0 - share, 1.0 + share))

    neutral = near(cam.neutral_duty, 0.02)
    return dataclasses.replace(
        cam,
        slew_deg_s=near(cam.slew_deg_s, 0.1),
        leak_deg_s_kpa=near(cam.leak_deg_s_kpa, 0.2),
        static_friction_kpa=near(cam.static_friction_kpa, 0.08),
        neutral_duty=neutral,
        hold_learned_duty=neutral + float(rng.uniform(-2.0, 2.0)),
        sensor_noise_deg=float(rng.uniform(0.05, 0.30)),
        report_bias_deg=bias + float(rng.uniform(-0.6, 0.6)),
        offset_trimmed=bool(rng.random() < 0.7),
        spool_stick=float(rng.uniform(0.0, 0.02)),
    )


def _draw_map(rng: np.random.Generator, side: str, family: str, authority: float) -> tuple[float, ...]:
    """Commanded angle (deg from rest, advance positive) over engine speed and load, a row an engine speed."""
    rpm = np.arange(MAP_RPM_POINTS)[:, None] * MAP_RPM_STEP
    load = np.arange(MAP_LOAD_POINTS)[None, :] * MAP_LOAD_STEP
    peak_load = rng.uniform(45.0, 65.0)
    peak_rpm = rng.uniform(1900.0, 2900.0)
    width_load, width_rpm = rng.uniform(20.0, 32.0), rng.uniform(1200.0, 2200.0)
    hill = np.exp(-(((load - peak_load) / width_load) ** 2) - ((rpm - peak_rpm) / width_rpm) ** 2)
    full_load = np.clip((load - 75.0) / 25.0, 0.0, 1.0) * np.clip(rpm / 2500.0, 0.0, 1.0)
    share = rng.uniform(0.75, 0.95) * hill + rng.uniform(0.1, 0.4) * full_load
    share = np.clip(share, 0.0, 0.95)
    # At idle the cam rests, or stands a few degrees away from rest.
    idle_share = 0.0 if rng.random() < 0.75 else rng.uniform(0.08, 0.18)
    low = np.clip((1150.0 - rpm) / 300.0, 0.0, 1.0) * np.clip((45.0 - load) / 15.0, 0.0, 1.0)
    share = share * (1.0 - low) + idle_share * low
    overrun = np.clip((18.0 - load) / 6.0, 0.0, 1.0)
    share = share * (1.0 - overrun) + (idle_share * low) * overrun
    angles = share * authority
    if family == "B":
        step = rng.choice([2.0, 2.5, 5.0])
        angles = np.round(angles / step) * step
    sign = 1.0 if side == "intake" else -1.0
    return tuple(float(x) for x in (sign * angles).ravel())


def invented_vin(seed: int) -> str:
    """A vehicle identification number with a right check digit and a maker code nobody was given."""
    body = f"ZZZ{'CAMTM'}0{'V'}{seed % 10_000_000:07d}"
    values = {c: (i % 9) + 1 for i, c in enumerate("ABCDEFGH")}
    values |= {c: i + 1 for i, c in enumerate("JKLMN")} | {"P": 7, "R": 9}
    values |= {c: i + 2 for i, c in enumerate("STUVWXYZ")} | {str(d): d for d in range(10)}
    weights = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
    total = sum(values[c] * w for c, w in zip(body, weights, strict=True)) % 11
    return body[:8] + ("X" if total == 10 else str(total)) + body[9:]
