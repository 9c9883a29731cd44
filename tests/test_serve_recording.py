"""The page's recorder on real bytes: a process of its own that outlives pages, cables and the server."""

import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import namedtuple
from pathlib import Path

import flask
import numpy as np
import pytest

from camlog.drive import drive_path, read_drive
from camlog.errors import InputError
from camlog.profile import DEMO
from camlog.serve import cautions
from camlog.serve.board import Board
from camlog.serve.cautions import Cautions
from camlog.serve.folder import Folder
from camlog.serve.guide import Guide
from camlog.serve.jobs import Jobs
from camlog.serve.pages.live import live_update
from camlog.serve.recorder import PipeView
from camlog.serve.recording import DriveRecorder
from camlog.simulate.adapter import Fault, SimulatedAdapter, TimingModel
from camlog.stream import Batch, CodeSnapshot, Event
from camlog.trace import read_trace
from tests.capture_help import PROFILE, RAMPS, STANDARD, climbing_car, ramp
from tests.command_help import held_up_s
from tests.misbehaving_adapters import MisbehavingPty

SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"
QUICK = TimingModel(baud=2_000_000, ecu_latency_s=0.002, wait_s=0.008, search_s=0.01, reset_s=0.01, no_answer_s=0.03)
Usage = namedtuple("Usage", "total used free")


def until(condition, seconds=60.0, what="it never came"):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, what
        time.sleep(0.02)


@pytest.fixture(scope="module")
def jobs():
    found = Jobs()
    yield found
    found.close()


@pytest.fixture
def adapter(tmp_path):
    car = climbing_car()
    with SimulatedAdapter(car, PROFILE, traits=STANDARD, timing=QUICK) as found:
        found.port, found.car = found.start_pty(tmp_path / "port"), car
        yield found


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "work").mkdir()
    return Folder(tmp_path / "work")


@pytest.fixture
def recorder(folder, jobs):
    found = DriveRecorder(folder, jobs)
    yield found
    found.close()
    assert not found._watching.is_alive()


def state(recorder):
    return recorder.status().state


def connected(recorder, adapter, vehicle="demo"):
    recorder.connect(adapter.port, vehicle)
    until(lambda: state(recorder) != "connecting", what=str(recorder.status()))
    assert state(recorder) == "connected", recorder.status()


def recording(recorder, adapter, name="", rows=20):
    """A recording that has begun."""
    connected(recorder, adapter)
    recorder.start(name)
    until(lambda: recorder.status().rows >= rows, what=str(recorder.status()))


def trace_of(recorder):
    path = recorder._folder.path(recorder.status().name)
    return read_trace(path), read_drive(drive_path(path))


class Pages(threading.Thread):
    """Five pages that ask all the time, as a browser would, one of them from before the start."""

    def __init__(self, recorder):
        super().__init__(daemon=True)
        self.recorder, self.held, self.rows, self.wrong, self.ended = recorder, {}, [], [], threading.Event()
        self.start()

    def run(self):
        pages = [threading.Thread(target=self.page, args=(n,)) for n in range(5)]
        for page in pages:
            page.start()
        for page in pages:
            page.join()

    def page(self, number):
        try:
            cursor, held_id, drawn = 0, "", []
            while True:
                last = self.ended.is_set()
                self.rows.append(self.recorder.status().rows)
                if (board := self.recorder.board) is not None:
                    told = board.update(cursor if board.id == held_id else 0)
                    drawn = [] if told["fresh"] else drawn
                    cursor, held_id = told["cursor"], told["id"]
                    drawn += told["samples"].get("cam_intake_b1_actual", [[], []])[1]
                    if (guide := self.recorder.guide) is not None:  # not yet while what answers is looked at
                        guide.items(), guide.can_stop()
                self.held[number] = [value for value in drawn if value is not None]
                if last:
                    return
                time.sleep(0.04)
        except Exception as error:  # noqa: BLE001 - told by the test's own thread
            self.wrong.append(error)


