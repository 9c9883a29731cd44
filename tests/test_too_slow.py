"""Four cams behind a slow adapter: what cannot be answered and what to leave out is said before the drive, and in it.

Invented data, for mechanics only.
"""

from __future__ import annotations

import re
import subprocess
import sys
import time

import pytest

from camlog.cams import CAM_IDS, actual, commanded
from camlog.limits import LIMITS
from camlog.serve.desk import Desk
from camlog.serve.pages import record as page
from camlog.simulate.live import simulated_adapter
from camlog.trace import read_trace
from tests.serve_help import text_of

SAID_WITHIN_S = 10.0
OPEN = "Does it arrive in time? Does it move smoothly? Does it hold where it is told to?"
LEAST_HZ = 1.0 / LIMITS["needed_pair_interval_s"].value


def four_cams() -> str:
    """A profile of a V engine in which every angle has an identifier of its own."""
    cams = "".join(f'[[cam]]\nid = "{cam}"\nrest_deg = 0.0\n' for cam in CAM_IDS)
    names = [name(cam) for cam in CAM_IDS for name in (commanded, actual)]
    signals = "".join(
        f'[[signal]]\nname = "{name}"\nservice = 0x22\nidentifier = {0xF0A0 + n}\nrequest_header = 0x7E0\n'
        'start_byte = 0\nlength_bits = 16\nfactor = 0.01\noffset = -64.0\nunit = "deg"\n'
        for n, name in enumerate(names)
    )
    engine = "[engine]\ncylinders = 6\nbanks = [[1, 2, 3], [4, 5, 6]]\n"
    return f'schema = "camlog.vehicle/1"\n[vehicle]\nname = "Invented six-cylinder"\n{engine}{cams}{signals}'


@pytest.fixture
def slow(tmp_path):
    profile = tmp_path / "four.toml"
    profile.write_text(four_cams())
    made = simulated_adapter(vehicle=str(profile), adapter="clone", drive="hot", baud=500_000, wait_s=0.03)
    with made.adapter as adapter:
        yield profile, adapter.start_pty(tmp_path / "port")


def until(condition, seconds=60.0):
    end = time.monotonic() + seconds
    while not (found := condition()):
        assert time.monotonic() < end
        time.sleep(0.05)
    return found


def test_the_terminal_says_it_before_the_drive(slow, tmp_path):
    profile, port = slow
    command = ["-m", "camlog", "record", "--port", port, "--vehicle", str(profile), "--minutes", "0.02"]
    run = subprocess.Popen(
        [sys.executable, *command, "--out", str(tmp_path / "drive.csv")],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    began, said = None, []
    for line in run.stderr:
        said.append(line)
        began = time.monotonic() if "Connecting" in line else began
        if "leave the rest out" in line:
            assert time.monotonic() - began < SAID_WITHIN_S
            break
    assert f"Cannot be answered: {OPEN}\n" in said[-2] and all(f" bank {bank}" in said[-2] for bank in (1, 2))
    run.communicate(timeout=60.0)
    assert run.returncode == 0
    only = re.search(r"--only (\S+?),? and your other options", said[-1])[1]
    assert actual(CAM_IDS[0]) in only and "coolant_temp" in only and "fuel_trim" not in only


def test_the_page_says_it_before_the_drive_and_in_it_and_leaves_out_what_it_says(slow, tmp_path):
    profile, port = slow
    desk = Desk(tmp_path, adapter=port, vehicle=str(profile))
    try:

        def piece(name):
            return text_of(page.pieces(desk, "", {})[name])

        desk.recorder.connect(port, str(profile))
        until(lambda: desk.recorder.status().state == "connected")
        began = time.monotonic()
        said = until(lambda: piece("too-slow"))
        assert time.monotonic() - began < SAID_WITHIN_S
        assert said.startswith(f"Too slow for: {OPEN}") and said.count("at least 4 are needed") == 4
        assert "Leave out: " in said and "Short fuel trim, bank 1" in said and "Exhaust cam, bank 2" in said
        assert "too seldom for a whole verdict" in until(
            lambda: "too seldom" in piece("preflight") and piece("preflight")
        )

        # In the drive it says so by how often the cams are really read.
        desk.recorder.start("all")
        until(lambda: desk.recorder.status().elapsed_s > 7.0)
        said, rates = piece("too-slow-now"), desk.recorder.board.rates()
        assert desk.recorder.status().elapsed_s < SAID_WITHIN_S and f"Too slow for: {OPEN}" in said
        assert "In the next drive leave out: " in said
        read = [float(hz) for hz in re.findall(r"read ([\d.]+) times a second", said)]
        assert read == pytest.approx(list(rates.values()), abs=0.4) and max(read) < LEAST_HZ
        assert all(cam["rate"].endswith("/s, too slow") for cam in desk.recorder.board.update()["cams"])
        desk.recorder.stop()
        until(lambda: desk.recorder.status().state == "finished")

        # What is left out makes the others come often enough.
        desk.recorder.connect(port, str(profile))
        until(lambda: desk.recorder.status().expected is not None)
        every = desk.recorder.status().signals
        page.act(desk, "", "only-kept", {})
        kept = desk.recorder.status().signals
        assert set(kept) < set(every) == set(desk.recorder.status().offered)
        until(lambda: piece("too-slow") == "")
        assert f"Signals to log: {len(kept)} of {len(every)}" in piece("log")
        desk.recorder.start("kept")
        until(lambda: desk.recorder.status().elapsed_s > 7.0)
        # On a busy computer an answer may be late for a while.
        until(lambda: min(desk.recorder.board.rates().values()) > LEAST_HZ - 0.3)
        desk.recorder.stop()
        until(lambda: desk.recorder.status().state == "finished")
        assert set(read_trace(tmp_path / "kept.csv").signals) == set(kept)
    finally:
        desk.close()


def test_the_page_logs_the_signals_that_are_ticked(slow, tmp_path):
    profile, port = slow
    desk = Desk(tmp_path, adapter=port, vehicle=str(profile))
    try:
        assert "onnect" in page.act(desk, "", "only", {"log.engine_speed": "on"})["said"]
        desk.recorder.connect(port, str(profile))
        until(lambda: desk.recorder.status().offered)
        page.act(desk, "", "only", {"log.engine_speed": "on", "log.nonsense": "on"})
        assert desk.recorder.status().signals == ("engine_speed",)
        desk.recorder.start("few")
        until(lambda: desk.recorder.status().rows > 5)
        desk.recorder.stop()
        until(lambda: desk.recorder.status().state == "finished")
        assert read_trace(tmp_path / "few.csv").signals == ("engine_speed",)
        desk.recorder.connect(port, str(profile))
        until(lambda: desk.recorder.status().offered)
        page.act(desk, "", "only", {})  # none is ticked: there would be nothing to log
        assert desk.recorder.status().signals == desk.recorder.status().offered
    finally:
        desk.close()
