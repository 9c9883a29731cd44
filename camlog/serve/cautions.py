"""What a person must know beside the drive itself: a disk that fills up, and recordings that broke off."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from camlog.errors import InputError
from camlog.serve.folder import Entry, Folder
from camlog.serve.names import told

DISK_LOW_BYTES = 500_000_000
DISK_LOW_MINUTES = 60.0
CHECK_S = 4.0
# How fast a trace grows is known after this long.
RATE_KNOWN_S = 10.0
# Recordings that broke off are told for a day.
UNCLEAN_AGE_S = 24 * 3600.0
# One whose server died a moment ago may still be reading the closing codes.
QUIET_S = 10.0
_MOST_TOLD = 3
_COPY_BYTES = 1 << 20


class Cautions:
    """Looks every few seconds, when asked; may be asked from any thread, and nobody waits for somebody else's look."""

    def __init__(
        self,
        folder: Folder,
        *,
        disk_low_bytes: float = DISK_LOW_BYTES,
        disk_usage: Callable[[Path], Any] = shutil.disk_usage,
        check_s: float = CHECK_S,
    ):
        self._folder = folder
        self._disk_low_bytes, self._disk_usage, self._check_s = disk_low_bytes, disk_usage, check_s
        self._looking = threading.Lock()
        self._next_s = 0.0
        self._said: tuple[str, ...] = ()
        self._broken: list[str] | None = None  # names of recordings without an end; None: not looked for yet
        self._rows: dict[str, tuple[tuple[int, float], int]] = {}

    def told(self, trace: Path | None = None, elapsed_s: float = 0.0) -> tuple[str, ...]:
        """Sentences. `trace` is being recorded, since `elapsed_s` seconds."""
        if time.monotonic() >= self._next_s and self._looking.acquire(blocking=False):
            try:
                self._next_s = time.monotonic() + self._check_s
                self._said = (*self._disk(trace, elapsed_s), *self._unclean(trace))
            except InputError as error:
                self._said = (told(error),)  # the folder's disk is gone
            finally:
                self._looking.release()
        return self._said

    def broke_off(self, name: str) -> None:
        """A recording has just ended without its end being written."""
        if self._broken is not None and name not in self._broken:
            self._broken.insert(0, name)
            self._next_s = 0.0

    # ------------------------------------------------------------------ the disk
    def _disk(self, trace: Path | None, elapsed_s: float) -> tuple[str, ...]:
        try:
            free = self._disk_usage(self._folder.root).free
            size = trace.stat().st_size if trace is not None else 0
        except OSError:
            return ()
        minutes = free * elapsed_s / size / 60.0 if size and elapsed_s >= RATE_KNOWN_S else None
        if free >= self._disk_low_bytes and (minutes is None or minutes >= DISK_LOW_MINUTES):
            return ()
        enough = "" if minutes is None else f", enough for {_long(minutes)} of this recording"
        return (f"The disk is almost full: {free / 1e6:.0f} MB left{enough}. Make space.",)

    # ------------------------------------------------------------------ recordings that broke off
    def _unclean(self, trace: Path | None) -> tuple[str, ...]:
        own = None if trace is None else trace.name
        if self._broken is None:
            # At the start, once: a folder may hold hundreds.
            self._broken = [e.name for e in self._folder.recordings() if _unclean(e) and e.name != own]
        said = []
        for name in tuple(self._broken):
            try:
                entry = self._folder.entry(name)
            except InputError:
                entry = None
            if entry is None or not _unclean(entry):
                self._broken.remove(name)  # it ended after all, or was taken away
            elif name != own and time.time() - entry.modified_s >= QUIET_S and (rows := self._rows_of(entry)):
                kept = f"{rows} rows are" if rows > 1 else "1 row is"
                said.append(f"{name} did not end cleanly; its {kept} here and can be used.")
        return tuple(said[:_MOST_TOLD])

    def _rows_of(self, entry: Entry) -> int:
        state = (entry.size_bytes, entry.modified_s)
        if self._rows.get(entry.name, ((), 0))[0] != state:
            try:
                with open(self._folder.existing(entry.name), "rb") as file:
                    lines = sum(block.count(b"\n") for block in iter(lambda: file.read(_COPY_BYTES), b""))
            except (InputError, OSError):
                return 0
            self._rows[entry.name] = (state, max(0, lines - 1))  # a torn last line is no row
        return self._rows[entry.name][1]


def _unclean(entry: Entry) -> bool:
    return entry.ended_cleanly is False and time.time() - entry.modified_s < UNCLEAN_AGE_S


def _long(minutes: float) -> str:
    if minutes < 1.5:
        return "about a minute"
    if minutes < 2 * DISK_LOW_MINUTES:
        return f"about {minutes:.0f} minutes"
    return f"about {minutes / 60.0:.0f} hours"
