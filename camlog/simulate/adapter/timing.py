"""How long things take between a client and a module: the model the simulated adapter keeps to.

One request, seen from the client, is

    request bytes over the serial line
    + request on the bus + module latency + first answer frame on the bus
    + (several frames) flow-control round trip + the other frames
    + the wait for further answers, unless the response count given was met
    + what of the printed lines is still on the serial line + prompt.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from camlog.simulate.adapter.buses import BUSES, Bus

BITS_PER_BYTE = 10  # start, eight data, stop
CAN_500 = BUSES["6"]


@dataclass(frozen=True, slots=True)
class TimingModel:
    """Times in seconds; `baud` None for a link without a serial line in it.

    `wait_s` is how long an adapter with adaptive timing listens for another answer after the last one;
    without adaptive timing it is what ATST says. `flow_control_s` runs from a first frame to the first
    consecutive frame, `separation_s` between consecutive frames (besides their own time on the bus).
    `module_offset_s` is how much later each further module answers. `no_answer_s` is how long silence
    lasts before NO DATA, None for what ATST says. `search_s` is finding the protocol, `reset_s` a full
    reset. `bus_pace` False leaves out every time on the bus itself.
    """

    baud: int | None = 115_200
    ecu_latency_s: float = 0.008
    wait_s: float = 0.040
    flow_control_s: float = 0.001
    separation_s: float = 0.0
    module_offset_s: float = 0.002
    no_answer_s: float | None = None
    search_s: float = 0.3
    reset_s: float = 0.5
    bus_pace: bool = True

    @classmethod
    def instant(cls) -> TimingModel:
        """No waiting anywhere: for tests of what is said, not when."""
        return cls(None, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, False)

    def serial_s(self, count: int) -> float:
        """Time of `count` bytes on the serial line."""
        return 0.0 if self.baud is None else count * BITS_PER_BYTE / self.baud

    def request_s(self, bus: Bus, data_bytes: int) -> float:
        """Time a request of that many data bytes takes on the bus."""
        return bus.request_s(data_bytes) if self.bus_pace else 0.0

    def idle_s(self, bus: Bus) -> float:
        """Least time from the last answer to the next request."""
        return bus.idle_s if self.bus_pace else 0.0

    def init_s(self, bus: Bus) -> float:
        """Time of the sequence that opens the bus."""
        return bus.init_s if self.bus_pace else 0.0

    def answer_offsets(self, sizes: Sequence[int], bus: Bus, separation_s: float = 0.0) -> list[float]:
        """When each frame of one module's answer has arrived, from the end of the request on the bus.

        `sizes` are the frames' data bytes; `separation_s` what the receiver's flow control asks for.
        """
        at = max(self.ecu_latency_s, bus.answer_s if self.bus_pace else 0.0)
        offsets = []
        for number, size in enumerate(sizes):
            if number == 1 and bus.is_can:
                at += self.flow_control_s
            elif number:
                at += max(self.separation_s, separation_s)
            at += bus.frame_s(size) if self.bus_pace else 0.0
            offsets.append(at)
        return offsets


class SerialLine:
    """The way from adapter to client: bytes queue up and leave at the serial rate."""

    def __init__(self, timing: TimingModel):
        self._timing = timing
        self._free_s = 0.0

    def put(self, count: int, at_s: float) -> float:
        """Queue `count` bytes at a time; when the last of them has been sent."""
        self._free_s = max(self._free_s, at_s) + self._timing.serial_s(count)
        return self._free_s

    def waiting(self, at_s: float) -> float:
        """Bytes still queued at a time."""
        return max(0.0, self._free_s - at_s) * (self._timing.baud or 0) / BITS_PER_BYTE


def request_time_s(
    request: bytes,
    lines: Sequence[str],
    *,
    timing: TimingModel = TimingModel(),
    bus: Bus = CAN_500,
    counted: bool = True,
    wait_s: float | None = None,
    linefeeds: bool = False,
    back_to_back: bool = True,
) -> float:
    """Seconds from a request's first byte to the prompt that ends its answer, by the timing model.

    `request` is what is sent, carriage return included; `lines` the answer of one module as printed
    (headers on), without line ends. `counted`: the request ends with the right response count, so there is
    no wait; otherwise the adapter waits `wait_s`, by default the model's adaptive wait. `back_to_back` adds,
    on buses that want it, the pause due between the last answer and this request.
    """
    data = bytes(b for b in request if b not in b" \r\n")
    digits = len(data) - (1 if counted and len(data) % 2 else 0)
    end = 2 if linefeeds else 1
    sizes = [0 if bus.is_can else max(0, len(line.replace(" ", "")) // 2 - 4) for line in lines]
    sent = timing.serial_s(len(request))
    on_bus = timing.request_s(bus, digits // 2)
    arrivals = [sent + on_bus + offset for offset in timing.answer_offsets(sizes, bus)]
    line = SerialLine(timing)
    for text, at in zip(lines, arrivals, strict=True):
        line.put(len(text) + end, at)
    done = arrivals[-1] if arrivals else sent + on_bus
    if not counted or not arrivals:
        done += timing.wait_s if wait_s is None else wait_s
    prompt = line.put(end + 1, done)
    if back_to_back and arrivals:
        prompt += max(0.0, timing.idle_s(bus) - (prompt - arrivals[-1]) - sent)
    return prompt
