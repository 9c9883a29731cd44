"""A drive is recorded through a real adapter's bytes: trace, drive file, codes, and what is said where it cannot be.

python-obd over a pseudo-terminal or TCP to the simulated adapter. Times and values against what the car itself had.
"""

from __future__ import annotations

import dataclasses
import errno
import json
import os
import pty
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import types
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import serial

from camlog.capture import connect, ports
from camlog.capture.connect import open_link
from camlog.capture.live import LiveSource
from camlog.capture.probe import probe
from camlog.capture.record import open_source, record
from camlog.capture.snapshot import read_snapshot
from camlog.capture.transports import serial_port
from camlog.drive import READINESS_MONITORS, drive_path, read_drive
from camlog.errors import InputError
from camlog.profile import read_profile
from camlog.simulate.adapter import AdapterTraits, SimulatedAdapter, preset
from camlog.simulate.trace_car import TraceCar
from camlog.simulate.vehicle import SimulatedCar
from camlog.stream import Batch, CodeSnapshot, TroubleCode
from camlog.trace import read_trace
from camlog.trust import vin_hash
from tests.adapter_car import INSTANT, SNAPSHOT, VALUES, VIN, StandingCar
from tests.capture_help import PROFILE, RAMPS, TIMING, climbing_car, recorded, step_of
from tests.command_help import camlog

# Answers at once: for what is said, not when.
# As quick, but an adapter that listens on for further answers where it is not told how many there are.
LISTENING = dataclasses.replace(INSTANT, no_answer_s=0.08, wait_s=0.02)
ALL = frozenset(RAMPS)
NOT_ON_OLDER_BUSES = frozenset(n for n in RAMPS if n.startswith("misfire_"))


@pytest.fixture
def served():
    """Serve a car on a simulated adapter; the address to connect to."""
    adapters = []

    def serve(car=None, profile=PROFILE, tcp=False, timing=INSTANT, **options):
        adapter = SimulatedAdapter(car or StandingCar(), profile, timing=timing, **options)
        adapters.append(adapter)
        return adapter.start_tcp() if tcp else adapter.start_pty()

    yield serve
    for adapter in adapters:
        adapter.stop()


# ---------------------------------------------------------------- every kind of adapter and bus


def standard_drive(folder, name, tcp):
    timing = dataclasses.replace(TIMING, no_answer_s=None, wait_s=0.02)
    return recorded(folder, traits=preset(name), timing=timing, tcp=tcp, seconds=2.2, rows_after=20)


KINDS = [(name, tcp) for name in ("standard", "clone", "non-can") for tcp in (False, True)]


@pytest.fixture(scope="module", autouse=True)
def drives(tmp_path_factory):
    """The recordings of all kinds of adapter, side by side."""
    folder = tmp_path_factory.mktemp("drives")
    with ThreadPoolExecutor(3) as pool:
        yield {k: pool.submit(standard_drive, folder / f"{k[0]}-{k[1]}", *k) for k in KINDS}


@pytest.mark.parametrize("number", ["1", "2", "5", "7", "8", "9"])
def test_on_every_bus(tmp_path, served, number):
    traits = AdapterTraits(protocol=number, second_module=True)
    port = served(StandingCar(), traits=traits, timing=INSTANT)
    source = LiveSource(port, PROFILE, codes=False)
    done = record(source, tmp_path / "drive.csv", minutes=0.5 / 60)
    trace = read_trace(done.trace)
    is_can = number in "789"
    module = {"7": "18DAF110", "8": "7E8", "9": "18DAF110"}.get(number, "10")
    assert read_drive(done.drive).adapter["module"] == module
    seen = set(trace.signals)
    assert seen == set(VALUES) - (set() if is_can else NOT_ON_OLDER_BUSES)
    for name in seen:
        # The transmission module has road speed and voltage too, and other values: they are not the engine's.
        values = trace.samples(name)[1]
        assert values == pytest.approx(VALUES[name], abs=0.51 * step_of(name)), name
    assert not done.errors


def test_a_cams_two_angles_come_from_one_answer(tmp_path):
    drive = recorded(tmp_path, seconds=1.6)
    for cam in ("intake_b1", "exhaust_b1"):
        commanded, actual = (drive.trace.samples(f"cam_{cam}_{kind}")[0] for kind in ("commanded", "actual"))
        assert len(commanded) > 15 and np.array_equal(commanded, actual)
    assert len(drive.trace.samples("engine_speed")[0]) >= 5 * 1.5


