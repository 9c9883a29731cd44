"""While a drive is recorded: the file loses nothing, the views show what is, the keys do what they say."""

from __future__ import annotations

import errno
import hashlib
import io
import os
import pty
import signal
import subprocess
import sys
import termios
import textwrap
import time
import tracemalloc
from pathlib import Path

import pytest
from rich.console import Console

from camlog.drive import Drive, drive_path, read_drive
from camlog.errors import InputError
from camlog.sinks import row_file
from camlog.sinks import trace_file as trace_file_module
from camlog.sinks.keys import KeyReader
from camlog.sinks.lines import LineSink
from camlog.sinks.state import DriveState
from camlog.sinks.terminal import TerminalView, view_for
from camlog.sinks.trace_file import TraceFileSink
from camlog.stream import Batch, CodeSnapshot, Event, TroubleCode, run
from camlog.trace import read_trace

CAM = ("cam_intake_b1_commanded", "cam_intake_b1_actual")
SIGNALS = ("engine_speed", *CAM)
STARTED = Drive("2024-05-01T09:30:00+02:00", {"name": "Invented four-cylinder", "vin": None}, {"protocol": "CAN"})


def batch(time_s: float, **values: float) -> Batch:
    return Batch(time_s, values or {"engine_speed": 750.0, CAM[0]: 20.0, CAM[1]: 19.5})


@pytest.fixture
def path(tmp_path):
    return tmp_path / "drive.csv"


# ---------------------------------------------------------------- the trace file


def test_a_recording_is_a_trace_and_a_drive_file(path):
    snapshot = CodeSnapshot(0.0, True, (TroubleCode("P0011", "7E8"),), (), None)
    with TraceFileSink(path, SIGNALS, drive=STARTED) as sink:
        for item in (snapshot, batch(0.0), batch(0.1), Event(0.15, "marker", "rattle heard"), batch(0.2)):
            sink.accept(item)
    trace, drive = read_trace(path), read_drive(drive_path(path))
    assert trace.signals == SIGNALS and trace.time_s.tolist() == [0.0, 0.1, 0.2] and not trace.warnings
    assert drive.trace_sha256 == trace.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert drive.started_at == STARTED.started_at and drive.adapter == {"protocol": "CAN"}
    assert drive.events == (Event(0.15, "marker", "rattle heard"),) and drive.code_snapshots == (snapshot,)


def test_rows_are_with_the_system_at_once_and_events_on_disk_within_a_second(path):
    with TraceFileSink(path, SIGNALS, drive=STARTED) as sink:
        assert read_drive(drive_path(path)).trace_sha256 is None  # not ended
        sink.accept(batch(0.0))
        assert len(read_trace(path).time_s) == 1
        sink.accept(Event(0.0, "gap", "no answers"))
        began = time.monotonic()
        while not read_drive(drive_path(path)).events:
            assert time.monotonic() - began < 1.0
            time.sleep(0.02)


def test_every_row_is_synced_within_a_second_even_when_no_more_come(path, monkeypatch):
    written, synced = [], []
    real_fsync = os.fsync

    def fsync(fd):
        size = os.fstat(fd).st_size
        real_fsync(fd)
        synced.append((time.monotonic(), size))

    monkeypatch.setattr(os, "fsync", fsync)
    with TraceFileSink(path, SIGNALS) as sink:
        for k in range(60):
            sink.accept(batch(k / 30))
            written.append((time.monotonic(), path.stat().st_size))
            time.sleep(1 / 60)
        time.sleep(1.1)
        for when, size in written:
            assert any(when <= done <= when + 1.0 and synced_size >= size for done, synced_size in synced)
        idle = len(synced)
        time.sleep(0.9)
        assert len(synced) == idle  # and with nothing new the disk is left alone


