"""A saved drive replays as it was: same stream, same times, and as a car that can be recorded again."""

from __future__ import annotations

import dataclasses
import math
import os
import pty
import re
import select
import subprocess
import sys
import time

import numpy as np
import pytest

from camlog.drive import Drive, drive_path, read_drive, write_drive
from camlog.errors import InputError
from camlog.profile import read_profile
from camlog.replay import cut_drive, rebased, replay
from camlog.simulate.car import Car
from camlog.simulate.trace_car import TraceCar, can_be_asked
from camlog.sinks.trace_file import TraceFileSink
from camlog.stream import Batch, CodeSnapshot, Event, TroubleCode, run
from camlog.trace import Trace, read_trace, write_trace
from tests.command_help import camlog

CODES = CodeSnapshot(0.0, True, (TroubleCode("P0011", "7E8"),), (), ())
LATER = CodeSnapshot(8.0, False, (), (), (TroubleCode("P0011", "7E8"),))
DRIVE = Drive(
    "2024-05-01T09:30:00+02:00",
    {"name": "Invented four-cylinder", "vin": "INVENTED000000017"},
    events=(
        Event(7.0, "reconnect", "answers again"),
        Event(4.0, "gap", "no answers"),
        Event(2.0, "marker", "rattle"),
    ),
    code_snapshots=(CODES, LATER),
)


def saved_drive(seconds: float = 10.0, hz: float = 30.0) -> Trace:
    """Engine speed and a cam at `hz`, coolant every second; no answers from 4 to 7 s."""
    time_s = np.round(np.arange(0.0, seconds, 1 / hz), 6)
    time_s = time_s[(time_s <= 4.0) | (time_s >= 7.0)]
    slow = np.where(np.diff(np.floor(time_s), prepend=-1) > 0, 60.0 + time_s, math.nan)
    return Trace(
        time_s,
        {
            "engine_speed": 1000.0 + 0.25 * np.arange(len(time_s)),
            "cam_intake_b1_commanded": 20.0 + 0.01 * np.arange(len(time_s)),
            "cam_intake_b1_actual": 10.0 + 0.01 * np.arange(len(time_s)),
            "coolant_temp": slow,
            "oil_temp": np.full(len(time_s), math.nan),
        },
        name="drive.csv",
    )


class Clock:
    """A clock that only sleeping moves."""

    def __init__(self):
        self.now = 1000.0
        self.slept: list[float] = []

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        assert seconds > 0
        self.slept.append(seconds)
        self.now += seconds


# ---------------------------------------------------------------- the stream


def test_batches_events_and_codes_come_in_time_order():
    trace = saved_drive()
    items = list(replay(trace, DRIVE, speed="max"))
    assert [i for i in items if isinstance(i, Batch)] == list(trace.batches())
    times = [i.time_s for i in items]
    assert times == sorted(times)
    assert items[0] == CODES and isinstance(items[1], Batch)
    gap = items.index(Event(4.0, "gap", "no answers"))
    assert items[gap + 1].time_s == 4.0 and items[gap + 2] == Event(7.0, "reconnect", "answers again")
    assert items[gap + 3].time_s == pytest.approx(7.0, abs=0.04)
    assert LATER in items


@pytest.mark.parametrize("speed", [1, 2.5, "4", 0.5])
def test_the_pace_is_as_recorded_or_a_multiple_and_does_not_drift(speed):
    clock, came = Clock(), []
    for item in replay(saved_drive(), DRIVE, speed=speed, clock=clock, sleep=clock.sleep):
        came.append((item.time_s, clock() - 1000.0))
        clock.now += 0.001  # whoever takes the items needs time of his own
    for time_s, waited_s in came:
        assert waited_s == pytest.approx(time_s / float(speed), abs=1e-3 + 1e-9)