def test_only_what_was_asked_for(tmp_path, served):
    source = LiveSource(served(), PROFILE, only=["engine_speed", "coolant_temp", "cam_intake_b1_actual"], codes=False)
    done = record(source, tmp_path / "drive.csv", minutes=0.3 / 60)
    # The angle's partner lies in the same identifier and costs nothing.
    assert set(read_trace(done.trace).signals) == {
        "engine_speed", "coolant_temp", "cam_intake_b1_actual", "cam_intake_b1_commanded",
    }  # fmt: skip
    with pytest.raises(InputError, match="none of the signals asked for"):
        LiveSource(served(StandingCar(values={"engine_speed": 800.0})), only=["oil_temp"], codes=False)


def test_without_a_profile_standard_signals_are_logged(tmp_path, served):
    done = record(LiveSource(served(), codes=False), tmp_path / "drive.csv", minutes=0.3 / 60)
    signals = read_trace(done.trace).signals
    assert "engine_speed" in signals and "misfire_cyl3" in signals and not any(s.startswith("cam_") for s in signals)
    vehicle = read_drive(done.drive).vehicle
    assert vehicle == {"name": None, "vin": None, "vin_hash": vin_hash(VIN)}


def test_a_value_the_module_leaves_out_is_missing_and_the_rest_is_there(tmp_path, served):
    car = StandingCar()
    source = LiveSource(served(car, timing=dataclasses.replace(LISTENING, ecu_latency_s=0.004)), codes=False)
    threading.Timer(0.6, car.values.pop, ["throttle_position"]).start()
    done = record(source, tmp_path / "drive.csv", minutes=2.2 / 60)
    trace = read_trace(done.trace)
    assert trace.samples("throttle_position")[0][-1] < 1.0
    assert trace.samples("engine_speed")[0][-1] > 2.0 and done.errors["left_out"] >= 1
    texts = [e.text for e in read_drive(done.drive).events]
    assert texts == ["module left a signal out of its answer"]


# ---------------------------------------------------------------- what is in use


def test_the_drive_file_says_what_is_in_use(served):
    adapter = LiveSource(served(), PROFILE, codes=False).adapter()
    assert adapter["name"] == "CAMSIM 2.0" and adapter["protocol"] == "ISO 15765-4 (CAN 11/500)"
    assert adapter["pids_per_request"] == 6 and adapter["identifiers_per_request"] == 3
    assert adapter["module"] == "7E8" and adapter["time_uncertainty_s"] is None


def test_each_feature_a_clone_lacks_is_done_without_and_named(served):
    source = LiveSource(served(traits=preset("clone"), timing=LISTENING), PROFILE, codes=False)
    adapter = source.adapter()
    assert adapter["pids_per_request"] == 1 and adapter["response_count"] is None
    assert adapter["identifiers_per_request"] == 3  # it passes on what it does not look at
    notes = " ".join(adapter["notes"])
    assert "response count" in notes and "Several signals in one request" in notes


def test_the_response_count_is_used_where_it_helps(served):
    assert LiveSource(served(timing=LISTENING), PROFILE, codes=False).capabilities.count_digit == "frames"


def test_an_adapter_that_addresses_no_module(tmp_path, served):
    traits = AdapterTraits(unknown_commands=frozenset({"SH"}), second_module=True)
    source = LiveSource(served(traits=traits, timing=LISTENING), PROFILE, codes=False)
    assert "The engine module answers only requests sent to all modules." in source.capabilities.notes
    done = record(source, tmp_path / "drive.csv", minutes=0.4 / 60)
    trace = read_trace(done.trace)
    assert set(trace.samples("vehicle_speed")[1]) == {57.0}  # the engine module's, not the transmission's
    assert not done.errors


