"""Repeatable drives: idle, steady cruise, tip-in, deceleration, from a cold or a hot start."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from camlog.simulate import say
from camlog.simulate.vehicle.kernels import TICK_S, Block
from camlog.simulate.vehicle.noise import stream_generator

MODE_OFF, MODE_KEY_ON, MODE_CRANK, MODE_RUN = 0.0, 1.0, 2.0, 3.0
SEGMENT_KINDS = {"off": MODE_OFF, "key_on": MODE_KEY_ON, "crank": MODE_CRANK, "drive": MODE_RUN}
COLD_BELOW_DEGC = 45.0


@dataclass(frozen=True, slots=True)
class Style:
    """A driving style: cruising `speeds` (km/h), probability that a cruise ends in a stop (`stops`), factor on the
    acceleration (`push`), longest cruise, and most tip-ins."""

    speeds: tuple[float, ...]
    stops: float = 0.6
    push: float = 1.0
    longest_cruise_s: float = 36.0
    most_tip_ins: int = 3


STYLES = {
    "mixed": Style((30.0, 50.0, 50.0, 70.0, 90.0)),
    "town": Style((25.0, 35.0, 50.0, 50.0), stops=0.8, longest_cruise_s=20.0),
    "highway": Style((50.0, 90.0, 110.0, 120.0), stops=0.3),
    "gentle": Style((30.0, 45.0, 60.0, 80.0), push=0.55, most_tip_ins=1),
}


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of a drive: over `seconds`, speed changes linearly to `speed_kmh` (kind `drive`). The kinds `off`,
    `key_on` (ignition on, engine off) and `crank` have a duration only."""

    kind: str
    seconds: float
    speed_kmh: float = 0.0


