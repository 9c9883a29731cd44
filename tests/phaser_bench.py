"""A simulated phaser on the bench: how fast it follows a sharp step of its command."""

from __future__ import annotations

import dataclasses

import numpy as np

from camlog.simulate.vehicle.engine import TABLE_DEGC, gallery_pressure, viscosity_table
from camlog.simulate.vehicle.kernels import TICK_S
from camlog.simulate.vehicle.phaser import Phaser
from camlog.simulate.vehicle.setup import MAP_LOAD_POINTS, MAP_RPM_POINTS, CamSetup, OilSetup

BENCH_RPM = 1800.0
BENCH_STEP_SHARE = (0.25, 0.75)


def bench_step(cam: CamSetup, oil: OilSetup, oil_degc: float, rpm: float = BENCH_RPM) -> dict[str, float | None]:
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
    angle = Phaser(bench, 0).run(0, count, engine)["angle"] * cam.direction
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
