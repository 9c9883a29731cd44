"""The drive being recorded: one at a time, in a process of its own, told to as many pages as ask."""

from __future__ import annotations

import multiprocessing
import os
import re
import shutil
import threading
import time
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from camlog.errors import InputError
from camlog.profile import VehicleProfile, read_profile
from camlog.serve import apart
from camlog.serve.board import Board
from camlog.serve.cautions import DISK_LOW_BYTES, Cautions
from camlog.serve.folder import Folder
from camlog.serve.guide import Guide
from camlog.serve.jobs import Jobs, make_report
from camlog.serve.names import told
from camlog.stream import StreamItem
from camlog.trust import SIMULATED_REMARK

IDLE, CONNECTING, CONNECTED = "idle", "connecting", "connected"
RECORDING, ENDING, FINISHED, FAILED = "recording", "ending", "finished", "failed"
GROWING = (RECORDING, ENDING)  # a trace is being written
BUSY = (CONNECTING, CONNECTED, *GROWING)

_POLL_S = 0.25
# Closing codes of many modules over a slow adapter, a request under way, and the disk.
ENDS_WITHIN_S = 60.0
LETS_GO_WITHIN_S = 1.5
LONGEST_NOTE = 200
LONGEST_PORT = 200
_BOARD, _GUIDE = "The figures and charts", "The list of what to drive"


@dataclass(frozen=True, slots=True)
class RecorderStatus:
    """What the recorder does, for a page. `lines` are what connecting said and the probe found."""

    state: str
    lines: tuple[str, ...] = ()
    port: str | None = None
    vehicle: str | None = None
    name: str | None = None
    rows: int = 0
    elapsed_s: float = 0.0
    error: str | None = None
    warnings: tuple[str, ...] = ()
    report_job: str | None = None

    @property
    def recording(self) -> str | None:
        """Name of the trace that is growing at this moment."""
        return self.name if self.state in GROWING else None


class _StreamClock:
    """Present time of a stream that comes from another process: the quickest item so far tells the distance."""

    def __init__(self):
        self._offset_s: float | None = None
        self._ended_s: float | None = None

    def seen(self, items: Sequence[StreamItem]) -> None:
        offset = time.monotonic() - max(item.time_s for item in items)
        if self._offset_s is None or offset < self._offset_s:
            self._offset_s = offset

    def end(self) -> None:
        self._ended_s = self()

    def __call__(self) -> float:
        if self._ended_s is not None:
            return self._ended_s
        return 0.0 if self._offset_s is None else max(0.0, time.monotonic() - self._offset_s)


