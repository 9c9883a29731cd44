"""However an adapter misbehaves, a recording ends within two seconds when it is told to, and no value is wrong.

Recorded by the command itself, ended by Ctrl-C. The car's values tell the time they were read at.
"""

from __future__ import annotations

import dataclasses
import os
import signal
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from camlog.capture.clocks import DriveClock
from camlog.capture.connect import open_link
from camlog.capture.judge import RoundTrips
from camlog.capture.live import LiveSource
from camlog.capture.record import record
from camlog.capture.transports import tcp
from camlog.capture.troubles import PROBLEMS
from camlog.drive import Drive, drive_path, read_drive
from camlog.simulate.adapter import SimulatedAdapter, TimingModel
from camlog.trace import Trace, read_trace
from tests.adapter_car import StandingCar
from tests.capture_help import PROFILE, climbing_car, recorded, time_errors
from tests.command_help import FORKING, held_up_s, run_camlog
from tests.misbehaving_adapters import KINDS, MisbehavingPty, MisbehavingTcp

ENDS_WITHIN_S = 2.0
MISBEHAVES_S = 1.1
CODES_WITHIN_S = 4.0  # where the adapter still answers well enough, for reading the codes once more
TIMING = TimingModel(ecu_latency_s=0.004, wait_s=0.01, search_s=0.01, reset_s=0.02, no_answer_s=0.03)
RECORDING, AT_THE_END, CLOSING = WHEN = ("recording", "at the end", "while the closing codes are read")
PENDING_CODES = b"7E80247"  # begins the answer to service 07


class Command:
    """`camlog record` in a process of its own; ended with the `with` block, whatever happens."""

    def __init__(self, folder: Path, port: str, *arguments: str):
        self.trace, self._printed = folder / "drive.csv", folder / "printed"
        command = [
            "record",
            "--port",
            port,
            "--baud",
            "38400",
            "--vehicle",
            "demo",
            "--out",
            str(self.trace),
            *arguments,
        ]
        self.process = FORKING.Process(target=run_camlog, args=(command, str(self._printed)))

    def __enter__(self) -> Command:
        self.process.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.join()

    @property
    def printed(self) -> str:
        return self._printed.read_text(errors="replace") if self._printed.exists() else ""

    def wait_for_rows(self, size: int = 2500) -> None:
        until = time.monotonic() + 120.0
        while not (self.trace.exists() and self.trace.stat().st_size > size):
            assert self.process.is_alive() and time.monotonic() < until, self.printed
            time.sleep(0.02)

    def ended_after_s(self, within_s: float = 20.0) -> float:
        """Seconds until it has ended by itself."""
        began = time.monotonic()
        self.process.join(within_s)
        assert not self.process.is_alive(), "it does not end"
        return time.monotonic() - began

    def interrupted_after_s(self) -> float:
        """Seconds from Ctrl-C to its end, without those for which other work of this computer held it up."""
        both = (f"/proc/{self.process.pid}/task/*", "/proc/thread-self")
        began, before = time.monotonic(), [held_up_s(tasks) for tasks in both]
        os.kill(self.process.pid, signal.SIGINT)
        after = before
        while self.process.is_alive():
            assert time.monotonic() < began + 60.0, "it does not end"
            # Threads that have ended meanwhile are no longer counted.
            after = [max(a, held_up_s(tasks)) for a, tasks in zip(after, both, strict=True)]
            self.process.join(0.02)
        return time.monotonic() - began - sum(after) + sum(before)


@dataclass(frozen=True)
class Ended:
    """A recording that was ended."""

    took_s: float
    status: int
    printed: str
    trace: Trace
    drive: Drive


