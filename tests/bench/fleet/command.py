"""Set-point maps: the angle the control module asks of a cam, along a drive."""

from __future__ import annotations

import numba
import numpy as np

from tests.bench.fleet.parts import Command
from tests.bench.fleet.road import Road

LEAST_DEG = 1.0  # a smaller set-point is rest
STEP_HYSTERESIS = 0.65  # of a step the map must move before the next step is taken


def asked_angle(rng: np.random.Generator, command: Command, road: Road, side: str) -> np.ndarray:
    """Set-point (deg from rest) at each step of the road, for an intake or exhaust cam."""
    peak = command.peak_intake if side == "intake" else command.peak_exhaust
    rise, fall = rng.uniform(1050.0, 1500.0), rng.uniform(3200.0, 4800.0)
    middle, width = rng.uniform(25.0, 50.0), rng.uniform(8.0, 20.0)
    floor = rng.choice([0.0, rng.uniform(0.1, 0.5)])
    fades = rng.uniform(0.5, 1.0)  # of the angle, at full load
    rpm, load = road.rpm, road.load
    by_speed = _s((rpm - rise) / 130.0) * (1.0 - 0.8 * _s((rpm - fall) / 500.0))
    by_load = floor + (1.0 - floor) * _s((load - middle) / width) * (1.0 - fades * _s((load - 85.0) / 5.0))
    angle = peak * by_speed * by_load
    if command.behind > 0.0:
        light = rng.uniform(20.0, 35.0)
        angle -= command.behind * _s((rpm - 1350.0) / 120.0) * _s((light - load) / 5.0)
    if command.idle > 0.0:
        angle = np.where(rpm > 300.0, np.maximum(angle, command.idle), 0.0)
    if command.heating > 0.0:
        ends_s = rng.uniform(35.0, 80.0)
        heats = (road.coolant < 55.0) & (road.time_s < ends_s) & (road.time_s > 3.0) & (road.load < 35.0)
        angle = np.where(heats, np.maximum(angle, command.heating), angle)
    if command.steps > 0.0:
        angle = _staircase(angle, command.steps, STEP_HYSTERESIS)
    angle = np.where((road.oil < command.from_oil) | (rpm < 300.0) | (road.time_s < 2.0), 0.0, angle)
    return np.where(np.abs(angle) < LEAST_DEG, 0.0, angle)


def _s(x: np.ndarray) -> np.ndarray:
    return 1.0 / (1.0 + np.exp(-np.clip(x, -50.0, 50.0)))


@numba.njit(cache=True)
def _staircase(angle, step, hysteresis):
    out = np.empty(len(angle))
    held = 0.0
    for i in range(len(angle)):
        if abs(angle[i] - held) > hysteresis * step:
            held = np.round(angle[i] / step) * step
        out[i] = held
    return out
