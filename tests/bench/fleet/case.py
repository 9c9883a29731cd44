"""Drives of the fleet, drawn from a family and a seed, each with its truth."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from camlog.drive import Drive
from camlog.profile.model import VehicleProfile
from camlog.trace import Trace
from tests.bench.fleet import house
from tests.bench.fleet.car import CamSignals, Car, Fault
from tests.bench.fleet.families import FAMILIES
from tests.bench.fleet.faults import KINDS, kinds_of
from tests.bench.fleet.logger import record
from tests.bench.fleet.loop import STEP_S
from tests.bench.fleet.parts import Family, chances
from tests.bench.fleet.road import drive_along
from tests.bench.fleet.surroundings import drive_of, profile_of

HEALTHY_SHARE = 0.45
RATES_HZ = {
    60.0: 2, 40.0: 4, 30.0: 12, 20.0: 20, 15.0: 10, 10.0: 22, 7.0: 10, 5.0: 12, 3.0: 4, 2.0: 2, 1.5: 2,
}  # fmt: skip
SHOWS_DEG, SHOWS_S = 1.5, 3.0
POOR = ("short", "parked", "coarse")


@dataclass(frozen=True)
class Truth:
    """What is true of one cam of a drive.

    `condition` as in the findings, `also` other names the same motion may fairly have, `kind` the finer fault.
    `apart_deg` is the farthest the reading came from the same cam's without the fault, `apart_s` how long it
    was plainly away from it or missing; `shows` follows from that. A healthy cam shows nothing.
    """

    condition: str
    also: tuple[str, ...] = ()
    shows: bool = False
    severity: float = 0.0
    kind: str = "healthy"
    onset_s: float = 0.0
    apart_deg: float = 0.0
    apart_s: float = 0.0


@dataclass(frozen=True)
class Recording:
    """What a scan tool kept of a drive, and what is true about each cam."""

    trace: Trace
    drive: Drive | None
    profile: VehicleProfile | None
    truth: dict[str, Truth]


@dataclass(frozen=True)
class Case:
    """One drive; everything not named here follows from the family and the seed."""

    family: str
    seed: int
    kind: str
    severity: float
    cams_concerned: tuple[str, ...]
    rate_hz: float
    minutes: float
    start: str
    poor: str | None = None
    kind_seed: int | None = None  # of the kind of car, where cars of one kind are wanted

    def record(self) -> Recording:
        """Drive, and record."""
        family = FAMILIES[self.family]
        if family.house:
            trace, drive, facts = house.record(self, family.house)
            return Recording(trace, drive, None, {cam: Truth(**fact) for cam, fact in facts.items()})
        car, sound, cams, fault = self.drive()
        rng = chances(self.family, self.seed, "recorder")
        misfires = float(rng.choice([0.0, 0.05, 0.5]))
        drive = drive_of(rng, fault, cams, self.minutes)
        profile = profile_of(rng, car)
        truth = {}
        for cam in cams:
            concerned = fault is not None and cam in fault.cams
            truth[cam] = _truth(fault, sound[cam], cams[cam], car.rpm > 300.0) if concerned else Truth("healthy")
        return Recording(
            record(rng, self.rate_hz, car.road, cams, car.phaser.drive == "oil", misfires),
            drive,
            profile,
            truth,
        )

    def drive(self) -> tuple[Car, dict[str, CamSignals], dict[str, CamSignals], Fault | None]:
        """The car, each cam as it is without the fault and as it is, and the fault (None: healthy)."""
        road = drive_along(chances(self.family, self.seed, "road"), self.minutes, self.start, self.poor == "parked")
        car = Car(FAMILIES[self.family], self.seed, road, still=self.poor == "parked", kind_seed=self.kind_seed)
        sound = {cam: car.drive(cam) for cam in car.command.cams}
        if self.kind == "healthy":
            return car, sound, sound, None
        fault = self._fault()
        return car, sound, {c: car.drive(c, fault) if c in fault.cams else sound[c] for c in sound}, fault

    def _fault(self) -> Fault:
        rng = chances(self.family, self.seed, "fault")
        kind = KINDS[self.kind]
        begins_midway, share, picks = rng.random(), rng.uniform(0.2, 0.6), rng.random()
        midway = kind.onset == "midway" or (kind.onset == "any" and begins_midway < 0.25)
        oil = "always"
        if self.kind in ("stiction_phaser", "stiction_valve", "hunting") and picks < 0.3:
            oil = "cold" if self.start == "cold" and picks < 0.15 else "hot"
        onset = 60.0 * self.minutes * share if midway else 0.0
        return Fault(self.kind, self.severity, self.cams_concerned, onset, oil)


def _truth(fault: Fault, sound: CamSignals, cam: CamSignals, running: np.ndarray) -> Truth:
    """A fault shows where the reading was SHOWS_DEG and its own noise away from that of the same cam without
    the fault, or missing, for SHOWS_S in all while the engine ran."""
    away = np.abs(cam.reading - sound.reading)
    missing = np.isnan(cam.reading)
    plain = SHOWS_DEG + cam.noise_deg + 0.5 * cam.resolution
    apart_s = float(np.sum(running & (missing | (away > plain))) * STEP_S)
    after = cam.reading[int(fault.onset_s / STEP_S) :]
    kind, also = KINDS[fault.kind], KINDS[fault.kind].also
    if kind.condition == "stuck" and np.ptp(np.round(after / cam.resolution)) < 1.5 and cam.gave_up_s is None:
        also += ("sensor",)  # not a digit moves: nobody can tell cam from reading
    farthest = float(np.nanmax(np.where(running & ~missing, away, 0.0)))
    return Truth(kind.condition, also, apart_s >= SHOWS_S, fault.severity, fault.kind, fault.onset_s, farthest, apart_s)


def draw(family: str, seed: int) -> Case:
    """A drive fit to be judged: 3 to 18 minutes, 1.5 to 60 readings a second."""
    rng = chances(family, seed, "case")
    kind = "healthy" if rng.random() < HEALTHY_SHARE else _fault_kind(rng, FAMILIES[family])
    return _case(rng, family, seed, kind)


def draw_poor(family: str, seed: int) -> Case:
    """A drive too poor to judge anything fine; `poor` says why."""
    rng = chances(family, seed, "poor case")
    kind = "healthy" if rng.random() < 0.5 else _fault_kind(rng, FAMILIES[family])
    case, poor = _case(rng, family, seed, kind), POOR[rng.integers(3)]
    if poor == "short":
        return dataclasses.replace(case, poor=poor, minutes=float(rng.uniform(0.5, 1.0)))
    if poor == "parked":
        return dataclasses.replace(case, poor=poor, minutes=float(rng.uniform(3.0, 8.0)))
    return dataclasses.replace(case, poor=poor, rate_hz=float(rng.uniform(0.25, 1.05)))


def kinds(family: str) -> tuple[str, ...]:
    """The faults a family can have."""
    return house.KINDS if FAMILIES[family].house else kinds_of(FAMILIES[family])


def _fault_kind(rng: np.random.Generator, family: Family) -> str:
    """Conditions evenly, and evenly within a condition."""
    if family.house:
        return house.KINDS[rng.integers(len(house.KINDS))]
    able = kinds_of(family)
    conditions = sorted({KINDS[kind].condition for kind in able})
    condition = conditions[rng.integers(len(conditions))]
    able = [kind for kind in able if KINDS[kind].condition == condition]
    return able[rng.integers(len(able))]


def _case(rng: np.random.Generator, name: str, seed: int, kind: str) -> Case:
    family = FAMILIES[name]
    rates, weights = np.array(list(RATES_HZ)), np.array(list(RATES_HZ.values()))
    start = "cold" if rng.random() < 0.6 or kind in ("rattle", "slow_cold") else "hot"
    severity = float(rng.uniform(0.25, 1.0)) if kind != "healthy" else 0.0
    minutes = float(3.0 + 15.0 * rng.beta(1.7, 2.4))
    cams: tuple[str, ...] = ()
    if not family.house:
        # The house's own drawing says which cams.
        cams = concerned(rng, kind, family) if kind != "healthy" else ()
    return Case(
        name, seed, kind, severity, cams,
        float(rng.choice(rates, p=weights / weights.sum()) * rng.uniform(0.85, 1.1)), minutes, start,
    )  # fmt: skip


def concerned(rng: np.random.Generator, kind: str, family: Family) -> tuple[str, ...]:
    """The cams that a fault of this kind concerns."""
    cams, scope = family.command.cams, KINDS[kind].scope
    if scope == "engine" or (scope == "bank" and family.chains == "engine"):
        return cams
    first = cams[rng.integers(len(cams))]
    if scope == "bank":
        return tuple(cam for cam in cams if cam[-2:] == first[-2:])
    two = rng.random() < 0.15
    second = cams[rng.integers(len(cams))]
    return tuple(cam for cam in cams if cam == first or (two and cam == second))