def test_connect_start_mark_pull_the_cable_resume_stop(recorder, adapter, jobs):
    pages = Pages(recorder)
    recording(recorder, adapter)
    assert any("Connected" in line for line in recorder.status().lines)
    assert [c["cam"] for c in recorder.board.update()["cams"]] == ["intake_b1", "exhaust_b1"]
    told_s, vehicle_s = recorder.status().elapsed_s, adapter.elapsed_s
    recorder.mark(" rattle\nheard ")
    until(lambda: recorder.board.update()["markers"] == 1)
    recorder.mark("pressed by mistake")
    until(lambda: recorder.board.update()["markers"] == 2)
    recorder.take_back(9999.0)  # no mark of that time: nothing else is taken for it
    recorder.take_back(recorder.board.update()["events"][0]["time_s"])
    until(lambda: recorder.board.update()["markers"] == 1)
    adapter._faults.faults = (Fault("unplugged", adapter.elapsed_s, 0.6),)
    until(lambda: recorder.board.update()["gap"] is not None)
    until(lambda: recorder.board.update()["gap"] is None, what="it did not resume")
    rows = recorder.status().rows
    until(lambda: recorder.status().rows > rows + 10)
    recorder.stop()
    with pytest.raises(InputError, match="nothing is being recorded"):
        recorder.mark()
    until(lambda: state(recorder) == "finished", what=str(recorder.status()))
    pages.ended.set()
    pages.join(10.0)
    trace, drive = trace_of(recorder)
    assert drive.trace_sha256 == trace.sha256
    # Nothing lost: neither on the way to the page nor between adapter and file.
    assert recorder.status().rows == len(trace.time_s) == recorder.board.state.batches
    assert not pages.wrong and sorted(pages.held) == [0, 1, 2, 3, 4]
    values = trace.samples("cam_intake_b1_actual")[1]
    assert all(np.allclose(held, values, atol=1e-3) for held in pages.held.values())
    # The marker is where the car was when the server was told, by the car's own ramp.
    (marker,) = [e for e in drive.events if e.kind == "marker"]
    assert marker.text == "rattle heard" and abs(marker.time_s - told_s) < 0.3
    times, speeds = trace.samples("engine_speed")
    at_marker = np.interp(marker.time_s, times, speeds)
    assert at_marker == pytest.approx(ramp("engine_speed", vehicle_s), abs=0.3 * RAMPS["engine_speed"][1])
    assert {"gap", "reconnect"} <= {e.kind for e in drive.events}
    gaps = recorder.board.update()["gaps"]
    assert gaps["count"] == 1 and gaps["seconds"] > 0.4
    assert len(drive.code_snapshots) == 2  # at the start and at the end
    # The report comes by itself.
    until(lambda: (look := jobs.look(recorder.status().report_job)) is not None and look.over, 60.0)
    assert jobs.look(recorder.status().report_job).state == "done"
    assert recorder._folder.entry(recorder.status().name).results["report"].endswith(".report.html")
    recorder.disconnect()
    assert state(recorder) == "idle" and recorder.status().name is None


def test_a_recording_that_ends_with_the_ignition_off_says_so_on_the_page(recorder, adapter):
    recording(recorder, adapter)
    adapter.car.ignition_on = False
    until(lambda: recorder.board.update()["gap"] is not None)
    with flask.Flask("page").test_request_context():
        told = live_update(recorder.board, recorder.guide)
    assert "engine module stopped answering" in told["gap"]["text"] and "goes on by itself" in told["gap"]["text"]
    recorder.stop()
    until(lambda: state(recorder) == "finished", seconds=4.0, what=str(recorder.status()))
    assert recorder.board.update()["codes"].count("not read") == 4
    assert any("codes were not read at the end" in text for text in recorder.status().warnings)


