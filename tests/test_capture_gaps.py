"""The connection breaks and comes back: the same trace goes on, and no value gets a wrong time on the way.

Recorded over a pseudo-terminal or TCP from the simulated adapter; the car's values tell the time they were read at.
"""

from __future__ import annotations

import io
import itertools
import threading
import time
from concurrent.futures import Future, ThreadPoolExecutor

import pytest

from camlog.capture.judge import LATE_S, RoundTrips
from camlog.capture.link import Received
from camlog.capture.live import LiveSource
from camlog.capture.ports import LinkLost
from camlog.capture.raw_log import RawLog
from camlog.capture.record import record
from camlog.capture.troubles import EVENT_REPEAT_S, PROBLEMS, Troubles
from camlog.drive import drive_path, read_drive
from camlog.errors import InputError
from camlog.simulate.adapter import AdapterTraits, Fault, SimulatedAdapter
from camlog.simulate.adapter.transport import PtyPort, TcpPort
from camlog.sinks.lines import LineSink
from camlog.sinks.trace_file import TraceFileSink
from camlog.stream import Batch
from camlog.trace import read_trace
from tests.capture_help import PROFILE, TIMING, climbing_car, recorded

CABLE_OUT_S = 6.0
SILENT_FOR_S = 8.0


class StallingPort(PtyPort):
    """A radio link that now and then holds everything back for a while and delivers it late."""

    def __init__(self, link, stalls_s=(1.2, 2.2, 2.4), pause_s=1.0, first_s=1.0):
        super().__init__(link)
        self._stalls, self._pause_s = itertools.cycle(stalls_s), pause_s
        self._held: list[bytes] = []
        self._begin_s = self._end_s = float("inf")
        self.armed = False
        self.stalled = 0

    def arm(self, after_s=0.2):
        self._begin_s = time.monotonic() + after_s
        self.armed = True

    def _stalling(self) -> bool:
        now = time.monotonic()
        if self.armed and now >= self._begin_s and now >= self._end_s:
            self._begin_s, self._end_s = now + self._pause_s, float("inf")
        if self.armed and now >= self._begin_s and self._end_s == float("inf"):
            self._end_s = now + next(self._stalls)
            self.stalled += 1
        return self.armed and self._begin_s <= now < self._end_s

    def wait(self, timeout_s):
        if self._stalling():
            return super().wait(min(timeout_s, 0.01))
        self._release()
        return super().wait(timeout_s)

    def write(self, data):
        if self._stalling():
            self._held.append(data)
            return
        self._release()
        super().write(data)

    def _release(self):
        held, self._held = self._held, []
        for data in held:
            super().write(data)


def stalls(folder):
    folder.mkdir()
    port = StallingPort(folder / "port")

    def during(adapter, source):
        port.arm()
        time.sleep(7.5)
        port.armed = False

    drive = recorded(folder, port=port, during=during, codes=False)
    return drive, port.stalled


def cable_out(folder):
    return recorded(folder, [Fault("unplugged", 0.4, CABLE_OUT_S)], codes=False)


def ignition(folder):
    car = climbing_car()

    def during(adapter, source):
        time.sleep(0.3)
        car.ignition_on = False
        time.sleep(3.5)
        car.ignition_on = True

    return recorded(folder, car=car, during=during, codes=True)


def left_off(folder, protocol):
    """The ignition goes off, and after a while the technician ends the recording: how long that takes, and the wire."""
    folder.mkdir()
    car, view = climbing_car(), io.StringIO()
    raw = RawLog(folder / "raw")
    with SimulatedAdapter(car, PROFILE, traits=AdapterTraits(protocol=protocol), timing=TIMING) as adapter:
        source = LiveSource(adapter.start_pty(folder / "port"), PROFILE, raw=raw)
        with ThreadPoolExecutor(1) as pool:
            done = pool.submit(record, source, folder / "drive.csv", views=[LineSink(view, clock=source.now_s)])
            time.sleep(1.5)
            car.ignition_on = False
            time.sleep(SILENT_FOR_S)
            began = time.monotonic()
            source.stop()
            done = done.result(20.0)
            took_s = time.monotonic() - began
    raw.close()
    return done, took_s, (folder / "raw").read_text().partition("stream")[2], view.getvalue()


def left_off_can(folder):
    return left_off(folder, "6")


def left_off_older(folder):
    return left_off(folder, "3")


def cranking(folder):
    car = climbing_car()

    def during(adapter, source):
        time.sleep(0.3)
        car.battery_voltage = 5.1
        time.sleep(0.7)
        car.battery_voltage = 11.9

    return recorded(folder, car=car, during=during)


