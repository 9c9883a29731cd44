"""Draw a vehicle from a seed: its parameters from their ranges, then the faults."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from camlog import cams
from camlog.simulate.vehicle.conditions import Condition, with_condition
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
    draw_fields,
    healthy_twin,
)

if TYPE_CHECKING:
    from camlog.profile import VehicleProfile

# Cylinders of each bank, and the name of the vehicle.
ENGINES = {"four": (((1, 2, 3, 4),), "Invented four-cylinder"), "v6": (((1, 3, 5), (2, 4, 6)), "Invented V6")}
DIRECTIONS = {"intake": 1.0, "exhaust": -1.0}
DEMO_SEED = 7
_CAM_FIELDS = {f.name for f in dataclasses.fields(CamSetup)} - {"id", "direction", "command_map"}


def draw_setup(
    seed: int, conditions: Sequence[Condition] = (), family: str = "A", engine: str = "four", **overrides: Any
) -> VehicleSetup:
    """A vehicle with every parameter drawn from the seed and the conditions built into it.

    `family` is A or B, `engine` `four` (intake_b1, exhaust_b1) or `v6` (both banks). `overrides` set
    fields of EngineSetup (`engine_NAME`), OilSetup (`oil_NAME`), every CamSetup (`cam_NAME`, or
    `intake_NAME`, `exhaust_NAME`) or VehicleSetup (`enable_NAME`) before the conditions are applied. The
    same arguments give the same vehicle, and conditions do not change what else is drawn."""
    rng = stream_generator(seed, f"vehicle {family} {engine}")
    banks, name = ENGINES[engine]
    fixed = {"cylinders": sum(map(len, banks)), "banks": banks}
    whole = EngineSetup(**draw_fields(EngineSetup, rng, (engine,), **fixed))
    oil = OilSetup(**draw_fields(OilSetup, rng, ()))
    bias = rng.uniform(-0.7, 0.7)
    sides = {side: _draw_cam(rng, side, family) for side in DIRECTIONS}
    drawn_cams = tuple(
        _vary_cam(rng, dataclasses.replace(cam, id=cams.cam_id(side, bank)), bias)
        for bank in range(1, len(banks) + 1)
        for side, cam in sides.items()
    )
    misfire = MisfireSetup(**draw_fields(MisfireSetup, rng, ()))
    setup = VehicleSetup(
        seed=seed, family=family, name=name, vin=invented_vin(seed), engine=whole, oil=oil, cams=drawn_cams,
        misfire=misfire, **draw_fields(VehicleSetup, rng, ()),
    )  # fmt: skip
    for key, value in overrides.items():
        setup = _override(setup, key, value)
    return with_conditions(setup, conditions)


def with_conditions(setup: VehicleSetup, conditions: Sequence[Condition]) -> VehicleSetup:
    healthy = healthy_twin(setup)
    setup = dataclasses.replace(healthy, healthy=healthy if conditions else None)
    for n, condition in enumerate(conditions):
        rng = stream_generator(setup.seed, f"condition {condition.kind}", n)
        setup = with_condition(setup, condition, rng)
    return setup


def demo_setup(*conditions: Condition) -> VehicleSetup:
    """The vehicle the demo drives; its signals fit the shipped demo profile."""
    return draw_setup(
        DEMO_SEED, conditions, oil_grade="5W-30", enable_delay_s=1.0, enable_coolant_degc=0.0,
        engine_crank_sprocket_teeth=21, engine_loaded_chain_links=42, engine_displacement_l=2.0,
        intake_authority_deg=50.0, exhaust_authority_deg=40.0,
    )  # fmt: skip


def profile_overrides(profile: VehicleProfile) -> dict[str, Any]:
    """Overrides for `draw_setup` that make a drawn vehicle match a vehicle profile: oil grade, displacement, chain
    geometry and the cams' ranges. Values that the profile leaves open stay drawn."""
    engine = profile.engine
    overrides = {
        "oil_grade": profile.oil_grade,
        "engine_displacement_l": engine.displacement_l,
        "engine_crank_sprocket_teeth": engine.crank_sprocket_teeth,
        "engine_loaded_chain_links": engine.loaded_chain_links,
    }
    for cam in profile.cams:
        if cam.range_deg is not None:
            overrides[f"{cams.side_of(cam.id)}_authority_deg"] = cam.range_deg[1] - cam.range_deg[0]
    return {name: value for name, value in overrides.items() if value is not None}


