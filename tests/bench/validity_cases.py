"""The drives of the validity study: drawn from seeds, each with its truth.

Two halves that share nothing but physics: family A and family B differ in controller, command map
and friction law. Limits are chosen on even seeds of family A; the study runs on other seeds of both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.simulate.offline import Sampling, SimulatedDrive, simulate_drive
from camlog.simulate.vehicle.conditions import CONDITIONS, Condition
from camlog.simulate.vehicle.control_module import DriveRun, Misfires, VehicleMemory
from camlog.simulate.vehicle.draw import draw_setup
from camlog.simulate.vehicle.drive_cycle import DriveCycle, draw_drive, parked_drive
from camlog.simulate.vehicle.kernels import SECOND_TICKS, TICK_S, Block
from camlog.simulate.vehicle.plant import timing_error
from camlog.simulate.vehicle.setup import VehicleSetup, healthy_twin
from tests import compiled

compiled.use()
HEALTHY_SHARE = 0.35
RATES_HZ = (30.0, 10.0, 5.0)
SKEWS_S = (0.0, 0.08)
FAULTS = tuple(k for k in CONDITIONS if k not in ("healthy", "bad_coil"))
# What a technician could see at all: so much farther from the command than the healthy cam, for so long.
WORSE_DEG = 2.0
WORSE_S = 3.0
SENSOR_RMS_DEG = 0.5
MISSING_SHARE = 0.03


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

    @property
    def setup(self) -> VehicleSetup:
        conditions = () if self.kind == "healthy" else (Condition(self.kind, self.severity),)
        return draw_setup(self.seed, conditions, family=self.family, engine=self.engine)

    @property
    def cycle(self) -> DriveCycle:
        if self.poor == "parked":
            return parked_drive(self.minutes, self.start)
        return draw_drive(self.seed + 7919, self.minutes, self.start, self.style)

    def drive(self) -> SimulatedDrive:
        sampling = Sampling(cam_pair_hz=self.rate_hz, cam_skew_s=self.skew_s)
        return simulate_drive(self.setup, self.cycle, sampling)

    def apart(self) -> dict[str, Apart]:
        """What the noiseless plant does to each cam and its reading, against the same car without the fault."""
        faulty, sound = (self._run(setup) for setup in (self.setup, healthy_twin(self.setup)))
        running = (faulty["mode"] > 2.0) & (faulty["engine_speed"] > 400.0)
        found = {}
        for cam in self.setup.cams:
            error, usual = (np.abs(timing_error(block, cam.id)) for block in (faulty, sound))
            angle, same = (b[f"angle_{cam.id}"] + b[f"timing_{cam.id}"] for b in (faulty, sound))
            reading, missing = faulty[f"actual_{cam.id}"][running], np.isnan(faulty[f"actual_{cam.id}"])[running]
            sensor = np.where(missing, 0.0, reading) - angle[running] - (sound[f"actual_{cam.id}"] - same)[running]
            found[cam.id] = Apart(
                worse_s=float(np.sum(running & (error - usual > WORSE_DEG)) * TICK_S),
                sensor_rms_deg=float(np.sqrt(np.mean(sensor**2))) if running.any() else 0.0,
                missing_share=float(np.mean(missing)) if running.any() else 0.0,
            )
        return found

    def _run(self, setup: VehicleSetup) -> Block:
        run = DriveRun(setup, self.cycle, VehicleMemory(Misfires.none(setup.engine.cylinders)))
        return run.plant.run(int(self.cycle.duration_s) * SECOND_TICKS)


@dataclass(frozen=True)
class Apart:
    """How far a cam was from the same cam without the fault: seconds it was WORSE_DEG farther from its command, what
    its reading differs by beside that (deg rms), and the share of its readings that is missing."""

    worse_s: float
    sensor_rms_deg: float
    missing_share: float

    @property
    def visible(self) -> bool:
        """Could a careful reader of the noiseless drive tell this cam, or its reading, from a healthy one?"""
        gone = self.missing_share >= MISSING_SHARE
        return self.worse_s >= WORSE_S or self.sensor_rms_deg >= SENSOR_RMS_DEG or gone


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
    """A drive nobody should judge a healthy or unhealthy cam by: too short, never moving, or sampled too
    slowly."""
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
        minutes={"short": float(rng.uniform(0.5, 0.95)), "parked": 5.0, "coarse": 10.0}[poor],
        start="cold" if rng.random() < 0.5 else "hot",
        style="mixed",
        poor=poor,
    )