class DriveRecorder:
    """One recording at a time: `connect`, `start`, `mark`, `stop`. Methods may be called from any thread; they
    return at once, but for `close` and `disconnect`, which let the adapter go first.

    `given` are ports and profiles named on the command line, which need not lie where a page may choose from.
    `disk_usage` is asked for free space as `shutil.disk_usage`.
    """

    def __init__(
        self,
        folder: Folder,
        jobs: Jobs,
        *,
        given: Collection[str | None] = (),
        disk_low_bytes: float = DISK_LOW_BYTES,
        disk_usage: Callable[[Path], Any] = shutil.disk_usage,
    ):
        self._folder, self._jobs = folder, jobs
        self._given = frozenset(g for g in given if g)
        self._cautions = Cautions(folder, disk_low_bytes=disk_low_bytes, disk_usage=disk_usage)
        self._lock = threading.RLock()
        self._process: Any = None
        self._pipe: Any = None
        self._receiver: threading.Thread | None = None
        self.board: Board | None = None
        self.guide: Guide | None = None
        self._reset()

    def _reset(self) -> None:
        self._state = IDLE
        self._lines: list[str] = []
        self._error: str | None = None
        self._port: str | None = None
        self._vehicle: str | None = None
        self._profile: VehicleProfile | None = None
        self._trace: Path | None = None
        self._rows: int | None = None
        self._left_out = 0
        self._simulated = False
        self._ending_since_s: float | None = None
        self._failed_views: list[str] = []
        self._no_report: str | None = None
        self._report_job: str | None = None
        self._clock = _StreamClock()

    # ------------------------------------------------------------------ what a page does
    def connect(self, port: str | None, vehicle: str | None, *, store_vin: bool = False) -> None:
        """Connect to `port` (None: the likely ones in turn) with a profile of the folder, `demo`, or none.

        Raises InputError while something runs already, and for a port or a profile that cannot be.
        """
        with self._lock:
            self._must_not_be_busy()
            port = self._port_asked(port)
            profile, path = self._profile_asked(vehicle)
            self._reset()
            self._port, self._vehicle, self._profile = port, path, profile
            self.board = self.guide = None
            context = multiprocessing.get_context("spawn")
            self._pipe, theirs = context.Pipe()
            self._process = context.Process(
                target=apart.run, args=(theirs, port, path, store_vin), name="camlog recorder", daemon=True
            )  # daemon: a server that ends without `close` ends it too, as cleanly
            self._process.start()
            theirs.close()  # else the end of the other process would not be seen
            self._state = CONNECTING
            self._receiver = threading.Thread(
                target=self._receive, args=(self._pipe, self._process), name="recorder", daemon=True
            )
            self._receiver.start()

    def start(self, name: str = "", minutes: float | None = None) -> None:
        """Record into a new trace of the folder. Raises InputError where nothing is connected, or for the name."""
        if minutes is not None and not minutes > 0:
            raise InputError("a recording needs some minutes", remedy="Give more than 0, or none at all.")
        with self._lock:
            if self._state != CONNECTED:
                raise InputError(
                    "nothing is connected" if self._state != RECORDING else "a recording runs already",
                    remedy="Connect first."
                    if self._state != RECORDING
                    else "Stop it before starting another.",
                )
            self._trace = self._folder.path(self._folder.new_trace_name(name))
            self.board = Board(self._clock)
            self.guide = Guide(self._profile, jobs=self._jobs, trace=self._trace, vehicle=self._vehicle)
            self._order("start", str(self._trace), minutes)
            self._state = RECORDING

    def mark(self, text: str = "rattle heard") -> None:
        """Put a marker at this moment. Raises InputError where nothing is being recorded."""
        with self._lock:
            if self._state != RECORDING:
                raise InputError(
                    "nothing is being recorded, so nothing was marked", remedy="Start a recording first."
                )
            self._order("mark", " ".join(text.split())[:LONGEST_NOTE])

    def stop(self) -> None:
        """End the recording, with the closing codes. Raises InputError where none runs."""
        with self._lock:
            if self._state != RECORDING:
                raise InputError("nothing is being recorded", remedy="Start a recording first.")
            self._order("stop")
            self._state, self._ending_since_s = ENDING, time.monotonic()

    def disconnect(self) -> None:
        """Let the adapter go, or put a failed or finished recording aside. Raises InputError in mid-drive."""
        with self._lock:
            if self._state in GROWING:
                raise InputError("a recording runs", remedy="Stop it first.")
            process, self._process = self._process, None
            receiver, self._receiver = self._receiver, None
            self._pipe = None
            self._reset()
        _end(process, receiver, LETS_GO_WITHIN_S)

    def close(self) -> None:
        """The server ends: a recording ends cleanly, and is waited for."""
        with self._lock:
            process, receiver = self._process, self._receiver
            recording = self._state in GROWING
            if self._state == RECORDING:
                with suppress(InputError):
                    self.stop()
        if recording:
            receiver.join(ENDS_WITHIN_S)
        _end(process, receiver, LETS_GO_WITHIN_S)

    def status(self) -> RecorderStatus:
        """What is going on, at this moment."""
        with self._lock:
            growing = self._trace if self._state in GROWING else None
            elapsed_s = self._clock()
        warnings = self._cautions.told(growing, elapsed_s)  # may look at the disk: nobody waits for that
        with self._lock:
            rows = self._rows
            if rows is None:
                shown = self.board.state.batches if self.board is not None and self._trace is not None else 0
                rows = shown + self._left_out
            return RecorderStatus(
                self._state, tuple(self._lines), self._port,
                None if self._vehicle is None else Path(self._vehicle).name,
                None if self._trace is None else self._trace.name, rows, self._clock(), self._error,
                (*warnings, *self._warnings()), self._report_job,
            )  # fmt: skip

    # ------------------------------------------------------------------ what may be asked for
    def _must_not_be_busy(self) -> None:
        if self._state in BUSY:
            doing = {RECORDING: "a recording runs", ENDING: "a recording is just ending"}
            raise InputError(
                f"{doing.get(self._state, 'an adapter is connected')} already",
                remedy="Open the Record page to see it; stop or disconnect it first.",
            )

    def _port_asked(self, port: str | None) -> str | None:
        """The port, where it is one an adapter can be on: a page may not open any file of this computer."""
        if port is None or port in self._given:
            return port
        port = port.strip()
        real = os.path.realpath(port) if port.startswith("/") and "\0" not in port else ""
        if len(port) <= LONGEST_PORT and (
            re.fullmatch(r"socket://[\w.\-:\[\]%]+:\d{1,5}", port)
            or re.fullmatch(r"COM\d{1,3}", port, re.IGNORECASE)
            or re.fullmatch(r"/dev/[\w./\-]+", real)
        ):
            return port
        raise InputError(
            f"{port[:60]!r} is no port of an adapter",
            remedy="Choose one of the list, or write a device such as /dev/rfcomm0, or socket://HOST:PORT.",
        )

    def _profile_asked(self, vehicle: str | None) -> tuple[VehicleProfile | None, str | None]:
        if not vehicle:
            return None, None
        try:
            path = vehicle if vehicle in self._given else self._folder.profile_path(vehicle)
            return read_profile(path), path
        except InputError as error:
            raise InputError(told(error)) from error

    def _order(self, *words: object) -> None:
        try:
            self._pipe.send(words)
        except (OSError, ValueError, AttributeError) as error:
            raise InputError(
                "the recorder has ended", remedy="Connect again; what was recorded is in the folder."
            ) from error

    # ------------------------------------------------------------------ what comes back
    def _receive(self, pipe: Any, process: Any) -> None:
        """Everything one recorder process says, until its end."""
        while True:
            try:
                told = pipe.recv() if pipe.poll(_POLL_S) else None
            except (OSError, EOFError):
                break
            with self._lock:
                if process is not self._process:
                    break  # disconnected meanwhile
                if told is not None:
                    self._take(*told)
                guide = self.guide if self._state == RECORDING else None
                since = self._ending_since_s if self._state == ENDING else None
            if guide is not None and _GUIDE not in self._failed_views:
                try:
                    guide.tick()
                except Exception as error:  # noqa: BLE001 - a view may not cost the recording
                    self._drop(_GUIDE, error)
            if since is not None and time.monotonic() - since > ENDS_WITHIN_S:
                process.kill()  # the rows are on disk; what does not come is the closing codes
        process.join(timeout=ENDS_WITHIN_S)
        if process.is_alive():
            process.kill()
            process.join()
        pipe.close()
        with self._lock:
            if process is self._process:
                self._over(process.exitcode)

    def _take(self, kind: str, *said: Any) -> None:
        if kind == "say":
            self._lines.append(said[0])
        elif kind == "connected":
            lines, self._simulated = said
            self._lines += lines
            self._state = CONNECTED
        elif kind == "items":
            items, self._left_out = said
            self._clock.seen(items)
            self._show(items)
        elif kind == "recorded":
            self._rows, troubles, self._left_out = said
            if troubles:
                self._lines.append("On the way: " + ", ".join(troubles))
            self._state = FINISHED
            self._report()
        elif kind == "failed":
            self._error = said[0]
            self._state = FAILED

    def _show(self, items: Sequence[StreamItem]) -> None:
        """To board and guide; one that fails is dropped, as every view is, and told."""
        for view, what in ((self.board, _BOARD), (self.guide, _GUIDE)):
            if what in self._failed_views:
                continue
            try:
                for item in items:
                    view.accept(item)
            except Exception as error:  # noqa: BLE001 - a view may not cost the recording
                self._drop(what, error)

    def _drop(self, what: str, error: Exception) -> None:
        with self._lock:
            self._failed_views.append(what)
            self._lines.append(f"{what} failed ({type(error).__name__}: {error}).")

    def _over(self, status: int | None) -> None:
        """The process has ended: as it should, or not."""
        recorded = self._trace is not None and self._trace.exists()
        if self._state in BUSY:
            was, self._state = self._state, FAILED
            how = "it was killed" if (status or 0) < 0 else f"status {status}"
            self._error = f"The recorder ended unexpectedly ({how})."
            if was in GROWING and recorded:
                self._error += f" What was recorded until then is in {self._trace.name} and can be used."
                self._cautions.broke_off(self._trace.name)
        self._report()

    def _report(self) -> None:
        """The drive is over: have its report made, once, where it has rows."""
        self._clock.end()
        rows = self.board is not None and self.board.state.batches
        if self._report_job is None and rows and self._trace.exists():
            try:
                self._report_job = self._jobs.submit(
                    f"Report of {self._trace.name}", make_report, str(self._trace), self._vehicle,
                    key=f"report {self._trace}",
                )  # fmt: skip
            except InputError as error:
                self._no_report = f"The report was not begun: {error} The recording is whole."

    def _warnings(self) -> tuple[str, ...]:
        said = [SIMULATED_REMARK[0].upper() + SIMULATED_REMARK[1:]] if self._simulated else []
        said += [
            f"{what} failed; the recording itself is whole, and the recording goes on."
            for what in self._failed_views
        ]
        if self._left_out:
            said.append(f"The page fell behind by {self._left_out} rows; the recording itself is whole.")
        if self._no_report:
            said.append(self._no_report)
        return tuple(said)


def _end(process: Any, receiver: threading.Thread | None, within_s: float) -> None:
    """Have a recorder process ended that is not recording; the receiver waits for it, so nobody else does."""
    if process is None or receiver is None or not receiver.is_alive():
        return
    process.terminate()
    receiver.join(within_s)
    if receiver.is_alive():
        process.kill()
        receiver.join(within_s)
