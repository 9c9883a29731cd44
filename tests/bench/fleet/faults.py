"""Every fault of the fleet: what it is called, which cams it concerns, and how it acts on the car.

Severity runs from 0.25 (barely beyond what sound cars do) to 1 (gross). A fault changes the loop's inputs, so
that the controller answers to it; only a reading that is wrong outside the loop is changed afterwards.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import signal

from tests.bench.fleet.loop import STEP_S
from tests.bench.fleet.parts import Family


@dataclass
class Patient:
    """One cam on its way to the loop. `along` and `fixed` hold the loop's inputs by name, `on` (n,) tells where
    the fault acts, `after` takes changes of the published reading. `shared` is drawn alike for all cams."""

    along: dict[str, np.ndarray]
    fixed: dict[str, Any]
    on: np.ndarray
    oil: np.ndarray
    severity: float
    rng: np.random.Generator
    shared: np.random.Generator
    side: str
    after: list[Callable[[np.ndarray], np.ndarray]]

    def between(self, barely: float, gross: float) -> float:
        """`barely` at severity 0.25, `gross` at 1, on a log scale."""
        return barely * (gross / barely) ** ((self.severity - 0.25) / 0.75)

    @property
    def time_s(self) -> np.ndarray:
        return np.arange(len(self.on)) * STEP_S

    @property
    def onset(self) -> int:
        return int(np.argmax(self.on)) if self.on.any() else len(self.on)

    def effort(self, error_deg: float) -> float:
        """The effort that the controller makes of such an error before long."""
        c = self.fixed
        hurry = 4.0 if c["on_off"] > 0.0 else 1.0 + min(0.5 / max(c["integral_s"], 0.1), 3.0)
        return min(c["gain"] * error_deg * hurry, 0.75)

    def retard(self, degrees: float) -> float:
        """Degrees of retard in the direction of travel: an exhaust cam travels toward retard."""
        return -degrees if self.side == "intake" else degrees


@dataclass(frozen=True)
class Kind:
    """One fault. `scope` is cam, bank or engine; `onset` any, start or midway; `drives` the actuations it can
    befall; `also` other names the same motion may fairly have."""

    condition: str
    words: str
    act: Callable[[Patient], None]
    also: tuple[str, ...] = ()
    scope: str = "cam"
    onset: str = "any"
    drives: tuple[str, ...] = ("oil", "torque", "electric")

    def befalls(self, name: str, family: Family) -> bool:
        if name == "stuck_gave_up":
            return family.controller.gives_up != 0.0
        if name == "rattle" and not family.controller.parks:
            return False
        return family.phaser.drive in self.drives


def _stiction_phaser(p: Patient) -> None:
    p.along["friction"][p.on] += p.effort(p.between(1.3, 8.0))


def _stiction_valve(p: Patient) -> None:
    p.along["valve_friction"][p.on] += p.effort(p.between(1.5, 9.0))


def _groove(p: Patient) -> None:
    moved = p.along["asked"][np.abs(p.along["asked"]) > 3.0]
    p.fixed["groove"] = float(np.quantile(moved, p.rng.uniform(0.3, 0.7))) if len(moved) else 10.0
    p.fixed["groove_width"] = p.rng.uniform(0.8, 2.0)
    p.fixed["groove_friction"] = p.effort(p.between(2.5, 12.0))
    p.fixed["groove_from"] = p.onset


def _slower(p: Patient, times: float, share: np.ndarray) -> None:
    p.along["speed"] = np.where(p.on, p.along["speed"] * times**-share, p.along["speed"])


def _slow(p: Patient) -> None:
    _slower(p, p.between(2.2, 10.0), np.ones(len(p.on)))


def _slow_cold(p: Patient) -> None:
    _slower(p, p.between(2.5, 12.0), np.clip((65.0 - p.oil) / 30.0, 0.0, 1.0))


def _slow_hot(p: Patient) -> None:
    hot = np.clip((p.oil - 55.0) / 25.0, 0.0, 1.0)
    _slower(p, p.between(2.4, 11.0), hot)
    p.along["leak"] = p.along["leak"] + p.on * hot * p.between(0.5, 3.0)


def _low_pressure(p: Patient) -> None:
    _slower(p, p.between(2.2, 9.0), np.clip((p.oil - 10.0) / 70.0, 0.35, 1.0))


def _seize(p: Patient) -> None:
    p.along["seized"][p.on] = 1.0


def _stuck_off_rest(p: Patient) -> None:
    p.fixed["start"] = p.rng.uniform(0.15, 0.7) * p.fixed["travel"]
    _seize(p)


def _stuck_intermittent(p: Patient) -> None:
    share = p.between(0.12, 0.6)
    at, end = p.onset * STEP_S + p.rng.uniform(0.0, 10.0), len(p.on) * STEP_S
    while at < end:
        lasts = p.rng.uniform(6.0, 40.0)
        p.along["seized"][int(at / STEP_S) : int((at + lasts) / STEP_S)] = 1.0
        at += lasts + lasts * (1.0 - share) / share * p.rng.uniform(0.6, 1.4)


def _hunting(p: Patient) -> None:
    size = p.between(1.3, 6.0)
    if p.rng.random() < 0.5 and p.fixed["events"] >= 8.0:
        # A loop too sharp and too late swings by about its speed times its delay. Where angles come seldom
        # the delay is long already and the swing would be far larger.
        speed = float(np.median(p.along["speed"]))
        p.along["gain"] = np.where(p.on, p.along["gain"] * 5.0, p.along["gain"])
        p.along["delay"] = np.where(p.on, np.clip(1.0 + size / speed / STEP_S, 6.0, 200.0), p.along["delay"])
    else:
        turn = 2.0 * np.pi * p.rng.uniform(0.4, 1.8)
        drift = signal.lfilter([0.003], [1.0, -0.9995], p.rng.normal(size=len(p.on)))
        swing = size * np.hypot(turn, p.fixed["gain"] * np.median(p.along["speed"]))
        p.along["push"] = p.along["push"] + p.on * swing * np.sin(turn * p.time_s + 3.0 * drift)


def _leaking(p: Patient) -> None:
    period = p.rng.uniform(2.0, 6.0)
    drains = (np.mod(p.time_s / period + p.rng.random(), 1.0) < 0.7) * p.rng.uniform(0.8, 1.2)
    worst = p.between(0.1, 0.5) * np.median(p.along["speed"]) * (0.4 + 0.6 * np.clip((p.oil - 40.0) / 40.0, 0.0, 1.0))
    p.along["leak"] = p.along["leak"] + p.on * worst * drains
    p.fixed["valve_overlap"] += 0.05


def _rattle(p: Patient) -> None:
    begins = float(p.time_s[np.argmax(p.along["turn"] > 0.0)])
    lasts = p.rng.uniform(4.0, 10.0)
    fades = np.clip(1.3 - (p.time_s - begins) / lasts, 0.0, 1.0)
    p.along["rattle"] = np.where(p.time_s < begins + lasts, p.between(2.0, 9.0) * fades, 0.0)
    p.along["asked"] = np.where(p.time_s < begins + lasts, 0.0, p.along["asked"])


def _shift(p: Patient, retard_deg: float) -> None:
    p.along["timing"] = p.along["timing"] + p.on * p.retard(retard_deg)


def _tooth_jumped(p: Patient) -> None:
    teeth = 2.0 if p.severity > 0.85 else 1.0
    way = 1.0 if p.shared.random() < 0.8 else -1.0
    _shift(p, way * teeth * 360.0 / p.shared.integers(18, 25))


def _sprocket_off(p: Patient) -> None:
    _shift(p, p.between(3.0, 20.0) * (1.0 if p.rng.random() < 0.6 else -1.0))


def _chain_long(p: Patient) -> None:
    _shift(p, p.between(2.5, 8.0))


def _frozen(p: Patient) -> None:
    if p.rng.random() < 0.5:  # the sensor's, so the controller is fooled as well
        p.along["alive"][p.on] = 0.0
    else:
        p.after.append(lambda y, k=p.onset: np.where(np.arange(len(y)) >= k, y[min(k, len(y) - 1)], y))


def _noisy(p: Patient) -> None:
    more = p.between(1.2, 5.0)
    p.along["noise"] = p.along["noise"] + p.on * more * np.roll(p.along["chance"], 7)


def _spikes(p: Patient) -> None:
    slot = (p.time_s / p.rng.uniform(0.03, 0.1)).astype(int)
    hit = p.rng.random(slot[-1] + 1) < p.between(0.006, 0.05)
    size = p.rng.choice([-1.0, 1.0], slot[-1] + 1) * p.rng.uniform(12.0, 50.0, slot[-1] + 1)
    p.after.append(lambda y: y + (p.on & hit[slot]) * size[slot])


def _missing(p: Patient) -> None:
    slow = signal.lfilter([1.0], [1.0, -0.97], p.rng.normal(size=len(p.on) // 20 + 1))
    lost = np.repeat(slow > np.quantile(slow, 1.0 - p.between(0.06, 0.5)), 20)[: len(p.on)]
    p.after.append(lambda y: np.where(p.on & lost, np.nan, y))


def _reading_offset(p: Patient) -> None:
    by = p.between(3.0, 14.0) * p.rng.choice([-1.0, 1.0])
    p.after.append(lambda y: y + p.on * by)


def _reading_scale(p: Patient) -> None:
    by = 1.0 + p.between(0.15, 0.55) * p.rng.choice([-1.0, 1.0])
    p.after.append(lambda y: np.where(p.on, y * by, y))


_OILED = ("oil", "torque")

KINDS: dict[str, Kind] = {
    "stiction_phaser": Kind("sticking", "the phaser sticks and jumps", _stiction_phaser),
    "stiction_valve": Kind("sticking", "the control valve sticks", _stiction_valve, ("unstable",), drives=_OILED),
    "groove": Kind("sticking", "a worn groove: sticks at one angle only", _groove),
    "slow": Kind("slow", "slow at all oil temperatures", _slow),
    "slow_cold": Kind("slow", "slow only cold", _slow_cold, drives=_OILED),
    "slow_hot": Kind("slow", "slow only hot: leaks or lacks pressure", _slow_hot, drives=_OILED),
    "low_pressure": Kind("slow", "low oil pressure: all slow", _low_pressure, scope="engine", drives=("oil",)),
    "stuck_rest": Kind("stuck", "never leaves rest", _seize, onset="start"),
    "stuck_off_rest": Kind("stuck", "stands away from rest, all the time", _stuck_off_rest, onset="start"),
    "stuck_midway": Kind("stuck", "stops midway through the drive", _seize, onset="midway"),
    "stuck_gave_up": Kind("stuck", "stops midway and the controller gives up", _seize, onset="midway"),
    "stuck_intermittent": Kind("stuck", "stands still at times", _stuck_intermittent, ("sticking",)),
    "hunting": Kind("unstable", "swings about its command", _hunting),
    "leaking": Kind("unstable", "drifts to rest and is pushed back", _leaking, drives=_OILED),
    "rattle": Kind("unstable", "flutters at rest after a cold start", _rattle, onset="start", drives=_OILED),
    "tooth_jumped": Kind("offset", "the chain jumped a tooth", _tooth_jumped, scope="bank"),
    "sprocket_off": Kind("offset", "one cam's sprocket is off", _sprocket_off),
    "chain_long": Kind("offset", "the chain is stretched", _chain_long, scope="bank", onset="start"),
    "frozen": Kind("sensor", "the reading stands still from midway", _frozen, ("stuck",), onset="midway"),
    "noisy": Kind("sensor", "the reading is noisy", _noisy),
    "spikes": Kind("sensor", "the reading has spikes", _spikes),
    "missing": Kind("sensor", "readings are missing in stretches", _missing),
    "reading_offset": Kind("sensor", "the reading is off, the cam is right", _reading_offset, ("offset",)),
    "reading_scale": Kind("sensor", "the reading has the wrong scale", _reading_scale),
}


def kinds_of(family: Family) -> tuple[str, ...]:
    """The faults a family of this package can have."""
    return tuple(name for name, kind in KINDS.items() if kind.befalls(name, family))