def test_a_profile_of_another_vehicle_is_said_by_name(tmp_path, served):
    wrong = tmp_path / "wrong.toml"
    text = Path(PROFILE.file).read_text(encoding="utf-8")
    wrong.write_text(re.sub(r"0xF0A([234])", r"0xF1A\1", text), encoding="utf-8")
    source = LiveSource(served(), read_profile(wrong), codes=False)
    notes = " ".join(source.capabilities.notes)
    assert "identifier F1A2 is not answered: no cam_intake_b1_actual, cam_intake_b1_commanded" in notes
    assert not any(s.startswith("cam_") for s in source.signals) and "oil_pressure" in source.signals


# ---------------------------------------------------------------- codes


def test_codes_lamp_readiness_freeze_frame_counters_and_tests(tmp_path, served):
    """What the car holds comes back whole (SAE J1979 services 01, 02, 03, 06, 07, 0A; from memory)."""
    done = record(LiveSource(served(), PROFILE), tmp_path / "drive.csv", minutes=0.1 / 60)
    first, last = read_drive(done.drive).code_snapshots
    assert first.time_s == 0.0 < last.time_s
    assert dataclasses.replace(last, time_s=0.0) == first
    assert first.mil is True
    assert first.stored == (TroubleCode("P0011", "7E8"), TroubleCode("P0301", "7E8"))
    assert first.pending == (TroubleCode("P0014", "7E8"),) and first.permanent == (TroubleCode("P0011", "7E8"),)
    assert set(first.readiness) == set(READINESS_MONITORS)
    assert {k: v for k, v in first.readiness.items() if v != "unsupported"} == dict(SNAPSHOT.readiness)
    assert first.freeze_frame == {"code": "P0011", "engine_speed": 750.0, "coolant_temp": 90.0, "vehicle_speed": 0.0}
    assert first.since_clear == SNAPSHOT.since_clear
    tests = {(t.mid, t.tid): t for t in first.monitor_tests}
    assert tests["35", "80"].value == pytest.approx(12.0) and tests["35", "80"].max == pytest.approx(5.0)
    assert tests["35", "81"].value == pytest.approx(350.0) and tests["35", "81"].unit == "ms"
    assert tests["A4", "0C"].value == 41.0  # misfires of cylinder 3 this driving cycle


def test_codes_of_each_module(served):
    two = dataclasses.replace(
        SNAPSHOT,
        stored=(TroubleCode("P0011", "7E8"), TroubleCode("P0700", "7E9")),
        pending=(), permanent=None,
    )  # fmt: skip
    link = open_link(served(StandingCar(snapshot=two), traits=AdapterTraits(second_module=True)))
    snapshot = read_snapshot(link, probe(link))
    link.close()
    assert set(snapshot.stored) == {TroubleCode("P0011", "7E8"), TroubleCode("P0700", "7E9")}
    assert snapshot.pending == ()  # the vehicle says "none"
    assert snapshot.permanent is None  # it does not say


@pytest.mark.parametrize(("number", "ecu"), [("3", "10"), ("1", "10"), ("7", "18DAF110"), ("6", "7E8")])
@pytest.mark.parametrize("count", [0, 1, 3, 7])
def test_any_number_of_codes_on_any_bus(served, number, ecu, count):
    codes = tuple(TroubleCode(f"P03{n:02d}", "7E8") for n in range(1, count + 1))
    car = StandingCar(snapshot=dataclasses.replace(SNAPSHOT, stored=codes, pending=codes[:1], permanent=codes[1:]))
    link = open_link(served(car, traits=AdapterTraits(protocol=number)))
    snapshot = read_snapshot(link, probe(link))
    link.close()
    assert [c.code for c in snapshot.stored] == [c.code for c in codes]
    assert {c.ecu for c in snapshot.stored} <= {ecu}
    assert [c.code for c in snapshot.pending] == [c.code for c in codes[:1]]
    # Service 0A does not exist on the older buses.
    expected = None if number in "13" else [c.code for c in codes[1:]]
    assert (None if snapshot.permanent is None else [c.code for c in snapshot.permanent]) == expected


@pytest.mark.parametrize("number", ["6", "3", "7"])
def test_the_vin_only_where_it_was_asked_for(served, number):
    port = served(traits=AdapterTraits(protocol=number))
    for wanted, found in ((False, None), (True, VIN)):
        source = LiveSource(port, store_vin=wanted, codes=False)
        source.link.close()
        assert source.vehicle()["vin"] == found


