"""The error a user sees: what is wrong, where, and what to do. Also saves details of camlog's own faults."""

from __future__ import annotations

import importlib
import stat
from pathlib import Path
from types import ModuleType


class InputError(Exception):
    """Bad input: a file, an adapter, a vehicle profile or an argument.

    `what` says what is wrong, `remedy` what to do, and `on_page` what to do if a page shows the error, if that differs
    from the command line. `file`, `line` (from 1) and `column` (a column's heading or a key) say where. `str(error)` is
    one line."""

    def __init__(
        self,
        what: str,
        *,
        remedy: str = "",
        file: str | Path | None = None,
        line: int | None = None,
        column: str | int | None = None,
        on_page: str | None = None,
    ):
        self.what = what
        self.remedy = remedy
        self.file = None if file is None else str(file)
        self.line = line
        self.column = column
        self.on_page = on_page
        super().__init__(str(self))

    def __str__(self) -> str:
        where = [] if self.file is None else [self.file]
        if self.line is not None:
            where.append(f"line {self.line}")
        if self.column is not None:
            where.append(self.column if isinstance(self.column, str) else f"column {self.column}")
        text = ", ".join(where) + (": " if where else "") + self.what
        if self.remedy:
            text = text.rstrip(".") + ". " + self.remedy
        return " ".join(text.split())


def extra(module: str, name: str) -> ModuleType:
    """A module of the optional extra `name`. Raises InputError, naming the extra, if it is not installed."""
    try:
        return importlib.import_module(module)
    except ImportError as error:
        remedy = f"Install it: pip install 'camlog[{name}]'."
        raise InputError(f"this needs the extra `{name}` of camlog", remedy=remedy) from error


def check_saved(path: Path) -> None:
    """Raises InputError if `path` is a pipe or a device, which can be read only once or never ends. A path that cannot
    be

    examined passes; opening it will fail."""
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):
        return
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        raise InputError(
            "is a pipe or a device, and only a saved file can be read", file=path, remedy="Save it to a file first."
        )


def saved_bytes(path: Path) -> bytes:
    """The bytes of a saved file. Raises InputError if it cannot be read."""
    check_saved(path)
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", file=path, remedy="Check the path.") from error


def saved_details(error: BaseException) -> str:
    """Save the details of a fault of camlog to a new file in the temporary folder; returns a sentence about it."""
    import sys
    import tempfile
    import traceback

    from camlog import __version__

    details = [f"camlog {__version__}, Python {sys.version}\n", f"{sys.argv!r}\n", *traceback.format_exception(error)]
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="camlog-fault-", suffix=".txt", delete=False, encoding="utf-8", errors="backslashreplace"
        ) as out:
            out.writelines(details)
    except OSError as refused:
        return f"Its details could not be saved ({refused.strerror}): make space and run it again."
    return f"Its details are in {out.name}: hand that file to whoever maintains camlog."