def test_one_recording_at_a_time_and_orders_out_of_turn_are_refused_in_words(recorder, adapter, tmp_path):
    for order in (recorder.start, recorder.stop, recorder.mark):
        with pytest.raises(InputError, match="onnect|recorded"):
            order()
    # Two pages press Connect at once: one does.
    both, refused = threading.Barrier(2), []

    def press():
        both.wait()
        try:
            recorder.connect(adapter.port, "demo")
        except InputError as error:
            refused.append(str(error))

    pages = [threading.Thread(target=press) for _ in range(2)]
    for page in pages:
        page.start()
    for page in pages:
        page.join()
    assert len(refused) == 1 and "connected already" in refused[0]
    # Given up while it still connects, the adapter is free again at once.
    time.sleep(0.3)
    recorder.disconnect()
    assert state(recorder) == "idle" and recorder.status().lines == ()
    (tmp_path / "work" / "mine.csv").write_text("somebody's\n")
    recording(recorder, adapter, "mine")
    with pytest.raises(InputError, match="runs already"):
        recorder.start()
    with pytest.raises(InputError, match="a recording runs already"):
        recorder.connect(adapter.port, "demo")
    with pytest.raises(InputError, match="Stop it first"):
        recorder.disconnect()
    # Nothing is ever overwritten.
    assert recorder.status().name == "mine-2.csv"
    assert (tmp_path / "work" / "mine.csv").read_text() == "somebody's\n"


@pytest.mark.parametrize(
    "port",
    ["/etc/passwd", "/dev/../etc/passwd", "relative", "file:///etc/passwd", "socket://", "socket://host:1/../x",
     "/dev/tty\0x", "", " ", "x" * 5000, "alt:///dev/ttyS0", "spy:///dev/ttyS0?file=/tmp/x", "rfc2217://h:1"],
)  # fmt: skip
def test_a_page_opens_nothing_that_is_no_adapters_port(recorder, port):
    with pytest.raises(InputError, match="is no port of an adapter"):
        recorder.connect(port, None)
    assert state(recorder) == "idle"


def test_a_profile_that_is_not_in_the_folder_or_is_none_is_refused_before_connecting(recorder, tmp_path):
    (tmp_path / "outside.toml").write_bytes(DEMO.read_bytes())
    (tmp_path / "work" / "broken.toml").write_text('schema = "camlog.vehicle/1"\n[vehicle]\nname = 3\n')
    for name in ("../outside.toml", str(tmp_path / "outside.toml"), "missing.toml", "broken.toml", "x.csv"):
        with pytest.raises(InputError) as refused:
            recorder.connect("/dev/null", name)
        assert str(tmp_path / "work") not in str(refused.value)
    assert state(recorder) == "idle"


def test_where_no_adapter_answers_the_page_says_so_and_another_try_is_free(recorder, tmp_path):
    given = DriveRecorder(recorder._folder, recorder._jobs, given=(str(tmp_path / "gone"), None))
    for one, port, why in (
        (recorder, "/dev/null", "/dev/null: .*no adapter"),
        (recorder, "socket://127.0.0.1:9", "socket://127.0.0.1:9: .*refused"),
        (given, str(tmp_path / "gone"), "there is no such port. Plug the adapter in; or let the likely ports"),
    ):
        one.connect(port, None)
        until(lambda one=one: state(one) == "failed")
        pytest.raises(InputError, one.start)
        error = one.status().error
        assert re.search(why, error) and "--" not in error, error
        assert one.status().name is None and one.status().report_job is None
    given.close()


def test_a_recorder_that_is_killed_is_told_and_what_it_wrote_reads(recorder, adapter, jobs):
    recording(recorder, adapter, "broken.csv", rows=60)
    time.sleep(0.5)
    os.kill(recorder._worker.pid, signal.SIGKILL)
    until(lambda: state(recorder) == "failed")
    status = recorder.status()
    assert "ended unexpectedly" in status.error and "broken.csv" in status.error and status.report_job is not None
    trace, drive = trace_of(recorder)
    assert len(trace.time_s) >= 60 and drive.trace_sha256 is None
    # The server starts again later, and names it.
    path = recorder._folder.path("broken.csv")
    os.utime(path, (time.time() - 60, time.time() - 60))
    said = DriveRecorder(recorder._folder, jobs).status().warnings
    assert said == (f"broken.csv did not end cleanly; its {len(trace.time_s)} rows are here and can be used.",)


