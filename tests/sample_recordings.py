"""The sample recordings of `sample_logs/`: invented drives, each with what is true about it.

Made anew by

    python -m tests.sample_recordings sample_logs

Each is a trace, its drive file, and `NAME.truth.json` with the condition that was simulated.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from camlog.drive import drive_path, write_drive
from camlog.profile import read_profile
from camlog.simulate.offline import STARTED_AT, Sampling, SimulatedDrive, simulate_drive
from camlog.simulate.vehicle import Condition, demo_setup, draw_drive, permanent_code_drive
from camlog.simulate.vehicle.control_module import VehicleMemory
from camlog.simulate.vehicle.setup import VehicleSetup
from camlog.stream import Event
from camlog.trace import write_trace
from tests.drive_truth import drive_truth

TRUTH_SCHEMA = "camlog.truth/1"
INTAKE = ("intake_b1",)
# 14 pairs a second is what a usual adapter gives (common practice, no source), and keeps the files small.
USUAL = Sampling(cam_pair_hz=14.0, medium_hz=1.0, slow_hz=0.25)
# Digits a vehicle's own counts carry; more would only make the files larger.
DIGITS = 3


@dataclass(frozen=True, slots=True)
class Sample:
    """One recording: `condition` None is a healthy car; `markers` are (time_s, text) the mechanic set.
    `proof`: the drive that proves a repair, of a car whose codes were cleared before where it is healthy."""

    name: str
    about: str
    condition: Condition | None = None
    minutes: float = 11.0
    start: str = "cold"
    seed: int = 1
    markers: tuple[tuple[float, str], ...] = ()
    proof: bool = False
    days_later: int = 0


SAMPLES: tuple[Sample, ...] = (
    Sample("healthy", "Nothing is wrong.", minutes=12.0, seed=11),
    Sample("sticking", "The intake phaser stays put, then jumps.",
           Condition("stick_slip", 1.0, cams=INTAKE), 12.0, "hot", seed=3),
    Sample("slow-cold", "The intake phaser is slow while the oil is cold, right once it is warm.",
           Condition("slow_cold", 1.0, cams=INTAKE), 15.0, seed=13),
    Sample("leaking-hot", "Worn vane seals: the intake cam drifts and hunts, worst with hot oil.",
           Condition("internal_leakage", 1.0, cams=INTAKE), 15.0, "hot", seed=2),
    Sample("stuck", "The intake phaser does not move.", Condition("seized", 1.0, cams=INTAKE), 12.0, seed=3),
    Sample("timing-offset", "The chain has jumped a tooth: both cams stand off.",
           Condition("jumped_tooth", 0.8), 11.0, seed=16),
    Sample("ignition-misfire", "One ignition coil fails under load; the cams are right.",
           Condition("bad_coil", 0.9, cylinder=3), 12.0, seed=17),
    Sample("cold-rattle", "The lock pin does not hold: the cam flutters at rest after a cold start.",
           Condition("worn_lock_pin", 1.0, cams=INTAKE), 16.0, markers=((4.0, "rattle heard"),)),
    Sample("too-short", "A minute and a half at idle and a short pull: too little for any verdict.",
           minutes=1.5, seed=19),
    Sample("repair-before", "A blocked screen: the intake cam is slow at every oil temperature.",
           Condition("restricted_flow", 0.9, cams=INTAKE), seed=20, proof=True),
    Sample("repair-after", "The same car after the repair and a clearing of its codes.", seed=20, proof=True,
           days_later=2),
)  # fmt: skip


def simulate_sample(sample: Sample) -> tuple[SimulatedDrive, dict[str, Any]]:
    """The drive of a sample, with its markers and the day it is said to have been recorded; and its truth."""
    setup = demo_setup(*([sample.condition] if sample.condition else []))
    vehicle, state = {}, None
    if sample.proof:
        cycle = permanent_code_drive(sample.seed)
        # A proof asks for the profile that both drives were recorded with.
        vehicle = {"profile_sha256": read_profile("demo").sha256}
        state = None if sample.condition else cleared_state(setup)
    else:
        cycle = draw_drive(sample.seed, sample.minutes, sample.start)
    done = simulate_drive(setup, cycle, USUAL, state)
    drive, trace = done.drive, done.trace
    drive = dataclasses.replace(
        drive,
        started_at=(datetime.fromisoformat(STARTED_AT) + timedelta(days=sample.days_later)).isoformat(),
        vehicle={**drive.vehicle, **vehicle},
        events=(*drive.events, *(Event(t, "marker", text) for t, text in sample.markers)),
    )
    columns = {n: v.round(DIGITS) for n, v in trace.columns.items()}
    trace = dataclasses.replace(trace, time_s=trace.time_s.round(4), columns=columns, name=f"{sample.name}.csv")
    truth = drive_truth(setup, done.block)
    truth |= {"drive": cycle.name, "sampling": dataclasses.asdict(USUAL), "cams": truth.pop("cams")}
    return dataclasses.replace(done, trace=trace, drive=drive), truth


def cleared_state(setup: VehicleSetup) -> dict[str, Any]:
    """The memory of a car long in use whose codes have just been cleared."""
    memory = VehicleMemory.aged(setup)
    memory.clear()
    return memory.to_dict()


def write_sample(sample: Sample, folder: Path) -> Path:
    """Write trace, drive file and truth of a sample; returns the trace's path."""
    done, true = simulate_sample(sample)
    path = folder / f"{sample.name}.csv"
    write_trace(done.trace, path)
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    write_drive(dataclasses.replace(done.drive, trace_sha256=sha256), drive_path(path))
    truth = {"schema": TRUTH_SCHEMA, "about": sample.about, "invented": True, "trace_sha256": sha256, **true}
    text = json.dumps(truth, indent=1, ensure_ascii=False) + "\n"
    path.with_name(f"{sample.name}.truth.json").write_text(text, encoding="utf-8")
    return path


def main(arguments: Sequence[str] | None = None) -> None:
    arguments = sys.argv[1:] if arguments is None else arguments
    if len(arguments) != 1:
        raise SystemExit("Name the folder to write to: python -m tests.sample_recordings sample_logs")
    folder = Path(arguments[0])
    folder.mkdir(parents=True, exist_ok=True)
    for sample in SAMPLES:
        print(f"{write_sample(sample, folder)}: {sample.about}")


if __name__ == "__main__":
    main()
