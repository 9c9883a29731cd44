"""A trace file at system level: whole rows, each written at once, with the file's length and hash."""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Mapping
from pathlib import Path

from camlog.errors import InputError
from camlog.new_files import KEEPS_OPEN_FILES, claim, hold, open_temporary, put_in_place, sync_directory
from camlog.sinks import messages
from camlog.trace import TraceWriter

_COPY_BYTES = 1 << 20
# Error numbers of a full disk; not every system has quotas.
_FULL = {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)}


class RowFile:
    """An open file that writes each text completely or not at all, and tracks its length and hash."""

    def __init__(self, descriptor: int):
        self.fd = descriptor
        self.length = 0
        self.sha256 = hashlib.sha256()

    @classmethod
    def new(cls, path: Path, force: bool) -> RowFile:
        """A new file locked for this program. Raises InputError, FileExistsError if it exists already."""
        try:
            return cls(claim(path, replace=force))
        except FileExistsError:
            raise
        except BlockingIOError as error:
            raise messages.error("held", path) from error
        except OSError as error:
            raise messages.error("no_place", path, why=error.strerror) from error

    def write(self, text: str) -> None:
        self.write_bytes(text.encode("utf-8"))

    def write_bytes(self, data: bytes) -> None:
        # Unbuffered, so that a killed program loses nothing it has written.
        sent = 0
        try:
            while sent < len(data):
                sent += os.write(self.fd, data[sent:])
        except BaseException:
            # Half a row would be read as a wrong value, so it is removed.
            os.ftruncate(self.fd, self.length)
            os.lseek(self.fd, self.length, os.SEEK_SET)
            raise
        self.length += len(data)
        self.sha256.update(data)

    def sync(self) -> None:
        os.fsync(self.fd)

    def close(self) -> None:
        if self.fd >= 0:
            os.close(self.fd)
        self.fd = -1

    def open_again(self, path: Path) -> None:
        """Continue at the end of `path`, after the file was closed and moved there."""
        if self.fd < 0:
            self.fd = os.open(path, os.O_WRONLY | os.O_APPEND | getattr(os, "O_BINARY", 0))

    def with_more_columns(
        self, path: Path, signals: list[str], added: int, units: Mapping[str, str]
    ) -> tuple[RowFile, TraceWriter]:
        """Replace the file by one with the same rows and `added` empty columns. After OSError or InputError this file
        continues unchanged."""
        empty_cells = b"," * added
        descriptor, partial = open_temporary(path.parent)
        new = RowFile(descriptor)
        try:
            hold(new.fd)
            writer = TraceWriter(new, signals, units)
            with open(path, "rb") as rows:
                rows.readline()
                # The writer ends every row with CR LF and uses neither anywhere else.
                while block := rows.read(_COPY_BYTES):
                    new.write_bytes(block.replace(b"\r", empty_cells + b"\r"))
            new.sync()
            if KEEPS_OPEN_FILES:
                new.close()
                self.close()
            put_in_place(partial, path)
            sync_directory(path.parent)
        except BaseException:
            new.close()
            partial.unlink(missing_ok=True)
            self.open_again(path)
            raise
        new.open_again(path)
        self.close()
        return new, writer


def disk_failure(error: OSError, path: Path, rows: int) -> InputError:
    """The error for a disk that fails during a recording of this many rows."""
    kept_text = messages("kept.rows", rows=rows) if rows else ""
    name = "full" if error.errno in _FULL else "too_long" if error.errno == errno.EFBIG else "disk"
    return messages.error(name, path, kept=kept_text, why=error.strerror)