def _override(setup: VehicleSetup, key: str, value: Any) -> VehicleSetup:
    part, _, name = key.partition("_")
    if part in ("engine", "oil") and hasattr(getattr(setup, part), name):
        changed = dataclasses.replace(getattr(setup, part), **{name: value})
        return dataclasses.replace(setup, **{part: changed})
    if part in ("cam", *DIRECTIONS) and name in _CAM_FIELDS:
        changed = tuple(_set_cam(c, name, value) if part in ("cam", c.side) else c for c in setup.cams)
        return dataclasses.replace(setup, cams=changed)
    if part == "enable" and hasattr(setup, key):
        return dataclasses.replace(setup, **{key: value})
    raise ValueError(f"override {key!r} is not known")


def _set_cam(cam: CamSetup, name: str, value: Any) -> CamSetup:
    changed = dataclasses.replace(cam, **{name: value})
    if name == "authority_deg":
        # The command has the same travel as the phaser.
        scale = changed.authority_deg / cam.authority_deg
        changed = dataclasses.replace(changed, command_map=tuple(x * scale for x in cam.command_map))
    return changed


def _draw_cam(rng: np.random.Generator, side: str, family: str) -> CamSetup:
    fixed = {"id": "", "family": family, "direction": DIRECTIONS[side]}
    values = draw_fields(CamSetup, rng, (side, family), **fixed)
    angles = _draw_map(rng, values["direction"], family, values["authority_deg"])
    return CamSetup(**values, command_map=angles)


def _vary_cam(rng: np.random.Generator, cam: CamSetup, bias: float) -> CamSetup:
    """A cam with slightly varied parameters, because two phasers of one make are similar but not equal."""

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


def _draw_map(rng: np.random.Generator, sign: float, family: str, authority: float) -> tuple[float, ...]:
    """Commanded angle (deg from rest, advance positive) over engine speed and load, one row for each engine speed."""
    rpm = np.arange(MAP_RPM_POINTS)[:, None] * MAP_RPM_STEP
    load = np.arange(MAP_LOAD_POINTS)[None, :] * MAP_LOAD_STEP
    peak_load, peak_rpm = rng.uniform(45.0, 65.0), rng.uniform(1900.0, 2900.0)
    width_load, width_rpm = rng.uniform(20.0, 32.0), rng.uniform(1200.0, 2200.0)
    hill = np.exp(-(((load - peak_load) / width_load) ** 2) - ((rpm - peak_rpm) / width_rpm) ** 2)
    full_load = np.clip((load - 75.0) / 25.0, 0.0, 1.0) * np.clip(rpm / 2500.0, 0.0, 1.0)
    share = rng.uniform(0.75, 0.95) * hill + rng.uniform(0.1, 0.4) * full_load
    share = np.clip(share, 0.0, 0.95)
    # At idle the cam is at rest or a few degrees away from it.
    idle_share = 0.0 if rng.random() < 0.75 else rng.uniform(0.08, 0.18)
    low = np.clip((1150.0 - rpm) / 300.0, 0.0, 1.0) * np.clip((45.0 - load) / 15.0, 0.0, 1.0)
    share = share * (1.0 - low) + idle_share * low
    overrun = np.clip((18.0 - load) / 6.0, 0.0, 1.0)
    share = share * (1.0 - overrun) + (idle_share * low) * overrun
    angles = share * authority
    if family == "B":
        step = rng.choice([2.0, 2.5, 5.0])
        angles = np.round(angles / step) * step
    return tuple(float(x) for x in (sign * angles).ravel())


def invented_vin(seed: int) -> str:
    """A vehicle identification number with a valid check digit and an unassigned maker code."""
    body = f"ZZZCAMTM0V{seed % 10_000_000:07d}"
    letters = zip("ABCDEFGHJKLMNPRSTUVWXYZ", "12345678123457923456789", strict=True)
    values = {letter: int(value) for letter, value in letters}
    weights = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
    total = sum((int(c) if c.isdigit() else values[c]) * w for c, w in zip(body, weights, strict=True)) % 11
    return body[:8] + ("X" if total == 10 else str(total)) + body[9:]