def test_nothing_is_overwritten_without_force(path):
    path.write_text("someone's drive")
    with pytest.raises(InputError, match="is there already.*--force"):
        TraceFileSink(path, SIGNALS)
    assert path.read_text() == "someone's drive"
    path.rename(path.with_name("other.csv"))
    drive_path(path).write_text("someone's events")
    with pytest.raises(InputError, match=r"drive\.drive\.json: is there already"):
        TraceFileSink(path, SIGNALS)
    assert not path.exists() and drive_path(path).read_text() == "someone's events"
    with TraceFileSink(path, SIGNALS, force=True) as sink:
        sink.accept(batch(0.0))
    assert len(read_trace(path).time_s) == 1 and read_drive(drive_path(path)).events == ()


@pytest.mark.parametrize("place", ["nowhere/drive.csv", "."])
def test_a_place_that_cannot_be_written_is_one_clear_line(tmp_path, place):
    with pytest.raises(InputError, match="cannot be written|is there already"):
        TraceFileSink(tmp_path / place, SIGNALS)


def test_columns_no_trace_can_have_leave_no_file(path):
    with pytest.raises(ValueError):
        TraceFileSink(path, ["Engine RPM"])
    assert not path.exists() and not drive_path(path).exists()


def test_a_signal_that_appears_later_gets_its_column(path):
    with TraceFileSink(path, SIGNALS, units={"boost": "psi"}) as sink:
        for k in range(20_000):  # more than one block of the copy
            sink.accept(batch(k / 100, engine_speed=700.0 + k % 7, cam_intake_b1_actual=1.23456789))
        sink.accept(batch(300.0, oil_temp=90.0, boost=3.0, engine_speed=800.0))
        sink.accept(batch(301.0, oil_temp=91.0))
    trace = read_trace(path)
    assert trace.signals == (*SIGNALS, "oil_temp", "boost") and trace.units["boost"] == "psi"
    assert len(trace.time_s) == 20_002 and not trace.warnings
    assert trace.samples("oil_temp")[1].tolist() == [90.0, 91.0]
    assert trace.samples("engine_speed")[1][:8].tolist() == [700, 701, 702, 703, 704, 705, 706, 700]
    assert read_drive(drive_path(path)).trace_sha256 == trace.sha256
    assert sorted(p.name for p in path.parent.iterdir()) == ["drive.csv", "drive.drive.json"]


@pytest.mark.parametrize("refused", [False, True])
def test_a_column_is_added_where_open_files_cannot_be_replaced(path, monkeypatch, refused):
    """Windows: both files are closed before the one takes the other's place, and rows go on after the last."""

    def put_in_place(partial, target):
        links = [os.path.realpath(link) for link in Path("/proc/self/fd").iterdir()]
        assert str(path.resolve()) not in links and str(partial.resolve()) not in links
        if refused:
            raise InputError("cannot be replaced: another program has it open", file=target)
        os.replace(partial, target)

    monkeypatch.setattr(row_file, "KEEPS_OPEN_FILES", True)
    monkeypatch.setattr(row_file, "put_in_place", put_in_place)
    with TraceFileSink(path, SIGNALS) as sink:
        sink.accept(batch(0.0))
        sink.accept(batch(1.0, oil_pressure=200.0, engine_speed=800.0))
        sink.accept(batch(2.0))
    trace, drive = read_trace(path), read_drive(drive_path(path))
    assert list(trace.time_s) == [0.0, 1.0, 2.0] and drive.trace_sha256 == trace.sha256
    assert ("oil_pressure" in trace.signals) is not refused
    assert [e.kind for e in drive.events] == (["adapter_error"] if refused else [])
    assert list(path.parent.glob(".camlog-*")) == []


def test_a_column_there_is_no_room_for_is_said_and_the_rest_goes_on(path, monkeypatch):
    with TraceFileSink(path, SIGNALS) as sink:
        sink.accept(batch(0.0))

        def no_room(*_):
            raise OSError(errno.ENOSPC, "No space left on device")

        monkeypatch.setattr(os, "replace", no_room)
        sink.accept(batch(1.0, oil_temp=90.0, engine_speed=800.0))
        monkeypatch.undo()
        sink.accept(batch(2.0, oil_temp=91.0))
    trace, drive = read_trace(path), read_drive(drive_path(path))
    assert trace.signals == SIGNALS and trace.samples("engine_speed")[1].tolist() == [750.0, 800.0]
    assert [e.kind for e in drive.events] == ["adapter_error"] and "oil_temp" in drive.events[0].text
    assert drive.trace_sha256 == trace.sha256