def test_a_slow_reader_catches_up_instead_of_delaying_everything():
    clock, came = Clock(), {}
    for item in replay(saved_drive(), speed=1, clock=clock, sleep=clock.sleep):
        came[item.time_s] = clock() - 1000.0
        if item.time_s == 1.0:
            clock.now += 2.0
    assert came[1.5] == pytest.approx(3.0) and came[3.5] == pytest.approx(3.5)


def test_at_max_speed_nobody_waits():
    def never(_):
        raise AssertionError

    assert len(list(replay(saved_drive(), speed="MAX", sleep=never))) > 200


def test_a_stretch_is_replayed_from_its_own_start():
    clock = Clock()
    items = list(replay(saved_drive(), DRIVE, start_s=1.0, end_s=2.0, clock=clock, sleep=clock.sleep))
    assert items[0].time_s == 1.0 and items[-1].time_s == 2.0 and len(items) == 32
    assert sum(clock.slept) == pytest.approx(1.0)
    assert [i for i in items if isinstance(i, Event)] == [Event(2.0, "marker", "rattle")]


def test_a_stretch_that_begins_in_a_gap_waits_for_the_first_row():
    clock = Clock()
    first = next(iter(replay(saved_drive(), start_s=5.0, clock=clock, sleep=clock.sleep)))
    assert first.time_s == pytest.approx(7.0) and clock() - 1000.0 == pytest.approx(2.0)


def test_it_stops_when_asked_even_while_waiting():
    clock, asked = Clock(), []

    def sleep(seconds):
        asked.append(seconds)  # as a sleep that a key press ends early

    items = replay(saved_drive(), start_s=5.0, clock=clock, sleep=sleep, stop=lambda: bool(asked))
    assert list(items) == [] and len(asked) == 1


@pytest.mark.parametrize("speed", [0, -1, "fast", "nan", math.inf, "", None])
def test_a_speed_that_is_none_is_refused_at_once(speed):
    with pytest.raises(InputError, match="is no speed"):
        replay(saved_drive(), speed=speed)


@pytest.mark.parametrize(("start", "end"), [(11.0, None), (None, -1.0), (5.0, 4.0), (math.nan, None)])
def test_a_stretch_the_trace_does_not_have_is_refused(start, end):
    with pytest.raises(InputError):
        replay(saved_drive(), start_s=start, end_s=end)


def test_a_replay_saved_again_is_the_same_file(tmp_path):
    first, again = tmp_path / "first.csv", tmp_path / "again.csv"
    write_trace(saved_drive(), first)
    trace = read_trace(first)
    run(replay(trace, DRIVE, speed="max"), [TraceFileSink(again, trace.signals, drive=cut_drive(DRIVE, 0.0, trace))])
    assert again.read_bytes() == first.read_bytes()
    drive = read_drive(drive_path(again))
    assert sorted(drive.events, key=lambda e: e.time_s) == sorted(DRIVE.events, key=lambda e: e.time_s)
    assert drive.code_snapshots == DRIVE.code_snapshots


def test_a_stretch_becomes_a_drive_of_its_own():
    assert cut_drive(DRIVE, 90.5, saved_drive()).started_at == "2024-05-01T09:31:30.500+02:00"
    alone = cut_drive(None, 5.0, saved_drive())
    assert len(alone.ancestry) == 1 and dataclasses.replace(alone, ancestry=()) == Drive()
    assert [e.time_s for e in rebased([Event(7.0, "marker"), Batch(8.25, {})], 7.0)] == [0.0, 1.25]


# ---------------------------------------------------------------- the trace as a car


