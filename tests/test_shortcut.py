"""`camlog shortcut`: something to click on, as each system has it."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from camlog.cli import main
from camlog.errors import InputError
from camlog.shortcut import shortcut_place, write_shortcut


def started_by_shell(script: Path) -> list[str]:
    """Folder and words of the command that a shell script comes to."""
    shown = script.read_text(encoding="utf-8").replace("exec ", "exec printf '%s\\n' \"$PWD\" ")
    return subprocess.run(["sh", "-c", shown], capture_output=True, text=True, check=True).stdout.splitlines()


def test_on_macos_it_is_a_script_that_opens_in_a_terminal(tmp_path):
    folder, python = tmp_path / "it's a folder", tmp_path / "python 3"
    made = write_shortcut(folder, tmp_path / "Desktop", platform="darwin", python=str(python))
    assert made.name == "camlog.command" and os.access(made, os.X_OK)
    assert started_by_shell(made) == [str(folder), str(python), "-m", "camlog", "serve", "--open"]


def test_on_windows_it_is_a_batch_file(tmp_path):
    made = write_shortcut(
        tmp_path / "50% off", tmp_path, platform="win32", python=r"C:\Program Files\Python\python.exe"
    )
    lines = made.read_bytes().decode("utf-8").split("\r\n")
    assert made.name == "camlog.cmd" and lines[0] == "@echo off"
    assert f'cd /d "{tmp_path / "50%% off"}"' in lines
    assert r'"C:\Program Files\Python\python.exe" -m camlog serve --open' in lines


def test_on_linux_it_is_a_desktop_entry(tmp_path):
    """Desktop Entry Specification: in Exec, quoted words with backslashes before quotes and dollars, themselves escaped."""
    folder, python = tmp_path / "drives", '/opt/a "b" $c/python'
    made = write_shortcut(folder, tmp_path, platform="linux", python=python)
    keys = dict(line.split("=", 1) for line in made.read_text(encoding="utf-8").splitlines()[1:])
    shown = "printf '%s\\n' " + keys["Exec"].replace("\\\\", "\\")
    words = subprocess.run(["sh", "-c", shown], capture_output=True, text=True, check=True).stdout.splitlines()
    assert words == [python, "-m", "camlog", "serve", "--open"]
    assert keys["Path"] == str(folder) and folder.is_dir() and keys["Terminal"] == "true"


def test_the_one_that_is_there_stays_without_force(tmp_path):
    write_shortcut(tmp_path, tmp_path)
    with pytest.raises(InputError, match="is there already"):
        write_shortcut(tmp_path, tmp_path)
    write_shortcut(tmp_path, tmp_path, force=True)


def test_the_command_says_where_it_put_it(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    with pytest.raises(SystemExit) as ended:
        main(["shortcut", str(tmp_path / "drives"), "--menu"])
    assert not ended.value.code
    entry = tmp_path / "data" / "applications" / "camlog.desktop"
    assert entry.exists() and str(entry) in capsys.readouterr().out
    assert re.search(re.escape(sys.executable), entry.read_text(encoding="utf-8"))


def test_macos_has_no_menu():
    with pytest.raises(InputError, match="no menu"):
        shortcut_place(menu=True, platform="darwin")
