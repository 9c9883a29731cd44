"""Requests: the signals that one request asks for, and how its answer is checked and decoded.

Packing follows SAE J1979 on CAN (up to six PIDs in one service 01 request) and ISO 14229-1 (several identifiers in one
service 22 request). An answer counts only if service, every PID or identifier echo, and length match the request; each
value must also lie in its signal's range. A value that fails a check is missing, never a number."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from obd import commands
from obd.protocols.protocol import Message

from camlog.capture.lines import CONSECUTIVE_FRAME_BYTES, FIRST_FRAME_BYTES, is_whole
from camlog.codes.service06 import decode_monitor_tests, misfire_mid
from camlog.numbers import decimals_of
from camlog.profile import SignalDefinition, VehicleProfile
from camlog.signals import BY_PID, SIGNALS, misfire

MAX_PIDS = 6  # SAE J1979, service 01 on CAN
SINGLE_FRAME_BYTES = 7  # ISO 15765-2: payload of a single frame
MAX_COUNT_DIGIT = 0xF

NEGATIVE = 0x7F
POSITIVE = 0x40  # added to the service in a positive answer (ISO 14229-1)
SERVICE_CURRENT = 0x01
SERVICE_MONITOR_TESTS = 0x06
MISFIRE_THIS_CYCLE_TID = 0x0C
BIT_MAPS = range(0x00, 0xE0, 0x20)  # SAE J1979: each names the 32 numbers after its own, the last the next map


@dataclass(frozen=True, slots=True)
class Item:
    """One PID, identifier or MID: `size` data bytes that carry the values of `signals`.

    `decode` maps those bytes to {signal: value}; a value it cannot give is absent."""

    key: int
    size: int
    signals: tuple[str, ...]
    decode: Callable[[bytes], dict[str, float]]


@dataclass(frozen=True, slots=True)
class Request:
    """One request: a service and one or more of its items, to one module. `header` is the module's request identifier;

    None is the engine module."""

    service: int
    items: tuple[Item, ...]
    header: int | None = None

    @property
    def key_bytes(self) -> int:
        return 2 if self.service == 0x22 else 1

    @property
    def signals(self) -> tuple[str, ...]:
        return tuple(s for item in self.items for s in item.signals)

    @property
    def text(self) -> bytes:
        """The request in hexadecimal, without the response-count digit."""
        width = 2 * self.key_bytes
        return (f"{self.service:02X}" + "".join(f"{i.key:0{width}X}" for i in self.items)).encode()

    @property
    def answer_bytes(self) -> int:
        """Length of a complete answer in bytes, service byte included; 0 if it varies."""
        if self.service == SERVICE_MONITOR_TESTS:
            return 0
        return 1 + sum(self.key_bytes + i.size for i in self.items)

    @property
    def answer_frames(self) -> int:
        """CAN frames of a complete answer (ISO 15765-2); 0 where unknown."""
        return frames_for(self.answer_bytes) if self.answer_bytes else 0


def frames_for(payload_bytes: int) -> int:
    """Number of CAN frames that carry a payload (ISO 15765-2: 7 in a single frame, else 6 then 7 each)."""
    if payload_bytes <= SINGLE_FRAME_BYTES:
        return 1
    return 1 + -(-(payload_bytes - FIRST_FRAME_BYTES) // CONSECUTIVE_FRAME_BYTES)


def identifier_request(service: int, identifier: int) -> tuple[bytes, bytes]:
    """A request for one identifier, without the response-count digit, and the first bytes of its answer."""
    request = Request(service, (Item(identifier, 0, (), lambda data: {}),))
    return request.text, bytes((service + POSITIVE,)) + identifier.to_bytes(request.key_bytes, "big")


@dataclass(frozen=True, slots=True)
class Answer:
    """The values of one answer, and the name of a problem if it failed a check (values may then be partial)."""

    values: dict[str, float]
    problem: str | None = None


def read_answer(request: Request, messages: Iterable[Message]) -> Answer:
    """Check an answer against its request and decode it.

    Problems without values: `no_data`, `negative`, `wrong_service`, `wrong_echo`, `wrong_length`. Problems with values:
    `out_of_range` (some may be missing) and `left_out` (the module gave fewer items than requested)."""
    problem = "no_data"
    for message in messages:
        data = bytes(message.data)
        if not data:
            continue
        if data[0] == NEGATIVE:
            problem = "negative" if data[1:2] == bytes([request.service]) else "wrong_service"
            continue
        if data[0] != request.service + POSITIVE:
            problem = "wrong_service"
            continue
        if not is_whole(message):
            problem = "wrong_length"
            continue
        answer = _split(request, data[1:])
        if answer.problem in (None, "out_of_range", "left_out"):
            return answer
        problem = answer.problem
    return Answer({}, problem)


def _split(request: Request, data: bytes) -> Answer:
    if request.service == SERVICE_MONITOR_TESTS:
        item = request.items[0]
        if not data or data[0] != item.key:
            return Answer({}, "wrong_echo")
        try:
            return _in_range(item.decode(data))
        except ValueError:  # not a whole number of results
            return Answer({}, "wrong_length")
    by_key = {i.key: i for i in request.items}
    width, at = request.key_bytes, 0
    values: dict[str, float] = {}
    while at < len(data):
        key = int.from_bytes(data[at : at + width], "big")
        if key not in by_key:
            return Answer({}, "wrong_echo")
        item = by_key.pop(key)
        at += width
        if at + item.size > len(data):
            return Answer({}, "wrong_length")
        values |= item.decode(data[at : at + item.size])
        at += item.size
    answer = _in_range(values)
    # A module leaves out items without a present value (SAE J1979); the others are valid.
    return Answer(values, "left_out") if by_key and answer.problem is None else answer


def _in_range(values: dict[str, float]) -> Answer:
    kept = in_range(values)
    return Answer(kept, None if len(kept) == len(values) else "out_of_range")


def in_range(values: dict[str, float]) -> dict[str, float]:
    """The values that a working sensor can report; unknown signals have no bounds."""
    return {
        name: value
        for name, value in values.items()
        if name not in SIGNALS or SIGNALS[name].low <= value <= SIGNALS[name].high
    }


def all_mapped(of_map: Callable[[int], Iterable[int]]) -> frozenset[int]:
    """Every number in a module's bit maps; `of_map` reads the map with the given number and returns its numbers."""
    numbers: set[int] = set()
    for first in BIT_MAPS:
        if first and first not in numbers:
            break
        numbers.update(of_map(first))
    return frozenset(numbers)


