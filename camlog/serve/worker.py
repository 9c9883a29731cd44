"""Background work of the page: calls a function in a separate process, watches it and ends it.

Recording, analysis, conversion and replay are such functions. `Worker.do` calls one and returns its outcome; meanwhile
the function sends messages to the server and gets orders through its first argument, a `Link`. A finished worker can be
used again. `Worker.end` ends it in order if that takes not too long, else kills it. A worker without a server ends by
itself.
"""

from __future__ import annotations

import multiprocessing
import os
import queue
import signal
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection
from typing import Any

from camlog.errors import InputError
from camlog.serve.names import fault, told
from camlog.serve.words import sentence
from camlog.units import show_units, shown_units

DONE, FAILED, DIED = "done", "failed", "died"
NICENESS = 10
ENDS_WITHIN_S = 5.0
START = "spawn"  # how the process is started; with fork it would inherit the server's connections
_POLL_S = 0.1
_TASK, _ORDER, _TAKEN = "task", "order", "taken"


class Worker:
    """A process for background work, started with its first task; one task at a time.

    `niced`: it runs with low priority. A process has `ends_within_s` to end in order.
    """

    def __init__(self, niced: bool = True, ends_within_s: float = ENDS_WITHIN_S):
        self._niced, self._ends_within_s = niced, ends_within_s
        self._process: Any = None
        self._pipe: Any = None

    @property
    def pid(self) -> int | None:
        """The process id; None if there is no process yet."""
        return None if self._process is None else self._process.pid

    def do(
        self, function: Callable[..., Any], *args: Any, hear: Callable[..., None] = lambda *_: None,
        give_up: Callable[[], str | None] = lambda: None,
    ) -> tuple[str, Any]:  # fmt: skip
        """Call `function(link, *args)` in the process and wait for it.

        Returns (DONE, its value), (FAILED, a sentence with the reason) or (DIED, how the process ended). `hear` is
        called with each message of the function, `give_up` several times a second; a sentence from it ends the process.
        Function, arguments and result must be picklable.
        """
        try:
            outcome, taken = self._watched(function, args, hear, give_up)
            if outcome[0] == DIED and not taken:  # it died while it had nothing to do: replaced, once
                outcome, _ = self._watched(function, args, hear, give_up)
            return outcome
        except Exception as error:  # noqa: BLE001 - what cannot be sent; a person is told
            self.end()
            return FAILED, fault(error)

    def order(self, *words: Any) -> None:
        """Send an order to the function. Raises OSError if the process is gone."""
        if self._pipe is None:
            raise BrokenPipeError
        self._pipe.send((_ORDER, *words))

    def end(self) -> None:
        """End the process, which does nothing that is watched."""
        if self._process is not None:
            self._process.terminate()
            self._process.join(self._ends_within_s)
            if self._process.is_alive():
                self._process.kill()
                self._process.join()
            self._pipe.close()
        self._process = self._pipe = None

    def _watched(
        self, function: Callable, args: tuple, hear: Callable, give_up: Callable
    ) -> tuple[tuple[str, Any], bool]:
        """The outcome, and whether the process had taken the task."""
        if self._process is None or not self._process.is_alive():
            self._start()
        taken = False
        try:
            self._pipe.send((_TASK, function, args, shown_units()))
            while (reason := give_up()) is None:
                if not self._pipe.poll(_POLL_S):
                    continue
                kind, *words = self._pipe.recv()
                if kind in (DONE, FAILED):
                    return (kind, words[0]), True
                if kind == _TAKEN:
                    taken = True
                else:
                    hear(kind, *words)
            self.end()
            return (FAILED, reason), True
        except (OSError, EOFError):
            self._process.join(self._ends_within_s)
            status = self._process.exitcode
            self.end()
            return (DIED, f"signal {-status}" if (status or 0) < 0 else f"status {status}"), taken

    def _start(self) -> None:
        self.end()
        context: Any = multiprocessing.get_context(START)
        ours, theirs = context.Pipe()
        process = context.Process(target=_work, args=(theirs, self._niced), name="camlog worker", daemon=True)
        process.start()
        theirs.close()  # else the end of the process would not be seen
        self._process, self._pipe = process, ours


