"""How a command ends: status 1 is "not verified" and nothing else; whatever goes wrong is one line and status 2."""

from __future__ import annotations

import json
import os
import pty
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from camlog.cli import main
from camlog.places import sample_logs_folder

SAMPLE = sample_logs_folder() / "too-short.csv"
# What a terminal obeys: ESC c resets it, ESC ] renames the window, U+009B is another ESC [, U+202E turns the reading.
STEERING = "\x1bc\x1b]0;gone\x07\x9b31mred\u202efdp.exe\x7f"
SENT = ("\x1b", "\x07", "\x9b", "\u202e", "\x7f")


def ended(capsys, *words) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as end:
        main([str(w) for w in words])
    return end.value.code, *capsys.readouterr()


@pytest.fixture
def bare(tmp_path) -> Path:
    """The sample without its drive file, which says that it is simulated: nothing is remarked on it."""
    return Path(shutil.copyfile(SAMPLE, tmp_path / "bare.csv"))


class Panic(BaseException):
    """As a compiled library ends: no Exception."""


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (ZeroDivisionError("division by zero"), "unforeseen fault in camlog (ZeroDivisionError: division by zero)"),
        (Panic("index out of bounds"), "unforeseen fault in camlog (Panic: index out of bounds)"),
        (RecursionError("too deep"), "unforeseen fault in camlog (RecursionError"),
        (MemoryError(), "not enough memory"),
        (OSError(28, "No space left on device", "/full/x.html"), "/full/x.html: the system refuses (No space left"),
        (OSError(30, "Read-only file system"), "the system refuses (Read-only file system)"),
    ],
)
def test_whatever_happens_inside_ends_as_one_line_and_status_2(capsys, monkeypatch, tmp_path, bare, fault, says):
    def fails(*_, **__):
        raise fault

    remarks = ended(capsys, "replay", "--speed", "max", SAMPLE)[2].splitlines()  # what is known of a sample: simulated
    monkeypatch.setattr("camlog.analysis.analyze", fails)
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    for words in (["analyze", "--json", bare], ["verify", "--json", bare], ["compare", "--out", tmp_path, bare, bare]):
        status, out, err = ended(capsys, *words)
        (line,) = (line for line in err.splitlines() if line not in remarks)
        assert status == 2 and line.startswith("camlog: ") and says in line and not out
        if "unforeseen" in says:
            details = Path(line.partition("Its details are in ")[2].partition(": hand")[0])
            assert type(fault).__name__ in details.read_text() and "Traceback" in details.read_text()


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="this system has no always full device")
@pytest.mark.parametrize("words", [["verify", "--json", SAMPLE], ["vehicle", "show", "demo"]])
def test_a_result_that_finds_no_room_is_an_error_and_not_not_verified(words):
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "camlog", *map(str, words)],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
        )
    assert done.returncode == 2, done.stderr
    assert [line for line in done.stderr.splitlines() if line.startswith("camlog: the system refuses (No space left")]
    assert "Traceback" not in done.stderr and "Exception ignored" not in done.stderr


def test_who_stops_reading_ends_a_command_quietly(bare):
    with subprocess.Popen(
        [sys.executable, "-m", "camlog", "replay", bare, "--speed", "max"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as running:
        running.stdout.close()
        assert all(b"simulated" in line for line in running.stderr.read().splitlines()) and running.wait(60) == 0


def steering_files(folder: Path) -> Path:
    """A drive whose every text is full of what steers a terminal."""
    trace = folder / "drive.csv"
    trace.write_bytes(SAMPLE.read_bytes())
    (folder / "drive.drive.json").write_text(
        json.dumps(
            {
                "schema": "camlog.drive/1",
                "vehicle": {"name": STEERING, "vin": None},
                "events": [{"time_s": 1.0, "kind": "marker", "text": STEERING}],
                "code_snapshots": [{"time_s": 0.0, "mil": True, "stored": [{"code": "P0011", "ecu": STEERING}]}],
            }
        )
    )
    (folder / "own.toml").write_text(f'schema = "camlog.vehicle/1"\n[vehicle]\nname = {json.dumps(STEERING)}\n')
    (folder / "wrong.toml").write_text(f"schema = {json.dumps(STEERING)}\n")
    (folder / "foreign.csv").write_text(
        "Time (s),RPM,red\u202efdp\n" + "".join(f"{i},{700 + i},{i}\n" for i in range(60))
    )
    (folder / "bad.csv").write_text(f"time [s],engine_speed [rpm]\n0,{STEERING}\n")
    return trace


def test_control_and_direction_characters_of_files_are_shown_and_never_sent(capsys, tmp_path):
    drive = steering_files(tmp_path)
    commands = [
        ["replay", drive, "--speed", "max"],
        ["analyze", drive, "--vehicle", tmp_path / "own.toml", "--json"],
        ["vehicle", "check", tmp_path / "own.toml"],
        ["vehicle", "check", tmp_path / "wrong.toml"],
        ["convert", tmp_path / "foreign.csv"],
        ["replay", tmp_path / "bad.csv"],
        ["replay", tmp_path / f"no{STEERING}.csv"],
    ]
    for words in commands:
        text = "".join(ended(capsys, *words)[1:])
        assert "red" in text and not [c for c in SENT if c in text], words


def test_a_terminal_gets_our_own_colours_and_moves_only(tmp_path):
    drive = steering_files(tmp_path)
    for words in (["replay", drive, "--speed", "max"], ["vehicle", "check", tmp_path / "own.toml"]):
        text = on_a_terminal(words)
        assert "\x1b[" in text and "[U+001B]c" in text
        assert not [c for c in ("\x1bc", "\x1b]0;", "\x9b", "\u202e") if c in text], words


def on_a_terminal(words) -> str:
    """All that a command sends to a terminal."""
    ours, its = pty.openpty()
    try:
        running = subprocess.Popen(
            [sys.executable, "-m", "camlog", *map(str, words)], stdin=subprocess.DEVNULL, stdout=its, stderr=its,
            env={**os.environ, "TERM": "xterm-256color", "COLUMNS": "200", "LINES": "50"},
        )  # fmt: skip
        os.close(its)
        its, sent = -1, b""
        while True:
            try:
                part = os.read(ours, 65536)
            except OSError:  # the other end is closed
                break
            if not part:
                break
            sent += part
        running.wait(60)
    finally:
        os.close(ours)
        if its >= 0:
            os.close(its)
    return sent.decode("utf-8", "replace")


def test_json_for_a_program_keeps_every_character(capsys, tmp_path):
    drive = steering_files(tmp_path)
    status, out, _ = ended(capsys, "analyze", "--json", "--vehicle", tmp_path / "own.toml", drive)
    assert status == 0 and not [c for c in SENT if c in out]
    assert json.loads(out)["profile"]["name"] == STEERING


@pytest.mark.parametrize(
    "words", [["analyze"], ["convert"], ["replay"], ["verify"], ["compare", SAMPLE], ["vehicle", "check"]]
)
def test_a_pipe_is_refused_instead_of_waited_for(capsys, tmp_path, words):
    os.mkfifo(tmp_path / "drive.csv")
    status, _, err = ended(capsys, *words, tmp_path / "drive.csv")
    assert status == 2 and "is a pipe or a device" in err.splitlines()[-1]
