"""Clearing codes: saved first, never with the engine running, read back; permanent codes stay.

Over the simulated adapter through python-obd. Service 04 and its refusal: SAE J1979 (from memory). Permanent
codes outlast service 04: 13 CCR 1968.2(d). Invented data.
"""

from __future__ import annotations

import dataclasses
import os

import pytest

from camlog.capture import clear as clear_module
from camlog.capture.clear import clear_codes
from camlog.capture.connect import open_link
from camlog.cli import main
from camlog.drive import read_drive
from camlog.errors import InputError
from camlog.profile import read_profile
from camlog.simulate.adapter import AdapterTraits, SimulatedAdapter, TimingModel
from camlog.simulate.vehicle.car import SimulatedCar
from camlog.simulate.vehicle.draw import demo_setup
from camlog.simulate.vehicle.drive_cycle import DriveCycle, Segment
from camlog.stream import TroubleCode
from camlog.trust import vin_hash
from tests.adapter_car import SNAPSHOT, VALUES, VIN, StandingCar, hurry

PROFILE = read_profile("demo")
STOPPED = {**VALUES, "engine_speed": 0.0, "vehicle_speed": 0.0}
TIMING = TimingModel(search_s=0.02, reset_s=0.02, no_answer_s=0.03, wait_s=0.01, ecu_latency_s=0.0)


@pytest.fixture(autouse=True)
def no_pauses(monkeypatch):
    hurry(monkeypatch)


@pytest.fixture
def served(tmp_path):
    """Serve a car on a virtual port; its address, and the link to it."""
    open_ones = []

    def serve(car, timing=TIMING, **traits) -> str:
        adapter = SimulatedAdapter(car, PROFILE, timing=timing, traits=dataclasses.replace(AdapterTraits(), **traits))
        open_ones.append(adapter)
        return adapter.start_pty(tmp_path / f"port{len(open_ones)}")

    yield serve
    for adapter in open_ones:
        adapter.stop()


def cleared(port, path, confirm=lambda snapshot: True, **more):
    link = open_link(port)
    try:
        return clear_codes(link, path, confirm=confirm, **more)
    finally:
        link.close()


def test_everything_is_saved_before_and_read_back_after(tmp_path, served):
    car = StandingCar(STOPPED)
    path = tmp_path / "codes.drive.json"
    asked = []

    def confirm(snapshot):
        # At the moment of asking the file is whole and nothing has been cleared.
        assert read_drive(path).code_snapshots == (snapshot,) and car.cleared == 0
        asked.append(snapshot)
        return True

    done = cleared(served(car), path, confirm)
    assert car.cleared == 1 and done.saved == path and done.remaining == () and done.refused == ()
    assert [c.code for c in asked[0].stored] == ["P0011", "P0301"] and asked[0].freeze_frame["code"] == "P0011"
    saved = read_drive(path)
    assert saved.intact and saved.vehicle["vin_hash"] == vin_hash(VIN) and saved.vehicle["vin"] is None
    before, after = saved.code_snapshots
    assert before.stored == SNAPSHOT.stored and before.monitor_tests and after.stored == ()
    assert [e.text for e in saved.events] == ["codes cleared"]


def test_permanent_codes_stay_on_a_car_whose_fault_had_matured(tmp_path, served):
    setup = demo_setup()
    donor = SimulatedCar(setup, DriveCycle("standing", (Segment("key_on", 60.0),)))
    state = donor.state()
    for kind in ("stored", "pending", "permanent", "lamp"):
        state["codes"]["codes"].setdefault("P0011", {})[kind] = True
    car = SimulatedCar(setup, DriveCycle("standing", (Segment("key_on", 60.0),)), state=state)
    done = cleared(served(car), tmp_path / "codes.drive.json")
    assert [c.code for c in done.before.stored] == ["P0011"] and done.before.mil is True
    assert done.remaining == () and [c.code for c in done.permanent] == ["P0011"]
    assert done.after.mil is False and done.after.since_clear["distance_km"] == 0.0
    assert "incomplete" in done.after.readiness.values()


def test_with_the_engine_running_nothing_is_cleared(tmp_path, served):
    car = StandingCar()
    with pytest.raises(InputError, match=r"engine is running \(812 rpm\): nothing was cleared") as error:
        cleared(served(car), tmp_path / "codes.drive.json")
    assert car.cleared == 0 and "Stop the engine" in error.value.remedy
    assert not (tmp_path / "codes.drive.json").exists()


def test_an_engine_started_while_the_question_stood_is_noticed(tmp_path, served):
    car = StandingCar(STOPPED)

    def start(snapshot):
        car.values["engine_speed"] = 1100.0
        return True

    with pytest.raises(InputError, match="engine is running"):
        cleared(served(car), tmp_path / "codes.drive.json", start)
    assert car.cleared == 0


def test_an_engine_speed_that_cannot_be_read_may_be_a_running_engine(tmp_path, served):
    car = StandingCar({k: v for k, v in STOPPED.items() if k != "engine_speed"})
    with pytest.raises(InputError, match="could not be read, so the engine may be running"):
        cleared(served(car), tmp_path / "codes.drive.json")
    assert car.cleared == 0


def test_without_a_saved_snapshot_nothing_is_cleared(tmp_path, served, monkeypatch):
    car = StandingCar(STOPPED)
    port = served(car)
    with pytest.raises(InputError, match="could not be saved .*nothing was cleared"):
        cleared(port, tmp_path / "no-such-folder" / "codes.drive.json")

    def full(drive, path, **_):
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(clear_module, "write_drive", full)
    with pytest.raises(InputError, match="No space left.*nothing was cleared"):
        cleared(port, tmp_path / "codes.drive.json")
    assert car.cleared == 0