def test_a_recorder_that_does_not_end_is_ended(recorder, adapter, monkeypatch):
    monkeypatch.setattr("camlog.serve.recording.ENDS_WITHIN_S", 0.5)
    recording(recorder, adapter)
    os.kill(recorder._worker.pid, signal.SIGSTOP)
    recorder.stop()
    assert state(recorder) == "ending"
    until(lambda: state(recorder) == "failed", 5.0)
    trace, _ = trace_of(recorder)
    assert len(trace.time_s) >= 20


@pytest.fixture
def misbehaving(tmp_path):
    """An adapter that does as it should until it is told to turn."""
    port = MisbehavingPty(tmp_path / "port")
    with SimulatedAdapter(climbing_car(), PROFILE, timing=QUICK) as found:
        found.port, found.turn = found.start(port), port.turn
        yield found


@pytest.mark.parametrize("kind", ["drips", "floods", "says nothing"])
def test_stop_and_disconnect_work_whatever_the_adapter_does(recorder, misbehaving, kind):
    recording(recorder, misbehaving)
    misbehaving.turn(kind)
    time.sleep(1.1)
    tasks = f"/proc/{recorder._worker.pid}/task/*"
    own = f"/proc/self/task/{os.getpid()}"  # the thread that looks, too, waits for a processor that the flood's sender has
    began, before_s, own_s = time.monotonic(), held_up_s(tasks), held_up_s(own)
    held_s = before_s
    recorder.stop()
    while (now := state(recorder)) != "finished":
        assert now != "failed" and time.monotonic() - began < 30.0, recorder.status()
        held_s = max(held_s, held_up_s(tasks))
        time.sleep(0.01)
    assert time.monotonic() - began - (held_s - before_s) - (held_up_s(own) - own_s) < 2.0
    trace, drive = trace_of(recorder)
    assert drive.trace_sha256 == trace.sha256 and drive.events
    recorder.connect(misbehaving.port, "demo")
    time.sleep(0.2)
    assert state(recorder) == "connecting"
    began = time.monotonic()
    recorder.disconnect()
    assert time.monotonic() - began < 2.0 and state(recorder) == "idle"


def test_a_simulated_adapter_is_shown_as_one(recorder, adapter):
    connected(recorder, adapter)
    assert any("simulated" in w and "prove nothing" in w for w in recorder.status().warnings)
    recorder.disconnect()
    assert not recorder.status().warnings


class Full:
    """Jobs that have too much to do."""

    def submit(self, *_, key):
        raise InputError("too many analyses are waiting", remedy="Try again when some of them are done.")


def test_signals_of_the_terminal_a_view_that_fails_and_full_jobs_cost_no_row(folder, adapter, monkeypatch):
    recorder = DriveRecorder(folder, Full())
    recording(recorder, adapter)
    monkeypatch.setattr("camlog.serve.guide.FIRST_LOOK_S", 0.0)
    recorder.guide._next_look_s = 0.0  # a look is due, and refused
    process = recorder._worker._process
    for number in (signal.SIGINT, signal.SIGHUP):  # Ctrl-C; the terminal's window is closed
        os.kill(process.pid, number)
    recorder.guide.accept = lambda item: 1 / 0
    rows = recorder.status().rows
    until(lambda: recorder.status().rows > rows + 20)
    assert any("list of what to drive failed; the recording itself is whole" in w for w in recorder.status().warnings)
    os.kill(process.pid, signal.SIGTERM)  # a service manager ends all processes at once
    until(lambda: state(recorder) == "finished", what=str(recorder.status()))
    trace, drive = trace_of(recorder)
    assert drive.trace_sha256 == trace.sha256 and len(drive.code_snapshots) == 2
    assert recorder.status().rows == len(trace.time_s) == recorder.board.state.batches
    assert any("The report was not begun: too many" in w for w in recorder.status().warnings)
    recorder.close()
    assert not process.is_alive()


