"""A request to a diagnostic service, and the values in the answers of services 01, 02, 21 and 22. SAE J1979 / ISO
15031-5, ISO 14229-1 and ISO 14230-3 (from memory). Values that the vehicle does not have, or does not support, are left
out of the answer."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeGuard

from camlog.codes.readiness import encode_status
from camlog.codes.trouble import encode_code
from camlog.profile import SignalDefinition
from camlog.signals import SIGNALS
from camlog.simulate.adapter.buses import ecu_name
from camlog.simulate.car import PIDS, Answering, Scaling
from camlog.stream import CodeSnapshot, TroubleCode

NEGATIVE, POSITIVE = 0x7F, 0x40
SERVICE_NOT_SUPPORTED, SUBFUNCTION_NOT_SUPPORTED = 0x11, 0x12
CONDITIONS_NOT_CORRECT, OUT_OF_RANGE, RESPONSE_PENDING = 0x22, 0x31, 0x78
# Negative responses that a module does not send if the request was to every module (ISO 14229-1).
UNSAID_TO_ALL = (SERVICE_NOT_SUPPORTED, SUBFUNCTION_NOT_SUPPORTED, OUT_OF_RANGE)

OBD_TYPE = 0x01  # PID 1C: on-board diagnostics after 13 CCR 1968.2
PID_STATUS, PID_FREEZE_CODE, PID_OBD_TYPE = 0x01, 0x02, 0x1C
MAX_CODE_COUNT = 127


class Refused(Exception):
    """A request that the module answers with the negative response `code`."""

    def __init__(self, code: int = SUBFUNCTION_NOT_SUPPORTED):
        super().__init__(f"negative response {code:02X}")
        self.code = code


@dataclass
class Inquiry:
    """One request: the service, the bytes after it, the number of the module asked, the kind of bus."""

    car: Answering
    module: int
    service: int
    data: bytes
    is_can: bool
    definitions: Mapping[tuple[int, int], Sequence[SignalDefinition]]

    @cached_property
    def snapshot(self) -> CodeSnapshot:
        return self.car.code_snapshot()

    @property
    def freeze_frame(self) -> Mapping[str, Any] | None:
        return self.snapshot.freeze_frame if self.module == 0 else None

    def own(self, codes: Iterable[TroubleCode]) -> list[str]:
        """The codes that this module holds; a code that names no module is the engine's."""
        name = ecu_name(self.module)
        return [c.code for c in codes if c.ecu == name or (not c.ecu and self.module == 0)]

    def reply(self, *parts: bytes) -> bytes:
        return bytes((self.service + POSITIVE,)) + b"".join(parts)


def negative(service: int, code: int) -> bytes:
    return bytes((NEGATIVE, service, code))


def supported_map(supported: set[int], base: int) -> bytes | None:
    """Four bytes: which of the 32 numbers after `base` are supported; the last bit is set if there are higher ones.
    None if there is none after `base`; base 00 is always answered."""
    if base and max(supported, default=0) <= base:
        return None
    bits = sum(1 << (32 - n + base) for n in supported if base < n <= base + 32)
    return (bits | any(n > base + 32 for n in supported)).to_bytes(4, "big")


def is_number(value: float | None) -> TypeGuard[float]:
    return value is not None and math.isfinite(value)


def _encoded(scaling: Scaling, value: float | None) -> bytes | None:
    return scaling.encode(value) if is_number(value) else None


def items(
    inquiry: Inquiry,
    size: int,
    most: int,
    data_of: Callable[[Inquiry, bytes], bytes | None],
    refusal: Callable[[Inquiry], int] = lambda inquiry: SUBFUNCTION_NOT_SUPPORTED,
) -> list[bytes]:
    """Answer items of `size` bytes, each with its echo before its data; at most `most` on CAN, one on an older bus."""
    data = inquiry.data
    if not data or len(data) % size or len(data) > size * (most if inquiry.is_can else 1):
        raise Refused()
    data_bytes = b""
    for item in dict.fromkeys(data[at : at + size] for at in range(0, len(data), size)):
        found = data_of(inquiry, item)
        data_bytes += b"" if found is None else item + found
    if not data_bytes:
        raise Refused(refusal(inquiry))
    return [inquiry.reply(data_bytes)]


# ---------------------------------------------------------------- services 01 and 02

# Counters kept since the codes were cleared: PID -> (key of CodeSnapshot.since_clear, scaling).
SINCE_CLEAR_PIDS: dict[int, tuple[str, Scaling]] = {
    0x21: ("distance_with_mil_km", Scaling(2, 1.0)),
    0x30: ("warm_ups", Scaling(1, 1.0)),
    0x31: ("distance_km", Scaling(2, 1.0)),
    0x4D: ("time_with_mil_min", Scaling(2, 1.0)),
    0x4E: ("time_min", Scaling(2, 1.0)),
}