def test_what_a_real_drive_cycle_leaves_behind(served):
    """The simulated vehicle's own memory of a seized cam, read over the wire, is what it says it holds."""
    from camlog.simulate.vehicle import Condition, draw_setup

    car = SimulatedCar(draw_setup(5, (Condition("seized", 1.0),)), drive="hot")
    car.advance(car.drive.duration_s)
    held = car.code_snapshot()
    link = open_link(served(car))
    snapshot = read_snapshot(link, probe(link, PROFILE))
    link.close()
    assert [c.code for c in snapshot.stored] == [c.code for c in held.stored]
    assert [c.code for c in snapshot.pending] == [c.code for c in held.pending] != []
    assert snapshot.mil == held.mil
    assert {k: v for k, v in snapshot.readiness.items() if v != "unsupported"} == {
        k: v for k, v in held.readiness.items() if v != "unsupported"
    }
    assert snapshot.since_clear["warm_ups"] == held.since_clear["warm_ups"]
    assert (snapshot.freeze_frame or {}).get("code") == (held.freeze_frame or {}).get("code")


# ---------------------------------------------------------------- where it cannot be done


def test_ignition_off_is_said(served):
    car = StandingCar()
    car.ignition_on = False
    with pytest.raises(InputError, match="no vehicle behind it.*[Ii]gnition"):
        LiveSource(served(car), PROFILE)


def test_nothing_behind_the_port():
    master, slave = pty.openpty()
    began = time.monotonic()
    try:
        with pytest.raises(InputError, match="no adapter found.*lamp"):
            LiveSource(os.ttyname(slave))
    finally:
        os.close(master)
        os.close(slave)
    assert time.monotonic() - began < 8.0


def test_something_else_behind_the_port():
    """A modem, a terminal, another device: it answers, but not like an adapter."""
    server = socket.create_server(("127.0.0.1", 0))

    def chatter():
        client, _ = server.accept()
        with client:
            while client.recv(100):
                client.sendall(b"login: >")

    threading.Thread(target=chatter, daemon=True).start()
    with pytest.raises(InputError, match="no adapter found"):
        LiveSource(f"socket://127.0.0.1:{server.getsockname()[1]}")
    server.close()


@pytest.mark.parametrize(
    "port, says",
    [
        ("/dev/no-such-port", "there is no such port"),
        ("socket://127.0.0.1:1", "no adapter found.*refused"),
        ("socket://nonsense", "the port number is missing"),
        ("192.168.0.10:35000", "socket://192.168.0.10:35000"),
        ("wifi://here", "no kind of port"),
    ],
)
def test_a_port_that_is_not_there(port, says):
    with pytest.raises(InputError, match=says) as caught:
        LiveSource(port)
    assert caught.value.file == port and caught.value.remedy


def test_a_port_that_another_program_holds(served):
    port = served()
    source = LiveSource(port, codes=False)
    try:
        with pytest.raises(InputError, match="another program holds the port"):
            LiveSource(port)
        assert source.link.vehicle_answers()
    finally:
        source.link.close()


def test_no_port_named_and_none_found(monkeypatch):
    monkeypatch.setattr(serial_port.list_ports, "comports", list)
    monkeypatch.setattr(serial_port.glob, "glob", lambda pattern: [])
    with pytest.raises(InputError) as caught:
        open_source(None)
    text = str(caught.value)
    # In the order a technician would check.
    places = [text.index(word) for word in ("ignition", "lamp", "cable", "permission")]
    assert places == sorted(places) and "--port" in text


def test_no_port_named_and_the_likely_ones_are_tried(monkeypatch, served):
    good, said = served(), []
    found = [
        ports.Port("/dev/forbidden", "USB serial", False),
        ports.Port("/dev/no-such-port", "USB serial", True),
        ports.Port(good, "USB serial", True),
    ]
    monkeypatch.setattr(connect, "likely_ports", lambda: found)
    source = open_source(None, codes=False, say=said.append)
    source.link.close()
    assert source.port == good
    assert any("no permission" in line for line in said) and any("no such port" in line for line in said)


