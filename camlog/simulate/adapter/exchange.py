"""One request to the vehicle: connecting, asking, collecting the answer's frames, printing them in time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from camlog.simulate.adapter.buses import BUSES, FUNCTIONAL, Bus, addressed, legacy_answer, response_id
from camlog.simulate.adapter.faults import LINE_KINDS, MESSAGES, Line, Message, damage
from camlog.simulate.adapter.framing import CONTINUE, is_consecutive, is_first, separation_s
from camlog.simulate.adapter.settings import Settings
from camlog.simulate.adapter.state import AdapterState, Reply
from camlog.simulate.adapter.values import NEGATIVE, RESPONSE_PENDING

PENDING_LIMIT_S = 5.0  # P2* of ISO 14229-2: how long after "response pending" the answer may take
SEARCHING = "SEARCHING..."
FLOW_CONTROL_BYTES = 3


@dataclass(frozen=True, slots=True)
class Arrival:
    """A frame that reached the adapter: when, from which CAN identifier, its bytes.

    `data_at` and `data_end` bound the diagnostic data in it. `pending`: it only says that the answer is yet
    to come. `more`: the message goes on in another frame.
    """

    at_s: float
    identifier: int
    frame: bytes
    data_at: int
    data_end: int
    pending: bool = False
    more: bool = False


class Exchange:
    """One request (`data` without the response count) that was complete at `at_s`."""

    def __init__(self, state: AdapterState, data: bytes, count: int | None, at_s: float):
        self.state = state
        self.settings = state.settings
        self.timing = state.timing
        self.data = data
        self.count = count
        self.at_s = at_s
        self.printout = state.printout()

    def reply(self) -> Reply:
        """What the adapter prints, and when."""
        fault = self.state.faults.active(self.at_s, MESSAGES)
        if fault is not None:
            end_s = self._refuse(fault.kind)
        else:
            bus, at_s = self._connect()
            end_s = at_s if bus is None else self._ask(bus, at_s)
        return self.printout.reply(end_s, interruptible=True)

    def _refuse(self, kind: str) -> float:
        """Print a fault's message; when that is."""
        at_s = self.at_s + self.timing.ecu_latency_s
        if kind == "no_data":
            at_s = self.at_s + self._silence_s
        elif kind in ("unable_to_connect", "bus_init_error"):
            at_s = self.at_s + self.timing.search_s
            if kind == "unable_to_connect" and self.settings.automatic:
                self.printout.add(SEARCHING, self.at_s)
            self.state.disconnect()
        elif kind == "buffer_full" and self.state.active:
            # What fitted the buffer was still printed.
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
        """How long the adapter listens in vain before it says so."""
        fixed = self.timing.no_answer_s
        return self.settings.timeout_s if fixed is None else fixed

    @property
    def _wait_s(self) -> float:
        """How long the adapter listens for another answer after one."""
        adaptive = self.settings.adaptive if self.state.traits.adaptive_timing else 0
        return min(self._silence_s, self.timing.wait_s / adaptive) if adaptive else self._silence_s

    # ------------------------------------------------------------- opening the bus

    def _connect(self) -> tuple[Bus | None, float]:
        """The open bus and when the request may go out; None after printing why there is none."""
        state, there = self.state, self.state.vehicle.bus
        if state.active is not None:
            return state.active, self.at_s
        awake = state.vehicle.awake(self.at_s)
        if self.settings.automatic:
            self.printout.add(SEARCHING, self.at_s)
            bus, failure = there, None if awake else "UNABLE TO CONNECT"
            at_s = self.at_s + self.timing.search_s + self.timing.init_s(there)
        else:
            bus, failure, at_s = BUSES[self.settings.protocol], None, self.at_s
            if bus.needs_init:
                at_s += self.timing.init_s(bus)
                found = bus is there and awake
                text = f"BUS INIT: {bus.init_dots}{'OK' if found else 'ERROR'}"
                if found:
                    self.printout.add(text, at_s)
                else:
                    failure = text
            elif bus is not there or (bus.is_can and not awake):
                # A CAN frame that nobody acknowledges is an error; SAE J1850 just stays silent.
                at_s += self._silence_s
                failure = "CAN ERROR" if bus.is_can else "NO DATA"
        if failure:
            self.printout.add(failure, at_s)
            return None, at_s
        state.active = bus
        return bus, at_s

    # ------------------------------------------------------------- asking

    def _ask(self, bus: Bus, at_s: float) -> float:
        """Send the request and print what comes; when the adapter stops listening."""
        state = self.state
        sent_s = max(at_s, state.bus_free_s) + self.timing.request_s(bus, len(self.data))
        state.bus_free_s = sent_s + self.timing.idle_s(bus)
        heard, end_s = self._collect(sorted(self._arrivals(bus, sent_s), key=lambda a: a.at_s), sent_s, bus)
        if not heard:
            self.printout.add("NO DATA", end_s)
            return end_s
        state.bus_free_s = heard[-1][0] + self.timing.idle_s(bus)
        lines = [line for _, shown in heard for line in shown]
        previous, state.previous_line = state.previous_line, lines[-1].text
        fault = state.faults.active(self.at_s, LINE_KINDS)
        if fault is not None:
            self._met(fault.kind)
            self._print(damage(fault.kind, lines, previous, state.faults.random), heard[-1][0])
            return end_s
        for arrived_s, shown in heard:
            size = sum(len(line.text) + len(self.settings.line_end) for line in shown)
            if self.printout.serial.waiting(arrived_s) + size > state.traits.buffer_bytes:
                self.printout.add("BUFFER FULL", arrived_s)
                return arrived_s
            self._print(shown, arrived_s)
        return end_s

    def _collect(
        self, arrivals: list[Arrival], sent_s: float, bus: Bus
    ) -> tuple[list[tuple[float, list[Line]]], float]:
        """The frames the adapter is still listening for, as (time, lines), and when it stops listening."""
        heard: list[tuple[float, list[Line]]] = []
        deadline = sent_s + self._silence_s
        counted = 0
        for arrival in arrivals:
            if arrival.at_s > deadline:
                break
            if bus.is_can and not self.settings.passes(arrival.identifier, bus):
                continue
            heard.append((arrival.at_s, self._lines(arrival, bus)))
            if arrival.pending and self.state.traits.waits_for_pending:
                deadline = arrival.at_s + PENDING_LIMIT_S
                continue
            # Within a message the adapter waits as long as for a first answer.
            within = max(self._silence_s, self.timing.flow_control_s)
            deadline = arrival.at_s + (within if arrival.more else self._wait_s)
            counted += 1
            if counted == self.count:
                return heard, arrival.at_s
        return heard, deadline

    def _arrivals(self, bus: Bus, sent_s: float) -> Iterator[Arrival]:
        """The frames that come back for a request sent at `sent_s`."""
        target = addressed(bus, self.settings.request_header(bus))
        if target is None or bus is not self.state.vehicle.bus:
            return
        request, flow_control = self._request_message(bus, max(target, 0))
        if flow_control is not None:
            at_s, identifier = sent_s + self.timing.flow_control_s, response_id(bus, max(target, 0))
            yield Arrival(at_s, identifier, flow_control, 0, FLOW_CONTROL_BYTES)
        if request is None:
            return
        messages = self.state.vehicle.ask(request, target, sent_s + self.timing.ecu_latency_s)
        for place, module in enumerate(dict.fromkeys(m.module for m in messages)):
            own = [m for m in messages if m.module == module]
            starts_s = sent_s + place * self.timing.module_offset_s
            if bus.is_can:
                for message in own:
                    yield from self._can_arrivals(bus, message, starts_s + message.delay_s)
            else:
                yield from self._legacy_arrivals(bus, own, starts_s, target != FUNCTIONAL)

    def _request_message(self, bus: Bus, module: int) -> tuple[bytes | None, bytes | None]:
        """The diagnostic message this request completes, and the module's flow control; None where none."""
        if bus.is_can and not self.settings.auto_format:
            return self.state.node(module).receive(self.data)
        habit = self.state.traits.several_pids
        if not bus.is_can or len(self.data) <= 2 or self.data[0] != 0x01 or habit == "yes":
            return self.data, None
        return (None if habit == "no_data" else self.data[:2]), None

    # ------------------------------------------------------------- frames of an answer

    def _can_arrivals(self, bus: Bus, message: Message, starts_s: float) -> Iterator[Arrival]:
        flow_control = self._flow_control(bus, message.module)
        blocks = self.state.node(message.module).send(message.data, flow_control)
        separation = separation_s(flow_control[2]) if len(blocks) > 1 else 0.0
        offsets = iter(self.timing.answer_offsets([0] * sum(map(len, blocks)), bus, separation))
        left = len(message.data)
        for number, block in enumerate(blocks):
            # The first flow control is in the model; each further one takes its time again.
            waited_s = max(0, number - 1) * self.timing.flow_control_s
            for frame in block:
                begins = 2 if is_first(frame) else 1
                ends = min(len(frame), begins + left)
                left -= ends - begins
                at_s = starts_s + next(offsets) + waited_s
                identifier = response_id(bus, message.module)
                yield Arrival(at_s, identifier, frame, begins, ends, _is_pending(message), more=left > 0)

    def _flow_control(self, bus: Bus, module: int) -> bytes | None:
        """The flow control a module gets from the adapter; None where it gets none."""
        settings = self.settings
        if not settings.flow_control:
            return None
        if settings.flow_mode == 0:
            return CONTINUE
        if settings.flow_mode == 1 and addressed(bus, settings.flow_header or 0) != module:
            return None
        return settings.flow_data

    def _legacy_arrivals(
        self, bus: Bus, own: list[Message], starts_s: float, physical: bool
    ) -> Iterator[Arrival]:
        offsets = self.timing.answer_offsets([len(m.data) for m in own], bus)
        for message, offset in zip(own, offsets, strict=True):
            frame = legacy_answer(bus, message.module, message.data, physical)
            at_s = starts_s + offset + message.delay_s
            yield Arrival(at_s, 0, frame, 3, len(frame) - 1, _is_pending(message))

    # ------------------------------------------------------------- print form

    def _lines(self, arrival: Arrival, bus: Bus) -> list[Line]:
        """The lines that a frame is printed as."""
        frame, gap = arrival.frame, " " * self.settings.spaces
        shown = frame[arrival.data_at : arrival.data_end]
        if self.settings.headers or (bus.is_can and not self.settings.auto_format):
            head = _header_text(arrival, bus, self.settings)
            return [_line(head, frame, arrival.data_end if bus.is_can else len(frame), gap)]
        if bus.is_can and is_first(frame):
            length = (frame[0] & 0xF) << 8 | frame[1]
            return [Line(f"{length:03X}", 3), _line("0:" + gap, frame[2:], len(frame) - 2, gap)]
        if bus.is_can and is_consecutive(frame):
            return [_line(f"{frame[0] & 0xF:X}:{gap}", frame[1:], arrival.data_end - 1, gap)]
        return [_line("", shown, len(shown), gap)]


def _is_pending(message: Message) -> bool:
    return message.data[0] == NEGATIVE and message.data[-1] == RESPONSE_PENDING


def _header_text(arrival: Arrival, bus: Bus, settings: Settings) -> str:
    """What is printed before a CAN frame; an older bus's header is part of the frame."""
    if not bus.is_can or not settings.headers:
        return ""
    identifier = arrival.identifier
    text = f"{identifier:03X} " if bus.id_bits == 11 else identifier.to_bytes(4, "big").hex(" ").upper() + " "
    if settings.show_length:
        text += f"{len(arrival.frame)} "
    return text if settings.spaces else text.replace(" ", "")


def _line(head: str, shown: bytes, needed_bytes: int, gap: str) -> Line:
    """A line of hexadecimal bytes after `head`; `needed_bytes` of them carry the answer."""
    text = head + "".join(f"{b:02X}{gap}" for b in shown)
    return Line(text, len(head) + needed_bytes * (2 + len(gap)) - len(gap))
