"""A repair as two recorded drives of the simulated car, and ways to change what they hold. Invented data."""

from __future__ import annotations

import dataclasses
from datetime import datetime, timedelta
from functools import lru_cache

from camlog.analysis import analyze
from camlog.analysis.findings import Findings
from camlog.demo_repair import CONDITION
from camlog.profile import read_profile
from camlog.simulate.offline import simulate_drive
from camlog.simulate.vehicle.control_module import VehicleMemory
from camlog.simulate.vehicle.draw import demo_setup
from camlog.simulate.vehicle.drive_cycle import DriveCycle, parked_drive, permanent_code_drive
from camlog.simulate.vehicle.setup import VehicleSetup, healthy_twin
from camlog.stream import CodeSnapshot
from camlog.trace import Trace
from camlog.trust import vin_hash
from camlog.verify import Gate, Verification

PROFILE = read_profile("demo")
FIRST_DAY = datetime.fromisoformat("2024-05-01T08:00:00+00:00")


@dataclasses.dataclass(frozen=True)
class Repair:
    """Two drives with the fault, one short and one full drive after the repair and a clearing."""

    first: Findings
    before: Findings
    short: Findings
    after: Findings


@lru_cache(maxsize=1)
def repair() -> Repair:
    """A phaser starved of oil sets P0011 over two drives, is repaired, and driven again after each of two clearings."""
    faulty = demo_setup(CONDITION)
    first, state = drive(faulty, permanent_code_drive(1), None, 1)
    before, state = drive(faulty, permanent_code_drive(2), state, 2)
    good = healthy_twin(faulty)
    state = cleared(good, state)
    short, state = drive(good, parked_drive(4.0), state, 3)
    after, _ = drive(good, permanent_code_drive(7), cleared(good, state), 4)
    return Repair(first, before, short, after)


def drive(setup: VehicleSetup, cycle: DriveCycle, state: dict | None, day: int) -> tuple[Findings, dict]:
    """One recorded drive on a day of the month, its engine stopped before the closing snapshot."""
    done = simulate_drive(setup, cycle, state=state)
    closing = VehicleMemory.of(setup, done.state).snapshot(setup, done.trace.duration_s)
    trace = dataclasses.replace(done.trace, sha256=f"{day:064d}")
    file = dataclasses.replace(
        done.drive,
        started_at=(FIRST_DAY + timedelta(days=day)).isoformat(),
        vehicle={
            "name": setup.name,
            "vin": None,
            "vin_hash": vin_hash(setup.vin),
            "profile_sha256": PROFILE.sha256,
        },
        # These tests are about the other checks, so this car stands for a vehicle.
        adapter={"name": "invented adapter", "simulated": False},
        trace_sha256=trace.sha256,
        code_snapshots=(done.drive.code_snapshots[0], closing),
        intact=True,
    )
    return analyze(trace, file, PROFILE), done.state


def cleared(setup: VehicleSetup, state: dict) -> dict:
    """The module's memory after service 04."""
    memory = VehicleMemory.of(setup, state)
    memory.clear()
    return memory.to_dict()


def file_of(findings: Findings, **changes) -> Findings:
    """The findings with their drive file changed."""
    return dataclasses.replace(findings, drive=dataclasses.replace(findings.drive, **changes))


def snapshot(findings: Findings, place: int, **changes) -> Findings:
    """The findings with one code snapshot changed: `place` 0 the opening one, -1 the closing one."""
    found = list(findings.drive.code_snapshots)
    found[place] = dataclasses.replace(found[place], **changes)
    return file_of(findings, code_snapshots=tuple(found))


def closing(findings: Findings) -> CodeSnapshot:
    return findings.drive.code_snapshots[-1]


def readiness(findings: Findings, place: int = -1, **states: str) -> Findings:
    """The findings with some monitors of one snapshot in another state."""
    held = findings.drive.code_snapshots[place].readiness
    return snapshot(findings, place, readiness={**held, **states})


def again(findings: Findings, trace: Trace) -> Findings:
    """The same drive file with another trace, analyzed anew."""
    trace = dataclasses.replace(trace, sha256=findings.trace.sha256)
    return analyze(trace, findings.drive, findings.profile)


def gate(found: Verification, name: str) -> Gate:
    return next(g for g in found.gates if g.name == name)


def states(found: Verification) -> dict[str, str]:
    return {g.name: g.state for g in found.gates}


def open_names(found: Verification) -> set[str]:
    return {g.name for g in found.open_gates}
