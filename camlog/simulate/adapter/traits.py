"""What kind of adapter it is: a complete one, a poor clone, one on an older vehicle."""

from __future__ import annotations

from dataclasses import dataclass

from camlog.drive import SIMULATED_ADAPTER
from camlog.errors import InputError


@dataclass(frozen=True, slots=True)
class AdapterTraits:
    """What this adapter can do, and the bus of the vehicle it is plugged into.

    `protocol` is the vehicle's bus by its number in the command set. `several_pids` says what becomes of a
    service 01 request with more than one PID: `yes`, `no_data`, or `first_only`. `response_count` says what
    a count digit after a request does: `yes`, `unknown` (answered with "?") or `ignored`. `unknown_commands`
    are AT commands it answers with "?". `second_module`: a transmission module answers too.
    `banner` is the version line; a recording tells a simulated adapter by how it begins.
    `waits_for_pending`: after a "response pending" it goes on listening for the answer itself.
    `padding` fills CAN frames. Below `reset_below_v` at the connector it restarts.
    """

    name: str = "standard"
    banner: str = f"{SIMULATED_ADAPTER} 2.0"
    protocol: str = "6"
    several_pids: str = "yes"
    response_count: str = "yes"
    repeats_on_return: bool = True
    adaptive_timing: bool = True
    waits_for_pending: bool = True
    second_module: bool = False
    unknown_commands: frozenset[str] = frozenset()
    buffer_bytes: int = 512
    padding: int | None = 0x00
    reset_below_v: float = 6.0


PRESETS: dict[str, AdapterTraits] = {
    "standard": AdapterTraits(),
    # What the cheapest copies of an adapter leave out (common practice, no source).
    "clone": AdapterTraits(
        name="clone",
        banner=f"{SIMULATED_ADAPTER} 1.0",
        several_pids="no_data",
        response_count="unknown",
        repeats_on_return=False,
        waits_for_pending=False,
        unknown_commands=frozenset({"ST", "AT", "CRA", "CEA", "CF", "CM", "CFC", "FCSM", "FCSH", "FCSD"}),
        buffer_bytes=256,
    ),
    "non-can": AdapterTraits(name="non-can", protocol="3"),
}


def preset(name: str) -> AdapterTraits:
    """The adapter of that name. Raises InputError for another name."""
    found = PRESETS.get(name.replace("_", "-"))
    if found is None:
        raise InputError(f"there is no adapter {name!r}", remedy="Choose one of " + ", ".join(PRESETS) + ".")
    return found
