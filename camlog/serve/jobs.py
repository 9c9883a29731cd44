"""Analysis for the page, in one process apart, so that neither the page nor a recording waits for it."""

from __future__ import annotations

import itertools
import multiprocessing
import os
import queue
import signal
import sys
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

from camlog.errors import InputError
from camlog.serve.names import fault, told
from camlog.serve.tasks import make_comparison, make_report, make_verification, provisional

__all__ = ["Jobs", "Look", "make_comparison", "make_report", "make_verification", "provisional"]

WAITING, RUNNING, DONE, FAILED = "waiting", "running", "done", "failed"
TAKEN = "taken"  # what the worker says of a job before it begins
KEPT = 100  # finished jobs whose result can still be asked for
MOST_WAITING = 50
LIMIT_S = 1800.0  # an analysis of hours of driving takes a minute
NICENESS = 10
_POLL_S = 0.25
_END_S = 5.0

CRASHED = (
    "The analysis ended unexpectedly ({how}); the recording is not affected. Try again; if it happens again, the file "
    "may be too large for this computer's memory."
)
TOO_LONG = "The analysis was given up: it took too long."
CANCELLED = "Cancelled."
CLOSED = "The server ended before this was done."


@dataclass(frozen=True, slots=True)
class Look:
    """A job at one moment. `result` is what its function returned, `seconds` how long it has run."""

    id: str
    title: str
    state: str
    result: Any = None
    error: str = ""
    seconds: float = 0.0

    @property
    def over(self) -> bool:
        """True once it is done or has failed."""
        return self.state in (DONE, FAILED)


@dataclass(slots=True)
class _Job:
    look: Look
    function: Callable
    args: tuple
    key: str | None
    began_s: float = 0.0
    cancelled: bool = False


