"""Warnings outside the drive itself: a disk that is nearly full, and recordings that broke off."""

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
from camlog.serve.words import sentence

DISK_LOW_BYTES = 500_000_000
DISK_LOW_MINUTES = 60.0
CHECK_S = 4.0
RATE_KNOWN_S = 10.0  # how fast a trace grows is known after this long
UNCLEAN_AGE_S = 24 * 3600.0  # recordings that broke off are mentioned for a day
QUIET_S = 10.0  # if the server died just now, the recorder may still be reading the closing codes
_MOST_TOLD = 3
_COPY_BYTES = 1 << 20


class Cautions:
    """Checks at most every few seconds, on request from any thread; no thread waits for another one's check."""

    def __init__(
        self, folder: Folder, *, disk_low_bytes: float = DISK_LOW_BYTES,
        disk_usage: Callable[[Path], Any] = shutil.disk_usage, check_s: float = CHECK_S,
    ):  # fmt: skip
        self._folder = folder
        self._disk_low_bytes, self._disk_usage, self._check_s = disk_low_bytes, disk_usage, check_s
        self._looking = threading.Lock()
        self._next_s = 0.0
        self._sentences: tuple[str, ...] = ()
        self._broken: list[str] | None = None  # names of recordings without an end; None: not looked for yet
        self._rows: dict[tuple[str, int, float], int] = {}  # by name, size and time of a trace

    def told(self, trace: Path | None = None, elapsed_s: float = 0.0) -> tuple[str, ...]:
        """The warnings as sentences; `trace` has been recorded for `elapsed_s` seconds."""
        if time.monotonic() >= self._next_s and self._looking.acquire(blocking=False):
            try:
                self._next_s = time.monotonic() + self._check_s
                self._sentences = (*self._disk(trace, elapsed_s), *self._unclean(trace))
            except InputError as error:
                self._sentences = (told(error),)  # the folder's disk is gone
            finally:
                self._looking.release()
        return self._sentences

    def broke_off(self, name: str) -> None:
        """Note that a recording has ended without its end being written."""
        if self._broken is not None and name not in self._broken:
            self._broken.insert(0, name)
            self._next_s = 0.0

    def _disk(self, trace: Path | None, elapsed_s: float) -> tuple[str, ...]:
        try:
            free = self._disk_usage(self._folder.root).free
            size = trace.stat().st_size if trace is not None else 0
        except OSError:
            return ()
        minutes = free * elapsed_s / size / 60.0 if size and elapsed_s >= RATE_KNOWN_S else None
        if free >= self._disk_low_bytes and (minutes is None or minutes >= DISK_LOW_MINUTES):
            return ()
        enough = "" if minutes is None else sentence("enough", time=_long(minutes))
        return (sentence("disk_low", free=free / 1e6, enough=enough),)

    def _unclean(self, trace: Path | None) -> tuple[str, ...]:
        own = None if trace is None else trace.name
        if self._broken is None:
            # Only once at the start, because a folder may have hundreds.
            self._broken = [e.name for e in self._folder.recordings() if _unclean(e) and e.name != own]
        sentences = []
        for name in tuple(self._broken):
            try:
                entry = self._folder.entry(name)
            except InputError:
                entry = None
            if entry is None or not _unclean(entry):
                self._broken.remove(name)  # it ended after all, or was taken away
            elif name != own and time.time() - entry.modified_s >= QUIET_S and (rows := self._rows_of(entry)):
                sentences.append(sentence("broke_off" if rows > 1 else "broke_off_at_once", file=name, rows=rows))
        return tuple(sentences[:_MOST_TOLD])

    def _rows_of(self, entry: Entry) -> int:
        key = (entry.name, entry.size_bytes, entry.modified_s)
        if key not in self._rows:
            try:
                with open(self._folder.existing(entry.name), "rb") as file:
                    lines = sum(block.count(b"\n") for block in iter(lambda: file.read(_COPY_BYTES), b""))
            except (InputError, OSError):
                return 0
            self._rows[key] = max(0, lines - 1)  # a torn last line is no row
        return self._rows[key]


def _unclean(entry: Entry) -> bool:
    return entry.ended_cleanly is False and time.time() - entry.modified_s < UNCLEAN_AGE_S


def _long(minutes: float) -> str:
    if minutes < 1.5:
        return sentence("a_minute")
    return sentence("minutes" if minutes < 2 * DISK_LOW_MINUTES else "hours", minutes=minutes, hours=minutes / 60.0)