def ended_by_ctrl_c(folder: Path, kind: str, port_class=MisbehavingPty, when: str = RECORDING) -> Ended:
    """A recording whose adapter turns `when`: while recording, at Ctrl-C, or while the closing codes are read."""
    folder.mkdir(parents=True)
    port = port_class(folder / "port") if port_class is MisbehavingPty else port_class()
    with SimulatedAdapter(climbing_car(), PROFILE, timing=TIMING) as adapter:
        with Command(folder, adapter.start(port)) as run:
            run.wait_for_rows()
            if when == CLOSING:
                port.turn_at(kind, PENDING_CODES)
            else:
                port.turn(kind)
                time.sleep(MISBEHAVES_S if when == RECORDING else 0.0)
            took_s = run.interrupted_after_s()
            return Ended(
                took_s,
                run.process.exitcode,
                run.printed,
                read_trace(run.trace),
                read_drive(drive_path(run.trace)),
            )


def check(ended: Ended) -> None:
    codes_were_read = len(ended.drive.code_snapshots) == 2
    within_s = ENDS_WITHIN_S + (CODES_WITHIN_S if codes_were_read else 0.0)
    assert ended.took_s < within_s
    assert ended.status == 0 and "Traceback" not in ended.printed and "rows in" in ended.printed
    assert ended.drive.trace_sha256 == ended.trace.sha256
    allowed_s = ended.drive.adapter["time_uncertainty_max_s"] + 1e-3
    # The process's own time zero is not known here: the rows from before the trouble tell it.
    lead_s = np.median(time_errors("cam_intake_b1_actual", *first(ended.trace, "cam_intake_b1_actual", 10)))
    for name in ended.trace.signals:
        errors = time_errors(name, *ended.trace.samples(name), lead_s)
        # Each is known within that, and so is the zero.
        assert np.abs(errors).max(initial=0.0) <= 2 * allowed_s, name


def first(trace: Trace, name: str, count: int):
    return [a[:count] for a in trace.samples(name)]


@pytest.fixture(scope="module")
def drives(tmp_path_factory) -> Iterator[dict[str, Future]]:
    folder = tmp_path_factory.mktemp("hold")
    warm = FORKING.Process(target=run_camlog, args=(["--version"], str(folder / "warm")))
    warm.start()
    warm.join()  # the imports, once
    with ThreadPoolExecutor(4) as pool:
        yield {kind: pool.submit(ended_by_ctrl_c, folder / str(number), kind) for number, kind in enumerate(KINDS)} | {
            f"network {kind}": pool.submit(ended_by_ctrl_c, folder / f"n{number}", kind, MisbehavingTcp)
            for number, kind in enumerate(NETWORK)
        }


NETWORK = ("drips", "floods", "sends a book without end")


def test_there_are_thirty():
    assert len(KINDS) >= 30


@pytest.mark.parametrize("kind", [*KINDS, *(f"network {k}" for k in NETWORK)])
def test_ctrl_c_ends_a_recording_whatever_the_adapter_does(drives, kind):
    check(drives[kind].result())


def ended_by_stop(folder: Path, kind: str, when: str) -> tuple[float, Drive]:
    """Seconds that a recording of this process takes to end, whose adapter turns at its end; and its drive file."""
    folder.mkdir(parents=True)
    port = MisbehavingPty(folder / "port")
    with SimulatedAdapter(climbing_car(), PROFILE, timing=TIMING) as adapter, ThreadPoolExecutor(1) as pool:
        source = LiveSource(adapter.start(port), PROFILE, baud=38400)
        done = pool.submit(record, source, folder / "drive.csv")
        until(lambda: source.requests_sent > 20)
        if when == CLOSING:
            port.turn_at(kind, PENDING_CODES)
        else:
            port.turn(kind)
        began = time.monotonic()
        source.stop()
        assert done.result(20.0).rows
        return time.monotonic() - began, read_drive(drive_path(folder / "drive.csv"))


@pytest.fixture(scope="module")
def at_the_end(tmp_path_factory) -> Iterator[dict[tuple[str, str], Future]]:
    folder = tmp_path_factory.mktemp("end")
    cases = [(kind, when) for kind in KINDS for when in (AT_THE_END, CLOSING)]
    with ThreadPoolExecutor(3) as pool:
        yield {case: pool.submit(ended_by_stop, folder / str(n), *case) for n, case in enumerate(cases)}