def test_a_time_that_goes_back_does_not_make_the_file_unreadable(path):
    with TraceFileSink(path, SIGNALS) as sink:
        for t in (0.0, 1.0, 0.7, 0.8, 1.1):
            sink.accept(batch(t))
    assert read_trace(path).time_s.tolist() == [0.0, 1.0, 1.0, 1.0, 1.1]
    (event,) = read_drive(drive_path(path)).events
    assert event.kind == "adapter_error" and "0.300 s before" in event.text


def test_missing_values_stay_missing(path):
    with TraceFileSink(path, SIGNALS) as sink:
        sink.accept(batch(0.0, engine_speed=float("nan"), cam_intake_b1_actual=1.0))
        sink.accept(batch(1.0, engine_speed=float("inf")))
        sink.accept(Batch(2.0, {}))
    trace = read_trace(path)
    assert trace.time_s.tolist() == [0.0] and trace.samples("engine_speed")[1].size == 0


def test_an_event_typed_late_stands_at_its_own_time(path):
    begun = Drive(vehicle={"name": None, "vin": "X"}, adapter={"protocol": "CAN", "requests": 0})
    at_end = {"protocol": "CAN", "requests": 5}
    with TraceFileSink(path, SIGNALS, drive=begun, adapter_at_end=lambda: at_end) as sink:
        sink.accept(batch(5.0))
        sink.add_event("gap", "no answers")
        sink.accept(Event(2.0, "marker", "rattle"))
        with pytest.raises(ValueError):
            sink.add_event("note", "no such kind")
    drive = read_drive(drive_path(path))
    assert [(e.time_s, e.kind) for e in drive.events] == [(2.0, "marker"), (5.0, "gap")]
    assert drive.adapter["requests"] == 5 and drive.vehicle["vin"] == "X"


def test_an_adapter_that_fails_all_day_does_not_fill_the_drive_file(path, monkeypatch):
    monkeypatch.setattr(trace_file_module, "EVENTS_KEPT_OF_A_KIND", 50)
    with TraceFileSink(path, SIGNALS) as sink:
        for k in range(1000):
            sink.accept(Event(float(k), "adapter_error", "unreadable reply"))
            if k % 10 == 0:
                sink.accept(Event(float(k), "marker"))
    events = read_drive(drive_path(path)).events
    assert sum(e.kind == "marker" for e in events) == 100
    errors = [e for e in events if e.kind == "adapter_error"]
    assert len(errors) == 51 and errors[-1].time_s == 999.0 and errors[-1].text.startswith("950 more")


def test_memory_stays_flat(path):
    with TraceFileSink(path, SIGNALS) as sink:
        state = DriveState()

        def drive_on(first, last):
            for k in range(first, last):
                sink.accept(batch(k / 30))
                state.accept(batch(k / 30))

        drive_on(0, 3000)
        tracemalloc.start()
        drive_on(3000, 6000)
        before = tracemalloc.get_traced_memory()[0]
        drive_on(6000, 36_000)  # about 17 minutes
        grown = tracemalloc.get_traced_memory()[0] - before
        tracemalloc.stop()
    assert grown < 20_000


# ---------------------------------------------------------------- when things go wrong


def _program(body: str, *arguments: str) -> subprocess.Popen:
    code = textwrap.dedent(body)
    return subprocess.Popen([sys.executable, "-c", code, *arguments], stdout=subprocess.PIPE, text=True)


