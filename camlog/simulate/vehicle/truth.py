"""What is true of a simulated drive: the fault by name, and what it really did to each cam.

A fault that the drive never brought out cannot be found by anybody. So beside the names stands how far this
drive differed from the same drive of the same vehicle without the fault, in what the noiseless plant did.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from camlog.simulate.vehicle.engine import TABLE_DEGC, gallery_pressure, viscosity_table
from camlog.simulate.vehicle.kernels import TICK_S, Block, numba_available
from camlog.simulate.vehicle.phaser import Phaser
from camlog.simulate.vehicle.plant import timing_error
from camlog.simulate.vehicle.setup import MAP_LOAD_POINTS, MAP_RPM_POINTS, CamSetup, OilSetup, VehicleSetup

# Oil-temperature windows of the analysis.
WINDOW_EDGES_DEGC = (-np.inf, 40.0, 70.0, 100.0, np.inf)
WINDOW_NAMES = ("below_40", "40_70", "70_100", "above_100")
BENCH_RPM = 1800.0
BENCH_STEP_SHARE = (0.25, 0.75)
REST_DEG = 0.5


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
    row = np.linspace(0.0, cam.direction * cam.authority_deg, MAP_LOAD_POINTS)
    bench = dataclasses.replace(
        cam, command_map=tuple(np.tile(row, MAP_RPM_POINTS)), command_hysteresis_deg=0.0,
        command_rate_deg_s=1e5, command_lag_s=0.0, load_lag_s=TICK_S, dither_deg=0.0, torque_noise_kpa=0.0,
        hunt_kpa=0.0, sensor_noise_deg=0.0, dropout_rate_hz=0.0,
    )  # fmt: skip
    viscosity = float(np.interp(oil_degc, TABLE_DEGC, viscosity_table(oil)))
    steady = {
        "engine_speed": rpm, "oil_pressure": gallery_pressure(oil, rpm, viscosity), "viscosity": viscosity,
        "enabled": 1.0, "mode": 3.0, "fill": 1.0,
    }  # fmt: skip
    engine = {name: np.full(count, value) for name, value in steady.items()} | {"engine_load": 100.0 * share}
    angle = Phaser(bench, 0, numba_available()).run(0, count, engine)["angle"] * cam.direction
    speeds = np.diff(angle[hold:]) / TICK_S
    step = 0.632 * cam.authority_deg * (BENCH_STEP_SHARE[1] - BENCH_STEP_SHARE[0])
    there, back = angle[hold : hold + wait] - angle[hold], angle[hold + wait] - angle[hold + wait :]
    peaks = float(max(speeds.max(), 0.0)), float(max(-speeds.min(), 0.0))
    found = [(_t63(there, step), peaks[0]), (_t63(back, step), peaks[1])]
    ways = ("advance", "retard") if cam.direction > 0 else ("retard", "advance")
    return {
        f"{way}_{name}": value
        for way, values in zip(ways, found, strict=True)
        for name, value in zip(("t63_s", "slew_deg_s"), values, strict=True)
    }


def _t63(moved: np.ndarray, step: float) -> float | None:
    reached = np.flatnonzero(moved >= step)
    return float(reached[0] * TICK_S) if reached.size else None


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
    angle, same = (b[f"angle_{cam.id}"] + b[f"timing_{cam.id}"] for b in (block, healthy))
    at_rest = running & (np.abs(block[f"target_{cam.id}"]) < REST_DEG)
    # Held by friction alone: neither on a stop nor at rest.
    inside = np.abs(block[f"angle_{cam.id}"]) > REST_DEG
    stuck = running & ~at_rest & inside & (block[f"stuck_{cam.id}"] > 0.5)
    held_off = np.abs(timing_error(block, cam.id)[stuck])
    reported, reported_healthy = block[f"actual_{cam.id}"], healthy[f"actual_{cam.id}"]
    missing = ~np.isfinite(reported)
    sensor = np.where(missing, 0.0, reported) - angle - (reported_healthy - same)
    oil, windows = block["oil_temp"], {}
    for name, low, high in zip(WINDOW_NAMES, WINDOW_EDGES_DEGC[:-1], WINDOW_EDGES_DEGC[1:], strict=True):
        here = running & ~at_rest & (oil >= low) & (oil < high)
        windows[name] = {"seconds_away_from_rest": float(here.sum() * TICK_S)}
    finding, also = findings_of(setup, cam.id)
    return {
        "condition": finding,
        "also": also,
        "timing_offset_deg": cam.timing_offset_deg,
        "stick_band_deg": float(np.percentile(held_off, 99.0)) if stuck.any() else None,
        "difference_from_healthy": _spread((angle - same)[running]),
        "sensor_difference": _spread(sensor[running]),
        "missing_share": float(np.mean(missing[running])) if running.any() else 0.0,
        "windows": windows,
    }


def findings_of(setup: VehicleSetup, cam_id: str) -> tuple[str, list[str]]:
    """The Findings condition a cam truly has (that of its gravest fault), and other names that a careful
    reader may give what it does."""
    concerned = [c for c in setup.conditions if c.severity > 0.0 and cam_id in c.cams]
    if not concerned:
        return "healthy", []
    finding = max(concerned, key=lambda c: c.severity).info.finding
    return finding, sorted({n for c in concerned for n in (*c.info.also, c.info.finding)} - {finding})


def drive_truth(setup: VehicleSetup, block: Block, healthy: Block) -> dict[str, Any]:
    """The truth of a drive as plain JSON values."""
    present = [c for c in setup.conditions if c.severity > 0.0]
    return {
        "seed": setup.seed,
        "condition": present[0].kind if present else "healthy",
        "severity": max((c.severity for c in present), default=0.0),
        "conditions": [
            {
                "kind": c.kind, "words": c.info.words, "finding": c.info.finding, "severity": c.severity,
                "cams": list(c.cams), "cylinder": c.cylinder, "onset_s": c.onset_s,
            }
            for c in present
        ],
        "cams": {c.id: cam_truth(setup, c, block, healthy) for c in setup.cams},
    }  # fmt: skip