@pytest.mark.parametrize("when", [AT_THE_END, CLOSING])
@pytest.mark.parametrize("kind", KINDS)
def test_a_recording_ends_where_the_adapter_misbehaves_only_at_its_end(at_the_end, kind, when):
    took_s, drive = at_the_end[kind, when].result()
    assert took_s < ENDS_WITHIN_S and drive.trace_sha256
    if kind not in HARMLESS:
        closing = drive.code_snapshots[1:]
        assert not closing or closing[0].unread or closing[0].stored is not None


def test_a_second_ctrl_c_leaves_the_closing_codes_out(tmp_path):
    slow = dataclasses.replace(TIMING, ecu_latency_s=0.05, wait_s=0.15, no_answer_s=0.15)
    with SimulatedAdapter(climbing_car(), PROFILE, timing=slow) as adapter:
        with Command(tmp_path, adapter.start_pty(tmp_path / "port")) as run:
            run.wait_for_rows(1500)
            os.kill(run.process.pid, signal.SIGINT)
            time.sleep(0.5)  # of the two and a half seconds that the closing codes take here
            assert run.process.is_alive(), "it reads the codes of an adapter that answers as it should"
            assert run.interrupted_after_s() < ENDS_WITHIN_S
            assert len(read_drive(drive_path(run.trace)).code_snapshots) == 1 and read_trace(run.trace).sha256


CAM_PAIR = b"62F0A"  # begins the answer with the angles, which fit one request


@pytest.mark.parametrize("others_every_s", [0.2, 1.8])
def test_copies_of_a_cam_pair_are_not_readings(tmp_path, others_every_s):
    """The adapter's last answer was the cam pair's own: its copies echo the request rightly until another is asked."""
    port = MisbehavingPty(tmp_path / "port")
    only = None if others_every_s < 1.0 else ["cam_intake_b1_actual", "cam_intake_b1_commanded", "coolant_temp"]

    def during(adapter, source):
        until(lambda: source.requests_sent > 20)
        port.turn_at("repeats itself", CAM_PAIR)
        time.sleep(0.5)

    drive = recorded(
        tmp_path / "drive",
        port=port,
        during=during,
        timing=TIMING,
        only=only,
        baud=38400,
        seconds=0.0,
        rows_after=0,
    )
    drive.check_values()
    # Also where it is found only when asked at the end.
    assert {"wrong_echo", "wrong_service"} & drive.done.errors.keys()


@pytest.mark.parametrize("only", [None, ["cam_intake_b1_actual", "coolant_temp"], ["cam_intake_b1_actual"]])
def test_of_a_car_that_stands_still_every_answer_is_a_row(tmp_path, only):
    drive = recorded(tmp_path / "drive", car=StandingCar(), timing=TIMING, only=only)
    # The last answer may have been let go.
    assert drive.done.rows >= drive.source.requests_sent - 1 > 5 and not drive.drive.events


HARMLESS = {"sends NULs", "writes small", "shuffles lines"}  # nothing that the vehicle says is lost


@pytest.mark.parametrize("kind", sorted(KINDS.keys() - HARMLESS))
def test_the_trouble_is_an_event(drives, kind):
    assert drives[kind].result().drive.events


# ---------------------------------------------------------------- other ends


def test_the_minutes_end_although_the_adapter_never_stops_sending(tmp_path):
    port = MisbehavingPty(tmp_path / "port")
    with SimulatedAdapter(climbing_car(), PROFILE, timing=TIMING) as adapter:
        source = LiveSource(adapter.start(port), PROFILE, baud=38400)
        timer = threading.Timer(0.3, port.turn, ["drips"])
        timer.start()
        began = time.monotonic()
        done = record(source, tmp_path / "drive.csv", minutes=2.0 / 60)
        assert 1.9 < time.monotonic() - began < 2.0 + ENDS_WITHIN_S
    assert done.rows and done.errors["babbling"]