def test_a_killed_recording_loses_nothing_and_reads(path):
    writer = _program(
        """
        import sys, time
        from camlog.sinks.trace_file import TraceFileSink
        from camlog.stream import Batch, Event
        sink = TraceFileSink(sys.argv[1], ["engine_speed"])
        sink.accept(Event(0.0, "marker", "started"))
        for k in range(100_000):
            sink.accept(Batch(k / 100, {"engine_speed": float(k)}))
            print(k, flush=True)
            time.sleep(0.002)
        """,
        str(path),
    )
    seen = [int(writer.stdout.readline()) for _ in range(300)]
    os.kill(writer.pid, signal.SIGKILL)
    seen += [int(line) for line in writer.stdout.read().split()]
    writer.wait()
    trace = read_trace(path)
    values = trace.samples("engine_speed")[1]
    assert values.tolist() == [float(k) for k in range(len(values))]
    assert len(values) > seen[-1]
    drive = read_drive(drive_path(path))
    assert drive.events[0].text == "started" and drive.trace_sha256 is None


def test_a_full_disk_stops_the_recording_with_whole_rows_on_it(path):
    # A limit on the file's size fails in the middle of a row, as a disk does whose last block fills.
    writer = _program(
        """
        import resource, signal, sys
        from camlog.errors import InputError
        from camlog.sinks.trace_file import TraceFileSink
        from camlog.stream import Batch, run
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (5003, 5003))
        sink = TraceFileSink(sys.argv[1], ["engine_speed"])
        try:
            run((Batch(k / 100, {"engine_speed": float(k)}) for k in range(1000)), [sink])
        except InputError as error:
            print(error)
        """,
        str(path),
    )
    says = writer.communicate(timeout=20)[0]
    trace = read_trace(path)
    values = trace.samples("engine_speed")[1]
    assert f"{len(values)} rows recorded until then are whole" in says and says.count("\n") == 1
    assert len(values) > 200 and values.tolist() == [float(k) for k in range(len(values))]
    assert not trace.warnings and 4980 < path.stat().st_size <= 5003
    assert read_drive(drive_path(path)).trace_sha256 == trace.sha256


def _small_disk(folder) -> bool:
    folder.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(folder)], capture_output=True)
    return done.returncode == 0


def test_a_really_full_disk_is_said_in_one_line(tmp_path):
    folder = tmp_path / "stick"
    if not _small_disk(folder):
        pytest.skip("mounting a small disk needs rights this account does not have")
    try:
        sink = TraceFileSink(folder / "drive.csv", SIGNALS)
        with pytest.raises(InputError, match="the disk is full, the recording stopped.*rows recorded until then"):
            run((batch(k / 30) for k in range(100_000)), [sink])
        trace = read_trace(folder / "drive.csv")
        assert len(trace.time_s) == sink.rows > 500 and not trace.warnings
        read_drive(folder / "drive.drive.json")
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def test_a_half_written_row_is_taken_back(path, monkeypatch):
    sink = TraceFileSink(path, SIGNALS)
    sink.accept(batch(0.0))
    real_write, calls = os.write, []

    def write(fd, data):
        calls.append(fd)
        if len(calls) == 1:
            return real_write(fd, data[:9])
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, "write", write)
        with pytest.raises(InputError, match="the disk is full"):
            sink.accept(batch(1.0))
    sink.close()
    trace = read_trace(path)
    assert trace.time_s.tolist() == [0.0] and not trace.warnings
    assert read_drive(drive_path(path)).trace_sha256 == trace.sha256


def test_a_disk_that_fails_to_sync_stops_the_recording(path, monkeypatch):
    sink = TraceFileSink(path, SIGNALS, sync_interval_s=0.02)
    with monkeypatch.context() as patched:

        def broken(fd):
            raise OSError(errno.EIO, "Input/output error")

        patched.setattr(os, "fsync", broken)
        sink.accept(batch(0.0))
        time.sleep(0.3)
        with pytest.raises(InputError, match="disk refuses to write .Input/output error"):
            sink.accept(batch(1.0))
    sink.close()
    assert len(read_trace(path).time_s) == 1


def test_a_failure_nobody_has_heard_of_is_told_on_closing(path, monkeypatch):
    sink = TraceFileSink(path, SIGNALS, sync_interval_s=60.0)
    sink.accept(batch(0.0))
    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", lambda fd: (_ for _ in ()).throw(OSError(errno.EIO, "Input/output error")))
        with pytest.raises(InputError, match="Input/output error"):
            sink.close()
    sink.close()