def test_the_car_has_the_value_last_sampled_and_nothing_between():
    trace = saved_drive()
    car = TraceCar(trace, DRIVE)
    assert isinstance(car, Car)
    assert car.signals == {"engine_speed", "cam_intake_b1_commanded", "cam_intake_b1_actual", "coolant_temp"}
    for now in (0.0, 0.01, 1 / 30 + 1e-6, 2.34567, 3.99):
        car.advance(now)
        row = np.searchsorted(trace.time_s, now, side="right") - 1
        assert car.value("engine_speed") == trace.columns["engine_speed"][row]
        assert car.value("cam_intake_b1_actual") == trace.columns["cam_intake_b1_actual"][row]
        assert car.value("coolant_temp") == pytest.approx(60.0 + math.floor(now), abs=0.05)
    car.advance(1.0)
    assert car.time_s == 3.99  # a time in the past changes nothing
    assert car.value("oil_temp") is None and car.value("no_such_signal") is None
    assert car.vin == "INVENTED000000017" and car.ignition_on and not car.clear_codes()


def test_a_gap_in_the_trace_is_a_gap_of_the_car():
    car = TraceCar(saved_drive())
    car.advance(5.0)
    assert car.value("engine_speed") is not None  # a few missed samples are held over
    car.advance(6.5)
    assert car.value("engine_speed") is None  # a flat line through a real gap would look like a stuck cam
    assert car.value("coolant_temp") is not None  # it comes once a second
    car.advance(7.1)
    assert car.value("engine_speed") is not None
    assert not car.ended
    car.advance(10.5)
    assert car.ended and car.value("engine_speed") is None and car.value("coolant_temp") is None


def test_a_signal_has_no_value_before_its_first_sample():
    trace = Trace(
        np.array([0.0, 1.0, 2.0]),
        {"oil_temp": np.array([math.nan, 80.0, math.nan]), "run_time": np.arange(3.0)},
    )
    car = TraceCar(trace)
    assert car.value("oil_temp") is None
    car.advance(1.0)
    assert car.value("oil_temp") == 80.0


def test_codes_are_those_of_the_latest_snapshot():
    car = TraceCar(saved_drive(), DRIVE)
    assert car.code_snapshot() == CODES
    car.advance(7.9)
    assert car.code_snapshot() == CODES
    car.advance(8.0)
    assert car.code_snapshot() == LATER
    unknown = TraceCar(saved_drive()).code_snapshot()
    assert (unknown.mil, unknown.stored, unknown.pending, unknown.permanent) == (None, None, None, None)


def test_only_what_can_be_asked_for_is_served():
    profile = read_profile("demo")
    rows = np.arange(3.0)
    trace = Trace(
        rows,
        {n: rows for n in ("engine_speed", "misfire_cyl1", "cam_intake_b1_actual", "cam_intake_b2_actual", "boost")},
    )
    assert TraceCar(trace, profile=profile).signals == {
        "engine_speed",
        "misfire_cyl1",
        "cam_intake_b1_actual",
    }
    assert not can_be_asked("cam_intake_b1_actual", None) and can_be_asked("misfire_cyl1", None)


def test_voltage_comes_from_the_trace_where_it_has_one():
    trace = Trace(np.array([0.0, 1.0]), {"module_voltage": np.array([11.9, 14.2])})
    car = TraceCar(trace)
    assert car.battery_voltage == 11.9
    assert TraceCar(saved_drive()).battery_voltage == 14.0


def test_with_a_lead_in_the_drive_waits_for_its_client():
    car = TraceCar(saved_drive(), lead_in_s=4.0)
    car.advance(100.0)
    assert not car.begun and car.time_s == 0.0
    assert car.value("coolant_temp") == 60.0
    car.advance(103.9)
    assert car.value("engine_speed") == 1000.0 and not car.begun
    car.advance(105.0)
    assert car.begun and car.time_s == pytest.approx(1.0) and car.value("coolant_temp") == pytest.approx(61.0)


# ---------------------------------------------------------------- the command


@pytest.fixture
def drive_on_disk(tmp_path):
    path = tmp_path / "drive.csv"
    write_trace(saved_drive(), path)
    write_drive(DRIVE, drive_path(path))
    return path