@pytest.mark.parametrize("kind", ["drips", "is no adapter", "floods"])
def test_ctrl_c_ends_connecting_and_what_is_no_adapter_is_given_up(tmp_path, kind):
    (port := MisbehavingPty(tmp_path / "port")).turn(kind)
    with (
        SimulatedAdapter(climbing_car(), PROFILE, timing=TIMING) as adapter,
        Command(tmp_path, adapter.start(port)) as run,
    ):
        until(lambda: "Connecting" in run.printed)
        if kind in ("drips", "is no adapter"):
            run.process.join(0.3)
            assert run.interrupted_after_s() < ENDS_WITHIN_S
            assert run.process.exitcode in (130, 2) and "Traceback" not in run.printed
        else:
            assert run.ended_after_s() < 15.0
            assert run.process.exitcode == 2 and "no adapter found" in run.printed.splitlines()[-1]
    assert not run.trace.exists()


def test_a_port_that_never_opens_holds_nobody_up(tmp_path, monkeypatch):
    """Opening a paired or a network port may block in the system for as long as that likes."""
    released = threading.Event()
    with SimulatedAdapter(climbing_car(), PROFILE, timing=TIMING) as adapter:
        source = LiveSource(adapter.start_tcp(), PROFILE)
        monkeypatch.setattr(tcp.socket, "create_connection", lambda *args, **options: released.wait(20.0))
        timer = threading.Timer(0.3, adapter.stop)
        timer.start()
        thread = ThreadPoolExecutor(1).submit(record, source, tmp_path / "drive.csv")
        until(lambda: source.errors["unplugged"])
        time.sleep(0.3)
        began = time.monotonic()
        source.stop()
        done = thread.result(5.0)
        assert time.monotonic() - began < ENDS_WITHIN_S
        released.set()
    # The gap that never ended, then that the codes could not be read at the end.
    assert [e.kind for e in read_drive(done.drive).events][-2:] == ["gap", "adapter_error"]
    assert done.rows == len(read_trace(done.trace).time_s)


# ---------------------------------------------------------------- suspend, frozen


class Sleeping:
    """A computer that sleeps: `counted` says whether its monotonic clock goes on meanwhile."""

    def __init__(self, counted: bool):
        self._counted, self.slept_s = counted, 0.0

    def clock(self) -> float:
        return time.monotonic() + (self.slept_s if self._counted else 0.0)

    def real(self) -> float:
        return time.monotonic() + 5000.0 + self.slept_s


@pytest.mark.parametrize("counted", [True, False])
def test_a_suspended_computer_is_a_gap_of_its_length(tmp_path, counted):
    computer = Sleeping(counted)

    def during(adapter, source):
        time.sleep(0.3)
        computer.slept_s = 600.0  # the car lives on in its own time: nothing is compared with it beyond the gap
        time.sleep(0.3)

    drive = recorded(
        tmp_path / "drive",
        during=during,
        clock=DriveClock(computer.clock, computer.real),
        timing=TIMING,
        rows_after=5,
    )
    gap = max(np.diff(drive.trace.time_s))
    assert gap == pytest.approx(600.0, abs=1.0) and drive.done.gap_seconds == pytest.approx(600.0, abs=1.0)
    texts = drive.texts()
    assert drive.kinds().count("gap") == drive.kinds().count("reconnect") == 1
    said = next(t for t in texts if PROBLEMS["stood_still"] in t and t.startswith("no answers"))
    assert float(said.split(" for ")[1].split()[0]) == pytest.approx(600.0, abs=1.0)
    # What lay in the port all that time is not the answer of this moment.
    before = drive.trace.time_s[:-1][np.diff(drive.trace.time_s) > 100.0][0]
    for name in ("cam_intake_b1_actual", "engine_speed"):
        times, values = drive.trace.samples(name)
        shifted = np.where(times > before + 100.0, times - 600.0, times)
        assert np.abs(time_errors(name, shifted, values, drive.lead_s)).max() < 0.3