class Jobs:
    """Jobs one after another in a worker process: niced, begun with the first job, replaced when it dies.

    Methods may be called from any thread.
    """

    def __init__(self, limit_s: float = LIMIT_S):
        self._limit_s = limit_s
        self._lock = threading.Lock()
        self._jobs: OrderedDict[str, _Job] = OrderedDict()
        self._numbers = itertools.count(1)
        self._queue: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._process: Any = None
        self._pipe: Any = None
        self._closed = False
        self._thread: threading.Thread | None = None

    def submit(self, title: str, function: Callable, *args: Any, key: str | None = None) -> str:
        """Have `function(*args)` called in the worker; gives the job's id. While a job of the same `key` waits or runs,
        that one's id.

        The function and its arguments must be picklable, the result JSON-like. Raises InputError where too many wait.
        """
        with self._lock:
            if self._closed:
                raise InputError("the server is ending", remedy="Start it again.")
            alive = [job for job in self._jobs.values() if not job.look.over]
            for job in alive:
                if key is not None and job.key == key and not job.cancelled:
                    return job.look.id
            if len(alive) >= MOST_WAITING:
                raise InputError(
                    "too many analyses are waiting", remedy="Try again when some of them are done."
                )
            id_ = f"job-{next(self._numbers)}"
            self._jobs[id_] = job = _Job(Look(id_, title, WAITING), function, args, key)
            over = [i for i, j in self._jobs.items() if j.look.over]
            for old in over[: max(0, len(over) - KEPT)]:
                del self._jobs[old]
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name="jobs", daemon=True)
                self._thread.start()
        self._queue.put(job)
        return id_

    def latest(self, key: str) -> str | None:
        """Id of the newest job, over or not, whose key has this as its first line."""
        with self._lock:
            return next(
                (i for i, j in reversed(self._jobs.items()) if (j.key or "").split("\n")[0] == key), None
            )

    def look(self, id: str | None) -> Look | None:
        """The job; None where there is none of that id, or it was long ago."""
        with self._lock:
            job = self._jobs.get(id)
            if job is None:
                return None
            running = job.look.state == RUNNING
            return replace(job.look, seconds=time.monotonic() - job.began_s) if running else job.look

    def cancel(self, id: str | None) -> None:
        """Give the job up, at once where it waits and within a second where it runs; one that is over stays as it is."""
        with self._lock:
            job = self._jobs.get(id)
            if job is None or job.look.over:
                return
            job.cancelled = True
            if job.look.state == WAITING:
                job.look, job.args = replace(job.look, state=FAILED, error=CANCELLED), ()

    def close(self) -> None:
        """End the worker; what waits or runs fails."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            thread = self._thread
        self._queue.put(None)
        if thread is not None:
            thread.join(timeout=2 * _END_S)

    # ------------------------------------------------------------------ the thread that hands jobs to the worker
    def _work(self) -> None:
        while (job := self._queue.get()) is not None and not self._closed:
            job.began_s = time.monotonic()
            if not self._begun(job):
                continue
            try:
                state, said = self._done_by_worker(job)
            except Exception as error:  # noqa: BLE001 - the thread must live; a person is told
                self._end_worker()
                state, said = (
                    FAILED,
                    f"That failed, through a fault of camlog ({type(error).__name__}: {error}).",
                )
            seconds = time.monotonic() - job.began_s
            if state == DONE:
                self._became(job, state=DONE, result=said, seconds=seconds)
            else:
                self._became(job, state=FAILED, error=said, seconds=seconds)
        self._end_worker()
        with self._lock:
            left = [job for job in self._jobs.values() if not job.look.over]
        for job in left:
            self._became(job, state=FAILED, error=CLOSED)

    def _begun(self, job: _Job) -> bool:
        """Whether the job still is to be done, which from now on runs."""
        with self._lock:
            if not job.cancelled:
                job.look = replace(job.look, state=RUNNING)
            return not job.cancelled

    def _became(self, job: _Job, **changes: Any) -> None:
        with self._lock:
            job.look = replace(job.look, **changes)
            if job.look.over:
                job.args = ()

    def _done_by_worker(self, job: _Job) -> tuple[str, Any]:
        if not self._taken(job):
            return FAILED, CRASHED.format(how="before it began")
        try:
            while not self._pipe.poll(_POLL_S):
                if self._closed:
                    return FAILED, CLOSED
                if job.cancelled:
                    self._end_worker()
                    return FAILED, CANCELLED
                if time.monotonic() - job.began_s > self._limit_s:
                    self._end_worker()
                    return FAILED, TOO_LONG
            return self._pipe.recv()
        except (OSError, EOFError):
            self._process.join(timeout=_END_S)
            status = self._process.exitcode
            self._end_worker()
            return FAILED, CRASHED.format(
                how=f"signal {-status}" if (status or 0) < 0 else f"status {status}"
            )

    def _taken(self, job: _Job) -> bool:
        """Whether a worker says it has the job; one that died while it had nothing to do is replaced, once."""
        for _ in range(2):
            self._have_worker()
            try:
                self._pipe.send((job.function, job.args))
                return self._pipe.recv() == TAKEN
            except (OSError, EOFError):
                self._end_worker()
        return False

    def _have_worker(self) -> None:
        if self._process is not None and self._process.is_alive():
            return
        self._end_worker()
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        process = context.Process(target=_worker, args=(theirs,), name="camlog analysis", daemon=True)
        process.start()
        self._process = process  # only now: one that could not be started cannot be ended either
        theirs.close()  # else the end of the worker would not be seen

    def _end_worker(self) -> None:
        process, self._process = self._process, None
        pipe, self._pipe = self._pipe, None
        if process is not None:
            process.terminate()
            process.join(timeout=_END_S)
            if process.is_alive():
                process.kill()
                process.join(timeout=_END_S)
        if pipe is not None:
            pipe.close()


# ---------------------------------------------------------------- the worker's side


def _worker(pipe: Any) -> None:
    """The process: one job after another, until the server ends, however it does."""
    # Ctrl-C goes to every process of a terminal; how this one ends is for the server to say.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # An orderly end: files half written are taken away.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    if hasattr(os, "nice"):
        with suppress(OSError):
            os.nice(NICENESS)
    threading.Thread(target=_end_with_server, name="server gone", daemon=True).start()
    while True:
        try:
            function, args = pipe.recv()
            pipe.send(TAKEN)
        except (EOFError, OSError):
            return
        answer = _called(function, args)
        try:
            pipe.send(answer)
        except (OSError, EOFError):
            return
        except Exception as error:  # noqa: BLE001 - a result that cannot be sent
            pipe.send((FAILED, f"That failed, through a fault of camlog ({type(error).__name__})."))


def _called(function: Callable, args: tuple) -> tuple[str, Any]:
    try:
        return DONE, function(*args)
    except InputError as error:
        return FAILED, told(error)
    except OSError as error:
        return (
            FAILED,
            f"The disk refused: {error.strerror or type(error).__name__}. Check space and rights of the folder.",
        )
    except Exception as error:  # noqa: BLE001 - told to a person instead of a terminal nobody looks at
        return FAILED, fault(error)


def _end_with_server() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
