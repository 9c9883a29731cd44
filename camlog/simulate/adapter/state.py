"""What an adapter remembers between two lines, and what it prints for one, with the time of each piece."""

from __future__ import annotations

from dataclasses import dataclass, field

from camlog.simulate.adapter.buses import Bus
from camlog.simulate.adapter.faults import FaultSchedule
from camlog.simulate.adapter.framing import Node
from camlog.simulate.adapter.settings import AUTOMATIC, AdapterTraits, Settings
from camlog.simulate.adapter.timing import SerialLine, TimingModel
from camlog.simulate.adapter.vehicle_side import VehicleSide


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes of which the last has left the adapter at `at_s`, seconds since its start."""

    at_s: float
    data: bytes


@dataclass(frozen=True, slots=True)
class Reply:
    """What one line makes the adapter print. `interruptible`: any character ends it with STOPPED.

    `forever`: it ends only so. `deaf`: characters that come meanwhile are lost.
    """

    chunks: tuple[Chunk, ...] = ()
    interruptible: bool = False
    forever: bool = False
    deaf: bool = False


class Printout:
    """Lines on their way to the client, each leaving when the serial line has room for it."""

    def __init__(self, timing: TimingModel, line_end: str):
        self.serial = SerialLine(timing)
        self.line_end = line_end
        self._chunks: list[Chunk] = []

    def add(self, text: str, at_s: float) -> None:
        """Print a line at a time."""
        self._put(text + self.line_end, at_s)

    def reply(self, at_s: float, *, interruptible: bool = False) -> Reply:
        """Everything printed, ended by an empty line and the prompt character."""
        self._put(self.line_end + ">", at_s)
        return Reply(tuple(self._chunks), interruptible)

    def _put(self, text: str, at_s: float) -> None:
        self._chunks.append(Chunk(self.serial.put(len(text), at_s), text.encode("latin-1", "replace")))


@dataclass
class AdapterState:
    """One adapter's state. `active` is the open bus, `last` the line a bare carriage return repeats."""

    vehicle: VehicleSide
    traits: AdapterTraits
    timing: TimingModel
    faults: FaultSchedule
    settings: Settings = field(default_factory=Settings)
    active: Bus | None = None
    asleep: bool = False
    last: str | None = None
    bus_free_s: float = 0.0
    previous_line: str = ""
    kept_protocol: str = AUTOMATIC

    def __post_init__(self) -> None:
        self.disconnect()

    def printout(self) -> Printout:
        return Printout(self.timing, self.settings.line_end)

    def restore_defaults(self) -> None:
        """Every setting back to its default; the bus is closed."""
        self.settings = Settings()
        self.disconnect()

    def set_protocol(self, number: str, automatic: bool, keep: bool) -> None:
        """Choose a protocol, to be used or searched from with the next request; `keep` over resets."""
        self.settings.protocol, self.settings.automatic = number, automatic
        if keep:
            self.kept_protocol = number
        self.disconnect()

    def disconnect(self) -> None:
        """Close the bus; the next request opens it again."""
        self.active = None
        self.nodes: dict[int, Node] = {}

    def node(self, module: int) -> Node:
        """A module's framing on CAN."""
        if module not in self.nodes:
            self.nodes[module] = Node(self.traits.padding)
        return self.nodes[module]
