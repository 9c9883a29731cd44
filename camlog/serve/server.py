"""The page's server, from its start to a clean end."""

from __future__ import annotations

import ipaddress
import signal
import threading
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Self

from camlog.serve.addresses import DEFAULT_PORT, listen, own_addresses, reached_at, web_address
from camlog.serve.guard import Guard, protect
from camlog.serve.listening import Listening
from camlog.serve.pairing import Pairing
from camlog.serve.words import sentence

if TYPE_CHECKING:
    from camlog.serve.desk import Desk

LOOPBACK = "127.0.0.1"
_TURN_S = 0.5


class RunningServer:
    """The page, served in a thread until the `with` block ends; a recording then ends cleanly.

    `url` is the address for a browser on this computer, `phone_urls` those for other devices, `desk` what the
    pages work with, `pairing` the pairing of other devices (None where only this computer can reach the
    page). `port` None: the default one or the next that is free; 0: any. `say` is told of new pairing codes.
    Raises InputError.
    """

    def __init__(
        self, folder: str | Path = ".", *, host: str = LOOPBACK, port: int | None = 0, adapter: str | None = None,
        vehicle: str | None = None, say: Callable[[str], None] = lambda line: None,
    ):  # fmt: skip
        host = reached_at(host)
        address = ipaddress.ip_address(host)
        sockets, self.port = listen(host, port)
        self.url = web_address(host if address.is_loopback else LOOPBACK, self.port)
        self.pairing, self.phone_urls = None, []
        if not address.is_loopback:
            self.pairing = Pairing(on_new_code=lambda code, why: say(sentence(f"code_{why.split()[0]}", code=code)))
            hosts = own_addresses() if address.is_unspecified else [host]
            self.phone_urls = [web_address(one, self.port) for one in hosts]
        with ExitStack() as at_failure:
            for one in sockets:
                at_failure.callback(one.close)
            # Slow to load, so only after the address is known to be valid.
            from camlog.serve.app import make_app
            from camlog.serve.desk import Desk
            from camlog.serve.folder import UPLOAD_LIMIT_BYTES

            self.desk: Desk = Desk(folder, adapter=adapter, vehicle=vehicle)
            at_failure.callback(self.desk.close)
            self.app = make_app(self.desk)
            self.guard = Guard(host, self.port, self.pairing, UPLOAD_LIMIT_BYTES)
            protect(self.app, self.guard)
            self._listening = Listening(self.app, self.guard, sockets)
            at_failure.pop_all()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Accept no more requests, then end everything that runs."""
        try:
            self._listening.close()
        finally:
            self.desk.close()


def serve(
    folder: str | Path = ".", *, host: str = LOOPBACK, port: int | None = None, adapter: str | None = None,
    vehicle: str | None = None, say: Callable[[str], None] = print,
    ready: Callable[[RunningServer], None] | None = None,
) -> None:  # fmt: skip
    """Serve the page over a working folder until Ctrl-C or SIGTERM; a recording then ends cleanly.

    `adapter` and `vehicle` are what the Record page offers first. `say` is told, in lines, where the page is
    and how another device is paired; `ready` is called once it answers. Raises InputError for a folder,
    address, port or profile that cannot be used.
    """

    def tell(line: str) -> None:
        with suppress(OSError, ValueError, RuntimeError):  # the terminal was closed: a recording still ends cleanly
            say(line)

    end = threading.Event()
    previous = {}
    pressed = 0

    def on_signal(number: int, _frame: object) -> None:
        nonlocal pressed
        if not end.is_set():
            end.set()
        elif number == signal.SIGINT:
            pressed += 1
            if pressed > 1:
                raise KeyboardInterrupt
            tell(sentence("still_ending"))

    if threading.current_thread() is threading.main_thread():
        for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
            if number := getattr(signal, name, None):
                previous[number] = signal.signal(number, on_signal)
    try:
        with RunningServer(folder, host=host, port=port, adapter=adapter, vehicle=vehicle, say=tell) as running:
            for line in opening_lines(running, port):
                tell(line)
            if ready is not None:
                ready(running)
            while not end.wait(_TURN_S):
                pass
            growing = running.desk.recorder.status().recording is not None
            tell(sentence("ending_recording" if growing else "ending"))
        tell(sentence("ended"))
    finally:
        for number, handler in previous.items():
            signal.signal(number, handler)


def opening_lines(running: RunningServer, port: int | None = None) -> list[str]:
    """The lines to print when the page can be opened."""
    lines = []
    if port is None and running.port != DEFAULT_PORT:
        lines.append(sentence("other_port", usual=DEFAULT_PORT, port=running.port))
    lines.append(sentence("open", url=running.url))
    if running.pairing is not None:
        where = sentence("or").join(running.phone_urls) or sentence("no_network")
        lines += [sentence("phone", where=where), sentence("code", code=running.pairing.code), sentence("exposed")]
    return lines
