"""A shortcut that opens the page: for people who do not type commands."""

from __future__ import annotations

import os
import shlex
import stat
import sys
from pathlib import Path

import platformdirs

from camlog.messages import say
from camlog.new_files import write_text

NAME = "camlog"
_DESKTOP_ENTRY = """[Desktop Entry]
Type=Application
Version=1.0
Name=camlog
Comment=Record and judge test drives
Exec={command}
Path={folder}
Terminal=true
Categories=Utility;
"""
_BATCH = '@echo off\r\nchcp 65001 >nul\r\ncd /d "{folder}"\r\n{command}\r\nif errorlevel 1 pause\r\n'
_SHELL = "#!/bin/sh\ncd {folder} && exec {command}\n"


def default_folder() -> Path:
    """The default folder for recordings: `camlog` in this user's documents."""
    return platformdirs.user_documents_path() / NAME


def shortcut_place(menu: bool = False, platform: str = sys.platform) -> Path:
    """The folder for the shortcut: this user's desktop, or with `menu` the menu. Raises InputError if there is none."""
    if not menu:
        return platformdirs.user_desktop_path()
    if platform == "win32":
        return Path(os.environ["APPDATA"], "Microsoft", "Windows", "Start Menu", "Programs")
    if platform == "darwin":
        raise say.error("no_menu")
    return platformdirs.user_data_path() / "applications"


def write_shortcut(
    folder: Path, place: Path, *, force: bool = False, platform: str = sys.platform, python: str = sys.executable
) -> Path:
    """Write a shortcut in `place` that serves `folder` (created if missing) and opens the page; returns its path.

    Raises InputError if it exists and `force` is not set, or if the system refuses."""
    folder, arguments = folder.absolute(), ["-m", "camlog", "serve", "--open"]
    if platform == "win32":
        path = place / f"{NAME}.cmd"
        command = " ".join([f'"{python}"', *arguments]).replace("%", "%%")
        text = _BATCH.format(folder=str(folder).replace("%", "%%"), command=command)
    elif platform == "darwin":
        path = place / f"{NAME}.command"
        text = _SHELL.format(folder=shlex.quote(str(folder)), command=shlex.join([python, *arguments]))
    else:
        path = place / f"{NAME}.desktop"
        text = _DESKTOP_ENTRY.format(
            folder=str(folder).replace("\\", "\\\\"), command=" ".join([_entry_word(python), *arguments])
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        place.mkdir(parents=True, exist_ok=True)
        write_text(text, path, replace=force)
        path.chmod(path.stat().st_mode | stat.S_IXUSR)
    except OSError as error:
        raise say.error("shortcut", error.filename or path, reason=error.strerror) from error
    return path


def _entry_word(text: str) -> str:
    """A word of a desktop entry's command line (freedesktop.org, Desktop Entry Specification: quoted, then escaped)."""
    for sign in '\\"`$':
        text = text.replace(sign, "\\" + sign)
    return '"' + text.replace("\\", "\\\\").replace("%", "%%") + '"'