def network(folder):
    """The network drops the client, twice; the adapter knows nothing of it."""
    port = TcpPort()

    def during(adapter, source):
        for _ in range(2):
            time.sleep(0.6)
            port._drop()
        time.sleep(0.6)

    return recorded(folder, port=port, during=during)


SCENES = {f.__name__: f for f in (stalls, cable_out, ignition, left_off_can, left_off_older, cranking, network)}


@pytest.fixture(scope="module", autouse=True)
def drives(tmp_path_factory) -> dict[str, Future]:
    folder = tmp_path_factory.mktemp("gaps")
    with ThreadPoolExecutor(len(SCENES)) as pool:
        yield {name: pool.submit(scene, folder / name) for name, scene in SCENES.items()}


def test_a_cable_out_for_long_is_one_gap_and_the_trace_goes_on(drives):
    drive = drives["cable_out"].result()
    drive.check_values()
    assert drive.texts().count(PROBLEMS["unplugged"]) == 1
    assert drive.kinds().count("gap") == drive.kinds().count("reconnect") == 1
    assert CABLE_OUT_S * 0.95 < drive.done.gap_seconds < CABLE_OUT_S + 4.0
    gap = max(zip(drive.trace.time_s[1:] - drive.trace.time_s[:-1], drive.trace.time_s[:-1], strict=True))
    assert gap[0] == pytest.approx(drive.done.gap_seconds, abs=0.5) and gap[1] < 0.6


def test_ignition_off_and_on_again(drives):
    drive = drives["ignition"].result()
    drive.check_values()
    assert drive.kinds() == ["gap", "reconnect"]
    gap, again = drive.texts()
    assert "ignition off?" in gap and again == f"answers again after {drive.done.gap_seconds:.1f} s"
    assert 3.0 < drive.done.gap_seconds < 8.0
    first, last = drive.drive.code_snapshots
    assert first.stored == last.stored != ()


@pytest.mark.parametrize("bus", ["can", "older"])
def test_a_recording_that_ends_with_the_ignition_off(drives, bus):
    """One event, an adapter left in peace, an open gap that counts, and codes that nobody takes for none."""
    done, took_s, wire, shown = drives[f"left_off_{bus}"].result()
    drive = read_drive(done.drive)
    assert took_s < 2.0
    (gap,) = drive.events
    assert gap.kind == "gap" and "engine module stopped answering" in gap.text and "ignition off?" in gap.text
    assert done.errors == {"module_silent": 1}
    assert SILENT_FOR_S - 0.5 < done.gap_seconds < SILENT_FOR_S + 2.5
    assert "ATZ" not in wire and 2 <= wire.count('> "0100') <= 9
    opening, closing = drive.code_snapshots
    assert opening.stored and closing.unread and closing.stored is closing.pending is closing.permanent is None
    assert shown.splitlines()[-2].endswith("lamp not read; stored not read; pending not read; permanent not read")


def test_a_lost_answer_is_no_module_that_went_silent(tmp_path):
    drive = recorded(tmp_path, [Fault("no_data", 0.3, 0.2)])
    assert [(e.kind, e.text) for e in drive.drive.events] == [("adapter_error", PROBLEMS["no_data"])]
    assert drive.drive.events[0].time_s < 0.6 and set(drive.done.errors) == {"no_data"}


def test_cranking_that_pulls_the_supply_down(drives):
    drive = drives["cranking"].result()
    drive.check_values()
    # Silent modules, and where the adapter's own supply failed too, its restart.
    assert {PROBLEMS["no_data"], PROBLEMS["low_voltage"]} & set(drive.texts())
    quiet_s = max(drive.trace.time_s[1:] - drive.trace.time_s[:-1])
    assert 0.6 < quiet_s < 1.5


def test_a_network_that_drops_the_connection(drives):
    drive = drives["network"].result()
    drive.check_values()
    assert drive.kinds().count("gap") == drive.kinds().count("reconnect") == 2
    assert drive.done.gap_seconds < 4.0


# ---------------------------------------------------------------- ends


def test_a_recording_may_end_in_a_gap(tmp_path):
    """Time is up, or the operator gives up, while the cable is out: the end comes at once, without a closing snapshot."""
    with SimulatedAdapter(climbing_car(), PROFILE, timing=TIMING) as adapter:
        source = LiveSource(adapter.start_pty(tmp_path / "port"), PROFILE)
        stopped = threading.Timer(0.4, adapter.stop)
        stopped.start()
        began = time.monotonic()
        done = record(source, tmp_path / "drive.csv", minutes=1.2 / 60)
        assert 1.1 < time.monotonic() - began < 2.6
    drive = read_drive(done.drive)
    # The last says that the codes could not be read at the end.
    assert [e.kind for e in drive.events] == ["adapter_error", "gap", "adapter_error"]
    assert len(drive.code_snapshots) == 1
    assert 5 < done.rows == len(read_trace(done.trace).time_s)


