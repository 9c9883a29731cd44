"""One request to the vehicle: connecting, asking, collecting the answer's frames, printing them in time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from camlog.simulate.adapter import faults as injected
from camlog.simulate.adapter.buses import BUSES, FUNCTIONAL, Bus, addressed, legacy_answer, response_id
from camlog.simulate.adapter.faults import LINE_KINDS, MESSAGES, Line
from camlog.simulate.adapter.inquiry import NEGATIVE, RESPONSE_PENDING
from camlog.simulate.adapter.isotp import (
    FlowControl,
    FlowStatus,
    FramingError,
    blocks,
    flow_control_frame,
    is_consecutive,
    is_first,
    read_flow_control,
    segment,
)
from camlog.simulate.adapter.timing import SerialLine
from camlog.simulate.adapter.vehicle_side import Message

if TYPE_CHECKING:
    from camlog.simulate.adapter.elm import Chunk, Interpreter, Reply

PENDING_LIMIT_S = 5.0  # P2* of ISO 14229-2: how long after "response pending" the answer may take
SEARCHING = "SEARCHING..."


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

    def __init__(self, adapter: Interpreter, data: bytes, count: int | None, at_s: float):
        self.adapter = adapter
        self.settings = adapter.settings
        self.timing = adapter.timing
        self.data = data
        self.count = count
        self.at_s = at_s
        self.serial = SerialLine(adapter.timing)
        self.chunks: list[Chunk] = []

    def reply(self) -> Reply:
        """What the adapter prints, and when."""
        from camlog.simulate.adapter.elm import Reply

        end_s = self._run()
        self.chunks.append(self.adapter.prompt(self.serial, end_s))
        return Reply(tuple(self.chunks), interruptible=True)

    def _print(self, text: str, at_s: float) -> None:
        from camlog.simulate.adapter.elm import Chunk

        whole = text + self.settings.line_end
        self.chunks.append(Chunk(self.serial.put(len(whole), at_s), whole.encode("latin-1", "replace")))

    def _run(self) -> float:
        """Print everything but the prompt; when the adapter is through."""
        fault = self.adapter.faults.active(self.at_s, MESSAGES)
        if fault is not None:
            return self._refuse(fault.kind)
        bus, at_s = self._connect()
        if bus is None:
            return at_s
        return self._ask(bus, at_s)

    def _refuse(self, kind: str) -> float:
        at_s = self.at_s + self.timing.ecu_latency_s
        if kind == "no_data":
            at_s = self.at_s + self._silence_s
        elif kind in ("unable_to_connect", "bus_init_error"):
            at_s = self.at_s + self.timing.search_s
            if kind == "unable_to_connect" and self.settings.automatic:
                self._print(SEARCHING, self.at_s)
            self.adapter.disconnect()
        elif kind == "buffer_full" and self.adapter.active:
            # What fitted the buffer was still printed.
            for arrival in list(self._arrivals(self.adapter.active, self.at_s))[:-1]:
                for line in self._lines(arrival, self.adapter.active):
                    self._print(line.text, arrival.at_s)
                at_s = arrival.at_s
        self._met(kind)
        self._print(MESSAGES[kind], at_s)
        return at_s

    def _met(self, kind: str) -> None:
        self.adapter.faults.met(self.at_s, kind, self.data.hex().upper())

    @property
    def _silence_s(self) -> float:
        """How long the adapter listens in vain before it says so."""
        given = self.timing.no_answer_s
        return self.settings.timeout_s if given is None else given

    @property
    def _wait_s(self) -> float:
        """How long the adapter listens for another answer after one."""
        adaptive = self.settings.adaptive if self.adapter.traits.adaptive_timing else 0
        if adaptive == 0:
            return self._silence_s
        return min(self._silence_s, self.timing.wait_s / adaptive) if self._silence_s else 0.0

    # ------------------------------------------------------------- opening the bus

    def _connect(self) -> tuple[Bus | None, float]:
        """The open bus and when the request may go out; None after printing why there is none."""
        adapter, there = self.adapter, self.adapter.vehicle.bus
        if adapter.active is not None:
            return adapter.active, self.at_s
        if self.settings.automatic:
            self._print(SEARCHING, self.at_s)
            at_s = self.at_s + self.timing.search_s + self.timing.init_s(there)
            if not adapter.vehicle.awake(self.at_s):
                return self._fail("UNABLE TO CONNECT", at_s)
            adapter.active = there
            if there.needs_init:
                adapter.open_bus(there, self.at_s)
            return there, at_s
        bus = BUSES[self.settings.protocol]
        if bus.needs_init:
            at_s = self.at_s + self.timing.init_s(bus)
            text = adapter.open_bus(bus, self.at_s)
            if adapter.active is None:
                return self._fail(text, at_s)
            self._print(text, at_s)
            return bus, at_s
        if bus is not there or (bus.is_can and not adapter.vehicle.awake(self.at_s)):
            # A CAN frame that nobody acknowledges is an error; SAE J1850 just stays silent.
            text = "CAN ERROR" if bus.is_can else "NO DATA"
            return self._fail(text, self.at_s + self._silence_s)
        adapter.active = bus
        return bus, self.at_s

    def _fail(self, text: str, at_s: float) -> tuple[None, float]:
        self._print(text, at_s)
        return None, at_s

    # ------------------------------------------------------------- asking

    def _ask(self, bus: Bus, at_s: float) -> float:
        at_s = max(at_s, self.adapter.bus_free_s)
        sent_s = at_s + self.timing.request_s(bus, len(self.data))
        self.adapter.bus_free_s = sent_s + self.timing.idle_s(bus)
        printed, end_s = self._collect(list(self._arrivals(bus, sent_s)), sent_s, bus)
        if not printed:
            self._print("NO DATA", end_s)
            return end_s
        self.adapter.bus_free_s = printed[-1][0] + self.timing.idle_s(bus)
        lines = [line for _, found in printed for line in found]
        fault = self.adapter.faults.active(self.at_s, LINE_KINDS)
        if fault is not None:
            damaged = injected.damage(
                fault.kind, lines, self.adapter.previous_line, self.adapter.faults.random
            )
            self._met(fault.kind)
            self.adapter.previous_line = lines[-1].text
            for line in damaged:
                self._print(line.text, printed[-1][0])
            return end_s
        self.adapter.previous_line = lines[-1].text
        for arrived_s, found in printed:
            size = sum(len(line.text) + len(self.settings.line_end) for line in found)
            if self.serial.waiting(arrived_s) + size > self.adapter.traits.buffer_bytes:
                self._print("BUFFER FULL", arrived_s)
                return arrived_s
            for line in found:
                self._print(line.text, arrived_s)
        return end_s

    def _collect(
        self, arrivals: list[Arrival], sent_s: float, bus: Bus
    ) -> tuple[list[tuple[float, list[Line]]], float]:
        """The frames the adapter is still listening for, as (time, lines), and when it stops listening."""
        printed: list[tuple[float, list[Line]]] = []
        deadline = sent_s + self._silence_s
        counted = 0
        for arrival in sorted(arrivals, key=lambda a: a.at_s):
            if arrival.at_s > deadline:
                break
            if bus.is_can and not self.settings.passes(arrival.identifier, bus):
                continue
            printed.append((arrival.at_s, self._lines(arrival, bus)))
            # Within a message the adapter waits as long as for a first answer.
            deadline = arrival.at_s + (
                max(self._silence_s, self.timing.flow_control_s) if arrival.more else self._wait_s
            )
            if arrival.pending and self.adapter.traits.waits_for_pending:
                deadline = arrival.at_s + PENDING_LIMIT_S
                continue
            counted += 1
            if counted == self.count:
                return printed, arrival.at_s
        return printed, deadline

    def _arrivals(self, bus: Bus, sent_s: float) -> Iterator[Arrival]:
        header = self.settings.request_header(bus)
        target = addressed(bus, header)
        request = self._request_message(bus)
        if target is None or request is None or bus is not self.adapter.vehicle.bus:
            return
        if isinstance(request, Arrival):
            yield Arrival(
                sent_s + self.timing.flow_control_s, response_id(bus, max(target, 0)), request.frame, 0, 3
            )
            return
        messages = self.adapter.vehicle.ask(request, target, sent_s + self.timing.ecu_latency_s)
        modules = list(dict.fromkeys(m.module for m in messages))
        for place, module in enumerate(modules):
            own = [m for m in messages if m.module == module]
            starts = sent_s + place * self.timing.module_offset_s
            if bus.is_can:
                for message in own:
                    yield from self._can_arrivals(bus, message, starts + message.delay_s)
            else:
                yield from self._legacy_arrivals(bus, own, starts, target != FUNCTIONAL)

    def _request_message(self, bus: Bus) -> bytes | Arrival | None:
        """The diagnostic message this request completes; a module's flow control; None while incomplete."""
        if not bus.is_can:
            return self.data
        several = len(self.data) > 2 and self.data[0] == 0x01
        if self.settings.auto_format:
            if several and self.adapter.traits.several_pids == "no_data":
                return None
            return (
                self.data[:2] if several and self.adapter.traits.several_pids == "first_only" else self.data
            )
        try:
            message = self.adapter.incoming.feed(self.data)
        except FramingError:
            return None  # a module ignores what is no valid frame
        if message is None and is_first(self.data):
            return Arrival(0.0, 0, flow_control_frame().ljust(8, b"\0"), 0, 3)
        return message

    # ------------------------------------------------------------- frames of an answer

    def _can_arrivals(self, bus: Bus, message: Message, starts_s: float) -> Iterator[Arrival]:
        identifier = response_id(bus, message.module)
        frames = segment(message.data, self.adapter.traits.padding)
        flow = self._flow_control(bus, message.module) if len(frames) > 1 else FlowControl()
        if flow is None or flow.status is not FlowStatus.CONTINUE:
            frames = frames[:1]  # the module waits for its flow control in vain
        pending = message.data[:1] == bytes((NEGATIVE,)) and message.data[-1] == RESPONSE_PENDING
        offsets = self.timing.answer_offsets([0] * len(frames), bus, flow.separation_s if flow else 0.0)
        turns = self._turns(len(frames) - 1, flow.block_size if flow else 0)
        left = len(message.data)
        for number, (frame, offset) in enumerate(zip(frames, offsets, strict=True)):
            begins = 2 if is_first(frame) else 1
            ends = min(len(frame), begins + left)
            left -= ends - begins
            at_s = starts_s + offset + (turns[number - 1] * self.timing.flow_control_s if number else 0.0)
            yield Arrival(at_s, identifier, frame, begins, ends, pending, more=left > 0)

    @staticmethod
    def _turns(consecutive: int, block_size: int) -> list[int]:
        """For each consecutive frame, how many further flow controls came before it, after the first one."""
        found: list[int] = []
        for number, block in enumerate(blocks([b""] * consecutive, block_size)):
            found += [number] * len(block)
        return found

    def _flow_control(self, bus: Bus, module: int) -> FlowControl | None:
        """The flow control a module gets from the adapter; None where it gets none."""
        settings = self.settings
        if not settings.flow_control:
            return None
        if settings.flow_mode == 0:
            return FlowControl()
        if settings.flow_mode == 1 and addressed(bus, settings.flow_header or 0) != module:
            return None
        return read_flow_control(settings.flow_data)

    def _legacy_arrivals(
        self, bus: Bus, own: list[Message], starts_s: float, physical: bool
    ) -> Iterator[Arrival]:
        frames = [legacy_answer(bus, m.module, m.data, physical) for m in own]
        offsets = self.timing.answer_offsets([len(m.data) for m in own], bus)
        for message, frame, offset in zip(own, frames, offsets, strict=True):
            pending = message.data[:1] == bytes((NEGATIVE,)) and message.data[-1] == RESPONSE_PENDING
            yield Arrival(starts_s + offset + message.delay_s, 0, frame, 3, len(frame) - 1, pending)

    # ------------------------------------------------------------- print form

    def _lines(self, arrival: Arrival, bus: Bus) -> list[Line]:
        frame = arrival.frame
        if not bus.is_can:
            shown = frame if self.settings.headers else frame[arrival.data_at : arrival.data_end]
            return [self._line("", shown, len(shown))]
        if self.settings.headers or not self.settings.auto_format:
            head = self._header_text(arrival.identifier, bus) if self.settings.headers else ""
            if self.settings.headers and self.settings.show_length:
                head += f"{len(frame)}" + (" " if self.settings.spaces else "")
            return [self._line(head, frame, arrival.data_end)]
        if is_first(frame):
            length = (frame[0] & 0xF) << 8 | frame[1]
            body = frame[2:]
            return [Line(f"{length:03X}", 3), self._line(self._numbered(0), body, len(body))]
        if is_consecutive(frame):
            return [self._line(self._numbered(frame[0] & 0xF), frame[1:], arrival.data_end - 1)]
        shown = frame[arrival.data_at : arrival.data_end]
        return [self._line("", shown, len(shown))]

    def _numbered(self, number: int) -> str:
        return f"{number:X}:" + (" " if self.settings.spaces else "")

    def _header_text(self, identifier: int, bus: Bus) -> str:
        if not self.settings.spaces:
            return f"{identifier:03X}" if bus.id_bits == 11 else f"{identifier:08X}"
        if bus.id_bits == 11:
            return f"{identifier:03X} "
        return identifier.to_bytes(4, "big").hex(" ").upper() + " "

    def _line(self, head: str, shown: bytes, needed_bytes: int) -> Line:
        """A line of hexadecimal bytes after `head`; `needed_bytes` of them carry the answer."""
        gap = " " if self.settings.spaces else ""
        return Line(
            head + "".join(f"{b:02X}{gap}" for b in shown),
            len(head) + needed_bytes * (2 + len(gap)) - len(gap),
        )
