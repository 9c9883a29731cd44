"""`camlog codes`: what the modules hold, in a table and as JSON. Invented data over the simulated adapter."""

from __future__ import annotations

import dataclasses
import io
import json

import pytest
from rich.console import Console

from camlog.cli import main
from camlog.cli.codes import snapshot_tables
from camlog.profile import read_profile
from camlog.simulate.adapter import AdapterTraits, SimulatedAdapter, TimingModel
from camlog.stream import CodeSnapshot, MonitorTest, TroubleCode
from camlog.units import showing
from tests.adapter_car import SNAPSHOT, StandingCar, hurry

TIMING = TimingModel(search_s=0.02, reset_s=0.02, no_answer_s=0.03, wait_s=0.01, ecu_latency_s=0.0)


def shown(snapshot: CodeSnapshot) -> str:
    console = Console(file=io.StringIO(), width=160, highlight=False)
    console.print(*snapshot_tables(snapshot), sep="\n")
    return console.file.getvalue()


@pytest.fixture
def port(monkeypatch):
    hurry(monkeypatch)
    two = dataclasses.replace(SNAPSHOT, stored=(*SNAPSHOT.stored, TroubleCode("P0700", "7E9")))
    traits = AdapterTraits(second_module=True)
    car = StandingCar(snapshot=two)
    with SimulatedAdapter(car, read_profile("demo"), traits=traits, timing=TIMING) as adapter:
        yield adapter.start_pty()


def test_the_table_has_every_code_of_every_module_and_no_verdict(port, capsys):
    with pytest.raises(SystemExit) as ended:
        main(["codes", "--port", port])
    out = capsys.readouterr().out
    assert not ended.value.code
    for words in (
        "P0011",
        "P0301",
        "P0700",
        "7E9",
        "P0014",
        "MIL (warning lamp) on",
        "Freeze frame",
        "750",
        "340 km",
        "egr vvt system",
    ):
        assert words in out, words
    assert "evidence, not a verdict" in out


def test_as_json_it_is_a_drive_files_snapshot(port, capsys):
    with pytest.raises(SystemExit):
        main(["codes", "--port", port, "--json"])
    held = json.loads(capsys.readouterr().out)
    assert {c["code"]: c["ecu"] for c in held["stored"]} == {"P0011": "7E8", "P0301": "7E8", "P0700": "7E9"}
    assert held["mil"] is True and held["since_clear"]["warm_ups"] == 12.0
    assert held["monitor_tests"] and held["freeze_frame"]["code"] == "P0011"


def test_the_shops_units_hold_for_freeze_frame_and_counters():
    with showing("us"):
        text = shown(CodeSnapshot(0.0, freeze_frame={"coolant_temp": 100.0}, since_clear={"distance_km": 160.9344}))
    assert "212 °F" in text and "100 mi" in text and "km" not in text


def test_what_was_not_answered_is_not_called_none():
    text = shown(CodeSnapshot(0.0, stored=(), pending=None, permanent=None))
    assert text.count("not answered by this vehicle") == 2 and text.count("none") == 1
    assert "MIL (warning lamp) not read" in text and "not read" in text


def test_test_results_are_named_and_set_against_their_limits():
    """MIDs 35 to 38 cam timing, A2 on cylinders, TID 0B and 0C (SAE J1979, from memory)."""
    tests = (
        MonitorTest("35", "80", 12.0, 0.0, 5.0, "deg"),
        MonitorTest("36", "81", 0.0, 0.0, 0.0, "s"),
        MonitorTest("A3", "0C", 2.0, None, None, "count"),
        MonitorTest("A2", "0B", 2.0, 0.0, 65535.0, "count"),
    )
    text = shown(dataclasses.replace(SNAPSHOT, monitor_tests=tests))
    rows = {
        line.split("  ")[0].strip(): line
        for line in text.splitlines()
        if " 0C " in line or " 8" in line or " 0B " in line
    }
    assert (
        "outside its limits" in rows["cam timing, bank 1"]
        and "not run since the last clear" in rows["cam timing, bank 2"]
    )
    assert (
        "misfires, cylinder 2, this driving cycle" in text
        and "misfires, cylinder 1, average of ten driving cycles" in text
    )


def test_text_that_is_no_code_is_shown_and_not_explained():
    text = shown(dataclasses.replace(SNAPSHOT, stored=(TroubleCode("[bold]X", "7E8"),)))
    assert "[bold]X" in text and "Not a code camlog can read" in text


def test_a_port_without_an_adapter_ends_with_one_line_and_status_2(capsys):
    with pytest.raises(SystemExit) as ended:
        main(["codes", "--port", "/dev/no-such-port"])
    err = capsys.readouterr().err
    assert ended.value.code == 2 and err.count("\n") == 1 and "no-such-port" in err
