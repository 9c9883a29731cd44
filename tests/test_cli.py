"""The command line as a technician types it, right and wrong; and its documentation."""

import re
from pathlib import Path

import pytest

from camlog.cli import COMMANDS, main

ROOT = Path(__file__).resolve().parent.parent


def typed(capsys, *words):
    """Status, standard output and standard error of a command."""
    with pytest.raises(SystemExit) as ended:
        main([str(w) for w in words])
    out, err = capsys.readouterr()
    return ended.value.code, out, err


@pytest.mark.parametrize(
    "words, says",
    [
        (["nosuch"], "No such command"),
        (["record", "--nosuch"], "No such option"),
        (["record", "--minutes", "soon"], "--minutes"),
        (["record", "--out", "drive.txt"], "must end in .csv"),
        (["record", "--out", "no/such/folder/drive.csv"], "no such folder"),
        (["record", "--signal", "cam_angle"], "there is no signal 'cam_angle'"),
        (["record", "--vehicle", "missing.toml"], "missing.toml"),
        (["record", "--port", "/dev/null"], "no adapter found"),
        (["record", "--port", "socket://127.0.0.1:9"], "no adapter found"),
        (["codes", "--port", "/no/such/port"], "there is no such port"),
        (["codes", "--port", ""], "--port names no port"),
        (["replay", "missing.csv"], "cannot be read"),
        (["replay"], "no recording is named. Name one, as in: camlog replay drive.csv"),
        (["analyze", "x.drive.json"], "is the drive file of a recording"),
        (["analyze"], "Missing argument"),
        (["analyze", "missing.csv"], "cannot be read"),
        (["simulate", "--condition", "haunted"], "is not known"),
        (["vehicle", "check", "missing.toml"], "missing.toml"),
    ],
)
def test_a_mistake_gives_one_line_that_says_what_and_status_2(capsys, tmp_path, monkeypatch, words, says):
    monkeypatch.chdir(tmp_path)
    status, out, err = typed(capsys, *words)
    last = err.strip().splitlines()[-1]
    assert status == 2 and last.startswith("camlog: ") and says in last
    assert "Traceback" not in err and not out
    assert len([line for line in err.splitlines() if line.startswith("camlog: ")]) == 1
    assert not list(tmp_path.iterdir())


def test_every_error_says_what_to_do(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for words in (["replay", "missing.csv"], ["record", "--port", "/dev/null"], ["record", "--nosuch"]):
        _, _, err = typed(capsys, *words)
        assert re.search(r"\. (Check|See|Choose|Use|Name|Write|Try)\b", err)


def test_a_drive_file_named_for_its_recording_is_told_from_it(capsys):
    _, _, err = typed(capsys, "analyze", ROOT / "sample_logs" / "sticking.drive.json")
    assert "Name the recording: sticking.csv." in err


def test_no_command_and_help_show_the_commands(capsys):
    for words in ([], ["--help"]):
        status, out, err = typed(capsys, *words)
        assert status == 0 and not err
        assert all(name in out for name in ("record", "replay", "analyze", "codes", "simulate", "demo"))


def test_every_command_has_help_that_speaks_to_a_person(capsys):
    for name in COMMANDS:
        status, out, _ = typed(capsys, name, "--help")
        assert status == 0
        assert len(out.split("Options:")[0].split()) > 12, f"{name} explains too little"


def test_every_command_stands_in_the_readme():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for name in COMMANDS:
        assert f"camlog {name}" in readme, f"README.md does not show `camlog {name}`"


def test_the_readme_and_the_continuous_run_use_the_same_command():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    run = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    (command,) = [line.strip() for line in readme.splitlines() if line.strip().endswith("-m pytest")]
    assert command.startswith("python3 -m venv .venv && .venv/bin/pip install")
    assert "README.md" in run


def test_the_version_is_that_of_the_package(capsys):
    import camlog

    assert typed(capsys, "--version")[1].strip() == f"camlog {camlog.__version__}"