def test_replay_into_a_pipe_is_plain_lines(drive_on_disk):
    done = camlog("replay", drive_on_disk, "--speed", "max")
    assert done.returncode == 0 and done.stderr == ""
    lines = done.stdout.splitlines()
    assert lines[0].endswith("codes: lamp on; stored P0011; pending none; permanent none")
    assert "00:02  marker: rattle" in lines and lines[-1].startswith(
        "00:09  end, 211 batches, gaps 1 (3.0 s), markers 1"
    )
    assert "\x1b" not in done.stdout


def test_a_stretch_is_cut_out(drive_on_disk, tmp_path):
    out = tmp_path / "cut.csv"
    done = camlog("replay", drive_on_disk, "--speed", "max", "--start", "2", "--end", "8", "--out", out)
    assert done.returncode == 0
    whole, cut, drive = (
        read_trace(drive_on_disk).between(2.0, 8.0),
        read_trace(out),
        read_drive(drive_path(out)),
    )
    assert cut.time_s == pytest.approx(whole.time_s - 2.0, abs=1e-9) and cut.time_s[0] == 0.0
    assert cut.columns["engine_speed"].tolist() == whole.columns["engine_speed"].tolist()
    assert drive.started_at == "2024-05-01T09:30:02.000+02:00" and drive.trace_sha256 == cut.sha256
    assert [(e.time_s, e.kind) for e in drive.events] == [(0.0, "marker"), (2.0, "gap"), (5.0, "reconnect")]
    again = camlog("replay", drive_on_disk, "--speed", "max", "--out", out)
    assert again.returncode == 2 and "is there already" in again.stderr and again.stderr.count("\n") == 1
    assert camlog("replay", drive_on_disk, "--speed", "max", "--out", out, "--force").returncode == 0
    itself = camlog("replay", drive_on_disk, "--speed", "max", "--out", drive_on_disk, "--force")
    assert itself.returncode == 2 and len(read_trace(drive_on_disk).time_s) == 211


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--speed", "fast"], "is no speed"),
        (["--start", "60"], "has nothing from 60 s on"),
        (["--vehicle", "demo"], "only counts with --as-adapter"),
        (["--as-adapter", "--speed", "max"], "cannot go at speed max"),
        (["--as-adapter", "--out", "x.csv"], "does not go with"),
        (["--as-adapter", "--tcp", "somewhere"], "is not HOST:PORT"),
    ],
)
def test_bad_usage_is_one_line_and_status_2(drive_on_disk, arguments, says):
    done = camlog("replay", drive_on_disk, *arguments)
    assert done.returncode == 2 and says in done.stderr and "Traceback" not in done.stderr
    assert done.stderr.splitlines()[-1].startswith("camlog: ")


def test_a_changed_trace_is_said(drive_on_disk):
    write_drive(Drive(trace_sha256="0" * 64), drive_path(drive_on_disk))
    done = camlog("replay", drive_on_disk, "--speed", "max")
    assert done.returncode == 0 and "was changed after the recording" in done.stderr


def test_whoever_has_read_enough_of_the_lines_may_leave(drive_on_disk):
    done = subprocess.run(
        f"{sys.executable} -m camlog replay {drive_on_disk} --speed 20 | head -1",
        shell=True,
        capture_output=True,
        text=True,
    )
    assert done.stdout.count("\n") == 1 and done.stderr == ""


def test_on_a_terminal_it_draws_takes_a_marker_and_ends_with_q(drive_on_disk, tmp_path):
    out = tmp_path / "watched.csv"
    master, slave = pty.openpty()
    environment = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "100", "LINES": "30"}
    command = [sys.executable, "-m", "camlog", "replay", str(drive_on_disk), "--out", str(out)]
    viewer = subprocess.Popen(command, stdin=slave, stdout=slave, stderr=subprocess.DEVNULL, env=environment)
    screen = _read_until(master, b"intake, bank 1 pair")
    os.write(master, b"mrattle again\n")
    screen += _read_until(master, b"marker: rattle again")
    os.write(master, b"q")
    assert viewer.wait(timeout=10) == 0
    os.close(slave)
    os.close(master)
    text = re.sub(rb"\x1b\[[0-9;?]*[A-Za-z]", b"", screen).decode()
    for word in ("Replaying drive.csv", "rpm", "intake, bank 1", "mark this moment"):
        assert word in text
    drive, trace = read_drive(drive_path(out)), read_trace(out)
    assert "rattle again" in [e.text for e in drive.events] and drive.trace_sha256 == trace.sha256
    assert 0 < len(trace.time_s) < 211


