"""`camlog simulate`: one line out, a car to connect to, a clean end."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
from contextlib import contextmanager

import pytest

from camlog.profile import read_profile
from camlog.simulate.adapter import FAULT_KINDS
from tests.adapter_car import Client


@contextmanager
def running(*options):
    """The command in a process of its own; gives it and the port it printed."""
    process = subprocess.Popen(
        [sys.executable, "-m", "camlog", "simulate", *options],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        yield process, process.stdout.readline().strip()
    finally:
        process.kill()
        process.communicate()


def ended(process, how=signal.SIGINT):
    process.send_signal(how)
    out, err = process.communicate(timeout=10)
    return process.returncode, out, err


def test_a_car_on_a_link_that_keeps_its_codes_from_drive_to_drive(tmp_path):
    link, state, log = tmp_path / "port", tmp_path / "car.json", tmp_path / "faults.jsonl"
    options = (
        "--port-link", str(link), "--state", str(state), "--drive", "demo", "--condition", "seized",
        "--severity", "1", "--seed", "5", "--time-scale", "20", "--fault", "no_data@0+0.001",
        "--fault", "response_pending@0.01+999", "--fault-log", str(log),
    )  # fmt: skip
    with running(*options) as (process, port):
        assert port == str(link)
        with Client(port) as client:
            client.setup("ATSP6", "ATH1")
            assert client.ask("010C")[0].startswith("7E8 03 7F 01 78")
            data = bytes.fromhex(client.ask("22F0A2")[1][4:])[4:8]
            pair = [read_profile("demo").definition(f"cam_intake_b1_{n}").decode(data) for n in ("commanded", "actual")]
            assert all(-20 < angle < 80 for angle in pair)
        assert ended(process) == (0, "", "")
    assert not link.exists()
    assert {json.loads(line)["kind"] for line in log.read_text().splitlines()} == {"response_pending"}
    assert json.loads(state.read_text())["seed"] == 5
    with running("--state", str(state), "--seed", "5", "--tcp", "127.0.0.1:0") as (process, port):
        assert re.fullmatch(r"socket://127\.0\.0\.1:\d+", port)
        with Client(port) as client:
            client.setup("ATSP0")
            assert client.ask("0100")[-1].startswith("41 00")
        assert ended(process, signal.SIGTERM) == (0, "", "")


def test_kinds_of_adapter(tmp_path):
    with running("--adapter", "non-can", "--protocol", "5", "--second-module", "--drive", "hot") as (
        process,
        port,
    ):
        with Client(port, 6.0) as client:
            client.setup("ATSP0", "ATH1")
            lines = client.ask("010D")
            assert lines[0] == "SEARCHING..." and [t[6:8] for t in lines[1:]] == ["10", "18"]
        assert ended(process)[0] == 0


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--condition", "tired"], "stick_slip"),
        (["--severity", "2"], "0 to 1"),
        (["--drive", "nowhere"], "parked"),
        (["--adapter", "gold"], "standard, clone, non-can"),
        (["--protocol", "A"], "6 to 9"),
        (["--fault", "flood@1+1"], ", ".join(FAULT_KINDS)),
        (["--fault", "hung"], "KIND@START+DURATION"),
        (["--tcp", "here"], "HOST:PORT"),
        (["--tcp", "127.0.0.1:99999"], "HOST:PORT"),
        (["--vehicle", "missing.toml"], "missing.toml"),
        (["--baud", "0"], "--baud 0"),
        (["--time-scale", "0"], "--time-scale"),
        (["--latency-ms", "-1"], "--latency-ms"),
        (["--port-link", "/no/such/folder/port"], "--port-link"),
        (["--state", "/no/such/folder/car.json"], "--state"),
        (["--fault-log", "/no/such/folder/log"], "/no/such/folder/log"),
    ],
)
def test_bad_input_is_one_line_that_says_what_to_do(capsys, options, says):
    from camlog.cli import main

    with pytest.raises(SystemExit) as end:
        main(["simulate", *options])
    out, err = capsys.readouterr()
    assert end.value.code == 2 and out == ""
    assert err.count("\n") == 1 and err.startswith("camlog: ") and says in err


def test_a_state_of_another_car_or_no_state_at_all(capsys, tmp_path):
    from camlog.cli import main

    path = tmp_path / "car.json"
    for text, says in (
        ("{", "cannot be read"), ("{}", "is not a car's state"), ("[]", "is not a car's state"),
        ('{"schema": "camlog.simulated_car/1", "seed": 9, "memory": {}}', "--seed 9"),
        ('{"schema": "camlog.simulated_car/1", "seed": 1, "memory": {}}', "not a whole car's state"),
    ):  # fmt: skip
        path.write_text(text)
        with pytest.raises(SystemExit) as end:
            main(["simulate", "--state", str(path)])
        err = capsys.readouterr().err
        assert end.value.code == 2 and says in err and err.count("\n") == 1, text


def test_a_file_in_the_links_place_is_left_alone(capsys, tmp_path):
    from camlog.cli import main

    path = tmp_path / "port"
    path.write_text("mine")
    with pytest.raises(SystemExit):
        main(["simulate", "--port-link", str(path)])
    assert path.read_text() == "mine" and "--port-link" in capsys.readouterr().err