def test_likely_ports_come_first(monkeypatch):
    class Info:
        def __init__(self, device, description="n/a", manufacturer=None):
            self.device, self.description, self.manufacturer = device, description, manufacturer

    monkeypatch.setattr(
        serial_port.list_ports,
        "comports",
        lambda: [Info("/dev/ttyS0"), Info("/dev/ttyUSB1", "USB-Serial"), Info("COM1")],
    )
    monkeypatch.setattr(serial_port.glob, "glob", lambda pattern: ["/dev/rfcomm0"])
    found = ports.likely_ports()
    assert [p.device for p in found] == ["/dev/rfcomm0", "/dev/ttyUSB1", "/dev/ttyS0", "COM1"]
    assert {p.description for p in found} >= {"Bluetooth serial port", "USB-Serial", "serial port"}


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.EAGAIN, "another program holds the port"),
        (errno.EBUSY, "another program holds the port"),
        (errno.EACCES, "no permission; on Linux join the group"),
        (errno.ENOENT, "there is no such port; is its driver installed"),
        (errno.EIO, "it cannot be opened"),
    ],
)
def test_why_a_port_does_not_open(monkeypatch, number, says):
    def refused(*arguments, **options):
        raise serial.SerialException(number, "could not open port")

    monkeypatch.setattr(serial_port.serial, "Serial", refused)
    with pytest.raises(InputError, match=says):
        LiveSource("COM3")


def test_the_port_on_which_a_computer_waits_for_others_is_last_and_explained(monkeypatch):
    found = [
        ("/dev/cu.Bluetooth-Incoming-Port", "n/a"),
        ("/dev/cu.adapter", "n/a"),
        ("/dev/cu.usbserial-1", "USB Serial"),
    ]
    infos = [types.SimpleNamespace(device=d, description=t, manufacturer=None, hwid=None) for d, t in found]
    monkeypatch.setattr(serial_port.list_ports, "comports", lambda: infos)
    monkeypatch.setattr(serial_port.glob, "glob", lambda pattern: [])
    likely = ports.likely_ports()
    assert [p.device for p in likely][-1] == "/dev/cu.Bluetooth-Incoming-Port"
    assert [p.incoming for p in likely] == [False, False, True] and "outgoing" in likely[-1].remark


# ---------------------------------------------------------------- as a car really answers


@pytest.mark.parametrize(("name", "tcp"), KINDS)
def test_a_drive_is_recorded(drives, name, tcp):
    drive = drives[name, tcp].result()
    expected = ALL - NOT_ON_OLDER_BUSES if name == "non-can" else ALL
    assert set(drive.trace.signals) == expected
    assert not drive.drive.events and not drive.done.errors
    assert drive.done.rows == len(drive.trace.time_s) and not drive.trace.warnings
    drive.check_values()
    # Not only within what is known, but where a reading belongs: in the middle between request and answer.
    errors = np.concatenate([np.abs(drive.time_errors(n)) for n in drive.trace.signals])
    assert np.median(errors) < 0.5 * drive.drive.adapter["time_uncertainty_s"] + 1e-3
    assert drive.drive.trace_sha256 == drive.trace.sha256
    assert drive.drive.vehicle["name"] == PROFILE.name and drive.drive.vehicle["profile_sha256"] == PROFILE.sha256


# ---------------------------------------------------------------- again, from the saved trace


def test_a_recorded_drive_recorded_again_from_its_own_replay(tmp_path, served):
    """Every value within one encoding step of the one that stood at that time, times within one request."""
    car = SimulatedCar(drive="demo")
    port = served(car, timing=TIMING)
    first = record(LiveSource(port, PROFILE), tmp_path / "first.csv", minutes=2.5 / 60)
    trace, drive = read_trace(first.trace), read_drive(first.drive)

    again = TraceCar(trace, drive, PROFILE, lead_in_s=4.0)
    adapter = SimulatedAdapter(again, PROFILE, timing=TIMING)
    try:
        source = LiveSource(adapter.start_pty(tmp_path / "again-port"), PROFILE)
        done = record_until_ended(source, again, tmp_path / "second.csv")
        # Seconds of the trace at second 0 of the second recording.
        begins_s = float(trace.time_s[0]) + (source.start_s - adapter._origin_s) - again._begins_s
    finally:
        adapter.stop()
    second = read_trace(done.trace)
    assert set(second.signals) == set(trace.signals)
    compared = 0
    for name in trace.signals:
        times, values = trace.samples(name)
        request_s = read_drive(done.drive).adapter["time_uncertainty_max_s"] + 0.002
        for at_s, value in zip(second.time_s, second.columns[name], strict=True):
            then_s = at_s + begins_s
            if np.isnan(value) or not times[0] + request_s < then_s < trace.time_s[-1] - request_s:
                continue
            # What stood when it was asked: the latest sample before, give or take the time of the request.
            first_ = max(0, int(np.searchsorted(times, then_s - request_s, side="right")) - 1)
            last = int(np.searchsorted(times, then_s + request_s, side="right"))
            stood = values[first_:last]
            assert np.min(np.abs(stood - value)) <= step_of(name) + 1e-9, (name, then_s, value, stood)
            compared += 1
    assert compared > 150
    assert read_drive(done.drive).code_snapshots[0].stored == drive.code_snapshots[0].stored


