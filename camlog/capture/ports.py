"""Ports: how bytes travel to an adapter, the ports of this computer, and the table that selects a transport by name.

A transport is a class `Transport` in a module of `camlog.capture.transports`, discovered automatically."""

from __future__ import annotations

import importlib
import pkgutil
from dataclasses import dataclass
from functools import cache

from camlog.capture import error, messages
from camlog.errors import InputError

POLL_S = 0.05  # a read waits this long for a first byte
WRITE_TIMEOUT_S = 2.0
CHUNK_BYTES = 4096
CHECKLIST = tuple(messages.table("checklist").values())  # in the order in which a technician checks


class LinkLost(Exception):
    """The port is gone, or the adapter stopped answering; `kind` is `unplugged`, `hung`, or `babbling` (no prompt)."""

    def __init__(self, kind: str, text: str):
        super().__init__(text)
        self.kind = kind


@dataclass(frozen=True, slots=True)
class Port:
    """A port of this computer: its `device`, the system's `description`, whether this user may open it (`allowed`), its
    `rank` in the order of trying (low first), and whether it only accepts incoming connections (`incoming`)."""

    device: str
    description: str
    allowed: bool
    rank: int = 0
    incoming: bool = False

    @property
    def remark(self) -> str:
        """Why the port is not tried, in words; "" if it is."""
        if self.incoming:
            return messages("port.incoming")
        return "" if self.allowed else messages("port.forbidden")


class Transport:
    """An open port. The constructor raises LinkLost if it cannot be opened; other methods raise OSError if it is gone.

    `scheme` is the part before `://` in the port's name ("" for a device of this computer); `speeds` are the bauds to
    try, if any; `dialect` is a key of `connect.DIALECTS`; `found_slowly`: `found` takes seconds.
    | member | does |
    |---|---|
    | `check` | raises InputError if `port` cannot name a port of this kind |
    | `found` | returns the ports of this kind on this computer |
    | `set_baud` | changes the speed and discards bytes received at the old one |
    | `waiting` | is True if a read would not wait, for bytes or because the port has gone |
    | `read` | returns the bytes received, up to CHUNK_BYTES; waits up to POLL_S for a first byte |
    | `write` | sends all bytes, within WRITE_TIMEOUT_S |
    """

    scheme = ""
    speeds: tuple[int, ...] = ()
    dialect = "elm"
    found_slowly = False

    def __init__(self, port: str, baud: int | None = None): ...

    @classmethod
    def check(cls, port: str) -> None: ...

    @classmethod
    def found(cls) -> list[Port]:
        return []

    @property
    def waiting(self) -> bool: ...

    def set_baud(self, baud: int) -> None: ...
    def read(self) -> bytes: ...
    def write(self, data: bytes) -> None: ...
    def close(self) -> None: ...


@cache
def transports() -> dict[str, type[Transport]]:
    """The table: every kind of transport by its scheme."""
    import camlog.capture.transports as package

    modules = (importlib.import_module(f"{package.__name__}.{m.name}") for m in pkgutil.iter_modules(package.__path__))
    return {module.Transport.scheme: module.Transport for module in modules}


def transport_for(port: str) -> type[Transport]:
    """The transport for the form of a port's name. Raises InputError if it cannot be the name of a port."""
    scheme, mark, _ = port.partition("://")
    kind = transports().get(scheme if mark else "")
    if kind is None:
        raise error("no_such_kind", port, scheme=scheme)
    kind.check(port)
    return kind


def likely_ports(*, at_once: bool = False) -> list[Port]:
    """The ports to try: USB serial converters and bound Bluetooth ports first, built-in serial ports and incoming ones
    last. `at_once` leaves out kinds that take seconds to search."""
    kinds = [kind for kind in transports().values() if not (at_once and kind.found_slowly)]
    return sorted((p for kind in kinds for p in kind.found()), key=lambda p: (p.rank, p.device))


def no_port_found(tried: list[str]) -> InputError:
    """The error if no adapter was found: what to check, in order."""
    steps = "; ".join(f"{n}. {text}" for n, text in enumerate(CHECKLIST, start=1))
    return error("none_answers" if tried else "no_port_at_all", tried=", ".join(tried), steps=steps)
