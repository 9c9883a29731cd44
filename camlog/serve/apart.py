"""The recorder's own process: connection, capture and trace file, out of the way of everything a page asks for.

It talks with the server over a pipe. To the server: `("say", text)` while connecting, `("connected", lines, simulated)`,
`("items", [...], left out so far)`, `("recorded", rows, texts, left out)` and `("failed", text)`. From it:
`("start", path, minutes)`, `("mark", text)`, `("stop",)`. The end of the pipe, a server that died, ends the
recording as `stop` does: with closing codes and a whole drive file.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING, Any

from camlog.errors import InputError
from camlog.serve.names import told
from camlog.stream import Batch, StreamItem

if TYPE_CHECKING:
    from camlog.capture.live import LiveSource

REAL_TIME_PRIORITY = 1
RECORDER_NICE = -10
SEND_INTERVAL_S = 0.05
# Rows waiting for a server that does not take them: half a minute of a quick adapter.
WAITING_ITEMS = 2000
_LAST_SEND_S = 2.0
# What an error tells to do on a command line, and what that is on a page.
_ON_A_PAGE = {
    "give --port socket://HOST:PORT": "its port is socket://HOST:PORT",
    "Then name the port with --port.": "Then connect again, or choose the port yourself.",
    "without --port the likely ones are tried": "or let the likely ports be tried",
}


class PipeView:
    """A view that hands the stream on without ever waiting for the other end; what finds no room is counted."""

    essential = False

    def __init__(self, send: Callable[[tuple], None], waiting: int = WAITING_ITEMS):
        self._send = send
        self._most = waiting
        self._items: list[StreamItem] = []
        self._lock = threading.Lock()
        self._ended = threading.Event()
        self.left_out = 0
        self._sender = threading.Thread(target=self._work, name="page-view", daemon=True)
        self._sender.start()

    def accept(self, item: StreamItem) -> None:
        """Keep an item for the server; events and codes still find room where rows find none any more."""
        with self._lock:
            if len(self._items) < (self._most if isinstance(item, Batch) else 2 * self._most):
                self._items.append(item)
            else:
                self.left_out += 1

    def close(self) -> None:
        """Send what is waiting, if the other end still takes it."""
        self._ended.set()
        self._sender.join(timeout=_LAST_SEND_S)

    def _work(self) -> None:
        ended = False
        while not ended:
            ended = self._ended.wait(SEND_INTERVAL_S)
            with self._lock:
                items, self._items = self._items, []
            if items:
                try:
                    self._send(("items", items, self.left_out))
                except OSError:
                    return  # nobody is there any more


class _Ending:
    """Ends this process in order, whoever asks for it: before a recording at once, in one with its closing codes."""

    def __init__(self):
        self.source: LiveSource | None = None

    def listen_to_signals(self) -> None:
        # Ctrl-C and a closed terminal reach every process of it; how this one ends is for the server to say.
        for name in ("SIGINT", "SIGHUP"):
            if number := getattr(signal, name, None):
                signal.signal(number, signal.SIG_IGN)
        signal.signal(signal.SIGTERM, self._asked)

    def _asked(self, *_: object) -> None:
        if self.source is None:
            sys.exit(0)
        # Not from here: this may have interrupted the very call that it would make.
        threading.Thread(target=self.source.stop, name="ending").start()


def run(pipe: Connection, port: str | None, vehicle: str | None, store_vin: bool) -> None:
    """The process: connect, wait for the word, record, until stopped or left alone."""
    _before_others()
    ending = _Ending()
    ending.listen_to_signals()
    sending = threading.Lock()

    def send(message: tuple[Any, ...]) -> None:
        with sending:
            pipe.send(message)

    try:
        _record(pipe, send, ending, port, vehicle, store_vin)
    except InputError as error:
        with suppress(OSError):
            send(("failed", _on_a_page(error, port)))
    except (OSError, EOFError) as error:
        # The server is gone, which nobody is left to hear, or the system refused something.
        with suppress(OSError):
            send(("failed", f"The recorder could not go on ({error.strerror or error})."))
    except Exception as error:
        # Told to a person too: nobody looks at the terminal.
        with suppress(OSError):
            fault = f"{type(error).__name__}: {error}"
            send(("failed", f"The recorder could not go on, through a fault of camlog ({fault})."))
        raise


def _before_others() -> None:
    """An answer of the adapter waits for no browser and no page, where the system lets this process ask for that.

    It needs the rights for it (root, or a limit set for the user), else nothing changes. Real time is safe here: a few
    percent of one processor, asleep between answers.
    """
    with suppress(OSError, AttributeError):
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(REAL_TIME_PRIORITY))
        return
    with suppress(OSError, AttributeError):
        os.nice(RECORDER_NICE)


def _record(
    pipe: Connection,
    send: Callable[[tuple], None],
    ending: _Ending,
    port: str | None,
    vehicle: str | None,
    store_vin: bool,
) -> None:
    from camlog.capture.record import connection_lines, open_source
    from camlog.profile import read_profile

    profile = read_profile(vehicle) if vehicle else None
    source = open_source(port, profile, store_vin=store_vin, say=lambda text: send(("say", text)))
    order: tuple[Any, ...] = ("stop",)
    try:
        send(("connected", connection_lines(source), source.adapter()["simulated"]))
        while (order := pipe.recv())[0] not in ("start", "stop"):
            pass
    except (OSError, EOFError):
        order = ("stop",)
    finally:
        if order[0] != "start":
            source.link.close()
    if order[0] == "start":
        ending.source = source
        _drive(pipe, send, source, *order[1:])


def _drive(
    pipe: Connection, send: Callable[[tuple], None], source: LiveSource, path: str, minutes: float | None
) -> None:
    from camlog.capture.troubles import PROBLEMS
    from camlog.capture.record import record

    threading.Thread(target=_listen, args=(pipe, source), name="orders", daemon=True).start()
    view = PipeView(send)
    done = record(source, path, views=[view], minutes=minutes)
    texts = [f"{PROBLEMS.get(kind, kind)} ×{count}" for kind, count in done.errors.items()]
    with suppress(OSError):
        send(("recorded", done.rows, texts, view.left_out))


def _listen(pipe: Connection, source: LiveSource) -> None:
    while True:
        try:
            order = pipe.recv()
        except (OSError, EOFError):
            order = ("stop",)
        if order[0] == "mark":
            source.mark(order[1])
        elif order[0] == "stop":
            source.stop()
            return


def _on_a_page(error: InputError, port: str | None) -> str:
    text = (
        str(error) if error.file == port else told(error)
    )  # a port is named whole, a file without its folder
    for here, there in _ON_A_PAGE.items():
        text = text.replace(here, there)
    return text