def test_a_view_that_breaks_does_not_cost_the_file(path):
    class Broken:
        essential = False

        def accept(self, item):
            raise RuntimeError("the window is gone")

        def close(self):
            raise RuntimeError("and cannot be closed")

    sink = TraceFileSink(path, SIGNALS)
    failures = run([batch(0.0), batch(1.0)], [Broken(), sink])
    assert [f.error for f in failures] == ["the window is gone"]
    assert len(read_trace(path).time_s) == 2


def test_ctrl_c_in_the_middle_ends_with_a_whole_file(path):
    def interrupted():
        yield batch(0.0)
        yield batch(1.0)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(interrupted(), [TraceFileSink(path, SIGNALS)])
    assert read_drive(drive_path(path)).trace_sha256 == read_trace(path).sha256


# ---------------------------------------------------------------- what the views show


def test_difference_is_taken_at_one_common_time():
    # A cam that follows perfectly at 100 deg/s, its actual angle read 50 ms after the command:
    # row against row that would look like 5 degrees of error.
    state = DriveState()
    for t in (0.0, 0.1, 0.2):
        state.accept(Batch(t, {CAM[0]: 100.0 * t}))
        state.accept(Batch(t + 0.05, {CAM[1]: 100.0 * (t + 0.05)}))
    (cam,) = state.cams()
    assert cam.cam == "intake_b1" and cam.difference_deg == pytest.approx(0.0, abs=1e-9)
    state.accept(Batch(0.3, {CAM[0]: 30.0, CAM[1]: 24.0}))
    assert state.cams()[0].difference_deg == pytest.approx(-6.0)
    state.accept(Batch(9.0, {CAM[1]: 24.0}))  # too far from any command to compare
    assert state.cams()[0].difference_deg is None


def test_rates_are_those_of_the_last_seconds():
    state = DriveState()
    for k in range(600):
        state.accept(batch(k / 30))
        if k % 60 == 0:
            state.accept(batch(k / 30, coolant_temp=80.0))
    rates = state.rates()
    assert rates["intake, bank 1 pair"] == pytest.approx(30.0, rel=0.02) and rates["engine"] == pytest.approx(
        30.0, rel=0.02
    )
    assert rates["temperatures"] == pytest.approx(0.5, rel=0.3)
    for k in range(100):
        state.accept(batch(20 + k / 10))
    assert state.rates()["intake, bank 1 pair"] == pytest.approx(10.0, rel=0.05)


def test_a_value_that_stopped_coming_is_not_shown_as_the_present_one():
    now = [0.0]
    state = DriveState(lambda: now[0])
    state.accept(batch(0.0, engine_speed=750.0, coolant_temp=80.0))
    state.accept(batch(2.0, coolant_temp=81.0))
    now[0] = 4.0
    assert state.shown("engine_speed").stale and state.shown("engine_speed").age_s == 4.0
    assert not state.shown("coolant_temp").stale  # it comes every two seconds
    assert state.shown("oil_temp") is None


def test_gaps_are_counted_from_the_last_answer_to_the_next():
    now = [0.0]
    state = DriveState(lambda: now[0])
    state.accept(batch(10.0))
    state.accept(Event(12.0, "gap", "no answers"))
    now[0] = 13.0
    assert state.in_gap and state.gap_s == pytest.approx(3.0)
    state.accept(Event(14.5, "reconnect"))
    state.accept(batch(15.0))
    assert not state.in_gap and state.gap_s == pytest.approx(5.0) and state.events["gap"] == 1


def test_lines_come_now_and_then_and_events_at_once():
    out, wall = io.StringIO(), [0.0]
    sink = LineSink(out, interval_s=5.0, wall=lambda: wall[0])
    sink.accept(CodeSnapshot(0.0, True, (TroubleCode("P0011", "7E8"),), (), None))
    for k in range(301):
        wall[0] = k / 30
        sink.accept(batch(k / 30))
        if k == 30:
            sink.accept(Event(1.0, "marker", "rattle heard"))
    sink.close()
    lines = out.getvalue().splitlines()
    assert lines[0] == "00:00  codes: lamp on; stored P0011; pending none; permanent not read"
    assert lines[1] == "00:01  marker: rattle heard"
    assert lines[2].startswith("00:05  engine 750 rpm  intake_b1 20.0 -> 19.5 deg (-0.5)  intake, bank 1 pair 30.0/s")
    assert len(lines) == 5 and lines[3].startswith("00:10") and lines[4].startswith("00:10  end, 301 batches")
    assert out.getvalue().isascii()


