"""Find the adapter: on the named port, or on the likely ports in turn."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from camlog.capture import messages
from camlog.capture.elm import Elm
from camlog.capture.link import Link
from camlog.capture.ports import likely_ports, no_port_found, transport_for
from camlog.errors import InputError

# The link class for each `dialect` of a transport.
DIALECTS: dict[str, Callable[..., Link]] = {"elm": Elm}
_Found = TypeVar("_Found")
Say = Callable[[str], None]


def open_link(port: str | None, *, say: Say = lambda text: None, **options: Any) -> Link:
    """A link on `port`, or on the first likely port that answers; `options` are the dialect's (`baud` ...)."""
    return on_port(port, lambda device: DIALECTS[transport_for(device).dialect](device, **options), say)


def on_port(port: str | None, connect: Callable[[str], _Found], say: Say) -> _Found:
    """The result of `connect` for `port`; without one, for the first likely port where it raises no InputError.

    `say` receives a line about each port tried. Raises InputError with the checklist if no port works."""
    if port is not None:
        if not port.strip():
            raise messages.error("port_unnamed")
        return connect(port)
    tried: list[str] = []
    for candidate in likely_ports():
        if candidate.remark:
            say(f"{candidate.device} ({candidate.description}): {candidate.remark}")
            tried.append(f"{candidate.device} ({candidate.remark})")
            continue
        say(messages("port.trying", device=candidate.device, description=candidate.description))
        try:
            return connect(candidate.device)
        except InputError as refused:
            say(f"  {refused.what}")
            tried.append(candidate.device)
    raise no_port_found(tried)
