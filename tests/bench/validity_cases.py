"""The drives of the validity study: drawn from seeds, each with its truth.

Two halves that share nothing but physics: family A and family B differ in controller, command map
and friction law. Limits are chosen on even seeds of family A; the study runs on other seeds of both.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from camlog.simulate.offline import Sampling, SimulatedDrive, simulate_drive
from camlog.simulate.vehicle.conditions import CONDITIONS, Condition
from camlog.simulate.vehicle.draw import draw_setup
from camlog.simulate.vehicle.drive_cycle import draw_drive, parked_drive

HEALTHY_SHARE = 0.35
RATES_HZ = (30.0, 10.0, 5.0)
SKEWS_S = (0.0, 0.08)
FAULTS = tuple(k for k in CONDITIONS if k not in ("healthy", "bad_coil"))
# A difference from the same drive of the healthy car that a technician could see at all.
VISIBLE_DEG = 1.5
VISIBLE_S = 3.0


@dataclass(frozen=True)
class Case:
    seed: int
    kind: str
    severity: float
    family: str
    engine: str
    rate_hz: float
    skew_s: float
    minutes: float
    start: str
    style: str
    poor: str = ""

    def drive(self) -> SimulatedDrive:
        conditions = () if self.kind == "healthy" else (Condition(self.kind, self.severity),)
        setup = draw_setup(self.seed, conditions, family=self.family, engine=self.engine)
        if self.poor == "parked":
            cycle = parked_drive(self.minutes, self.start)
        else:
            cycle = draw_drive(self.seed + 7919, self.minutes, self.start, self.style)
        sampling = Sampling(cam_pair_hz=self.rate_hz, cam_skew_s=self.skew_s)
        return simulate_drive(setup, cycle, sampling)


def draw_case(seed: int, family: str | None = None) -> Case:
    """A drive fit to be judged: 3 to 20 minutes, 5 to 30 Hz."""
    rng = np.random.default_rng([seed, 4242])
    if rng.random() < HEALTHY_SHARE:
        kind = "healthy" if rng.random() < 0.8 else "bad_coil"
    else:
        kind = FAULTS[rng.integers(len(FAULTS))]
    return Case(
        seed=seed,
        kind=kind,
        severity=float(rng.uniform(0.25, 1.0)),
        family=family or "AB"[rng.integers(2)],
        engine="v6" if rng.random() < 0.25 else "four",
        rate_hz=RATES_HZ[rng.integers(3)],
        skew_s=SKEWS_S[rng.integers(2)],
        minutes=float(rng.uniform(3.0, 20.0)),
        start="cold" if rng.random() < 0.6 else "hot",
        style=("mixed", "town", "highway", "gentle")[rng.integers(4)],
    )


def draw_poor_case(seed: int) -> Case:
    """A drive nobody should judge a healthy or unhealthy cam by: too short, never moving, or sampled too slowly."""
    rng = np.random.default_rng([seed, 777])
    poor = ("short", "parked", "coarse")[rng.integers(3)]
    return Case(
        seed=seed,
        kind="healthy" if rng.random() < 0.5 else FAULTS[rng.integers(len(FAULTS))],
        severity=float(rng.uniform(0.25, 1.0)),
        family="AB"[rng.integers(2)],
        engine="four",
        rate_hz=float(rng.uniform(0.5, 1.2)) if poor == "coarse" else RATES_HZ[rng.integers(3)],
        skew_s=SKEWS_S[rng.integers(2)],
        minutes={"short": float(rng.uniform(0.3, 0.9)), "parked": 5.0, "coarse": 10.0}[poor],
        start="cold" if rng.random() < 0.5 else "hot",
        style="mixed",
        poor=poor,
    )


def visible(truth: dict[str, Any]) -> bool:
    """Could a careful reader of the noiseless drive tell this cam from a healthy one?"""
    if truth["condition"] == "healthy":
        return True
    apart = truth["difference_from_healthy"] or {}
    sensor = truth["sensor_difference"] or {}
    return (
        (apart.get("max_deg") or 0.0) >= VISIBLE_DEG
        and (truth["seconds_over_2_deg_from_healthy"] or 0.0) >= VISIBLE_S
        or abs(truth["timing_offset_deg"]) >= VISIBLE_DEG
        or (sensor.get("rms_deg") or 0.0) >= 0.5
        or (truth["missing_share"] or 0.0) >= 0.03
    )
