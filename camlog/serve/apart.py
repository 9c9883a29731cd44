"""The recorder's own process: connection, capture and trace file, out of the way of everything a page asks for.

It talks with the server over a pipe. To the server: `("say", text)` while connecting, `("connected", lines)`,
`("items", [...], left out so far)`, `("recorded", rows, texts, left out)` and `("failed", text)`. From it:
`("start", path, minutes)`, `("mark", text)`, `("stop",)`. The end of the pipe, a server that died, ends the
recording as `stop` does: with closing codes and a whole drive file.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING, Any

from camlog.stream import Event, StreamItem

if TYPE_CHECKING:
    from camlog.capture.live import LiveSource

SEND_INTERVAL_S = 0.05
# Items waiting for a server that does not take them: half a minute of a quick adapter.
WAITING_ITEMS = 2000
_LAST_SEND_S = 2.0


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
        """Keep an item for the server; events and codes are kept before rows."""
        with self._lock:
            if len(self._items) < self._most or isinstance(item, Event):
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


def run(pipe: Connection, port: str | None, vehicle: str | None, store_vin: bool) -> None:
    """The process: connect, wait for the word, record, until stopped or left alone."""
    # Ctrl-C goes to every process of a terminal; how this one ends is for the server to say.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    from camlog.errors import InputError

    sending = threading.Lock()

    def send(message: tuple[Any, ...]) -> None:
        with sending:
            pipe.send(message)

    try:
        _record(pipe, send, port, vehicle, store_vin)
    except InputError as error:
        with suppress(OSError):
            send(("failed", str(error)))
    except (OSError, EOFError):
        pass  # the server is gone before anything was recorded
    except Exception as error:  # noqa: BLE001 - told to a person instead of a terminal nobody looks at
        with suppress(OSError):
            send(("failed", f"the recording stopped ({type(error).__name__}: {error})"))
        raise


def _record(
    pipe: Connection, send: Callable[[tuple], None], port: str | None, vehicle: str | None, store_vin: bool
) -> None:
    from camlog.capture.connect import connection_lines, open_source
    from camlog.profile import read_profile

    profile = read_profile(vehicle) if vehicle else None
    source = open_source(port, profile, store_vin=store_vin, say=lambda text: send(("say", text)))
    try:
        send(("connected", connection_lines(source)))
        order = pipe.recv()
        while order[0] not in ("start", "stop"):
            order = pipe.recv()
    except (OSError, EOFError):
        order = ("stop",)
    if order[0] == "stop":
        source.link.close()
        return
    _drive(pipe, send, source, *order[1:])


def _drive(pipe: Connection, send: Callable[[tuple], None], source: LiveSource, path: str, minutes: float | None) -> None:
    from camlog.capture.live import PROBLEMS
    from camlog.capture.record import record

    listener = threading.Thread(target=_listen, args=(pipe, source), name="orders", daemon=True)
    listener.start()
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