SERVER = """
import socket, sys, time
from camlog.serve.folder import Folder
from camlog.serve.guide import Guide
from camlog.serve.jobs import Jobs
from camlog.serve.recording import DriveRecorder
if __name__ == "__main__":
    recorder = DriveRecorder(Folder(sys.argv[1]), Jobs())
    listening = socket.create_server(("127.0.0.1", 0))
    listening.set_inheritable(True)
    recorder.connect(sys.argv[2], "demo")
    while recorder.status().state == "connecting":
        time.sleep(0.02)
    recorder.start("drive.csv")
    while recorder.status().rows < 20:
        time.sleep(0.02)
    print(recorder._worker.pid, listening.getsockname()[1], flush=True)
    time.sleep(60)
"""


def ended(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


def test_a_server_killed_in_mid_drive_leaves_a_recording_that_ends_cleanly(folder, tmp_path, adapter, jobs):
    script = tmp_path / "server.py"
    script.write_text(SERVER)
    server = subprocess.Popen([sys.executable, script, folder.root, adapter.port], stdout=subprocess.PIPE, text=True)
    pid, port = map(int, server.stdout.readline().split())
    server.kill()
    server.wait()
    # The recorder held no listening socket of the server: its port is free at once.
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=1.0)
    until(lambda: ended(pid))
    trace, drive = read_trace(folder.root / "drive.csv"), read_drive(folder.root / "drive.drive.json")
    assert drive.trace_sha256 == trace.sha256 and len(trace.time_s) >= 20 and len(drive.code_snapshots) == 2
    again = DriveRecorder(folder, jobs).status()
    assert again.state == "idle" and not again.warnings
    assert [e.name for e in folder.recordings()] == ["drive.csv"]