def _read_until(fd, wanted: bytes, seconds: float = 15.0) -> bytes:
    got, end = b"", time.monotonic() + seconds
    while wanted not in got:
        left = end - time.monotonic()
        assert left > 0, got[-500:]
        if select.select([fd], [], [], left)[0]:
            got += os.read(fd, 65536)
    return got


# ---------------------------------------------------------------- recorded again


def test_served_on_an_adapter_the_drive_can_be_recorded_again(tmp_path):
    """Each value within one encoding step of the sample that stood then, each time within one request."""
    original, again = tmp_path / "drive.csv", tmp_path / "again.csv"
    seconds = 3.0
    time_s = np.round(np.arange(0.0, seconds, 1 / 20), 6)
    count = np.arange(len(time_s))
    write_trace(
        Trace(
            time_s,
            {
                "engine_speed": 1000.0 + 2.0 * count,
                "cam_intake_b1_commanded": 20.0 + 0.1 * count,
                "cam_intake_b1_actual": 5.0 + 0.1 * count,
                "coolant_temp": np.where(count % 20 == 0, 80.0, math.nan),
            },
        ),
        original,
    )
    write_drive(Drive(code_snapshots=(CODES,)), drive_path(original))
    server = subprocess.Popen(
        [sys.executable, "-m", "camlog", "replay", str(original), "--as-adapter", "--vehicle", "demo",
         "--lead-in", "5"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        port = server.stdout.readline().strip()
        done = camlog("record", "--port", port, "--vehicle", "demo", "--out", again, "--minutes", "0.1")
        assert done.returncode == 0, done.stderr
        assert server.wait(timeout=20) == 0 and server.stderr.read() == ""
    finally:
        server.kill()
    trace, profile, source = read_trace(again), read_profile("demo"), read_trace(original)
    times, speeds = trace.samples("engine_speed")
    rows = np.round((speeds - 1000.0) / 2.0).astype(int)
    assert (
        np.abs(speeds - source.columns["engine_speed"][rows]).max() <= 0.25
    )  # SAE J1979 (from memory): 1/4 rpm a count
    running = (rows > 0) & (rows < rows.max())
    assert len(set(rows[running])) > 0.9 * 5.0 * rows.max() / 20  # five times a second, for the stretch it lasts
    late = times[running] - source.time_s[rows[running]]
    request_s = float(np.median(np.diff(trace.samples("cam_intake_b1_commanded")[0])))
    assert np.ptp(late) <= 1 / 20 + 2 * request_s
    together = np.isfinite(trace.columns["cam_intake_b1_actual"]) & np.isfinite(
        trace.columns["cam_intake_b1_commanded"]
    )
    assert together.sum() > 30
    for name, first in (("cam_intake_b1_commanded", 20.0), ("cam_intake_b1_actual", 5.0)):
        values = trace.columns[name][together]
        row = np.round((values - first) / 0.1).astype(int)
        assert np.abs(values - source.columns[name][row]).max() <= profile.definition(name).step
        moving = row[(row > 0) & (row < row.max())]
        assert len(set(moving)) > 0.9 * (row.max() - 1)  # hardly a sample that was not caught
    assert set(trace.samples("coolant_temp")[1]) == {80.0}
    codes = read_drive(drive_path(again)).code_snapshots[0]
    assert codes.mil is True and codes.stored == CODES.stored and codes.pending == ()