@dataclass(frozen=True)
class DriveCycle:
    """A whole drive with its initial temperatures (degC). After the last segment the vehicle continues as that segment
    ended. `running_since_s` above 0: the recording begins with the engine running."""

    name: str
    segments: tuple[Segment, ...]
    coolant_degc: float = 20.0
    oil_degc: float = 20.0
    ambient_degc: float = 20.0
    running_since_s: float = 0.0

    @property
    def is_cold(self) -> bool:
        return self.oil_degc < COLD_BELOW_DEGC

    @property
    def starts_running(self) -> bool:
        return self.running_since_s > 0.0

    @property
    def duration_s(self) -> float:
        return float(sum(s.seconds for s in self.segments))

    @cached_property
    def _knots(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        ends = np.cumsum([s.seconds for s in self.segments])
        speeds = np.array([s.speed_kmh if s.kind == "drive" else 0.0 for s in self.segments])
        return ends, speeds, np.array([SEGMENT_KINDS[s.kind] for s in self.segments])

    def targets(self, start_tick: int, count: int) -> Block:
        """The driver's targets at `count` ticks from `start_tick`: `mode` and `wanted_speed` (km/h)."""
        ends, speeds, modes = self._knots
        time_s = np.arange(start_tick, start_tick + count) * TICK_S
        mode = modes[np.minimum(np.searchsorted(ends, time_s, side="right"), len(ends) - 1)]
        first = speeds[0] if self.starts_running else 0.0
        speed = np.interp(time_s, np.concatenate(([0.0], ends)), np.concatenate(([first], speeds)))
        return {"mode": mode, "wanted_speed": np.where(mode == MODE_RUN, speed, 0.0)}


def _drive(*stretches: tuple[float, float]) -> list[Segment]:
    return [Segment("drive", seconds, speed_kmh) for seconds, speed_kmh in stretches]


def _start(rng: np.random.Generator) -> list[Segment]:
    return [Segment("key_on", float(rng.uniform(1.0, 3.0))), Segment("crank", float(rng.uniform(0.6, 1.4)))]


def _go(rng: np.random.Generator, now: float, target: float, push: float = 1.0) -> Segment:
    rate = rng.uniform(4.0, 9.0) * push if target > now else rng.uniform(5.0, 10.0) * push
    return Segment("drive", max(0.5, abs(target - now) / rate), target)


def _cruise(rng: np.random.Generator, speed: float, style: Style) -> list[Segment]:
    segments = _drive((float(rng.uniform(10.0, style.longest_cruise_s)), speed))
    for _ in range(int(rng.integers(0, style.most_tip_ins + 1))):
        up = speed + float(rng.uniform(5.0, 18.0))
        segments.append(_go(rng, speed, up, rng.uniform(0.7, 1.2)))
        segments += _drive((float(rng.uniform(2.0, 7.0)), up))
        segments.append(_go(rng, up, speed, rng.uniform(0.6, 1.2)))
        segments += _drive((float(rng.uniform(5.0, 15.0)), speed))
    return segments


def draw_drive(seed: int, minutes: float = 10.0, start: str = "cold", style: str = "mixed") -> DriveCycle:
    """A drive of idle, cruises, tip-ins and decelerations drawn from the seed. `start` is cold or hot,
    `style` one of STYLES."""
    rng = stream_generator(seed, f"drive {start} {style}")
    how, name, end_s = STYLES[style], f"{style}, {start} start", minutes * 60.0
    ambient = coolant = oil = float(rng.uniform(-5.0, 30.0))
    if start == "hot":
        coolant, oil = float(rng.uniform(76.0, 90.0)), float(rng.uniform(72.0, 98.0))
    segments = _start(rng) + _drive((float(rng.uniform(8.0, 25.0 if minutes < 6 else 45.0)), 0.0))
    now = 0.0
    while sum(s.seconds for s in segments) < end_s:
        speed = float(rng.choice(how.speeds) + rng.uniform(-5.0, 5.0))
        segments.append(_go(rng, now, speed, how.push * rng.uniform(0.7, 1.5)))
        segments += _cruise(rng, speed, how)
        now = speed
        if rng.random() < how.stops:
            segments.append(_go(rng, now, 0.0))
            segments += _drive((float(rng.uniform(6.0, 32.0)), 0.0))
            now = 0.0
    return DriveCycle(name, _cut(segments, end_s), coolant, oil, ambient)


def _cut(segments: list[Segment], end_s: float) -> tuple[Segment, ...]:
    remaining, left = [], end_s
    for segment in segments:
        if left > 0.0:
            remaining.append(dataclasses.replace(segment, seconds=min(segment.seconds, left)))
        left -= segment.seconds
    return tuple(remaining)


def demo_drive() -> DriveCycle:
    """Twenty seconds with hot oil that show a cam at work: idle, pull away, cruise, tip-in, lift, stop."""
    segments = _drive(
        (2.0, 0.0), (4.5, 45.0), (3.0, 45.0), (1.5, 57.0), (2.5, 57.0), (1.5, 42.0), (1.5, 42.0), (3.0, 0.0),
        (3.0, 0.0),
    )  # fmt: skip
    return DriveCycle("demo", tuple(segments), 88.0, 92.0, 20.0, running_since_s=600.0)


def parked_drive(minutes: float = 5.0, start: str = "hot") -> DriveCycle:
    temp = 20.0 if start == "cold" else 86.0
    idle = Segment("drive", max(1.0, minutes * 60.0 - 2.9), 0.0)
    return DriveCycle("parked", (Segment("key_on", 2.0), Segment("crank", 0.9), idle), temp, temp, 20.0)


def permanent_code_drive(seed: int = 0, start: str = "cold") -> DriveCycle:
    """A drive that meets 13 CCR 1968.2(d): 600 s running, 300 s at 40 km/h or more, 30 s continuous idle."""
    temp = 20.0 if start == "cold" else 85.0
    segments = _start(stream_generator(seed, "permanent code drive")) + _drive((45.0, 0.0))
    for speed in (50.0, 65.0, 80.0, 50.0):
        segments += _drive(
            (10.0, speed), (45.0, speed), (2.5, speed + 14.0), (20.0, speed + 14.0), (3.0, speed),
            (45.0, speed), (8.0, 0.0), (38.0, 0.0),
        )  # fmt: skip
    return DriveCycle("permanent-code drive", tuple(segments), temp, temp, 20.0)


DRIVES = {
    "mixed": lambda seed: draw_drive(seed, 15.0, "cold", "mixed"),
    "hot": lambda seed: draw_drive(seed, 10.0, "hot", "mixed"),
    "town": lambda seed: draw_drive(seed, 12.0, "cold", "town"),
    "highway": lambda seed: draw_drive(seed, 12.0, "hot", "highway"),
    "parked": lambda seed: parked_drive(10.0),
    # For reading and clearing codes: ignition on, engine off.
    "key-on": lambda seed: DriveCycle("key-on", (Segment("key_on", 600.0),), 20.0, 20.0, 20.0),
    "verify": permanent_code_drive,
    "demo": lambda seed: demo_drive(),
}


def named_drive(name: str, seed: int = 0) -> DriveCycle:
    """A drive of DRIVES by name. Raises InputError for an unknown name."""
    if name not in DRIVES:
        raise say.error("unknown", kind="drive", name=name, known=", ".join(DRIVES))
    return DRIVES[name](seed)
