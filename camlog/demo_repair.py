"""A repair from the first code to the last check, played on the simulated car, for demonstration and tests.

The fault sets its codes over two drives and is repaired. The codes are cleared over the diagnostic connector, a short
drive leaves most checks open, the codes are cleared again, and a full drive passes every check. All of it is invented
and simulated, so it proves nothing, and the proof says so."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import accumulate
from pathlib import Path
from typing import Any

from camlog.analysis import analyze
from camlog.analysis.code_evidence import LISTS
from camlog.analysis.findings import Findings
from camlog.capture.clear import Cleared, clear_codes
from camlog.capture.connect import open_link
from camlog.drive import drive_path, read_drive, write_drive
from camlog.messages import say as words
from camlog.profile import VehicleProfile, read_profile
from camlog.report.words import condition_word
from camlog.simulate.adapter import SimulatedAdapter, TimingModel
from camlog.simulate.offline import simulate_drive
from camlog.simulate.vehicle.car import SimulatedCar
from camlog.simulate.vehicle.conditions import Condition
from camlog.simulate.vehicle.control_module import VehicleMemory
from camlog.simulate.vehicle.draw import demo_setup
from camlog.simulate.vehicle.drive_cycle import DriveCycle, Segment, parked_drive, permanent_code_drive
from camlog.simulate.vehicle.setup import VehicleSetup, healthy_twin
from camlog.stream import TroubleCode
from camlog.trace import read_trace, write_trace
from camlog.trust import vin_hash
from camlog.verify.page import write_verification
from camlog.verify.verification import Verification, verify

CONDITION = Condition("restricted_flow", 1.0, cams=("intake_b1",))
JOB = "Invented order: screen of the intake cam's oil control valve cleaned, oil changed"
# The engine stops and the ignition stays on for some seconds, so that the closing snapshot has the codes of the drive.
ENDING = (Segment("drive", 8.0, 0.0), Segment("key_on", 6.0))
# The fault shows in the first minutes; the second drive is long enough for a verdict on the cam.
FIRST_DRIVE_S, SECOND_DRIVE_S = 140.0, 440.0
FIRST_DAY = datetime(2024, 5, 13, 8, 0, tzinfo=UTC)

State = dict[str, Any]
# Drives a car from a state (None: long in use, no codes) through a cycle and writes a trace; returns the state after.
Recorder = Callable[[VehicleSetup, DriveCycle, State | None, Path], State]


@dataclass(frozen=True)
class Story:
    """The results of the story: the two verifications, and the first clearing."""

    before: Path
    cleared: Cleared
    short: Verification
    full: Verification
    page: Path


def play(
    folder: Path,
    say: Callable[[str], None] = print,
    recorder: Recorder | None = None,
    profile: VehicleProfile | None = None,
    mend: Callable[[Findings], None] = lambda before: None,
) -> Story:
    """Play the whole story into `folder`; `say` gets each line, `mend` is called with the findings before the repair.

    `recorder` records one drive (default: faster than real time); clearing always goes over a virtual port through
    python-obd.
    """
    profile = profile or read_profile("demo")
    recorder = recorder or _Diary(profile)
    faulty = demo_setup(CONDITION)
    repaired = healthy_twin(faulty)

    def findings(name: str) -> Findings:
        path = folder / f"{name}.csv"
        return analyze(read_trace(path), read_drive(drive_path(path)), profile)

    say("The same car, invented, with a blocked oil screen: its codes mature over drives.")
    state = recorder(faulty, _ended(permanent_code_drive(1), FIRST_DRIVE_S), None, folder / "first-drive.csv")
    say(f"First drive: {_held(folder / 'first-drive.csv')}")
    state = recorder(faulty, _ended(permanent_code_drive(2), SECOND_DRIVE_S), state, folder / "before.csv")
    before = findings("before")
    word = condition_word(before.cams["intake_b1"].verdict).lower()
    say(f"Second drive: {_held(folder / 'before.csv')}; intake cam: {word}.")

    mend(before)
    cleared, state = clear_over_the_wire(repaired, state, folder / "cleared.drive.json", profile)
    say(f"Repaired, snapshot saved, codes cleared; {_codes(cleared.permanent)} stays as a permanent code.")
    state = recorder(repaired, _ended(parked_drive(3.0)), state, folder / "short.csv")
    short = verify(findings("short"), before, job=JOB)
    still_open = f"{len(short.open_gates)} of {len(short.gates)} checks open"
    say(f"After 3 minutes in the yard: {short.outcome_words.lower()} ({still_open}).")
    _, state = clear_over_the_wire(repaired, state, folder / "cleared-again.drive.json", profile)
    say("Cleared again right before the next recording, so that every monitor is seen to run in it.")
    recorder(repaired, _ended(permanent_code_drive(3)), state, folder / "after.csv")
    full = verify(findings("after"), before, job=JOB)
    page = folder / "after.verification.html"
    write_verification(full, page)
    say(f"After a full drive from cold: {full.headline} ({page})")
    return Story(folder / "before.csv", cleared, short, full, page)


def _ended(cycle: DriveCycle, at_s: float = math.inf) -> DriveCycle:
    """The cycle without the segments that begin at or after `at_s`, followed by the ENDING."""
    begins_s = accumulate((s.seconds for s in cycle.segments), initial=0.0)
    segments = [segment for segment, begin_s in zip(cycle.segments, begins_s, strict=False) if begin_s < at_s]
    return dataclasses.replace(cycle, segments=(*segments, *ENDING))


def _held(path: Path) -> str:
    last = read_drive(drive_path(path)).code_snapshots[-1]
    lists = [f"{name} {_codes(codes)}" for name in LISTS if (codes := getattr(last, name))]
    return f"{', '.join(lists) or 'no codes'}, MIL (warning lamp) {'on' if last.mil else 'off'}"


def _codes(codes: Sequence[TroubleCode]) -> str:
    return ", ".join(c.code for c in codes) or "nothing"


class _Diary:
    """Records drives faster than real time, dated one a day, as a recorder on the connector would write them."""

    def __init__(self, profile: VehicleProfile) -> None:
        self.profile = profile
        self.day = FIRST_DAY

    def __call__(self, setup: VehicleSetup, cycle: DriveCycle, state: State | None, path: Path) -> State:
        done = simulate_drive(setup, cycle, state=state)
        write_trace(done.trace, path)
        # The module evaluates a cycle when the engine stops at its end.
        closing = VehicleMemory.of(setup, done.state).snapshot(setup, done.trace.duration_s)
        drive = dataclasses.replace(
            done.drive,
            started_at=self.day.isoformat(),
            vehicle={
                "name": setup.name,
                "vin": None,
                "vin_hash": vin_hash(setup.vin),
                "profile_sha256": self.profile.sha256,
            },
            trace_sha256=read_trace(path).sha256,
            code_snapshots=(done.drive.code_snapshots[0], closing),
        )
        write_drive(drive, drive_path(path))
        self.day += timedelta(days=1)
        return done.state


def clear_over_the_wire(
    setup: VehicleSetup, state: State, save_to: Path, profile: VehicleProfile
) -> tuple[Cleared, State]:
    """Clear the codes of a standing car through its virtual connector; returns the result and the car's state after."""
    car = SimulatedCar(setup, DriveCycle("standing", (Segment("key_on", 60.0),)), state=state)
    with SimulatedAdapter(car, profile, timing=TimingModel(search_s=0.05, reset_s=0.05)) as adapter:
        link = open_link(adapter.start_tcp(), baud=115_200)
        try:
            cleared = clear_codes(link, save_to, confirm=lambda snapshot: True)
        finally:
            link.close()
    if cleared is None or cleared.remaining:
        raise words.error("not_cleared")
    # The snapshot has the real date; it is changed to the evening of the second drive of the story.
    evening = (FIRST_DAY + timedelta(days=1, hours=9)).isoformat()
    write_drive(dataclasses.replace(read_drive(save_to), started_at=evening), save_to)
    return cleared, car.state()
