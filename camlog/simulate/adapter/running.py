"""Running an adapter until somebody ends it, for the commands that serve one."""

from __future__ import annotations

import json
import signal
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from camlog.errors import InputError

if TYPE_CHECKING:
    from camlog.simulate.adapter.faults import Injection
    from camlog.simulate.adapter.server import SimulatedAdapter

_LOOK_S = 0.2


def parse_host_port(text: str) -> tuple[str, int]:
    """`HOST:PORT` or just `PORT`. Raises InputError for anything else."""
    host, _, port = text.rpartition(":")
    if port.isascii() and port.isdigit() and int(port) <= 65535:
        return host.removeprefix("socket://").strip("[]") or "127.0.0.1", int(port)
    raise InputError(f"{text!r} is not HOST:PORT", remedy="Write it as in 127.0.0.1:35000.")


def serve(
    adapter: SimulatedAdapter,
    *,
    link: str | Path | None = None,
    tcp: str | None = None,
    announce: Callable[[str], object] = print,
    ended: Callable[[], bool] = lambda: False,
    fault_log: Path | None = None,
) -> None:
    """Open the port, announce its address, and serve until Ctrl-C, a termination signal or `ended()`.

    A pseudo-terminal unless `tcp` says HOST:PORT. `fault_log` gets one JSON object a line for each fault met.
    Raises InputError where the port cannot be had.
    """
    if fault_log is not None:
        _append(fault_log, (), 0)
    stop = threading.Event()
    before = {}
    if threading.current_thread() is threading.main_thread():
        for number in (signal.SIGINT, signal.SIGTERM):
            before[number] = signal.signal(number, lambda *_: stop.set())
    written = 0
    try:
        with adapter:
            address = adapter.start_tcp(*parse_host_port(tcp)) if tcp else adapter.start_pty(link)
            announce(address)
            while not stop.is_set() and not ended():
                stop.wait(_LOOK_S)
                if fault_log is not None:
                    written = _append(fault_log, adapter.fault_log, written)
            if fault_log is not None:
                _append(fault_log, adapter.fault_log, written)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _append(path: Path, log: Sequence[Injection], written: int) -> int:
    """Write the entries from `written` on; how many are written now."""
    try:
        with open(path, "a", encoding="utf-8") as out:
            for met in log[written:]:
                out.write(
                    json.dumps({"time_s": round(met.time_s, 4), "kind": met.kind, "on": met.detail}) + "\n"
                )
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})", file=path, remedy="Check the path."
        ) from error
    return len(log)
