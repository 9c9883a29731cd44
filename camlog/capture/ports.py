"""Ports: how bytes travel to an adapter, which ports this computer has, and the one table that chooses by their form.

A transport is a class `Transport` in a module of `camlog.capture.transports`, which is found by itself."""

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
CHECKLIST = tuple(messages.table("checklist").values())  # in the order a technician would check


class LinkLost(Exception):
    """The port is gone, or the adapter stopped answering; `kind` is `unplugged`, `hung`, or `babbling` (no prompt)."""

    def __init__(self, kind: str, text: str):
        super().__init__(text)
        self.kind = kind


@dataclass(frozen=True, slots=True)
class Port:
    """A port of this computer: its `device`, what the system calls it, whether this user may open it, how far back it
    is in the order of trying, and whether it only waits for others to connect (`incoming`)."""

    device: str
    description: str
    allowed: bool
    rank: int = 0
    incoming: bool = False

    @property
    def remark(self) -> str:
        """Why it is not tried, in words; empty where it is."""
        if self.incoming:
            return messages("port.incoming")
        return "" if self.allowed else messages("port.forbidden")


class Transport:
    """An open port. The constructor raises LinkLost where it cannot be opened; all else raises OSError where it is gone.

    `scheme` is what stands before `://` in the port's name ("" for a device of this computer); `speeds` are the
    bauds to try where the port has any; `dialect` names what is spoken over it; `found_slowly`: `found` takes seconds.

    | member | does |
    |---|---|
    | `check` | raises InputError where `port` cannot name a port of this kind |
    | `found` | gives the ports of this kind that this computer has |
    | `set_baud` | changes the speed, and forgets what came at another |
    | `waiting` | is True where a read would not wait, be it for bytes or for the news that the port has gone |
    | `read` | gives what has come, up to CHUNK_BYTES; waits up to POLL_S for a first byte |
    | `write` | sends all of it, within WRITE_TIMEOUT_S |
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
    """The transport that a port's form asks for. Raises InputError where the name cannot be a port's."""
    scheme, mark, _ = port.partition("://")
    kind = transports().get(scheme if mark else "")
    if kind is None:
        raise error("no_such_kind", port, scheme=scheme)
    kind.check(port)
    return kind


def likely_ports(*, at_once: bool = False) -> list[Port]:
    """USB serial converters and bound Bluetooth ports first, built-in serial ports and incoming ones last; `at_once`
    leaves out kinds that take seconds to be found."""
    kinds = [kind for kind in transports().values() if not (at_once and kind.found_slowly)]
    return sorted((p for kind in kinds for p in kind.found()), key=lambda p: (p.rank, p.device))


def no_port_found(tried: list[str]) -> InputError:
    """The error for a computer on which no adapter was found: what to check, in order."""
    steps = "; ".join(f"{n}. {text}" for n, text in enumerate(CHECKLIST, start=1))
    return error("none_answers" if tried else "no_port_at_all", tried=", ".join(tried), steps=steps)
