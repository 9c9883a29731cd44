"""The timing model of the simulated adapter: how long a request takes between client and module.

For the client, the time of one request is

    request bytes over the serial line
    + request on the bus + module latency + first answer frame on the bus
    + (several frames) flow-control round trip + the other frames
    + the wait for further answers, unless the requested response count was reached
    + the rest of the printed lines on the serial line + prompt.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from camlog.simulate.adapter.buses import Bus

BITS_PER_BYTE = 10  # start, eight data, stop


@dataclass(frozen=True, slots=True)
class TimingModel:
    """Times in seconds; `baud` None for a link without a serial line in it.

    `wait_s` is how long an adapter with adaptive timing waits for another answer after the last one; without adaptive
    timing ATST sets it. `flow_control_s` is the time from a first frame to the first consecutive frame; further ones
    follow without pauses. `module_offset_s` is the additional delay of each further module. `no_answer_s` is the
    silence before NO DATA (None: as set by ATST). `search_s` is the time to find the protocol, `reset_s` that of a full
    reset. `bus_pace` False leaves out all times on the bus itself."""

    baud: int | None = 115_200
    ecu_latency_s: float = 0.008
    wait_s: float = 0.040
    flow_control_s: float = 0.001
    module_offset_s: float = 0.002
    no_answer_s: float | None = None
    search_s: float = 0.3
    reset_s: float = 0.5
    bus_pace: bool = True

    def serial_s(self, count: int) -> float:
        return 0.0 if self.baud is None else count * BITS_PER_BYTE / self.baud

    def request_s(self, bus: Bus, data_bytes: int) -> float:
        return bus.request_s(data_bytes) if self.bus_pace else 0.0

    def idle_s(self, bus: Bus) -> float:
        return bus.idle_s if self.bus_pace else 0.0

    def init_s(self, bus: Bus) -> float:
        return bus.init_s if self.bus_pace else 0.0

    def answer_offsets(self, sizes: Sequence[int], bus: Bus) -> list[float]:
        """When each frame of one module's answer has arrived, from the end of the request on the bus.
        `sizes` are the frames' data bytes."""
        at = max(self.ecu_latency_s, bus.answer_s if self.bus_pace else 0.0)
        offsets = []
        for number, size in enumerate(sizes):
            if number == 1 and bus.is_can:
                at += self.flow_control_s
            at += bus.frame_s(size) if self.bus_pace else 0.0
            offsets.append(at)
        return offsets


class SerialLine:
    """The line from adapter to client: bytes queue and leave at the serial rate."""

    def __init__(self, timing: TimingModel):
        self._timing = timing
        self._free_s = 0.0

    def put(self, count: int, at_s: float) -> float:
        self._free_s = max(self._free_s, at_s) + self._timing.serial_s(count)
        return self._free_s

    def waiting(self, at_s: float) -> float:
        return max(0.0, self._free_s - at_s) * (self._timing.baud or 0) / BITS_PER_BYTE


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes of which the last has left the adapter at `at_s`, seconds since its start."""

    at_s: float
    data: bytes


@dataclass(frozen=True, slots=True)
class Reply:
    """The adapter's output for one line. `interruptible`: any character ends it with STOPPED. `forever`: only that ends
    it. `deaf`: characters received meanwhile are lost."""

    chunks: tuple[Chunk, ...] = ()
    interruptible: bool = False
    forever: bool = False
    deaf: bool = False


class Printout:
    """Lines on their way to the client, each sent when the serial line is free."""

    def __init__(self, timing: TimingModel, line_end: str):
        self.serial = SerialLine(timing)
        self.line_end = line_end
        self._chunks: list[Chunk] = []

    def add(self, text: str, at_s: float) -> None:
        self._put(text + self.line_end, at_s)

    def reply(self, at_s: float, *, interruptible: bool = False) -> Reply:
        """Everything printed, ended by an empty line and the prompt character."""
        self._put(self.line_end + ">", at_s)
        return Reply(tuple(self._chunks), interruptible)

    def _put(self, text: str, at_s: float) -> None:
        self._chunks.append(Chunk(self.serial.put(len(text), at_s), text.encode("latin-1", "replace")))
