"""One car of the fleet on one road: every cam stepped through its loop, sound or with its fault."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

from tests.bench.fleet.command import asked_angle
from tests.bench.fleet.faults import KINDS, Patient
from tests.bench.fleet.loop import STEP_S, Along, Fixed, run
from tests.bench.fleet.parts import Family, chances, drawn
from tests.bench.fleet.road import ROAD_S, Road

PER_ROAD_STEP = round(ROAD_S / STEP_S)
FULL_PRESSURE_KPA = 300.0
LEAST_SHARE = 0.2  # of a drive in which a fault of cold or of hot oil acts


@dataclass(frozen=True)
class CamSignals:
    """What the module publishes of one cam, per STEP_S, in trace angles (advance positive); `reading` is NaN
    where none came. `noise_deg` is what a sound reading of this cam varies by itself. `gave_up_s` is None
    unless the controller gave up."""

    command: np.ndarray
    reading: np.ndarray
    duty: np.ndarray
    resolution: float
    noise_deg: float
    gave_up_s: float | None


@dataclass(frozen=True)
class Fault:
    """The fault of a drive: its KINDS name, severity, the cams it concerns, onset, and in which oil it acts
    (always, cold or hot)."""

    kind: str
    severity: float
    cams: tuple[str, ...]
    onset_s: float = 0.0
    oil: str = "always"


class Car:
    """A car drawn from its family and a seed; `drive` runs it with or without a fault, on the same chances.

    Cars with one `kind_seed` have the same parts and maps; manufacture, wear and road are each car's own.
    """

    def __init__(self, family: Family, seed: int, road: Road, still: bool = False, kind_seed: int | None = None):
        self.family, self.seed, self.road = family, seed, road
        rng = chances(family.name, seed if kind_seed is None else kind_seed, "car")
        self.phaser, self.controller, self.command, self.sensor = (
            drawn(part, rng) for part in (family.phaser, family.controller, family.command, family.sensor)
        )
        maps = {side: asked_angle(rng, self.command, road, side) for side in ("intake", "exhaust")}
        if still:
            maps = {side: np.full(len(asked), asked[-1]) for side, asked in maps.items()}
        self.asked = {side: np.repeat(asked, PER_ROAD_STEP) for side, asked in maps.items()}
        if not self.command.steps and not still:
            # A smooth map is worked out several times between two steps of the road.
            self.asked = {side: _between_steps(asked) for side, asked in maps.items()}
        self.oil, self.rpm, pressure = (
            np.interp(np.arange(len(road.rpm) * PER_ROAD_STEP) * STEP_S, road.time_s, y)
            for y in (road.oil, road.rpm, road.pressure)
        )
        self.thin = self.phaser.cold ** -(np.clip((90.0 - self.oil) / 100.0, 0.0, 1.2) ** 1.3)
        self.strength = np.clip(pressure / FULL_PRESSURE_KPA, 0.15, 1.1) ** self.phaser.pressure
        if self.phaser.drive == "torque":
            self.strength = 1.0 - 0.3 * np.clip((self.rpm - 3500.0) / 3000.0, 0.0, 1.0)

    def drive(self, cam: str, fault: Fault | None = None) -> CamSignals:
        """Run one cam; `fault` acts if it concerns this cam."""
        side = cam.split("_")[0]
        along, fixed = self._sound(chances(self.family.name, self.seed, cam), side)
        after: list = []
        if fault is not None and cam in fault.cams:
            self._harm(along, fixed, after, fault, cam)
        learns = self.sensor.learns
        fixed["learned"] = float(np.clip(fixed["start"] + along["timing"][0] + fixed["bias"], -learns, learns))
        command, reading, duty, gave_up = run(Along(**along), Fixed(**fixed))
        for change in after:
            reading = change(reading)
        if self.sensor.clips:
            reading = np.maximum(reading, 0.0)
        every = max(int(self.sensor.published_s / STEP_S), 1)
        kept = np.arange(len(reading)) // every * every
        sign = 1.0 if side == "intake" else -1.0
        return CamSignals(
            sign * command[kept], sign * reading[kept], duty, self.sensor.resolution, self.sensor.noise,
            None if gave_up < 0 else gave_up * STEP_S,
        )  # fmt: skip

    def _sound(self, rng: np.random.Generator, side: str) -> tuple[dict, dict]:
        """The loop's inputs for a sound cam, with its spread of manufacture and mild wear."""
        ph, ct, se = self.phaser, self.controller, self.sensor
        n = len(self.oil)
        chance = rng.normal(size=n)
        speed = ph.speed * rng.uniform(0.87, 1.15)
        gain = ct.bandwidth / ph.speed
        hurry = 4.0 if ct.on_off else 1.0
        rho = np.exp(-STEP_S / 0.3)
        push = signal.lfilter([np.sqrt(1.0 - rho**2)], [1.0, -rho], rng.normal(size=n)) * rng.uniform(0.2, 1.2)
        zero, one = np.zeros(n), np.ones(n)
        along = {
            "asked": self.asked[side],
            "speed": speed * self.thin * self.strength,
            "gain": np.clip(1.0 / self.thin, 1.0, 3.0) if ct.scheduled else one,
            "friction": one * gain * ph.friction * rng.uniform(0.7, 1.3) * hurry,
            "valve_friction": zero.copy(),
            "leak": ph.leak * rng.uniform(0.6, 1.4) * (0.4 + 0.6 * np.clip(self.oil / 90.0, 0.0, 1.2)),
            "push": push * (0.2 if ph.drive == "electric" else 1.0),
            "delay": one,
            "seized": zero.copy(),
            "rattle": zero,
            "timing": zero,
            "noise": rng.normal(size=n) * se.noise * rng.uniform(0.8, 1.25),
            "alive": one.copy(),
            "turn": self.rpm / 120.0 * STEP_S,
            "chance": chance,
        }
        fixed = {
            name: getattr(part, name) for part in (ph, ct, se) for name in Fixed._fields if hasattr(part, name)
        } | {
            "start": 0.0,
            "travel": ph.travel_intake if side == "intake" else ph.travel_exhaust,
            "cam_torque": ph.drive == "torque",
            "gain": gain,
            "hold_error": ct.hold_error + rng.uniform(-0.02, 0.02) * (ph.drive != "electric"),
            "gives_up_to_rest": ct.gives_up_to == "rest",
            "limited": self.command.publishes == "limited",
            "bias": se.bias * rng.uniform(0.4, 1.0) * rng.choice([-1.0, 1.0]),
            "learned": 0.0, "groove": 0.0, "groove_width": 0.0, "groove_friction": 0.0, "groove_from": 0,
        }  # fmt: skip
        return along, fixed

    def _harm(self, along: dict, fixed: dict, after: list, fault: Fault, cam: str) -> None:
        on = np.arange(len(self.oil)) * STEP_S >= fault.onset_s
        acts = {"always": on, "cold": on & (self.oil < 60.0), "hot": on & (self.oil > 60.0)}[fault.oil]
        if acts.mean() > LEAST_SHARE:  # a drive whose oil never gets there has the fault in all oil
            on = acts
        rng, shared = (chances(self.family.name, self.seed, f"fault {k}") for k in (cam, "of all"))
        side = cam.split("_")[0]
        patient = Patient(along, fixed, on, self.oil, fault.severity, rng, shared, side, after)
        KINDS[fault.kind].act(patient)


def _between_steps(asked: np.ndarray) -> np.ndarray:
    """The same set-point, four times as often; rest stays exactly rest."""
    fine = np.interp(np.arange(len(asked) * 4) / 4.0, np.arange(len(asked)), asked)
    return np.repeat(np.where(np.abs(fine) < 1.0, 0.0, fine), PER_ROAD_STEP // 4)
