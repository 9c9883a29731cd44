"""What is true of a simulated drive: the fault by name, and what it really did to each cam.

A fault that the drive never brought out cannot be found by anybody. So beside
the names stand quantities of the noiseless plant: how each cam would answer a
step on a bench at several oil temperatures, and how far this drive differed
from the same drive of the same vehicle without the fault.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from camlog.simulate.vehicle.compiled import numba_available
from camlog.simulate.vehicle.engine import gallery_pressure, viscosity_table
from camlog.simulate.vehicle.phaser import Phaser
from camlog.simulate.vehicle.plant import Block
from camlog.simulate.vehicle.setup import (
    MAP_LOAD_POINTS,
    MAP_RPM_POINTS,
    TICK_S,
    CamSetup,
    OilSetup,
    VehicleSetup,
)

# Oil-temperature windows of the analysis, each with the temperature of its bench test.
WINDOW_EDGES_DEGC = (-np.inf, 40.0, 70.0, 100.0, np.inf)
BENCH_OIL_DEGC = (20.0, 55.0, 85.0, 108.0)
WINDOW_NAMES = ("below_40", "40_70", "70_100", "above_100")
BENCH_RPM = 1800.0
BENCH_STEP_SHARE = (0.25, 0.75)
STEADY_BAND_DEG = 1.0
STEADY_BEFORE_S = 2.0
REST_DEG = 0.5
LARGE_DIFFERENCE_DEG = 2.0


def bench_step(
    cam: CamSetup, oil: OilSetup, oil_degc: float, rpm: float = BENCH_RPM
) -> dict[str, float | None]:
    """T63 (s) and peak slew (deg/s) of the cam's real angle after a sharp step of its command, each way.

    The step goes between a quarter and three quarters of the authority, at a
    steady engine speed, without disturbance; T63 is None where 63 % of the
    step is not reached within 6 s. Terms of ANSI/ISA-TR75.25.02.
    """
    hold, wait = round(3.0 / TICK_S), round(6.0 / TICK_S)
    count = hold + 2 * wait
    share = np.full(count, BENCH_STEP_SHARE[0])
    share[hold : hold + wait] = BENCH_STEP_SHARE[1]
    reach = cam.direction * cam.authority_deg
    row = np.arange(MAP_LOAD_POINTS) / (MAP_LOAD_POINTS - 1) * reach
    bench = dataclasses.replace(
        cam, command_map=tuple(float(x) for x in np.tile(row, MAP_RPM_POINTS)), command_hysteresis_deg=0.0,
        command_rate_deg_s=1e5, command_lag_s=0.0, load_lag_s=TICK_S, dither_deg=0.0, torque_noise_kpa=0.0,
        hunt_kpa=0.0, sensor_noise_deg=0.0, dropout_rate_hz=0.0,
    )  # fmt: skip
    table = viscosity_table(oil)
    viscosity = float(np.interp(oil_degc, np.arange(-40.0, 181.0), table))
    pressure = gallery_pressure(oil, rpm, viscosity)
    engine = {
        name: np.full(count, value)
        for name, value in {
            "engine_speed": rpm, "oil_pressure": pressure, "viscosity": viscosity, "enabled": 1.0, "mode":
            3.0, "fill": 1.0,
        }.items()
    }  # fmt: skip
    engine["engine_load"] = 100.0 * share
    angle = Phaser(bench, 0, numba_available()).run(0, count, engine)["angle"] * cam.direction
    away = _t63(angle[hold : hold + wait], cam.authority_deg)
    back = _t63(-angle[hold + wait :] + angle[hold + wait], cam.authority_deg, start=0.0)
    speeds = np.diff(angle[hold:]) / TICK_S
    advance_first = cam.direction > 0
    return {
        "advance_t63_s": away if advance_first else back,
        "retard_t63_s": back if advance_first else away,
        "advance_slew_deg_s": float(max(speeds.max(), 0.0) if advance_first else max(-speeds.min(), 0.0)),
        "retard_slew_deg_s": float(max(-speeds.min(), 0.0) if advance_first else max(speeds.max(), 0.0)),
    }


def _t63(angle: np.ndarray, authority: float, start: float | None = None) -> float | None:
    begin = float(angle[0]) if start is None else start
    goal = begin + 0.632 * authority * (BENCH_STEP_SHARE[1] - BENCH_STEP_SHARE[0])
    reached = np.flatnonzero(angle >= goal)
    return float(reached[0] * TICK_S) if reached.size else None


def steady_ticks(target: np.ndarray) -> np.ndarray:
    """Boolean per tick: the command has stayed within a band of 1 deg over the last 2 s."""
    window = round(STEADY_BEFORE_S / TICK_S)
    span = maximum_filter1d(target, window, origin=window // 2 - 1) - minimum_filter1d(
        target, window, origin=window // 2 - 1
    )
    return span <= STEADY_BAND_DEG


def _spread(values: np.ndarray) -> dict[str, float] | None:
    if not values.size:
        return None
    size = np.abs(values)
    return {
        "rms_deg": float(np.sqrt(np.mean(values**2))),
        "p95_deg": float(np.percentile(size, 95.0)),
        "max_deg": float(size.max()),
    }


def cam_truth(setup: VehicleSetup, cam: CamSetup, block: Block, healthy: Block) -> dict[str, Any]:
    """What one cam really did in a drive, against the same drive without the fault."""
    running = (block["mode"] > 2.0) & (block["engine_speed"] > 400.0)
    target, angle = block[f"target_{cam.id}"], block[f"angle_{cam.id}"] + block[f"timing_{cam.id}"]
    same = healthy[f"angle_{cam.id}"] + healthy[f"timing_{cam.id}"]
    error, difference = angle - target, angle - same
    at_rest = running & (np.abs(target) < REST_DEG)
    steady = running & steady_ticks(target)
    held = steady & ~at_rest
    # Held by friction alone: neither on a stop nor at rest.
    inside = np.abs(block[f"angle_{cam.id}"]) > REST_DEG
    stuck = running & ~at_rest & inside & (block[f"stuck_{cam.id}"] > 0.5)
    windows = {}
    oil = block["oil_temp"]
    for name, low, high, bench in zip(
        WINDOW_NAMES, WINDOW_EDGES_DEGC[:-1], WINDOW_EDGES_DEGC[1:], BENCH_OIL_DEGC, strict=True
    ):
        here = running & (oil >= low) & (oil < high)
        windows[name] = {
            "seconds": float(here.sum() * TICK_S),
            "seconds_away_from_rest": float((here & ~at_rest).sum() * TICK_S),
            "steady_error": _spread(error[here & held]),
            "difference_from_healthy": _spread(difference[here]),
            "bench": bench_step(cam, setup.oil, bench),
            "bench_healthy": bench_step(setup_healthy_cam(setup, cam.id), setup.healthy_oil, bench),
        }
    early = at_rest & (block["run_time"] < 6.0)
    reported, reported_healthy = block[f"actual_{cam.id}"], healthy[f"actual_{cam.id}"]
    sensor = np.where(np.isfinite(reported), reported, 0.0) - angle - (reported_healthy - same)
    return {
        "condition": finding_of(setup, cam.id),
        "also": also_of(setup, cam.id),
        "timing_offset_deg": cam.timing_offset_deg,
        "moves_commanded": int(_moves(target[running])),
        "seconds_away_from_rest": float((running & ~at_rest).sum() * TICK_S),
        "steady_error": _spread(error[held]),
        "moving_error": _spread(error[running & ~steady & ~at_rest]),
        "rest_error": _spread(error[at_rest & steady & (block["fill"] > 0.95)]),
        "cold_start_flutter": _spread(error[early] - np.median(error[early])) if early.any() else None,
        "stick_band_deg": float(np.percentile(np.abs(error[stuck]), 99.0)) if stuck.any() else None,
        "difference_from_healthy": _spread(difference[running]),
        "seconds_over_2_deg_from_healthy": float(
            (running & (np.abs(difference) > LARGE_DIFFERENCE_DEG)).sum() * TICK_S
        ),
        "sensor_difference": _spread(sensor[running]),
        "missing_share": float(np.mean(~np.isfinite(reported[running]))) if running.any() else 0.0,
        "windows": windows,
    }


def _moves(target: np.ndarray) -> int:
    """Moves of the command of 8 deg or more within 1 s, each counted once."""
    second = round(1.0 / TICK_S)
    if len(target) <= second:
        return 0
    large = np.abs(target[second:] - target[:-second]) >= 8.0
    return int(np.count_nonzero(large[1:] & ~large[:-1]) + large[0])


def setup_healthy_cam(setup: VehicleSetup, cam_id: str) -> CamSetup:
    """The cam as it was before any fault."""
    return next(c for c in setup.healthy_cams if c.id == cam_id)


def finding_of(setup: VehicleSetup, cam_id: str) -> str:
    """The Findings condition a cam truly has: that of the gravest fault that concerns it."""
    concerned = [c for c in setup.conditions if c.severity > 0.0 and cam_id in c.cams]
    return max(concerned, key=lambda c: c.severity).info.finding if concerned else "healthy"


def also_of(setup: VehicleSetup, cam_id: str) -> list[str]:
    """Other names a careful reader may give what this cam does."""
    concerned = [c for c in setup.conditions if c.severity > 0.0 and cam_id in c.cams]
    names = {n for c in concerned for n in (*c.info.also, c.info.finding)} - {finding_of(setup, cam_id)}
    return sorted(names)


def drive_truth(setup: VehicleSetup, block: Block, healthy: Block) -> dict[str, Any]:
    """The truth of a drive as plain JSON values."""
    present = [c for c in setup.conditions if c.severity > 0.0]
    return {
        "seed": setup.seed,
        "family": setup.family,
        "conditions": [
            {
                "kind": c.kind, "words": c.info.words, "finding": c.info.finding, "severity": c.severity,
                "cams": list(c.cams), "cylinder": c.cylinder, "onset_s": c.onset_s,
            }
            for c in present
        ],
        "condition": present[0].kind if present else "healthy",
        "severity": max((c.severity for c in present), default=0.0),
        "onset_s": setup.onset_s if present else None,
        "cams": {c.id: cam_truth(setup, c, block, healthy) for c in setup.cams},
        "parameters": setup.parameters(),
    }  # fmt: skip
