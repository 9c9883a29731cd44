"""The kind of adapter, and the settings made by a client."""

from __future__ import annotations

from dataclasses import dataclass

from camlog.drive import SIMULATED_ADAPTER
from camlog.simulate import say
from camlog.simulate.adapter.buses import Bus

RESET_BELOW_V = 6.0  # the adapter restarts below this voltage at the connector
TIMEOUT_STEP_S = 0.004096  # one count of ATST
DEFAULT_TIMEOUT = 0x32  # about 200 ms
AUTOMATIC = "0"


@dataclass(frozen=True, slots=True)
class AdapterTraits:
    """The features of an adapter, and the bus of its vehicle.

    `protocol` is the bus's number in the command set. Without `several_pids` a service 01 request with more than one
    PID gets no data. Without `response_count` a request with a count digit is answered with "?", as are the AT commands
    in `unknown_commands`. `second_module`: a transmission module answers too. `banner` is the version line; its start
    marks a simulated adapter in recordings. `waits_for_pending`: after "response pending" the adapter waits for the
    answer."""

    name: str = "standard"
    banner: str = f"{SIMULATED_ADAPTER} 2.0"
    protocol: str = "6"
    several_pids: bool = True
    response_count: bool = True
    repeats_on_return: bool = True
    waits_for_pending: bool = True
    second_module: bool = False
    unknown_commands: frozenset[str] = frozenset()
    buffer_bytes: int = 512


PRESETS: dict[str, AdapterTraits] = {
    "standard": AdapterTraits(),
    # Features that the cheapest adapter copies lack (common practice, no source).
    "clone": AdapterTraits(
        name="clone",
        banner=f"{SIMULATED_ADAPTER} 1.0",
        several_pids=False,
        response_count=False,
        repeats_on_return=False,
        waits_for_pending=False,
        unknown_commands=frozenset({"ST", "AT"}),
        buffer_bytes=256,
    ),
    "non-can": AdapterTraits(name="non-can", protocol="3"),
}


def preset(name: str) -> AdapterTraits:
    """The adapter of that name. Raises InputError for another name."""
    traits = PRESETS.get(name.replace("_", "-"))
    if traits is None:
        raise say.error("no_such", kind="adapter", name=name, known=", ".join(PRESETS))
    return traits


@dataclass
class Settings:
    """The settings made by a client; the defaults are those after a reset (de facto command set, from memory).
    `header_digits` distinguishes 11-bit, three-byte and 29-bit headers. `timeout` is in counts of ATST."""

    echo: bool = True
    linefeeds: bool = False
    headers: bool = False
    spaces: bool = True
    adaptive: int = 1
    timeout: int = DEFAULT_TIMEOUT
    header: int | None = None
    header_digits: int = 0
    priority: int = 0x18
    protocol: str = AUTOMATIC
    automatic: bool = True

    @property
    def line_end(self) -> str:
        return "\r\n" if self.linefeeds else "\r"

    @property
    def timeout_s(self) -> float:
        return (self.timeout or DEFAULT_TIMEOUT) * TIMEOUT_STEP_S

    def request_header(self, bus: Bus) -> int:
        """The header or CAN identifier of requests on a bus."""
        if self.header is None:
            return bus.header
        if bus.id_bits == 11:
            return self.header & 0x7FF
        if bus.id_bits == 29 and self.header_digits == 6:
            return self.priority << 24 | self.header
        return self.header
