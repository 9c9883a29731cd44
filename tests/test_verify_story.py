"""The whole repair over the wire: python-obd on the simulated adapter, from the first code to the last check.

Every check passes but one: recordings of a simulated adapter prove nothing, and are never called verified.

Time moves with the requests, not with the wall: each question a recorder asks takes a few hundredths of a
second of the car's time, so twenty minutes of driving pass as fast as the answers come, and a busy computer
changes nothing. All data is invented.
"""

from __future__ import annotations

import dataclasses
import threading
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from camlog.capture.live import LiveSource
from camlog.capture.record import record
from camlog.cli import main
from camlog.demo_repair import FIRST_DAY, play
from camlog.drive import drive_path, read_drive, write_drive
from camlog.profile import read_profile
from camlog.simulate.adapter import SimulatedAdapter
from camlog.simulate.vehicle.car import SimulatedCar
from camlog.trace import read_trace
from camlog.verify import verify
from tests.adapter_car import INSTANT, hurry
from tests.verify_help import gate, open_names

PROFILE = read_profile("demo")
# The adapter looks at it some twenty-five times a request. Where only codes matter, time goes by faster. The recorder's own
# looks at the clock, of which a wait takes many, cost next to nothing.
FINE_S, COARSE_S = 0.007, 0.06
LOOK_S = 0.0005
CODES_ONLY = ("first-drive.csv", "short.csv")
DAYS = ("first-drive.csv", "before.csv", "short.csv", "after.csv")


class SteppedClock:
    """A clock that goes on by a step each time the adapter is asked, and by LOOK_S each time the recorder looks."""

    def __init__(self, step_s: float):
        self._time_s = 0.0
        self._step_s = step_s
        self._lock = threading.Lock()

    def recorder(self) -> float:
        with self._lock:
            self._time_s += LOOK_S
            return self._time_s

    def adapter(self) -> float:
        with self._lock:
            self._time_s += self._step_s
            return self._time_s


def over_the_wire(setup, cycle, state, path: Path):
    """Record one drive through the adapter; the car's state after it."""
    car = SimulatedCar(setup, cycle, state=state)
    clock = SteppedClock(COARSE_S if path.name in CODES_ONLY else FINE_S)
    with SimulatedAdapter(car, PROFILE, timing=INSTANT, clock=clock.adapter) as adapter:
        source = LiveSource(adapter.start_pty(), PROFILE, baud=115_200, clock=clock.recorder)
        done = record(source, path, minutes=(cycle.duration_s - clock.adapter() - 3.0) / 60.0)
    # The wall's clock stood nearly still meanwhile: each drive is dated to a day of its own.
    drive = read_drive(done.drive)
    day = DAYS.index(path.name)
    write_drive(dataclasses.replace(drive, started_at=(FIRST_DAY + timedelta(days=day)).isoformat()), done.drive)
    return car.state()


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    patch = pytest.MonkeyPatch()
    hurry(patch)
    lines: list[str] = []
    folder = tmp_path_factory.mktemp("story")
    story = play(folder, lines.append, over_the_wire, PROFILE)
    patch.undo()
    return folder, story, lines


def test_from_the_first_code_to_the_last_check_over_the_wire(told):
    _, story, lines = told
    assert open_names(story.full) == {"on_a_vehicle"}, story.full.headline
    assert story.full.outcome == "proves_nothing" and not story.full.verified
    assert story.short.outcome == "not_verified_yet"
    assert {"monitor_egr_vvt_system", "drive_length", "warm_up", "permanent_codes"} <= open_names(story.short)
    assert [gate(story.full, n).state for n in ("files", "same_vehicle", "order")] == ["passed"] * 3
    assert gate(story.full, "profile").state == "passed"
    text = " ".join(lines)
    assert (
        "pending P0011" in text
        and "stored P0011" in text
        and lines[-1].startswith(
            "After a full drive from cold: Proves nothing: all other checks pass, on simulated recordings"
        )
    )


def test_the_fault_matured_as_it_does_on_a_car(told):
    """Two driving cycles in a row: pending, then stored with the lamp and permanent (13 CCR 1968.2(d))."""
    folder, story, _ = told
    first = read_drive(folder / "first-drive.drive.json").code_snapshots[-1]
    second = read_drive(drive_path(story.before)).code_snapshots[-1]
    assert [c.code for c in first.pending] == ["P0011"] and not first.stored and first.mil is False
    assert [c.code for c in second.stored] == [c.code for c in second.permanent] == ["P0011"] and second.mil is True
    assert story.cleared.remaining == () and [c.code for c in story.cleared.permanent] == ["P0011"]
    last = read_drive(folder / "after.drive.json").code_snapshots[-1]
    assert last.permanent == () and last.since_clear["warm_ups"] >= 1.0


def test_what_was_recorded_is_dense_enough_and_lies_on_disk(told):
    folder, story, _ = told
    trace = read_trace(folder / "after.csv")
    assert np.median(np.diff(trace.samples("cam_intake_b1_actual")[0])) < 0.25
    assert trace.sha256 == read_drive(folder / "after.drive.json").trace_sha256
    assert story.page.read_text(encoding="utf-8").count("passed") >= len(story.full.gates)


def test_the_snapshot_saved_before_clearing_does_as_well(told):
    _, story, _ = told
    saved = dataclasses.replace(read_drive(story.cleared.saved), started_at=FIRST_DAY.isoformat())
    found = verify(story.full.after, saved)
    assert found.outcome == "proves_nothing", found.headline


def test_the_command_says_the_same_from_the_files_and_ends_with_1(told, tmp_path, capsys):
    folder, _, _ = told

    def run(*arguments) -> int:
        with pytest.raises(SystemExit) as ended:
            main(["verify", *map(str, arguments), "--vehicle", "demo"])
        return ended.value.code or 0

    assert run(folder / "after.csv", "--before", folder / "before.csv", "--out", tmp_path, "--job", "Order 12") == 1
    out = capsys.readouterr().out
    assert out.startswith("Proves nothing: all other checks pass") and (tmp_path / "after.verification.html").exists()
    assert run(folder / "short.csv", "--before", folder / "before.csv", "--out", tmp_path) == 1
    assert "Not verified yet" in capsys.readouterr().out
    assert run(folder / "before.csv", "--before", folder / "first-drive.csv", "--out", tmp_path) == 1
    assert "The fault is still there" in capsys.readouterr().out
