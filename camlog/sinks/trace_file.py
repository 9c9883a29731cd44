"""The trace file while it grows: every row is given to the system at once, and reaches the disk within a second.

A crash of the program loses no recorded row, a power cut at most the last second, and the file on disk is readable at
any time."""

from __future__ import annotations

import dataclasses
import math
import os
import threading
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, Self

from camlog.drive import Drive, drive_path, write_drive
from camlog.errors import InputError
from camlog.new_files import there_already
from camlog.sinks import messages
from camlog.sinks.row_file import RowFile, disk_failure
from camlog.stream import EVENT_KINDS, Batch, CodeSnapshot, Event, EventKind, StreamItem, TakenBack
from camlog.trace import TraceWriter

# Rows and events wait at most this long for the disk, plus the time of one sync: together less than a second.
SYNC_INTERVAL_S = 0.4
# Bounds the memory for an adapter that keeps failing; markers are never left out.
EVENTS_KEPT_OF_A_KIND = 1000


class TraceFileSink:
    """Writes a trace `NAME.csv` and its drive file `NAME.drive.json` from the stream.

    `signals` are the columns, in order. For a signal that first appears later, the file is rewritten with one more
    column beside the old one and then replaces it. `drive` has the facts known at the start (`started_at`, `vehicle`,
    `adapter`); events and code snapshots of the stream are added and reach the drive file within a second.
    `adapter_at_end` gives the facts about the adapter at the end. `units` are the units of unknown signals.
    Raises InputError if a file exists and `force` is not set, or if it cannot be created; while writing, if the disk is
    full or fails: all rows until then are complete and readable. `close` adds the trace's SHA-256 to the drive file;
    without it, the recording did not end cleanly.
    Methods may be called from several threads, but batches must come from one."""

    essential = True

    def __init__(
        self,
        path: str | Path,
        signals: Iterable[str],
        *,
        drive: Drive | None = None,
        force: bool = False,
        units: Mapping[str, str] | None = None,
        sync_interval_s: float = SYNC_INTERVAL_S,
        adapter_at_end: Callable[[], Mapping[str, Any]] | None = None,
    ):
        self.path = Path(path)
        self.drive_path = drive_path(self.path)
        self.rows = 0
        self._adapter_at_end = adapter_at_end
        self._units = dict(units or {})
        self._signals = list(signals)
        self._columns = set(self._signals)
        self._left_out: set[str] = set()
        self._drive = drive or Drive()
        self._events = list(self._drive.events)
        self._events_kept = Counter(event.kind for event in self._events)
        self._more_events: dict[EventKind, tuple[int, float]] = {}
        self._last_time_s = -math.inf
        self._time_went_back = False
        self._rows_to_sync = self._drive_to_write = False
        self._failure: InputError | None = None
        self._failure_told = False
        self._closed = False
        self._file: RowFile
        self._lock = threading.Lock()  # events, flags
        self._disk_lock = threading.Lock()  # one sync, rewrite or drive file at a time
        self._open(force)
        self._stop = threading.Event()
        self._keeper = threading.Thread(target=self._keep_safe, args=(sync_interval_s,), name="trace-file", daemon=True)
        self._keeper.start()

    # ------------------------------------------------------------------ the stream
    def accept(self, item: StreamItem) -> None:
        self._tell_failure()
        if isinstance(item, Batch):
            self._write(item)
        elif isinstance(item, Event):
            self.add_event(item.kind, item.text, item.time_s)
        elif isinstance(item, TakenBack):
            with self._lock:
                self._events.remove(item.marker)
                self._drive_to_write = True
        elif isinstance(item, CodeSnapshot):
            with self._lock:
                self._drive = dataclasses.replace(self._drive, code_snapshots=(*self._drive.code_snapshots, item))
                self._drive_to_write = True

    def add_event(self, kind: EventKind, text: str = "", time_s: float | None = None) -> None:
        """Add an event, by default at the time of the last row. Raises ValueError for an unknown kind."""
        if kind not in EVENT_KINDS:
            raise ValueError(f"event kind {kind!r} is not one of {', '.join(EVENT_KINDS)}")
        if time_s is None:
            time_s = max(0.0, self._last_time_s)
        if not math.isfinite(time_s):
            raise ValueError("an event needs a time")
        with self._lock:
            if kind != "marker" and self._events_kept[kind] >= EVENTS_KEPT_OF_A_KIND:
                count, last_s = self._more_events.get(kind, (0, time_s))
                self._more_events[kind] = (count + 1, max(last_s, time_s))
            else:
                self._events_kept[kind] += 1
                self._events.append(Event(time_s, kind, text))
            self._drive_to_write = True

    @property
    def drive(self) -> Drive:
        """The content of the drive file, which reaches the disk within a second."""
        with self._lock:
            more = [
                Event(last_s, kind, messages("event.more", count=count))
                for kind, (count, last_s) in self._more_events.items()
            ]
            events = tuple(sorted([*self._events, *more], key=lambda event: event.time_s))
            return dataclasses.replace(self._drive, events=events)

    @property
    def signals(self) -> tuple[str, ...]:
        """The present columns of the file."""
        return tuple(self._signals)

    def flush(self) -> None:
        """Bring everything to disk now. Raises InputError if the disk fails."""
        self._sync()
        self._tell_failure()

    def close(self) -> None:
        """Bring the rest to disk and write the final drive file; a second call does nothing."""
        if self._closed:
            return
        self._closed = True
        self._stop.set()
        self._keeper.join()
        with self._lock:
            about = self._adapter_at_end() if self._adapter_at_end else self._drive.adapter
            sha256 = self._file.sha256.hexdigest()
            self._drive = dataclasses.replace(self._drive, adapter=about, trace_sha256=sha256)
            self._drive_to_write = True
        # Tried even after a failure, because the drive file is small and space may have been freed.
        self._sync()
        self._file.close()
        if not self._failure_told:
            self._tell_failure()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ------------------------------------------------------------------ rows
    def _write(self, batch: Batch) -> None:
        if not math.isfinite(batch.time_s):
            raise ValueError("a batch needs a time")
        values = {name: value for name, value in batch.values.items() if math.isfinite(value)}
        new = [name for name in values if name not in self._columns and name not in self._left_out]
        if new:
            self._add_columns(new)
        time_s = round(batch.time_s, 6)
        if time_s < self._last_time_s:
            # Not written unchanged, because a trace with decreasing time cannot be read.
            if not self._time_went_back:
                text = messages("event.time_went_back", seconds=self._last_time_s - time_s)
                self.add_event("adapter_error", text, self._last_time_s)
            self._time_went_back = True
            time_s = self._last_time_s
        if not values or self._left_out.issuperset(values):
            return
        try:
            self._writer.write(Batch(time_s, values))
        except OSError as error:
            self._fail(disk_failure(error, self.path, self.rows))
            self._tell_failure()
        self._last_time_s = time_s
        self.rows += 1
        self._rows_to_sync = True

    def _add_columns(self, names: list[str]) -> None:
        """Replace the file by one with more columns; if that fails, the old file is continued."""
        signals = [*self._signals, *names]
        with self._disk_lock:
            try:
                new = self._file.with_more_columns(self.path, signals, len(names), self._units)
            except (OSError, InputError) as error:
                self._left_out.update(names)
                reason = error.what if isinstance(error, InputError) else error.strerror
                self.add_event("adapter_error", messages("event.no_column", why=reason, signals=", ".join(names)))
                return
            self._file, self._writer = new
            self._signals = signals
            self._columns.update(names)

    # ------------------------------------------------------------------ the disk
    def _open(self, force: bool) -> None:
        if not force and os.path.lexists(self.drive_path):
            raise there_already(self.drive_path)
        try:
            self._file = RowFile.new(self.path, force)
        except FileExistsError as error:
            raise there_already(self.path) from error
        try:
            if force:  # an old drive file must never be beside a new trace
                self.drive_path.unlink(missing_ok=True)
            self._writer = TraceWriter(self._file, self._signals, self._units)
            self._file.sync()
            write_drive(self.drive, self.drive_path)
        except BaseException as error:
            # Nothing was recorded yet, so leave no empty trace behind.
            self._file.close()
            self.path.unlink(missing_ok=True)
            if isinstance(error, OSError):
                raise disk_failure(error, self.path, 0) from error
            raise

    def _keep_safe(self, interval_s: float) -> None:
        while not self._stop.wait(interval_s):
            self._sync()

    def _sync(self) -> None:
        """Bring new rows and the drive file to disk; a failure is raised by the next `accept`."""
        with self._disk_lock:
            try:
                if self._rows_to_sync:
                    self._rows_to_sync = False
                    self._file.sync()
                if self._drive_to_write:
                    self._drive_to_write = False
                    write_drive(self.drive, self.drive_path)
            except OSError as error:
                self._fail(disk_failure(error, self.path, self.rows))
            except InputError as error:
                self._fail(error)
            except (TypeError, ValueError) as error:
                self._fail(messages.error("no_json", self.drive_path, why=error))

    def _fail(self, failure: InputError) -> None:
        self._failure = self._failure or failure

    def _tell_failure(self) -> None:
        if self._failure:
            self._failure_told = True
            raise self._failure