def test_the_recorders_process_loads_nothing_of_the_page():
    code = (
        "import sys; sys.modules['dask'] = None  # where it is installed, pint loads it, and it the rest\n"
        "from multiprocessing import Pipe; from camlog.errors import InputError; here, there = Pipe()\n"
        "from camlog.serve.recorder import record_drive; from camlog.serve.worker import Link\n"
        "try: record_drive(Link(there), '/dev/null', None, False)\n"
        "except InputError: print('failed'); import camlog.capture.record\n"
        "print([m for m in ('flask', 'pandas', 'plotly', 'scipy', 'h11') if m in sys.modules])"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert said.splitlines() == ["failed", "[]"]


# ---------------------------------------------------------------- the disk, and what broke off before


def test_a_disk_that_fills_up_warns_early_with_the_time_left(folder):
    free = [10**12]
    watch = Cautions(folder, disk_usage=lambda _: Usage(10**12, 0, free[0]), check_s=0.0)
    trace = folder.root / "drive.csv"
    trace.write_bytes(b"x" * 600_000)  # in ten minutes: a kilobyte a second
    assert watch.told() == watch.told(trace, 600.0) == ()
    free[0] = 400_000_000  # less than 500 MB
    assert watch.told() == ("The disk is almost full: 400 MB left. Make space.",)
    assert "400 MB left, enough for about 111 hours of this recording" in watch.told(trace, 600.0)[0]
    free[0] = 2_700_000
    assert "3 MB left, enough for about 45 minutes" in watch.told(trace, 600.0)[0]
    # Plenty of space, but a recording that fills it within the hour.
    large = Cautions(folder, disk_usage=lambda _: Usage(10**12, 0, 3_000_000), disk_low_bytes=1e6, check_s=0.0)
    assert large.told() == () and "about 50 minutes" in large.told(trace, 600.0)[0]
    # It is looked at every few seconds, not at every question.
    asked = []
    seldom = Cautions(folder, disk_usage=lambda path: asked.append(path) or Usage(1, 0, 10**12))
    for _ in range(50):
        seldom.told()
    assert len(asked) == 1


def broken_off(folder, name="broken", ago_s=3600.0):
    """A recording as a power cut leaves it: no hash, a torn last line."""
    trace = folder.root / f"{name}.csv"
    lines = (SAMPLES / "too-short.csv").read_bytes().splitlines(keepends=True)
    trace.write_bytes(b"".join(lines[:501]) + b"12.3,8")
    text = (SAMPLES / "too-short.drive.json").read_text()
    whole = read_drive(SAMPLES / "too-short.drive.json")
    text = text.replace(f'"{whole.trace_sha256}"', "null")
    (folder.root / f"{name}.drive.json").write_text(text)
    then = time.time() - ago_s
    os.utime(trace, (then, then))
    assert read_drive(drive_path(trace)).trace_sha256 is None
    return trace


def test_recordings_that_broke_off_are_named_at_the_start_and_until_they_are_gone(folder):
    if not read_drive(SAMPLES / "too-short.drive.json").adapter:
        pytest.fail("the sample no longer says which adapter recorded it")
    trace = broken_off(folder)
    broken_off(folder, "old", ago_s=10 * 24 * 3600.0)
    watch = Cautions(folder, check_s=0.0)
    said = ("broken.csv did not end cleanly; its 500 rows are here and can be used.",)
    assert watch.told() == said == watch.told()
    # One being recorded now is no such thing.
    assert watch.told(trace, 1.0) == ()
    trace.unlink()
    assert watch.told() == ()


def test_one_whose_server_died_a_moment_ago_may_still_end(folder, monkeypatch):
    trace = broken_off(folder, ago_s=1.0)
    watch = Cautions(folder, check_s=0.0)
    assert watch.told() == ()
    monkeypatch.setattr(cautions, "QUIET_S", 0.5)
    assert "broken.csv" in watch.told()[0]
    sample = SAMPLES / "too-short.drive.json"
    drive_path(trace).write_bytes(sample.read_bytes())  # it did
    assert watch.told() == ()


# ---------------------------------------------------------------- the way to the page


def test_a_page_that_does_not_keep_up_costs_the_recorder_nothing():
    stuck, sent = threading.Event(), []

    def send(*message):
        sent.append(message)
        stuck.wait(10.0)

    view = PipeView(send, waiting=100)
    began = time.monotonic()
    for n in range(5000):
        view.accept(Batch(n * 0.01, {"engine_speed": 1.0}))
    view.accept(Event(50.0, "marker", "rattle heard"))
    view.accept(CodeSnapshot(50.0, mil=True))
    assert time.monotonic() - began < 1.0
    assert view.left_out >= 4700
    stuck.set()
    view.close()
    items = [i for m in sent for i in m[1]]
    assert len([i for i in items if isinstance(i, Batch)]) + view.left_out == 5000
    assert [type(i) for i in items[-2:]] == [Event, CodeSnapshot] and sent[-1][2] == view.left_out


def test_what_a_stuck_page_is_owed_has_an_end_too():
    stuck = threading.Event()
    view = PipeView(lambda *message: stuck.wait(10.0), waiting=50)
    time.sleep(0.1)
    for n in range(3000):
        view.accept(Event(n * 0.01, "adapter_error", "x"))
    assert len(view._items) <= 100
    stuck.set()
    view.close()


def test_a_page_that_fell_behind_is_told_and_rows_are_still_counted(folder):
    recorder = DriveRecorder(folder, Full())
    recorder.board, recorder.guide, recorder._trace = Board(), Guide(), folder.root / "drive.csv"
    rows = [Batch(n * 0.1, {"engine_speed": 800.0}) for n in range(30)]
    recorder._hear(recorder._worker, "items", rows, 7)
    assert recorder.status().rows == 37
    assert "The page fell behind by 7 rows; the recording itself is whole." in recorder.status().warnings
