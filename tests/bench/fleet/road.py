"""What the car goes through: driver, climate, engine speed, load, oil and coolant along one drive.

Shapes and figures are from memory of ordinary driving; nothing is taken from a particular car.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
from scipy import signal
from scipy.ndimage import gaussian_filter1d

ROAD_S = 0.1  # one step of everything here


@dataclass(frozen=True)
class Driver:
    """Speeds (km/h) driven, seconds a stretch and a stop last, chance of a stop after a stretch, hard
    acceleration (m/s2), restlessness of the foot (% of load), steepest hills (%)."""

    speeds: tuple[float, float]
    stretch_s: tuple[float, float]
    stop_s: tuple[float, float]
    stops: float
    acceleration: float
    foot: float
    hills: float = 1.0


DRIVERS = {
    "city": Driver((20.0, 60.0), (8.0, 40.0), (5.0, 35.0), 0.6, 1.6, 6.0),
    "motorway": Driver((80.0, 140.0), (30.0, 120.0), (8.0, 25.0), 0.12, 1.5, 5.0),
    "hilly": Driver((40.0, 90.0), (15.0, 60.0), (6.0, 20.0), 0.2, 1.5, 6.0, 7.0),
    "timid": Driver((25.0, 70.0), (15.0, 60.0), (8.0, 30.0), 0.35, 0.8, 2.5),
    "short hops": Driver((15.0, 50.0), (6.0, 25.0), (15.0, 60.0), 0.8, 1.4, 5.0),
    "standing": Driver((20.0, 70.0), (10.0, 40.0), (40.0, 120.0), 0.7, 1.4, 5.0),
    "brisk": Driver((40.0, 120.0), (8.0, 40.0), (5.0, 20.0), 0.3, 2.8, 10.0, 3.0),
}


@dataclass(frozen=True)
class Road:
    """One number each ROAD_S: rpm, km/h, load (%), oil and coolant (degC), oil pressure (kPa)."""

    rpm: np.ndarray
    speed: np.ndarray
    load: np.ndarray
    oil: np.ndarray
    coolant: np.ndarray
    pressure: np.ndarray
    ambient: float

    @property
    def time_s(self) -> np.ndarray:
        return np.arange(len(self.rpm)) * ROAD_S


def drive_along(rng: np.random.Generator, minutes: float, start: str, parked: bool = False) -> Road:
    """One drive of `minutes`; `start` cold or hot; `parked` stands at idle all the time."""
    count = round(minutes * 60.0 / ROAD_S)
    driver = list(DRIVERS.values())[rng.integers(len(DRIVERS))]
    ambient = float(np.clip(rng.normal(12.0, 13.0), -20.0, 40.0))
    wanted = np.zeros(count) if parked else _wanted_speed(rng, driver, count)
    speed = _follow(wanted, driver.acceleration * rng.uniform(0.8, 1.2), 2.2)
    pace = np.gradient(gaussian_filter1d(speed, 4.0)) / ROAD_S
    grade = driver.hills * _wander(rng, count, 25.0) * 0.6
    moving = speed > 0.8
    # Lively and calm stretches: a foot is not restless all the time.
    calm = 0.15 + np.clip(0.75 + 0.9 * _wander(rng, count, 20.0), 0.0, 1.6)
    foot = driver.foot * calm * _wander(rng, count, rng.uniform(1.0, 3.0))
    load = 16.0 + 0.012 * speed**2 + 30.0 * pace + 5.0 * grade + foot
    coasting = moving & (load < 10.0)
    load = np.where(moving, np.clip(load, 7.0, 98.0), rng.uniform(18.0, 26.0) + 0.6 * _wander(rng, count, 2.0))

    begin = ambient + rng.uniform(0.0, 4.0) if start == "cold" else rng.uniform(74.0, 90.0)
    thermostat = rng.uniform(86.0, 98.0)
    heat = np.cumsum(0.35 + load / 45.0) * ROAD_S
    coolant = thermostat - (thermostat - begin) * np.exp(-heat / rng.uniform(170.0, 330.0))
    coolant += 0.7 * _wander(rng, count, 20.0) * (coolant > thermostat - 4.0)
    oil_goal = coolant + 0.22 * load * (coolant / 90.0) - 2.0
    share = ROAD_S / rng.uniform(130.0, 260.0)
    oil_begin = begin if start == "cold" else begin + rng.uniform(-12.0, 8.0)
    oil, _ = signal.lfilter([share], [1.0, share - 1.0], oil_goal, zi=[(1.0 - share) * oil_begin])

    idle = rng.uniform(640.0, 820.0) + 450.0 * np.clip((40.0 - coolant) / 60.0, 0.0, 1.0)
    gears = np.array([125.0, 72.0, 48.0, 36.0, 29.0, 23.5]) * rng.uniform(0.85, 1.1)  # rpm a km/h
    kmh = speed * 3.6
    shift = rng.uniform(1900.0, 2600.0) + 18.0 * np.clip(gaussian_filter1d(load, 20.0) - 40.0, 0.0, 60.0)
    gear = np.minimum((kmh[:, None] * gears[None, :] > shift[:, None]).sum(axis=1), 5)
    rpm = gaussian_filter1d(np.where(moving, np.maximum(kmh * gears[gear], idle + 150.0), idle), 5.0)
    rpm += np.where(moving, 12.0 * _wander(rng, count, 0.8), 9.0 * _wander(rng, count, 0.5))
    load = np.where(coasting & (rpm > 1300.0), 8.0, load)
    off = int(rng.choice([0.0, 0.0, 1.5, 3.0]) / ROAD_S)
    rpm[:off] = 0.0
    rpm[off : off + 4] = 210.0
    flare = np.arange(count - off - 4) * ROAD_S
    rpm[off + 4 :] += 350.0 * np.exp(-flare / 1.5) * (1.0 - np.exp(-flare / 0.2))
    load[:off] = 0.0
    relief = rng.uniform(330.0, 480.0)
    thick = np.exp(np.clip(90.0 - oil, -40.0, 130.0) / 90.0)
    pressure = np.where(rpm > 300.0, np.minimum(20.0 + rng.uniform(95.0, 140.0) * rpm / 1000.0 * thick, relief), 0)
    return Road(np.clip(rpm, 0.0, 6800.0), kmh, np.clip(load, 0.0, 100.0), oil, coolant, pressure, ambient)


def _wanted_speed(rng: np.random.Generator, driver: Driver, count: int) -> np.ndarray:
    """Speed the driver wants (m/s), stretch by stretch, beginning with a wait at idle."""
    parts, made = [], 0
    waits = True
    while made < count:
        if waits:
            low, high = driver.stop_s
            part = np.zeros(int(rng.uniform(low, high) / ROAD_S))
        else:
            n = int(rng.uniform(*driver.stretch_s) / ROAD_S)
            part = np.full(n, rng.uniform(*driver.speeds) / 3.6)
            part += _wander(rng, n, 6.0) * 0.04 * part
        waits = not waits and rng.random() < driver.stops
        parts.append(part)
        made += len(part)
    return np.concatenate(parts)[:count]


def _wander(rng: np.random.Generator, n: int, correlation_s: float) -> np.ndarray:
    """First-order autoregressive noise (n,) of unit variance."""
    rho = np.exp(-ROAD_S / correlation_s)
    return signal.lfilter([np.sqrt(1.0 - rho**2)], [1.0, -rho], rng.normal(size=n))


@numba.njit(cache=True)
def _follow(wanted, up, down):
    """Speed (m/s) that follows the wanted one, accelerating at most `up`, braking at most `down` (m/s2)."""
    out = np.empty(len(wanted))
    speed = 0.0
    for i in range(len(wanted)):
        change = (wanted[i] - speed) / 1.5
        weaker = up * max(1.0 - speed / 60.0, 0.2)
        speed = max(speed + min(max(change, -down), weaker) * 0.1, 0.0)
        if wanted[i] == 0.0 and speed < 0.4:
            speed = 0.0
        out[i] = speed
    return out