def test_a_disk_that_fails_ends_the_recording_at_once(tmp_path, monkeypatch):
    """Nobody waits for codes that nobody can save, and the adapter is free again."""
    rows = []

    def accept(self, item, write=TraceFileSink.accept):
        if isinstance(item, Batch):
            rows.append(item)
        if len(rows) > 5:
            raise InputError("the disk is full, the recording stopped")
        write(self, item)

    monkeypatch.setattr(TraceFileSink, "accept", accept)
    with SimulatedAdapter(climbing_car(), PROFILE, timing=TIMING) as adapter:
        source = LiveSource(adapter.start_pty(tmp_path / "port"), PROFILE)
        began = time.monotonic()
        with pytest.raises(InputError, match="recording stopped"):
            record(source, tmp_path / "drive.csv")
        assert time.monotonic() - began < 1.5
        assert not source.link.is_open
    assert len(read_trace(tmp_path / "drive.csv").time_s) == 5
    assert len(read_drive(drive_path(tmp_path / "drive.csv")).code_snapshots) == 1


# ---------------------------------------------------------------- small parts


def test_the_wall_clock_may_jump(tmp_path, monkeypatch):
    """Daylight saving, or the network setting the time: rows go by the monotonic clock alone."""
    jumps = itertools.cycle((0.0, 3600.0, -7200.0))
    real = time.time
    monkeypatch.setattr(time, "time", lambda: real() + next(jumps))
    drive = recorded(tmp_path / "drive", seconds=0.8)
    drive.check_values()
    assert not drive.drive.events and drive.trace.duration_s < 5.0


def test_a_reply_that_came_before_the_link_broke_still_counts(tmp_path):
    class Breaking:
        """A link that breaks with the third request."""

        def __init__(self, link):
            self._link, self._sent = link, 0

        def __getattr__(self, name):
            return getattr(self._link, name)

        def send(self, command):
            self._sent += 1
            if self._sent == 3:
                raise LinkLost("unplugged", "gone")
            self._link.send(command)

        def reconnect(self):
            return False

        sync = restore = reconnect

        def close(self):
            pass

    with SimulatedAdapter(climbing_car(), PROFILE, timing=TIMING) as adapter:
        source = LiveSource(adapter.start_pty(tmp_path / "port"), PROFILE, codes=False)
        real, source.link = source.link, Breaking(source.link)
        done = record(source, tmp_path / "drive.csv", minutes=0.4 / 60)
        real.close()
    assert done.rows == 2


@pytest.mark.parametrize("usual_s", [0.02, 0.5])
def test_a_reply_far_slower_than_usual_gives_no_time(usual_s):
    trips = RoundTrips()
    assert all(trips.timely(usual_s) for _ in range(50))
    assert not trips.timely(max(2 * LATE_S, 4 * usual_s))
    assert trips.longest_s == usual_s and trips.usual_s() == usual_s


def test_a_link_that_became_slow_for_good_is_not_given_up():
    trips = RoundTrips()
    assert all(trips.timely(0.02) for _ in range(1000))
    taken = [trips.timely(0.9) for _ in range(200)]
    assert not taken[0] and taken[-1]


def test_trouble_is_told_by_the_episode():
    now, said = [0.0], []
    troubles = Troubles(lambda: now[0], lambda event: said.append(event.text))
    for now[0] in (0.0, 0.4, 0.9, 1.8):  # never away for a whole second
        troubles.note("no_data")
    assert said == [PROBLEMS["no_data"]]
    now[0] = 5.0
    troubles.note("no_data")
    assert len(said) == 2
    for now[0] in (5.0 + 0.5 * n for n in range(int(2 * EVENT_REPEAT_S) + 1)):
        troubles.note("no_data")
    assert len(said) == 3  # one that goes on is told again, seldom
    assert troubles.counts["no_data"] == 5 + int(2 * EVENT_REPEAT_S) + 1


def test_what_a_reply_was_asked_of_goes_with_it():
    """The next request may already be addressed to another module when the answer is taken apart."""
    assert Received([], 0.0, 0.0).listen_to is None


# ---------------------------------------------------------------- a radio link


def test_a_link_that_delivers_late_never_gives_a_value_a_wrong_time(drives):
    drive, stalled = drives["stalls"].result()
    assert stalled >= 2
    drive.check_values()
    drive.check_values(LATE_S / 2)
    assert {"hung", "late"} & set(drive.done.errors)
    assert (drive.trace.time_s > 7.5).any()