def record_until_ended(source, car, out):
    def watch():
        while not car.ended:
            time.sleep(0.02)
        source.stop()

    threading.Thread(target=watch, daemon=True).start()
    return record(source, out, minutes=0.5)


# ---------------------------------------------------------------- the command


def test_ctrl_c_ends_a_recording_cleanly_with_a_closing_snapshot(tmp_path, served):
    out = tmp_path / "drive.csv"
    port = served(timing=TIMING)
    run = subprocess.Popen(
        [sys.executable, "-m", "camlog", "record", "--port", str(port), "--vehicle", "demo", "--out", str(out)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    deadline = time.monotonic() + 60.0
    while not (out.exists() and out.stat().st_size > 2000):
        assert time.monotonic() < deadline and run.poll() is None
        time.sleep(0.05)
    run.send_signal(signal.SIGINT)
    _, complained = run.communicate(timeout=60)
    assert run.returncode == 0 and b"Traceback" not in complained
    drive = read_drive(drive_path(out))
    assert len(drive.code_snapshots) == 2 and drive.code_snapshots[1].time_s > 0.5
    assert drive.trace_sha256 == read_trace(out).sha256
    assert b"rows in" in complained


def test_codes_prints_what_the_car_holds(served):
    done = camlog("codes", "--port", served(), "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert [c["code"] for c in found["stored"]] == ["P0011", "P0301"] and found["mil"] is True


def test_a_port_that_is_not_there_is_one_line_and_status_2():
    done = camlog("record", "--port", "/dev/no-such-port")
    assert done.returncode == 2
    said = done.stderr.strip().splitlines()[-1]
    assert said.startswith("camlog: /dev/no-such-port: there is no such port") and "Traceback" not in done.stderr


def test_a_snapshot_of_a_car_that_knows_nothing_is_unknown_not_empty(served):
    link = open_link(served(StandingCar(snapshot=CodeSnapshot(0.0))))
    snapshot = read_snapshot(link, probe(link))
    link.close()
    assert snapshot.stored is None and snapshot.pending is None and snapshot.mil is None
    assert snapshot.freeze_frame is None and snapshot.readiness == {}


def test_a_car_that_climbs_reads_as_it_climbs():
    """The check itself would find a value that is late: a wrong time is a wrong value here."""
    car = climbing_car()
    car.advance(3.0)
    assert car.value("cam_intake_b1_actual") == pytest.approx(-37.0)


class _EndsTwice:
    """A view that ends the recording as a second Ctrl-C does, in the middle of the stream."""

    essential = True

    def __init__(self):
        self.rows = 0

    def accept(self, item):
        self.rows += isinstance(item, Batch)
        if self.rows > 20:
            raise KeyboardInterrupt

    def close(self):
        pass


@pytest.mark.parametrize("twice", [True, False])
def test_the_drive_file_says_where_the_codes_were_not_read_at_the_end(tmp_path, served, twice):
    source = LiveSource(served(StandingCar()), PROFILE)
    if twice:
        with pytest.raises(KeyboardInterrupt):
            record(source, tmp_path / "drive.csv", views=[_EndsTwice()])
    else:
        record(source, tmp_path / "drive.csv", minutes=0.01)
    drive = read_drive(tmp_path / "drive.drive.json")
    assert len(drive.code_snapshots) == (1 if twice else 2)
    assert [e.text for e in drive.events if "not read" in e.text] == (
        ["the codes at the end were not read: the recording ended without them"] if twice else []
    )