def _terminal(out):
    return Console(file=out, force_terminal=True, width=100, height=30, color_system=None, legacy_windows=False)


def _picture(view) -> str:
    out = io.StringIO()
    Console(file=out, width=100, color_system=None).print(view.picture())
    return out.getvalue()


def test_the_terminal_shows_the_drive():
    now = [65.0]
    view = TerminalView(_terminal(io.StringIO()), title="Recording drive.csv", clock=lambda: now[0])
    view.accept(CodeSnapshot(60.0, False, (), None, ()))
    view.accept(batch(64.8, vehicle_speed=58.0, coolant_temp=88.0, oil_temp=91.4, misfire_cyl1=0.0, misfire_cyl2=3.0))
    view.accept(batch(64.9))
    view.accept(batch(65.0))
    view.accept(Event(62.0, "marker", "rattle heard"))
    shown = _picture(view)
    for text in (
        "01:05", "Recording drive.csv", "750 rpm", "road 58 km/h", "coolant 88 °C", "oil 91 °C", "1: 0  2: 3",
        "intake, bank 1", "20.0 deg", "19.5 deg", "-0.5 deg", "intake, bank 1 pair", "lamp off",
        "01:02 marker: rattle heard",
    ):  # fmt: skip
        assert text in shown
    assert "°" not in _picture_of_ascii_terminal()
    view.accept(Event(65.5, "gap", "adapter unplugged"))
    now[0] = 80.0
    shown = _picture(view)
    assert "no answers from the vehicle" in shown and "1, 15.0 s in all" in shown
    assert "750 rpm (15 s ago)" in shown
    view.close()


def _picture_of_ascii_terminal() -> str:
    out = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    view = TerminalView(Console(file=out, force_terminal=True, width=80), title="x")
    view.accept(batch(0.0, coolant_temp=88.0))
    text = _picture(view)
    view.close()
    assert "88 degC" in text
    return text


def test_the_terminal_is_drawn_at_most_four_times_a_second_and_time_goes_on_without_data():
    out, began = io.StringIO(), time.monotonic()
    view = TerminalView(_terminal(out), clock=lambda: time.monotonic() - began + 100)
    for k in range(300):
        view.accept(batch(k / 300))
        time.sleep(0.001)
    time.sleep(1.3)
    view.close()
    took = time.monotonic() - began
    drawn = out.getvalue().count("Recording")
    assert 3 <= drawn <= 4 * took + 3
    assert "01:41" in out.getvalue()


def test_a_view_that_cannot_draw_is_dropped_and_the_recording_goes_on(path, monkeypatch):
    view = TerminalView(_terminal(io.StringIO()))
    monkeypatch.setattr(view, "picture", lambda: 1 / 0)

    def slow():
        for k in range(10):
            yield batch(k / 10)
            time.sleep(0.1)

    failures = run(slow(), [view, TraceFileSink(path, SIGNALS)])
    assert [f.sink for f in failures] == ["TerminalView"]
    assert len(read_trace(path).time_s) == 10


def test_a_pipe_gets_lines_and_a_terminal_the_picture():
    assert isinstance(view_for(title="x", console=Console(file=io.StringIO())), LineSink)
    view = view_for(title="x", console=_terminal(io.StringIO()))
    assert isinstance(view, TerminalView)
    view.close()


# ---------------------------------------------------------------- keys


@pytest.fixture
def keyboard():
    master, slave = pty.openpty()
    yield master, slave
    os.close(master)
    os.close(slave)


def until(condition, seconds=3.0):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.005)


