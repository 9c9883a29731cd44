"""Analyses for the page, one after another in a worker, so that no page or recording waits for them."""

from __future__ import annotations

import itertools
import queue
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from camlog.serve.words import problem, sentence
from camlog.serve.worker import DIED, FAILED, Workers, unlinked

WAITING, RUNNING, DONE = "waiting", "running", "done"
KEPT = 100  # finished jobs whose results are kept
MOST_WAITING = 50
LIMIT_S = 1800.0  # an analysis of hours of driving takes a minute
_CLOSES_WITHIN_S = 10.0
CANCELLED = sentence("cancelled")


@dataclass(frozen=True, slots=True)
class Look:
    """The state of a job. `result` is the value returned by its function, `seconds` how long it has run."""

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
    """Jobs one after another in a worker. Methods may be called from any thread."""

    def __init__(self, limit_s: float = LIMIT_S, workers: Workers | None = None):
        self._limit_s = limit_s
        self._workers, self._ends_workers = workers or Workers(), workers is None
        self._lock = threading.Lock()
        self._jobs: OrderedDict[str, _Job] = OrderedDict()
        self._numbers = itertools.count(1)
        self._queue: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        self._closed = False
        self._thread: threading.Thread | None = None

    def submit(self, title: str, function: Callable, *args: Any, key: str | None = None) -> str:
        """Call `function(*args)` in the worker; returns the job's id. If a job with the same `key` waits or runs,
        nothing is started and its id is returned.

        The function and its arguments must be picklable, the result JSON-like. Raises InputError if too many wait.
        """
        with self._lock:
            if self._closed:
                raise problem("server_ends")
            alive = [job for job in self._jobs.values() if not job.look.over]
            for job in alive:
                if key is not None and job.key == key and not job.cancelled:
                    return job.look.id
            if len(alive) >= MOST_WAITING:
                raise problem("many_jobs")
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
        """Id of the newest job, over or not, with this as the first line of its key."""
        with self._lock:
            return next((i for i, j in reversed(self._jobs.items()) if (j.key or "").split("\n")[0] == key), None)

    def waiting(self) -> int:
        """The number of jobs that are not over."""
        with self._lock:
            return sum(not job.look.over for job in self._jobs.values())

    def look(self, id: str | None) -> Look | None:
        """The job with this id; None if there is none or it was long ago."""
        with self._lock:
            job = self._jobs.get(id or "")
            if job is None:
                return None
            running = job.look.state == RUNNING
            return replace(job.look, seconds=time.monotonic() - job.began_s) if running else job.look

    def cancel(self, id: str | None) -> None:
        """Cancel the job: at once if it waits, within a second if it runs. A job that is over is not changed."""
        with self._lock:
            job = self._jobs.get(id or "")
            if job is None or job.look.over:
                return
            job.cancelled = True
            if job.look.state == WAITING:
                job.look, job.args = replace(job.look, state=FAILED, error=CANCELLED), ()

    def close(self) -> None:
        """End the worker; jobs that wait or run fail."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            thread = self._thread
        self._queue.put(None)
        if thread is not None:
            thread.join(timeout=_CLOSES_WITHIN_S)
        if self._ends_workers:
            self._workers.close()

    # ------------------------------------------------------------------ the thread that hands jobs to the worker
    def _work(self) -> None:
        while (job := self._queue.get()) is not None and not self._closed:
            with self._lock:
                if job.cancelled:
                    continue
                job.began_s, job.look = time.monotonic(), replace(job.look, state=RUNNING)
            state, result = self._workers.do(unlinked, job.function, *job.args, give_up=partial(self._reason, job))
            seconds = time.monotonic() - job.began_s
            if state == DONE:
                self._became(job, state=DONE, result=result, seconds=seconds)
            else:
                error = sentence("job_crashed", how=result) if state == DIED else result
                self._became(job, state=FAILED, error=error, seconds=seconds)
        for job in [job for job in self._jobs.values() if not job.look.over]:
            self._became(job, state=FAILED, error=sentence("server_ended"))

    def _reason(self, job: _Job) -> str | None:
        """Why a running job must be cancelled; None if it need not."""
        if self._closed:
            return sentence("server_ended")
        if job.cancelled:
            return CANCELLED
        return sentence("job_too_long") if time.monotonic() - job.began_s > self._limit_s else None

    def _became(self, job: _Job, **changes: Any) -> None:
        with self._lock:
            job.look = replace(job.look, **changes)
            job.args = ()