def supported_by_map(first: int, data: bytes) -> set[int]:
    """The numbers set in a bit map of four bytes: bit 7 of the first byte is `first` + 1 (SAE J1979)."""
    bits = int.from_bytes(data[:4], "big")
    return {first + n for n in range(1, 33) if bits >> (32 - n) & 1}


def named_by_map(messages: Iterable[Message], service: int, first: int) -> frozenset[int]:
    """The numbers in the answers to a request for the bit map `first` of a service; none without an answer."""
    begins = bytes((service + POSITIVE, first))
    maps = [bytes(m.data)[2:6] for m in messages if m.data.startswith(begins) and len(m.data) >= 6]
    return frozenset(n for data in maps for n in supported_by_map(first, data))


# ---------------------------------------------------------------- items


def pid_item(pid: int) -> Item:
    """The item of a standard signal's PID, decoded by python-obd and rounded to the resolution of its bytes."""
    signal = BY_PID[pid]
    command = commands[SERVICE_CURRENT][pid]

    def exact(data: bytes) -> float | None:
        message = Message([])
        message.data = bytearray((SERVICE_CURRENT + POSITIVE, pid)) + data
        value = command.decode([message])
        if value is None:
            return None
        if hasattr(value, "to") and str(value.units) != signal.unit:
            value = value.to(_OBD_UNITS.get(signal.unit, signal.unit))
        return float(getattr(value, "magnitude", value))

    size = command.bytes - 2
    none, one = (exact(count.to_bytes(size, "big")) for count in (0, 1))
    decimals = None if none is None or one is None else decimals_of(abs(one - none), none)

    def decode(data: bytes) -> dict[str, float]:
        value = exact(data)
        return {} if value is None else {signal.name: value if decimals is None else round(value, decimals)}

    return Item(pid, size, (signal.name,), decode)


# python-obd's names for units that pint spells otherwise.
_OBD_UNITS = {"%": "percent", "g/s": "grams_per_second", "km/h": "kph", "deg": "degree", "s": "second", "V": "volt"}


def definition_item(identifier: int, size: int, definitions: Sequence[SignalDefinition]) -> Item:
    """The item of a profile's identifier; `size` is the number of data bytes in the vehicle's answer."""

    with_decimals = [(d, decimals_of(d.step, d.decode(bytes(d.end_byte)) or 0.0)) for d in definitions]

    def decode(data: bytes) -> dict[str, float]:
        values = {d.name: (d.decode(data), decimals) for d, decimals in with_decimals}
        return {name: round(value, decimals) for name, (value, decimals) in values.items() if value is not None}

    return Item(identifier, size, tuple(d.name for d in definitions), decode)


def misfire_item(cylinder: int) -> Item:
    """The item of a cylinder's misfire count this driving cycle: service 06, MID A2 and on, TID 0C."""
    mid, name = misfire_mid(cylinder), misfire(cylinder)

    def decode(data: bytes) -> dict[str, float]:
        for test in decode_monitor_tests(data):
            if int(test.mid, 16) == mid and int(test.tid, 16) == MISFIRE_THIS_CYCLE_TID:
                return {name: test.value}
        return {}

    return Item(mid, 0, (name,), decode)


# ---------------------------------------------------------------- packing


def pack(
    items: Sequence[Item], service: int, header: int | None, most: int, frames: int | None = None
) -> list[Request]:
    """Pack items into as few requests as possible, with at most `most` items and, if given, `frames` answer frames
    each."""
    packed: list[Request] = []
    rest = list(items)
    while rest:
        batch = rest[:1]
        for item in rest[1:]:
            trial = Request(service, (*batch, item), header)
            if len(batch) < most and (frames is None or trial.answer_frames <= frames):
                batch.append(item)
        packed.append(Request(service, tuple(batch), header))
        rest = [i for i in rest if i not in batch]
    return packed


def profile_groups(profile: VehicleProfile) -> dict[tuple[int, int | None, int], list[SignalDefinition]]:
    """A profile's signals by (service, request header, identifier), in the profile's order."""
    groups: dict[tuple[int, int | None, int], list[SignalDefinition]] = {}
    for definition in profile.signals:
        groups.setdefault((definition.service, definition.request_header, definition.identifier), []).append(definition)
    return groups