def test_a_snapshot_that_does_not_read_back_as_it_was_stops_it(tmp_path, served, monkeypatch):
    car = StandingCar(STOPPED)
    real = clear_module.write_drive
    monkeypatch.setattr(
        clear_module,
        "write_drive",
        lambda drive, path, **how: real(dataclasses.replace(drive, code_snapshots=()), path, **how),
    )
    with pytest.raises(InputError, match="does not read back"):
        cleared(served(car), tmp_path / "codes.drive.json")
    assert car.cleared == 0


def test_a_snapshot_that_is_not_whole_stops_it(tmp_path, served):
    car = StandingCar(STOPPED, snapshot=dataclasses.replace(SNAPSHOT, pending=None))
    with pytest.raises(InputError, match="pending could not be read"):
        cleared(served(car), tmp_path / "codes.drive.json")
    assert car.cleared == 0


def test_a_file_of_that_name_is_not_overwritten(tmp_path, served):
    car = StandingCar(STOPPED)
    path = tmp_path / "codes.drive.json"
    path.write_text("kept")
    port = served(car)
    with pytest.raises(InputError, match="is there already"):
        cleared(port, path)
    assert path.read_text() == "kept" and car.cleared == 0
    assert cleared(port, path, force=True).remaining == ()


def test_no_is_no_and_the_snapshot_stays(tmp_path, served):
    car = StandingCar(STOPPED)
    assert cleared(served(car), tmp_path / "codes.drive.json", lambda snapshot: False) is None
    assert car.cleared == 0 and len(read_drive(tmp_path / "codes.drive.json").code_snapshots) == 1


def test_a_car_that_refuses_is_told(tmp_path, served):
    with pytest.raises(InputError, match=r"refused to clear its codes \(module 7E8\)"):
        cleared(served(StandingCar(STOPPED, may_clear=False)), tmp_path / "codes.drive.json")


def test_a_code_that_comes_back_at_once_is_reported(tmp_path, served):
    class Stubborn(StandingCar):
        def clear_codes(self):
            super().clear_codes()
            self.snapshot = dataclasses.replace(self.snapshot, pending=(TroubleCode("P0340", "7E8"),))
            return True

    done = cleared(served(Stubborn(STOPPED)), tmp_path / "codes.drive.json")
    assert [c.code for c in done.remaining] == ["P0340"]


def test_it_works_on_an_older_bus(tmp_path, served):
    car = StandingCar(STOPPED)
    port = served(car, TimingModel(search_s=0.02, reset_s=0.02), protocol="3")
    done = cleared(port, tmp_path / "codes.drive.json")
    assert car.cleared == 1 and done.remaining == ()


# ---------------------------------------------------------------- the command


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main(["clear", *map(str, arguments)])
    out = capsys.readouterr()
    return ended.value.code or 0, out.out, out.err


def test_the_command_says_what_is_lost_and_what_stays(tmp_path, served, capsys):
    car = StandingCar(STOPPED)
    path = tmp_path / "codes.drive.json"
    status, out, _ = run(capsys, "--port", served(car), "--save", path, "--yes")
    assert status == 0 and car.cleared == 1
    for words in (
        "freeze frame",
        "readiness",
        "test results",
        "Local emission rules",
        "P0301",
        "Permanent: P0011",
        "1968.2(d)",
    ):
        assert words in out, words
    assert path.exists() and "Read back: no stored and no pending codes" in out


@pytest.mark.parametrize(("answer", "count"), [("clear\n", 1), ("CLEAR \n", 1), ("y\n", 0), ("\n", 0), ("", 0)])
def test_the_answer_must_be_typed_out(tmp_path, served, capsys, monkeypatch, answer, count):
    import io

    car = StandingCar(STOPPED)
    typed = io.StringIO(answer)
    typed.isatty = lambda: True
    monkeypatch.setattr("sys.stdin", typed)
    status, out, _ = run(capsys, "--port", served(car), "--save", tmp_path / "codes.drive.json")
    assert status == 0 and car.cleared == count
    assert ("Nothing was cleared" in out) == (count == 0)


def test_with_nothing_stored_clearing_is_not_offered_for_it_would_only_erase_readiness(
    tmp_path, served, capsys, monkeypatch
):
    import io

    car = StandingCar(STOPPED, snapshot=dataclasses.replace(SNAPSHOT, stored=(), pending=()))
    typed = io.StringIO("clear\n")
    typed.isatty = lambda: True
    monkeypatch.setattr("sys.stdin", typed)
    status, out, _ = run(capsys, "--port", served(car), "--save", tmp_path / "codes.drive.json")
    assert status == 0 and car.cleared == 0
    assert "would only erase readiness" in out and "Type clear" not in out and "Nothing was cleared" in out


def test_the_command_names_learned_values_and_the_relearn(tmp_path, served, capsys):
    _, out, _ = run(capsys, "--port", served(StandingCar(STOPPED)), "--save", tmp_path / "c.drive.json", "--yes")
    assert "Learned values may be lost" in out and "relearn by service information" in out


def test_without_a_terminal_or_a_yes_nothing_happens(tmp_path, capsys, monkeypatch):
    import io

    monkeypatch.setattr("sys.stdin", io.StringIO("clear\n"))
    status, _, err = run(capsys, "--port", "/dev/no-such-port", "--save", tmp_path / "codes.drive.json")
    assert status == 2 and "--yes" in err and err.count("\n") == 1


def test_a_name_that_verify_would_not_take_is_refused_before_the_car_is_asked(tmp_path, capsys):
    status, _, err = run(capsys, "--port", "/dev/no-such-port", "--save", tmp_path / "codes.txt", "--yes")
    assert status == 2 and "must end in .drive.json" in err
