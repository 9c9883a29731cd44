"""The parts a car of the fleet is built from, and a family as a choice of parts.

A number in a part may be given as a pair (low, high): a car draws it evenly from that range. A list is a
choice. Angles are crankshaft degrees counted from rest in the direction the phaser travels.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np

Spread = float | tuple[float, float] | list[float]
Part = TypeVar("Part")


@dataclass(frozen=True)
class Phaser:
    """What turns the cam, and with what force.

    `speed` is the fastest travel (deg/s) with warm oil at full pressure. `cold` is how many times slower it is
    with oil of -10 degC; `pressure` the exponent by which it falls with oil pressure. `inward` is the speed
    toward rest over the speed away from it. `spring` pulls toward rest, as a share of the full effort at the
    end of travel. `friction` is the error (deg) at which the controller breaks it loose. `leak` (deg/s) drifts
    toward rest. `behind_rest` is the travel on the other side of a lock pin that is not at the end.
    """

    drive: str  # oil | torque | electric
    speed: Spread
    cold: Spread = 1.0
    pressure: Spread = 0.0
    inward: Spread = 1.0
    spring: Spread = 0.0
    lag_s: Spread = 0.02
    friction: Spread = (0.0, 0.4)
    leak: Spread = (0.0, 1.5)
    travel_intake: Spread = 50.0
    travel_exhaust: Spread = 40.0
    behind_rest: Spread = 0.0


@dataclass(frozen=True)
class Controller:
    """The control module's loop.

    `bandwidth` (1/s) is the speed asked for per degree of error; `integral_s` the integral time, 0 for none.
    `hold_error` is how far the stored hold duty lies from the valve's own, as a share of the full effort.
    `on_off` (deg) above 0 makes a switch of it with that dead band. `dither` is a share of the full effort.
    `gives_up` (deg) above 0: after an error beyond it for `patience_s`, it commands rest or the stored hold duty.
    `setpoint_rate` (deg/s) above 0 limits the set-point, `filter_s` smooths it.
    """

    bandwidth: Spread
    integral_s: Spread
    anti_windup: bool = True
    scheduled: bool = False
    hold_error: Spread = (-0.06, 0.06)
    on_off: Spread = 0.0
    dither: Spread = 0.0
    dither_hz: Spread = 8.0
    gives_up: Spread = 0.0
    patience_s: Spread = 5.0
    gives_up_to: str = "rest"  # rest | hold
    setpoint_rate: Spread = 0.0
    filter_s: Spread = 0.0
    period_s: Spread = 0.010
    valve_lag_s: Spread = 0.015
    valve_overlap: Spread = (0.0, 0.03)
    parks: bool = True  # at rest it drops the duty instead of controlling to zero


@dataclass(frozen=True)
class Command:
    """The set-point map: where the module wants the cams, by speed, load and temperature.

    `steps` above 0 makes it a staircase of that many degrees with hysteresis. `idle` is held at warm idle,
    `heating` while the catalyst warms up. Below `from_oil` (degC) the cams stay at rest. `publishes` is what
    the scan tool gets to see: the set-point as asked, or as limited and filtered.
    """

    cams: tuple[str, ...]
    peak_intake: Spread = 35.0
    peak_exhaust: Spread = 25.0
    steps: Spread = 0.0
    idle: Spread = 0.0
    heating: Spread = 0.0
    from_oil: Spread = -40.0
    behind: Spread = 0.0  # deg behind rest commanded at light load, for a lock pin that is not at the end
    publishes: str = "limited"  # asked | limited


@dataclass(frozen=True)
class Sensor:
    """How the module knows the angle.

    One angle at each of `events` tooth edges a cam turn, mean of the last `average`. `noise` (deg, standard
    deviation of one edge), `bias` (deg, as built). `learns` (deg) above 0: the reading at rest becomes zero
    at each key-on, at most that far. `clips`: nothing behind rest is reported.
    """

    events: Spread
    average: int = 1
    resolution: Spread = 0.1
    noise: Spread = (0.05, 0.25)
    bias: Spread = (-1.0, 1.0)
    learns: Spread = 0.0
    clips: bool = False
    published_s: Spread = 0.01


@dataclass(frozen=True)
class Family:
    """One kind of car. `house` names the project's own simulator family where this wraps one."""

    name: str
    description: str
    source: str
    phaser: Phaser | None = None
    controller: Controller | None = None
    command: Command | None = None
    sensor: Sensor | None = None
    chains: str = "bank"  # bank: a chain for each bank; engine: one for all; none: gears or short belt
    house: str = ""


def chances(family: str, seed: int, purpose: str) -> np.random.Generator:
    """The random numbers of one car for one purpose; families share none."""
    return np.random.default_rng([seed, *f"{family}/{purpose}".encode()])


def drawn(part: Part, rng: np.random.Generator) -> Part:
    """The part with each range and choice replaced by one number."""
    return dataclasses.replace(
        part,
        **{
            f.name: _one(value, rng)
            for f in dataclasses.fields(part)
            if isinstance(value := getattr(part, f.name), (tuple, list)) and f.name != "cams"
        },
    )


def _one(value: Any, rng: np.random.Generator) -> float:
    return float(rng.uniform(*value) if isinstance(value, tuple) else value[rng.integers(len(value))])
