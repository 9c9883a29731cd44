"""camlog does its whole job where all is missing that Windows lacks: over the network port of a simulated car.

What is taken away, and how, stands in `like_windows/sitecustomize.py`; the same with a monotonic clock of 15.6 ms and with
consoles that know few letters. It is no Windows: what only that shows (its console, its drivers) is not tested here.
"""

from __future__ import annotations

import json
import os
import pty
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pytest

from camlog.drive import drive_path, read_drive
from camlog.trace import read_trace
from tests.browser_help import browser

ROOT = Path(__file__).resolve().parent.parent
PATIENCE_S = 180.0
BREAK = 21  # the number of Ctrl-Break's signal on Windows; no process of the tests gets another of it


@dataclass(frozen=True)
class Laptop:
    """A computer without what Windows lacks: its folder, its console's code page, how coarse its monotonic clock is."""

    folder: Path
    code_page: str
    coarse: bool

    @property
    def environment(self) -> dict[str, str]:
        inherited = os.environ.get("PYTHONPATH", "").split(os.pathsep)
        path = [str(Path(__file__).with_name("like_windows")), str(ROOT), *filter(None, inherited)]
        return {
            **os.environ,
            "PYTHONPATH": os.pathsep.join(path),
            "PYTHONIOENCODING": self.code_page,
            "PYTHONWARNDEFAULTENCODING": "1",
            "PYTHONWARNINGS": "ignore",
            "CAMLOG_TEST_FOLDER": str(self.folder),
            "CAMLOG_TEST_COARSE": "yes" if self.coarse else "",
        }

    def start(self, *arguments: str, **options) -> subprocess.Popen:
        options = {
            "stdin": subprocess.DEVNULL,
            "stdout": subprocess.PIPE,
            "stderr": subprocess.PIPE,
        } | options
        command = [sys.executable, "-m", "camlog", *map(str, arguments)]
        return subprocess.Popen(command, cwd=self.folder, env=self.environment, **options)

    @cached_property
    def console(self) -> subprocess.Popen:
        """The process in which commands run that end by themselves."""
        return subprocess.Popen(
            [sys.executable, Path(__file__).with_name("like_windows") / "console.py"],
            cwd=self.folder, env=self.environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip

    def answer(self) -> bytes:
        """The next line of the console."""
        line = self.console.stdout.readline()
        assert line, self.console.stderr.read().decode()
        return line

    def run(self, *arguments: str, status: int = 0) -> str:
        """What a command printed, in the console's letters."""
        self.console.stdin.write(json.dumps([str(a) for a in arguments]).encode() + b"\n")
        self.console.stdin.flush()
        answer = json.loads(self.answer())
        printed = bytes.fromhex(answer["printed"]).decode(self.code_page)
        assert answer["status"] == status and "Traceback" not in printed, printed
        return printed

    @contextmanager
    def serving(self, *arguments: str) -> Iterator[str]:
        """A command that prints an address and runs until it is ended; the address."""
        running = self.start(*arguments, stderr=subprocess.DEVNULL)
        try:
            yield running.stdout.readline().decode(self.code_page).strip()
        finally:
            running.send_signal(signal.SIGINT)
            assert running.wait(timeout=30.0) in (0, 130)


CASES = {"cp1252": False, "cp437": True}  # a console's code page, and whether the monotonic clock is coarse


@pytest.fixture(scope="module", params=CASES)
def laptop(request, tmp_path_factory) -> Iterator[Laptop]:
    made = Laptop(tmp_path_factory.mktemp(request.param), request.param, CASES[request.param])
    assert made.answer() == b"ready\n"  # every module could be imported
    yield made
    made.console.communicate(timeout=30.0)


@pytest.fixture(scope="module")
def coarse(tmp_path_factory) -> Laptop:
    """The laptop that records: the fewest letters, the coarse clock."""
    return Laptop(tmp_path_factory.mktemp("coarse"), "cp437", CASES["cp437"])


@pytest.fixture(scope="module")
def car(coarse) -> Iterator[str]:
    options = ("--drive", "hot", "--condition", "stick_slip", "--latency-ms", "4", "--wait-ms", "20")
    with coarse.serving("simulate", *options) as port:
        assert port.startswith("socket://127.0.0.1:")
        yield port


@pytest.fixture(scope="module")
def recorded(coarse, car) -> Path:
    """A drive recorded from the keyboard: marked, and ended by Ctrl-Break."""
    keyboard, stdin = pty.openpty()
    running = coarse.start("record", "--port", car, "--vehicle", "demo", "--out", "drive.csv", stdin=stdin)
    trace = coarse.folder / "drive.csv"
    until(lambda: trace.exists() and trace.stat().st_size > 4000, running)
    os.write(keyboard, b"mrattle heard\r")
    size = trace.stat().st_size
    until(lambda: trace.stat().st_size > size + 8000, running)
    os.kill(running.pid, BREAK)
    _, err = running.communicate(timeout=60.0)
    for end in (keyboard, stdin):
        os.close(end)
    assert running.returncode == 0, err.decode(coarse.code_page)
    return trace


@pytest.fixture(scope="module")
def drive(laptop, recorded) -> Path:
    """The recorded drive, in this laptop's folder."""
    for file in (recorded, drive_path(recorded)):
        shutil.copy(file, laptop.folder)
    return laptop.folder / recorded.name


def until(condition, running: subprocess.Popen | None = None, seconds: float = PATIENCE_S) -> None:
    end_s = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end_s and (running is None or running.poll() is None), (
            running and running.stderr.read()
        )
        time.sleep(0.05)


def test_every_module_is_imported(laptop):
    assert laptop.console.poll() is None  # it imports them all at its start
    assert "camlog" in laptop.run("--version")


def test_a_drive_is_recorded_marked_and_ended_by_ctrl_break(recorded):
    trace, about = read_trace(recorded), read_drive(drive_path(recorded))
    assert {"cam_intake_b1_actual", "cam_intake_b1_commanded", "engine_speed"} <= set(trace.signals)
    assert [e.text for e in about.events if e.kind == "marker"] == ["rattle heard"]
    assert about.trace_sha256 == trace.sha256 and len(about.code_snapshots) == 2


def test_times_of_readings_do_not_step_with_the_clock(recorded):
    steps_s = np.diff(read_trace(recorded).time_s)
    in_grid = np.abs(np.round(steps_s * 64) / 64 - steps_s) < 2e-5
    assert len(steps_s) > 50 and in_grid.mean() < 0.2


def test_it_is_replayed_and_served_again(laptop, drive):
    laptop.run("replay", drive, "--speed", "max", "--out", "again.csv")
    again, first = (read_trace(path) for path in (laptop.folder / "again.csv", drive))
    assert again.signals == first.signals and np.allclose(np.diff(again.time_s), np.diff(first.time_s), atol=2e-6)
    with laptop.serving("replay", drive, "--as-adapter", "--vehicle", "demo") as port:
        assert port.startswith("socket://127.0.0.1:")
    assert "no pseudo-terminals" in laptop.run("replay", drive, "--as-adapter", "--pty", status=2)


def test_it_is_analyzed(laptop, drive):
    printed = laptop.run("analyze", drive, "--vehicle", "demo", "--force")
    assert "Intake cam of bank 1" in printed and "\\u" not in printed
    assert (laptop.folder / "drive.report.html").read_text(encoding="utf-8").startswith("<!")
    assert "intake_b1" in json.loads((laptop.folder / "drive.findings.json").read_text(encoding="utf-8"))["cams"]


def test_codes_are_read_and_printed_in_the_consoles_letters(laptop, car):
    printed = laptop.run("codes", "--port", car)
    assert "MIL (warning lamp)" in printed and "\\u" not in printed


def test_ports_are_tried_by_their_windows_names(laptop):
    printed = laptop.run("record", "--vehicle", "demo", "--out", "none.csv", status=2)
    cable, radio, incoming = (printed.index(f"{port} (") for port in ("COM3", "COM4", "COM5"))
    assert cable < radio < incoming
    assert "incoming Bluetooth port" in printed and "another program holds the port" in printed
    assert "pair" in printed


def test_a_file_that_another_program_has_open_is_said_in_one_line(laptop, drive):
    report = laptop.folder / "drive.report.html"
    report.write_text("seen by somebody", encoding="utf-8")
    with open(report, encoding="utf-8"):
        printed = laptop.run("analyze", drive, "--vehicle", "demo", "--force", status=2)
    assert "drive.report.html: cannot be replaced: another program has it open" in printed.splitlines()[-1]


def test_a_name_that_windows_refuses_is_said_in_one_line(laptop, drive):
    printed = laptop.run("replay", drive, "--speed", "max", "--out", "a:b.csv", status=2)
    assert "is no name that Windows allows" in printed


def test_the_page_records_and_marks(coarse, car):
    folder = coarse.folder / "page"
    folder.mkdir()
    running = coarse.start(
        "serve", folder, "--adapter", car, "--vehicle", "demo", "--port", str(8500 + len(coarse.code_page))
    )
    try:
        lines = iter(running.stdout.readline, b"")
        url = next(word for line in lines for word in line.decode(coarse.code_page).split() if word.startswith("http"))
        with browser() as chromium:
            page = chromium.new_page()
            page.set_default_timeout(60_000)
            page.goto(url)
            page.click("#connect")
            page.click("#start")
            page.click("#mark")
            until(lambda: any(f.stat().st_size > 4000 for f in folder.glob("drive-*.csv")), running)
            page.click("#stop")
            until(lambda: any(read_drive(f).trace_sha256 for f in folder.glob("*.drive.json")), running)
    finally:
        running.send_signal(signal.SIGINT)
        running.communicate(timeout=60.0)
    recorded = next(folder.glob("drive-*.csv"))
    assert len(read_trace(recorded).time_s) > 20
    assert [e.kind for e in read_drive(drive_path(recorded)).events].count("marker") == 1