def test_an_answer_from_before_a_sleep_is_not_taken_for_a_fresh_one(tmp_path):
    """The request goes out, the computer sleeps, and the answer that lay in the port meanwhile is read."""
    computer = Sleeping(counted=False)
    with SimulatedAdapter(climbing_car(), PROFILE, timing=TIMING) as adapter:
        link = open_link(
            adapter.start_pty(tmp_path / "port"), baud=38400, clock=DriveClock(computer.clock, computer.real)
        )
        link.send(b"010C")
        time.sleep(0.1)
        computer.slept_s = 90.0
        reply = link.parse(link.receive())
        link.close()
    assert reply.messages and reply.round_trip_s > 90.0 and not RoundTrips().timely(reply.round_trip_s)


def test_after_something_that_came_unasked_nobody_knows_what_a_reply_answers(tmp_path):
    port = MisbehavingPty(tmp_path / "port")
    with SimulatedAdapter(climbing_car(), PROFILE, timing=TIMING) as adapter:
        link = open_link(adapter.start(port), baud=38400)
        assert link.ask(b"010C").in_step
        port.write(b"7E804410C0C80\r\r>")  # the same answer once more, late
        until(lambda: link._transport.waiting)
        link.send(b"010C")
        first_reply = link.parse(link.receive())
        again = link.ask(b"010C")
        link.close()
    assert not first_reply.in_step and first_reply.problem and again.messages


def test_a_clock_that_is_set_is_no_sleep():
    """A wall clock that went back, or one held up between two readings, adds nothing."""
    now = [100.0, 100.0]
    clock = DriveClock(lambda: now[0], lambda: now[1])
    now[:] = 101.0, 40.0
    assert clock() == 101.0 and not clock.standing_still
    now[:] = 102.0, 41.2
    assert clock() == 102.0
    now[:] = 103.0, 72.0
    assert clock() == pytest.approx(133.0, abs=0.3) and clock.stood_still_s() == pytest.approx(31.0, abs=0.3)
    assert clock.stood_still_s() == 0.0


def test_times_of_readings_are_finer_than_a_millisecond():
    """Cam angles are compared at common times; a clock of 16 ms, as some systems have, would move them by half a degree
    and more."""
    clock, steps = DriveClock(), []
    while len(steps) < 20:
        now_s = clock()
        while (next_s := clock()) == now_s:
            pass
        steps.append(next_s - now_s)
    assert min(steps) < 1e-3 and time.get_clock_info("perf_counter").resolution < 1e-3


def test_a_frozen_process_is_a_gap_of_its_length(tmp_path):
    frozen_s = 2.6
    with SimulatedAdapter(climbing_car(), PROFILE, timing=TIMING) as adapter:
        with Command(tmp_path, adapter.start_pty(tmp_path / "port")) as run:
            run.wait_for_rows()
            os.kill(run.process.pid, signal.SIGSTOP)
            time.sleep(frozen_s)
            os.kill(run.process.pid, signal.SIGCONT)
            run.wait_for_rows(run.trace.stat().st_size + 1000)
            assert run.interrupted_after_s() < 5.0
            trace, drive = read_trace(run.trace), read_drive(drive_path(run.trace))
    said = next(e.text for e in drive.events if e.kind == "gap")
    assert PROBLEMS["stood_still"] in said
    assert float(said.split(" for ")[1].split()[0]) == pytest.approx(frozen_s, abs=0.7)
    assert max(np.diff(trace.time_s)) == pytest.approx(frozen_s, abs=0.9)
    lead_s = np.median(time_errors("cam_intake_b1_actual", *first(trace, "cam_intake_b1_actual", 10)))
    for name in trace.signals:
        errors = time_errors(name, *trace.samples(name), lead_s)
        assert np.abs(errors).max(initial=0.0) <= 2 * drive.adapter["time_uncertainty_max_s"] + 1e-3, name


def until(condition, seconds=15.0):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.02)
