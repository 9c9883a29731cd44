"""The drive being recorded: one at a time, in a worker (`recorder`), shown on any number of pages."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from camlog.errors import InputError
from camlog.messages import capital
from camlog.profile import VehicleProfile, read_profile
from camlog.serve import recorder_status as states
from camlog.serve.board import Board, StreamClock
from camlog.serve.cautions import Cautions
from camlog.serve.folder import Folder
from camlog.serve.guide import Guide
from camlog.serve.jobs import Jobs
from camlog.serve.names import check_port, told
from camlog.serve.recorder import record_drive, try_profile
from camlog.serve.tasks import make_report
from camlog.serve.words import problem, sentence
from camlog.serve.worker import DIED, DONE, Worker
from camlog.stream import StreamItem
from camlog.trust import SIMULATED_REMARK

# Enough for the closing codes of many modules over a slow adapter, an open request, and the disk.
ENDS_WITHIN_S = 60.0
LETS_GO_WITHIN_S = 1.5
LONGEST_NOTE = 200


class DriveRecorder:
    """One recording at a time: `connect`, `start`, `mark`, `stop`. Methods may be called from any thread and return at
    once, except `close` and `disconnect`, which release the adapter first.

    `given` are ports and profiles from the command line, which may be outside the choices of a page.
    """

    def __init__(self, folder: Folder, jobs: Jobs, *, given: Collection[str | None] = ()):
        self._folder, self._jobs = folder, jobs
        self._given = frozenset(g for g in given if g)
        self._cautions = Cautions(folder)
        self._lock = threading.RLock()
        self._worker: Worker | None = None  # None: to be released
        self._watching = threading.Thread()
        self._watching.start()
        self._reset()

    def _reset(self, **known: Any) -> None:
        self._now = states.RecorderStatus(**known)
        self._vehicle: str | None = None
        self._profile: VehicleProfile | None = None
        self._trace: Path | None = None
        self._left_out = 0
        self._ending_since_s: float | None = None
        self._failed_views: list[str] = []
        self._clock = StreamClock()
        self.board: Board | None = None
        self.guide: Guide | None = None

    def _become(self, **changes: Any) -> None:
        self._now = replace(self._now, **changes)

    def _note(self, kind: str, *texts: str) -> None:
        """Add to the `lines` or `warnings` of the status."""
        self._become(**{kind: (*getattr(self._now, kind), *texts)})

    # ------------------------------------------------------------------ what a page does
    def connect(self, port: str | None, vehicle: str | None, *, store_vin: bool = False) -> None:
        """Connect to `port` (None: the likely ones in turn) with a profile of the folder, `demo`, or none.

        Raises InputError if something already runs, or if the port or the profile is not valid.
        """
        with self._lock:
            self._check_free()
            self._begin(states.CONNECTING, record_drive, port, vehicle, store_vin)
            self.board = Board(self._clock, self._profile)

    def try_profile(self, port: str | None, vehicle: str | None) -> None:
        """Try a profile on the car; as `connect`."""
        with self._lock:
            self._check_free()
            if not vehicle:
                raise problem("no_profile_chosen")
            self._begin(states.TRYING, try_profile, port, vehicle)

    def _check_free(self) -> None:
        if self._now.state in states.BUSY:
            raise problem(
                f"busy_{self._now.state if self._now.state in (*states.GROWING, states.TRYING) else states.CONNECTED}"
            )

    def _begin(
        self, state: str, function: Callable[..., Any], port: str | None, vehicle: str | None, *more: Any
    ) -> None:
        port = port if port is None or port in self._given else check_port(port)
        profile, path = self._profile_asked(vehicle)
        name, sha256 = None if path is None else Path(path).name, profile.sha256 if profile else None
        self._reset(state=state, port=port, vehicle=name, profile_sha256=sha256)
        self._vehicle, self._profile = path, profile
        self._worker = worker = Worker(niced=False, ends_within_s=LETS_GO_WITHIN_S)
        args = (worker, function, port, path, *more)
        self._watching = threading.Thread(target=self._watch, args=args, name="recorder", daemon=True)
        self._watching.start()

    def choose(self, signals: Collection[str]) -> None:
        """Record only these of the offered signals, or all if none of them is offered. Raises InputError without a
        connection."""
        with self._lock:
            if self._now.state != states.CONNECTED:
                raise problem("not_connected")
            chosen = tuple(s for s in self._now.offered if s in signals) or self._now.offered
            if chosen != self._now.signals:
                self._order("only", chosen)
                self._become(signals=chosen)

    def start(self, name: str = "") -> None:
        """Record to a new trace of the folder. Raises InputError without a connection, or if the name is not valid."""
        with self._lock:
            if self._now.state != states.CONNECTED:
                raise problem("runs_already" if self._now.state == states.RECORDING else "not_connected")
            self._trace = self._folder.path(self._folder.new_trace_name(name))
            self._clock = StreamClock()
            self.board = Board(self._clock, self._profile)
            self.guide = Guide(self._profile, jobs=self._jobs, trace=self._trace, vehicle=self._vehicle)
            self._order("start", str(self._trace))
            self._become(state=states.RECORDING, name=self._trace.name)

    def mark(self, text: str = "rattle heard") -> None:
        """Set a marker at the current time. Raises InputError if nothing is being recorded."""
        self._order_while_recording("not_marked", "mark", " ".join(text.split())[:LONGEST_NOTE])

    def take_back(self, time_s: float) -> None:
        """Remove the marker at that time (s), if there is one. Raises InputError if nothing is being recorded."""
        self._order_while_recording("no_mark", "take_back", time_s)

    def _order_while_recording(self, otherwise: str, *words: object) -> None:
        with self._lock:
            if self._now.state != states.RECORDING:
                raise problem(otherwise)
            self._order(*words)

    def stop(self) -> None:
        """End the recording, with the closing codes. Raises InputError if none runs."""
        with self._lock:
            self._order_while_recording("not_recording", "stop")
            self._ending_since_s = time.monotonic()
            self._become(state=states.ENDING)

    def disconnect(self) -> None:
        """Release the adapter, or dismiss a failed or finished recording. Raises InputError during a recording."""
        with self._lock:
            if self._now.state in states.GROWING:
                raise problem("in_mid_drive")
            self._worker = None
            self._reset()
        self._watching.join(3 * LETS_GO_WITHIN_S)

    def close(self) -> None:
        """End with the server: waits until a recording has ended cleanly."""
        with self._lock:
            if growing := self._now.state in states.GROWING:
                with suppress(InputError):  # it is just ending
                    self.stop()
        if growing:
            self._watching.join(ENDS_WITHIN_S)
        with self._lock:
            self._worker = None
        self._watching.join(3 * LETS_GO_WITHIN_S)

    def status(self) -> states.RecorderStatus:
        """The current status."""
        with self._lock:
            growing, elapsed_s = self._trace if self._now.recording else None, self._clock()
        warnings = self._cautions.told(growing, elapsed_s)  # may read the disk, so it is done without the lock
        with self._lock:
            rows = self._now.rows
            if self._now.state != states.FINISHED and self.board is not None and self._trace is not None:
                rows = self.board.state.batches + self._left_out
            warnings += tuple(sentence("view_failed", what=sentence(what)) for what in self._failed_views)
            if self._left_out:
                warnings += (sentence("fell_behind", rows=self._left_out),)
            warnings += self._now.warnings
            return replace(self._now, rows=rows, elapsed_s=self._clock(), warnings=warnings)

    # ------------------------------------------------------------------ what may be asked for
    def _profile_asked(self, vehicle: str | None) -> tuple[VehicleProfile | None, str | None]:
        if not vehicle:
            return None, None
        try:
            path = vehicle if vehicle in self._given else str(self._folder.profile_path(vehicle))
            return read_profile(path), path
        except InputError as error:
            raise InputError(told(error)) from error

    def _order(self, *words: object) -> None:
        if self._worker is None:
            raise problem("recorder_ended")
        try:
            self._worker.order(*words)
        except (OSError, ValueError) as error:
            raise problem("recorder_ended") from error

    # ------------------------------------------------------------------ what comes back
    def _watch(self, worker: Worker, function: Callable[..., Any], *args: Any) -> None:
        """Run one recorder until its end."""
        hear, give_up = partial(self._hear, worker), partial(self._give_up, worker)
        kind, result = worker.do(function, *args, hear=hear, give_up=give_up)
        worker.end()
        with self._lock:
            if worker is self._worker:
                self._over(kind, result)

    def _give_up(self, worker: Worker) -> str | None:
        with self._lock:
            if worker is not self._worker:
                return "disconnected"
            since = self._ending_since_s
        # The rows are on disk; only the closing codes are missing.
        return sentence("recorder_late") if since is not None and time.monotonic() - since > ENDS_WITHIN_S else None

    def _hear(self, worker: Worker, kind: str, *values: Any) -> None:
        with self._lock:
            if worker is not self._worker:
                return
            if kind == "say":
                self._note("lines", *values)
            elif kind == "connected":
                lines, simulated = values
                self._note("lines", *lines)
                if simulated:
                    self._note("warnings", capital(SIMULATED_REMARK))
                self._become(state=states.CONNECTED)
            elif kind == "planned":
                offered, expected = self._now.offered or values[0], values[1]
                self._become(offered=offered, signals=self._now.signals or offered, expected=expected)
                if self._now.state == states.CONNECTED:
                    self._clock = StreamClock()
                    self.board = Board(self._clock, self._profile)
            elif kind == "items" or (kind == "checked" and self._now.state == states.CONNECTED):
                items = values[0]
                self._left_out = values[1] if kind == "items" else 0
                self._clock.seen(items)
                self._show(items)

    def _show(self, items: Sequence[StreamItem]) -> None:
        """Send items to board and guide; one that fails is dropped, as every view, and reported."""
        for view, what in ((self.board, "board"), (self.guide, "guide")):
            if view is None or what in self._failed_views:
                continue
            try:
                for item in items:
                    view.accept(item)
                if isinstance(view, Guide) and self._now.state == states.RECORDING:
                    view.tick()
            except Exception as error:  # noqa: BLE001 - a view may not cost the recording
                self._failed_views.append(what)
                text = f"{type(error).__name__}: {error}"
                self._note("lines", sentence("view_fault", what=sentence(what), error=text))

    def _over(self, kind: str, result: Any) -> None:
        """Note that the recorder has ended, in order or not."""
        self._clock.end()
        trace = self._trace if self._trace is not None and self._trace.exists() else None
        if kind == DONE and self._now.state == states.TRYING:
            self._become(state=states.TRIED, tried=tuple(result), lines=())
        elif kind == DONE and result is not None:
            rows, troubles, self._left_out = result
            if troubles:
                self._note("lines", sentence("troubles", troubles=", ".join(troubles)))
            if self.board is not None and (last := self.board.state.last_snapshot) is not None and last.unread:
                self._note("warnings", sentence("codes_unread"))
            self._become(state=states.FINISHED, rows=rows)
        else:
            error = sentence("recorder_died", how=result or "stopped") if kind in (DIED, DONE) else result
            if self._now.recording and trace is not None:
                error += sentence("kept", file=trace.name)
                self._cautions.broke_off(trace.name)
            self._become(state=states.FAILED, error=error)
        if self.board is not None and self.board.state.batches and trace is not None:
            title, key = sentence("report_of", file=trace.name), f"report {trace}"
            try:
                self._become(report_job=self._jobs.submit(title, make_report, str(trace), self._vehicle, key=key))
            except InputError as error:
                self._note("warnings", sentence("no_report", why=error))