def test_m_marks_the_moment_it_was_pressed_and_the_text_follows(keyboard):
    master, slave = keyboard
    now, got = [10.0], []
    with KeyReader(lambda: now[0], fd=slave, on_marker=got.append) as keys:
        assert keys.active and keys.typing is None
        os.write(master, b"xm")
        until(lambda: keys.typing == "")
        now[0] = 14.0
        os.write(master, "rattlr\x7fe heard, früh q\x1b[A".encode())
        until(lambda: keys.typing == "rattle heard, früh q")
        assert not keys.end_requested  # q is text while typing
        os.write(master, b"\n")
        until(lambda: got)
        os.write(master, b"m\nmoops\x1b")
        until(lambda: len(got) == 2 and keys.typing is None)
    assert got == [Event(10.0, "marker", "rattle heard, früh q"), Event(14.0, "marker", "")]


def test_a_marker_nobody_finishes_is_kept(keyboard):
    master, slave = keyboard
    now = [1.0]
    with KeyReader(lambda: now[0], fd=slave) as keys:
        os.write(master, b"mknock")
        until(lambda: keys.typing == "knock")
        now[0] = 30.0
        until(lambda: keys.typing is None)
        assert keys.take_markers() == [Event(1.0, "marker", "knock")] and keys.take_markers() == []
        os.write(master, b"mend")
        until(lambda: keys.typing == "end")
        keys.request_end()
        until(lambda: keys.typing is None)
        assert keys.take_markers() == [Event(30.0, "marker", "end")]


def test_q_ends_a_wait_at_once(keyboard):
    master, slave = keyboard
    ended = []
    with KeyReader(lambda: 0.0, fd=slave, on_end=lambda: ended.append(1)) as keys:
        assert keys.wait(0.01) is False
        os.write(master, b"q")
        began = time.monotonic()
        assert keys.wait(20.0) is True
        assert time.monotonic() - began < 2.0 and keys.end_requested
        until(lambda: ended == [1])


def test_ctrl_c_on_the_keyboard_ends_and_the_second_does_not_wait(keyboard):
    master, slave = keyboard
    ended = []
    with pytest.raises(KeyboardInterrupt), KeyReader(lambda: 0.0, fd=slave, on_end=lambda: ended.append(1)) as keys:
        os.write(master, b"\x03")
        assert keys.wait(5.0) and keys.end_requested
        until(lambda: ended == [1])
        os.write(master, b"\x03")
        time.sleep(5.0)


def test_the_terminal_gets_its_mode_back_whatever_happens(keyboard):
    master, slave = keyboard
    before = termios.tcgetattr(slave)
    with pytest.raises(RuntimeError), KeyReader(lambda: 0.0, fd=slave):
        assert not termios.tcgetattr(slave)[3] & (termios.ICANON | termios.ECHO)
        raise RuntimeError
    assert termios.tcgetattr(slave) == before


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_request_to_terminate_ends_cleanly_and_handlers_come_back(number):
    before = signal.getsignal(number)
    with KeyReader(lambda: 0.0, fd=None) as keys:
        os.kill(os.getpid(), number)
        assert keys.wait(30.0) and keys.end_requested
        if number == signal.SIGINT:
            with pytest.raises(KeyboardInterrupt):  # the second does not wait for a clean end
                os.kill(os.getpid(), number)
                time.sleep(1.0)
    assert signal.getsignal(number) == before


def test_a_program_that_dies_of_an_error_leaves_the_terminal_usable(keyboard):
    master, slave = keyboard
    before = termios.tcgetattr(slave)
    code = "from camlog.sinks.keys import KeyReader as K\nassert K(lambda: 0.0).__enter__().active\nexit(3)"
    assert subprocess.run([sys.executable, "-c", code], stdin=slave, timeout=20).returncode == 3
    assert termios.tcgetattr(slave) == before


def test_without_a_terminal_no_keys_are_read():
    code = "from camlog.sinks.keys import KeyReader\nwith KeyReader(lambda: 0.0) as k: print(k.active, k.wait(0.01))"
    done = subprocess.run([sys.executable, "-c", code], stdin=subprocess.DEVNULL, capture_output=True, text=True)
    assert done.stdout == "False False\n", done.stderr