def present(inquiry: Inquiry, item: bytes) -> bytes | None:
    pid, car = item[0], inquiry.car
    if pid % 0x20 == 0:
        return supported_map(_supported_pids(inquiry), pid)
    if pid in PIDS and PIDS[pid][0] in car.signals:
        name, scaling = PIDS[pid]
        return _encoded(scaling, car.value(name))
    if pid == PID_STATUS:
        return _status(inquiry)
    if pid == PID_FREEZE_CODE:
        return _freeze_code(inquiry)
    if pid == PID_OBD_TYPE:
        return bytes((OBD_TYPE,))
    if pid in SINCE_CLEAR_PIDS:
        key, scaling = SINCE_CLEAR_PIDS[pid]
        return _encoded(scaling, (inquiry.snapshot.since_clear or {}).get(key))
    return defined(inquiry, item)


def _supported_pids(inquiry: Inquiry) -> set[int]:
    pids = {pid for pid, (name, _) in PIDS.items() if name in inquiry.car.signals}
    pids |= {identifier for service, identifier in inquiry.definitions if service == 0x01}
    since = inquiry.snapshot.since_clear or {}
    pids |= {pid for pid, (key, _) in SINCE_CLEAR_PIDS.items() if is_number(since.get(key))}
    if _status(inquiry) is not None:
        pids.add(PID_STATUS)
    if inquiry.snapshot.freeze_frame:
        pids.add(PID_FREEZE_CODE)
    return pids | {PID_OBD_TYPE}


def _status(inquiry: Inquiry) -> bytes | None:
    """PID 01: lamp, number of confirmed codes, readiness; None if the module's state is unknown."""
    snapshot = inquiry.snapshot
    if snapshot.mil is None or snapshot.stored is None:
        return None
    count = min(MAX_CODE_COUNT, len(inquiry.own(snapshot.stored)))
    # Only the engine module runs the monitors; the lamp bit is set if the module's own codes light it.
    readiness = snapshot.readiness if inquiry.module == 0 else {"components": "complete"}
    return encode_status(snapshot.mil and (inquiry.module == 0 or count > 0), count, readiness)


def _freeze_code(inquiry: Inquiry) -> bytes | None:
    frame = inquiry.freeze_frame
    return encode_code(frame["code"]) if frame and frame.get("code") else None


def frozen(inquiry: Inquiry, item: bytes) -> bytes | None:
    """Data bytes of one PID of the freeze frame; only frame 00 exists."""
    pid, number = item
    frame = inquiry.freeze_frame or {}
    stored = {p for p, (name, _) in PIDS.items() if is_number(frame.get(name))}
    if number:
        return None
    if pid % 0x20 == 0:
        return supported_map(stored | {PID_FREEZE_CODE}, pid)
    if pid == PID_FREEZE_CODE:
        return _freeze_code(inquiry) or b"\x00\x00"
    return PIDS[pid][1].encode(frame[PIDS[pid][0]]) if pid in stored else None


# ---------------------------------------------------------------- services 21 and 22


def defined(inquiry: Inquiry, item: bytes) -> bytes | None:
    """Data bytes of an identifier of the vehicle profile; None if it is unknown or has no value at all. A value missing
    among others of the same identifier is sent as a count outside the signal's range, as control modules mark an
    invalid value; if the field has no such count, the module refuses."""
    definitions = inquiry.definitions.get((inquiry.service, int.from_bytes(item, "big")), ())
    values = {d.name: inquiry.car.value(d.name) for d in definitions}
    if not any(map(is_number, values.values())):
        return None
    data = bytearray(max(d.end_byte for d in definitions))
    for definition in definitions:
        value = values[definition.name]
        count = definition.encode(value) if is_number(value) else _invalid_count(definition)
        if count is None:
            return None
        definition.pack(count, data)
    return bytes(data)


def _invalid_count(definition: SignalDefinition) -> int | None:
    """A count that decodes to a value outside the signal's range; None if there is none."""
    standard = SIGNALS.get(definition.name)
    if standard is None:
        return None
    for count in reversed(definition.raw_range):
        data = bytearray(definition.end_byte)
        definition.pack(count, data)
        value = definition.decode(bytes(data))
        if value is not None and not standard.low <= value <= standard.high:
            return count
    return None


def nothing_defined(inquiry: Inquiry) -> int:
    """The negative response if no identifier has a value: the first one is known but has none now, or is unknown."""
    first = int.from_bytes(inquiry.data[:1] if inquiry.service == 0x21 else inquiry.data[:2], "big")
    return CONDITIONS_NOT_CORRECT if (inquiry.service, first) in inquiry.definitions else OUT_OF_RANGE