class Workers:
    """Workers that are kept for the next task: as many as are needed at once, and `idle` of them afterwards."""

    def __init__(self, idle: int = 1):
        self._idle: list[Worker] = []
        self._most = idle
        self._lock = threading.Lock()

    def do(
        self, function: Callable, *args: Any, use: Callable[[Worker | None], None] = lambda _: None, **more: Any
    ) -> tuple[str, Any]:
        """As `Worker.do`, by a worker that has nothing else to do; `use` is told of the worker, and of None when it is
        about to be somebody else's."""
        with self._lock:
            worker = self._idle.pop() if self._idle else Worker()
        use(worker)
        try:
            return worker.do(function, *args, **more)
        finally:
            use(None)
            with self._lock:
                kept = len(self._idle) < self._most
                if kept:
                    self._idle.append(worker)
            if not kept:
                worker.end()

    def close(self) -> None:
        """End those that are idle."""
        with self._lock:
            gone, self._idle, self._most = self._idle, [], 0
        for worker in gone:
            worker.end()


# ---------------------------------------------------------------- the worker's side


class Link:
    """The worker's end of the pipe. `heard` is called with each order, in a thread of its own; until a function sets
    it, orders wait for `receive`. `at_end` ends what is being done in order: on SIGTERM, or when the server is gone."""

    def __init__(self, pipe: Connection):
        self._pipe = pipe
        self._sending = threading.Lock()
        self._orders: queue.SimpleQueue[tuple] = queue.SimpleQueue()
        self.tasks: queue.SimpleQueue[tuple | None] = queue.SimpleQueue()
        self.clear()
        threading.Thread(target=self._read, name="orders", daemon=True).start()

    def clear(self) -> None:
        """Forget what the last function set, and what it was still sent."""
        self.heard: Callable[[tuple], None] = self._orders.put
        self.at_end: Callable[[], None] | None = None
        while not self._orders.empty():
            self._orders.get()

    def send(self, *message: Any) -> None:
        """Send a message to the server. Raises OSError if it is gone."""
        with self._sending:
            self._pipe.send(message)

    def receive(self, timeout_s: float | None = None) -> tuple:
        """The next order; empty if none came in time."""
        try:
            return self._orders.get(timeout=timeout_s)
        except queue.Empty:
            return ()

    def _read(self) -> None:
        while True:
            try:
                kind, *words = self._pipe.recv()
            except Exception:  # noqa: BLE001 - the server is gone, or sent what cannot be taken here
                break
            if kind == _TASK:
                self.tasks.put(tuple(words))
            else:
                self.heard(tuple(words))
        if self.at_end is None:
            os._exit(1)
        self.at_end()
        self.tasks.put(None)


def _work(pipe: Connection, niced: bool) -> None:
    """The process: one task after another, until the server ends, however it does."""
    link = Link(pipe)
    # Ctrl-C and a closed terminal reach every process of it; how this one ends is for the server to say.
    for name in ("SIGINT", "SIGHUP", "SIGBREAK"):
        if number := getattr(signal, name, None):
            signal.signal(number, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda *_: link.at_end() if link.at_end else sys.exit(0))
    if niced and sys.platform != "win32":
        with suppress(OSError):
            os.nice(NICENESS)
    with suppress(SystemExit, OSError):
        while (task := link.tasks.get()) is not None:
            function, args, units = task
            show_units(units)
            link.clear()
            link.send(_TAKEN)
            outcome = _called(function, link, args)
            try:
                link.send(*outcome)
            except OSError:
                raise
            except Exception as error:  # noqa: BLE001 - a result that cannot be sent
                link.send(FAILED, fault(error))
    os._exit(0)  # at once: all that is to be put away has been


def _called(function: Callable, link: Link, args: tuple) -> tuple[str, Any]:
    try:
        return DONE, function(link, *args)
    except InputError as error:
        return FAILED, told(error)
    except OSError as error:
        return FAILED, sentence("disk_refused", why=error.strerror or type(error).__name__)
    except Exception as error:  # noqa: BLE001 - told to a person instead of a terminal nobody looks at
        return FAILED, fault(error)


def unlinked(_link: Link, function: Callable[..., Any], *args: Any) -> Any:
    """A function that needs no link, called in a worker: `Worker.do(unlinked, function, ...)`."""
    return function(*args)
