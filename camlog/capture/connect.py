"""Find the adapter: the port that was named, or the likely ones in turn."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TypeVar

from camlog.capture.link import Link
from camlog.capture.live import LiveSource
from camlog.capture.ports import likely_ports, no_port_found
from camlog.errors import InputError
from camlog.profile import VehicleProfile
from camlog.trust import SIMULATED_REMARK

_Found = TypeVar("_Found")


def open_source(
    port: str | None,
    profile: VehicleProfile | None = None,
    *,
    say: Callable[[str], None] = lambda text: None,
    **options: object,
) -> LiveSource:
    """A live source on `port`, or without one on the first likely port where an adapter and a vehicle answer.

    `say` receives one line about each port tried. Raises InputError as `LiveSource`
    does, or with the checklist where no port works.
    """
    if port is not None:
        return LiveSource(port, profile, **options)
    return _first(lambda device: LiveSource(device, profile, **options), say)


def open_link(port: str | None, *, baud: int | None = None, say: Callable[[str], None] = lambda text: None) -> Link:
    """A link on `port`, or on the first likely port that answers."""
    if port is not None:
        return Link(port, baud=baud)
    return _first(lambda device: Link(device, baud=baud), say)


def _first(connect: Callable[[str], _Found], say: Callable[[str], None]) -> _Found:
    tried: list[str] = []
    for found in likely_ports():
        if not found.allowed:
            say(f"{found.device} ({found.description}): no permission")
            tried.append(f"{found.device} (no permission)")
            continue
        say(f"Trying {found.device} ({found.description})")
        try:
            return connect(found.device)
        except InputError as error:
            say(f"  {error.what}")
            tried.append(found.device)
    raise no_port_found(tried)


def port_lines() -> Iterable[str]:
    """The likely ports, one line each."""
    for port in likely_ports():
        yield f"{port.device}  {port.description}" + ("" if port.allowed else "  (no permission)")


def connection_lines(source: LiveSource) -> list[str]:
    """What the connection probe found, in lines for a person."""
    capabilities = source.capabilities
    groups = source.plan.groups()
    lines = [
        f"Connected: {capabilities.adapter or 'adapter'}, {capabilities.protocol}"
        + (f", engine module {capabilities.module}" if capabilities.module else ""),
        f"{capabilities.max_pids} {'signal' if capabilities.max_pids == 1 else 'signals'} a request; response count "
        + {None: "not used", "single": "used for short answers"}.get(capabilities.count_digit, "used"),
    ]
    if source.adapter()["simulated"]:
        lines.append(f"  note: {SIMULATED_REMARK}")
    lines += [f"  {name}: {', '.join(signals)}" for name, signals in groups.items() if signals]
    lines += [f"  note: {note}" for note in capabilities.notes]
    if not any(s.startswith("cam_") for s in source.signals):
        lines.append("  No cam angles: the phaser cannot be judged from this drive. A vehicle profile says where they are.")
    return lines
