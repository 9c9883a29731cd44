"""One request to the vehicle: open the bus, send the request, collect the answer's frames, print them at their
times."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from camlog.simulate.adapter.buses import BUSES, PADDING, Bus, addressed, frames_of, is_first, response_id
from camlog.simulate.adapter.faults import LINES, MESSAGES, FaultSchedule, Line
from camlog.simulate.adapter.modules import VehicleSide
from camlog.simulate.adapter.settings import AUTOMATIC, AdapterTraits, Settings
from camlog.simulate.adapter.timing import Printout, Reply, TimingModel
from camlog.simulate.adapter.values import NEGATIVE, RESPONSE_PENDING

PENDING_LIMIT_S = 5.0  # P2* of ISO 14229-2: longest time from "response pending" to the answer
SEARCHING = "SEARCHING..."


@dataclass
class AdapterState:
    """The state of an adapter between two lines. `active` is the open bus, `last` the line that an empty line repeats,
    `bus_free_s` the time from which the next request may be sent, `previous_line` the last line printed for a request,
    `kept_protocol` the protocol setting that survives a reset."""

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

    def printout(self) -> Printout:
        return Printout(self.timing, self.settings.line_end)


@dataclass(frozen=True, slots=True)
class Arrival:
    """A frame received by the adapter: time, CAN identifier and bytes. `data_at` and `data_end` bound its diagnostic
    data. `pending`: it only announces that the answer is still to come. `more`: the message continues in another
    frame."""

    at_s: float
    identifier: int
    frame: bytes
    data_at: int
    data_end: int
    pending: bool
    more: bool


class Exchange:
    """One request (`data` without the response count) that was received completely at `at_s`."""

    def __init__(self, state: AdapterState, data: bytes, count: int | None, at_s: float):
        self.state = state
        self.settings = state.settings
        self.timing = state.timing
        self.data = data
        self.count = count
        self.at_s = at_s
        self.printout = state.printout()

    def reply(self) -> Reply:
        fault = self.state.faults.active(self.at_s, MESSAGES)
        if fault is not None:
            end_s = self._refuse(fault.kind)
        else:
            bus, at_s = self._connect()
            end_s = at_s if bus is None else self._ask(bus, at_s)
        return self.printout.reply(end_s, interruptible=True)

    def _refuse(self, kind: str) -> float:
        """Print a fault's message; returns the time of that."""
        at_s = self.at_s + self.timing.ecu_latency_s
        if kind == "no_data":
            at_s = self.at_s + self._silence_s
        elif kind in ("unable_to_connect", "bus_init_error"):
            at_s = self.at_s + self.timing.search_s
            if kind == "unable_to_connect" and self.settings.automatic:
                self.printout.add(SEARCHING, self.at_s)
            self.state.active = None
        elif kind == "buffer_full" and self.state.active:
            # The part that fitted into the buffer was still printed.
            for arrival in list(self._arrivals(self.state.active, self.at_s))[:-1]:
                self._print(self._lines(arrival, self.state.active), arrival.at_s)
                at_s = arrival.at_s
        self._met(kind)
        self.printout.add(MESSAGES[kind], at_s)
        return at_s

    def _print(self, lines: list[Line], at_s: float) -> None:
        for line in lines:
            self.printout.add(line.text, at_s)

    def _met(self, kind: str) -> None:
        self.state.faults.met(self.at_s, kind, self.data.hex().upper())

    @property
    def _silence_s(self) -> float:
        fixed = self.timing.no_answer_s
        return self.settings.timeout_s if fixed is None else fixed

    @property
    def _wait_s(self) -> float:
        """Time (s) that the adapter waits for another answer after one."""
        adaptive = self.settings.adaptive
        return min(self._silence_s, self.timing.wait_s / adaptive) if adaptive else self._silence_s

    # ------------------------------------------------------------- opening the bus

    def _connect(self) -> tuple[Bus | None, float]:
        """The open bus and the time from which the request may be sent; None after printing why there is no bus."""
        state, vehicle_bus = self.state, self.state.vehicle.bus
        if state.active is not None:
            return state.active, self.at_s
        awake = state.vehicle.awake(self.at_s)
        if self.settings.automatic:
            self.printout.add(SEARCHING, self.at_s)
            bus, failure = vehicle_bus, None if awake else "UNABLE TO CONNECT"
            at_s = self.at_s + self.timing.search_s + self.timing.init_s(vehicle_bus)
        else:
            bus, failure, at_s = BUSES[self.settings.protocol], None, self.at_s
            if bus.needs_init:
                at_s += self.timing.init_s(bus)
                matches = bus is vehicle_bus and awake
                text = f"BUS INIT: {bus.init_dots}{'OK' if matches else 'ERROR'}"
                if matches:
                    self.printout.add(text, at_s)
                else:
                    failure = text
            elif bus is not vehicle_bus or (bus.is_can and not awake):
                # A CAN frame without acknowledgement is an error; SAE J1850 stays silent.
                at_s += self._silence_s
                failure = "CAN ERROR" if bus.is_can else "NO DATA"
        if failure:
            self.printout.add(failure, at_s)
            return None, at_s
        state.active = bus
        return bus, at_s

    # ------------------------------------------------------------- asking

    def _ask(self, bus: Bus, at_s: float) -> float:
        """Send the request and print the answers; returns the time at which the adapter stops waiting."""
        state = self.state
        sent_s = max(at_s, state.bus_free_s) + self.timing.request_s(bus, len(self.data))
        state.bus_free_s = sent_s + self.timing.idle_s(bus)
        received, end_s = self._collect(sorted(self._arrivals(bus, sent_s), key=lambda a: a.at_s), sent_s, bus)
        if not received:
            self.printout.add("NO DATA", end_s)
            return end_s
        state.bus_free_s = received[-1][0] + self.timing.idle_s(bus)
        lines = [line for _, shown in received for line in shown]
        previous, state.previous_line = state.previous_line, lines[-1].text
        fault = state.faults.active(self.at_s, LINES)
        if fault is not None:
            self._met(fault.kind)
            self._print(LINES[fault.kind](lines, previous, state.faults.random), received[-1][0])
            return end_s
        for arrived_s, shown in received:
            size = sum(len(line.text) + len(self.settings.line_end) for line in shown)
            if self.printout.serial.waiting(arrived_s) + size > state.traits.buffer_bytes:
                self.printout.add("BUFFER FULL", arrived_s)
                return arrived_s
            self._print(shown, arrived_s)
        return end_s

    def _collect(
        self, arrivals: list[Arrival], sent_s: float, bus: Bus
    ) -> tuple[list[tuple[float, list[Line]]], float]:
        """The frames that arrive in time, as (time, lines), and the time at which the adapter stops waiting."""
        received: list[tuple[float, list[Line]]] = []
        deadline = sent_s + self._silence_s
        counted = 0
        for arrival in arrivals:
            if arrival.at_s > deadline:
                break
            received.append((arrival.at_s, self._lines(arrival, bus)))
            if arrival.pending and self.state.traits.waits_for_pending:
                deadline = arrival.at_s + PENDING_LIMIT_S
                continue
            # Within a message the adapter waits as long as for a first answer.
            within = max(self._silence_s, self.timing.flow_control_s)
            deadline = arrival.at_s + (within if arrival.more else self._wait_s)
            counted += 1
            if counted == self.count:
                return received, arrival.at_s
        return received, deadline

    def _arrivals(self, bus: Bus, sent_s: float) -> Iterator[Arrival]:
        """The answer frames to a request sent at `sent_s`."""
        target = addressed(bus, self.settings.request_header(bus))
        several = bus.is_can and len(self.data) > 2 and self.data[0] == 0x01
        if target is None or bus is not self.state.vehicle.bus or several and not self.state.traits.several_pids:
            return
        messages = self.state.vehicle.ask(self.data, target, sent_s + self.timing.ecu_latency_s)
        for place, module in enumerate(dict.fromkeys(m.module for m in messages)):
            own = [m for m in messages if m.module == module]
            starts_s = sent_s + place * self.timing.module_offset_s
            # Messages on an older bus follow each other; on CAN each has its own time.
            for group in [[m] for m in own] if bus.is_can else [own]:
                framed = [
                    (message, *frame)
                    for message in group
                    for frame in frames_of(bus, module, message.data, target == module, PADDING)
                ]
                offsets = self.timing.answer_offsets([end - begin for _, _, begin, end in framed], bus)
                for left, ((message, frame, begin, end), offset) in enumerate(zip(framed, offsets, strict=True), 1):
                    pending = message.data[0] == NEGATIVE and message.data[-1] == RESPONSE_PENDING
                    more = bus.is_can and left < len(framed)
                    at_s = starts_s + offset + message.delay_s
                    yield Arrival(at_s, response_id(bus, module), frame, begin, end, pending, more)

    # ------------------------------------------------------------- print form

    def _lines(self, arrival: Arrival, bus: Bus) -> list[Line]:
        frame, gap = arrival.frame, " " * self.settings.spaces
        if self.settings.headers:
            head = ""  # on an older bus the header is part of the frame
            if bus.is_can:
                digits = f"{arrival.identifier:03X}" if bus.id_bits == 11 else f"{arrival.identifier:08X}"
                pairs = [digits] if bus.id_bits == 11 else [digits[n : n + 2] for n in range(0, 8, 2)]
                head = "".join(pair + gap for pair in pairs)
            return [_line(head, frame, arrival.data_end if bus.is_can else len(frame), gap)]
        shown = frame[arrival.data_at : arrival.data_end]
        if bus.is_can and is_first(frame):
            length = (frame[0] & 0xF) << 8 | frame[1]
            return [Line(f"{length:03X}", 3), _line("0:" + gap, shown, len(shown), gap)]
        if bus.is_can and frame[0] >> 4 == 2:  # a consecutive frame
            return [_line(f"{frame[0] & 0xF:X}:{gap}", frame[1:], len(shown), gap)]
        return [_line("", shown, len(shown), gap)]


def _line(head: str, shown: bytes, needed_bytes: int, gap: str) -> Line:
    """A line of hexadecimal bytes after `head`; `needed_bytes` of them carry the answer."""
    text = head + "".join(f"{b:02X}{gap}" for b in shown)
    return Line(text, len(head) + needed_bytes * (2 + len(gap)) - len(gap))
