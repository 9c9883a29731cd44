"""Services 01, 02, 21 and 22: present values, the freeze frame, and the vehicle profile's identifiers.

SAE J1979 / ISO 15031-5, ISO 14229-1 and ISO 14230-3 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable

from camlog.codes.readiness import encode_status
from camlog.codes.trouble import encode_code
from camlog.profile import SignalDefinition
from camlog.signals import SIGNALS
from camlog.simulate.adapter.inquiry import (
    CONDITIONS_NOT_CORRECT,
    OUT_OF_RANGE,
    POSITIVE,
    SUBFUNCTION_NOT_SUPPORTED,
    Inquiry,
    Refused,
    bitmap_or_none,
    finite,
)
from camlog.simulate.adapter.scaling import PIDS, SINCE_CLEAR_PIDS

MAX_PIDS = 6  # SAE J1979, service 01 on CAN
OBD_TYPE = 0x01  # PID 1C: on-board diagnostics after 13 CCR 1968.2
PID_STATUS, PID_FREEZE_CODE, PID_OBD_TYPE = 0x01, 0x02, 0x1C
MAX_CODE_COUNT = 127


# ---------------------------------------------------------------- service 01, current data


def current_data(inquiry: Inquiry) -> list[bytes]:
    """Service 01: up to six PIDs in one request on CAN, one on an older bus."""
    pids = inquiry.data
    if not pids or len(pids) > (MAX_PIDS if inquiry.is_can else 1):
        raise Refused(SUBFUNCTION_NOT_SUPPORTED)
    found = b""
    for pid in dict.fromkeys(pids):
        data = current_pid(inquiry, pid)
        if data is not None:
            found += bytes((pid,)) + data
    if not found:
        raise Refused(SUBFUNCTION_NOT_SUPPORTED)
    return [bytes((0x01 + POSITIVE,)) + found]


def current_pid(inquiry: Inquiry, pid: int) -> bytes | None:
    """Data bytes of one PID of service 01, None where the module has none to give."""
    if pid % 0x20 == 0:
        return bitmap_or_none(supported_pids(inquiry), pid)
    if pid in PIDS:
        name, scaling = PIDS[pid]
        if name in inquiry.car.signals:
            value = inquiry.car.value(name)
            return scaling.encode(value) if finite(value) else None
    if pid == PID_STATUS:
        return status_bytes(inquiry)
    if pid == PID_FREEZE_CODE:
        return _freeze_code(inquiry)
    if pid == PID_OBD_TYPE:
        return bytes((OBD_TYPE,))
    if pid in SINCE_CLEAR_PIDS:
        key, scaling = SINCE_CLEAR_PIDS[pid]
        value = (inquiry.snapshot.since_clear or {}).get(key)
        return scaling.encode(value) if finite(value) else None
    return identifier_data(inquiry, 0x01, pid)


def supported_pids(inquiry: Inquiry) -> set[int]:
    """The PIDs of service 01 this module answers, bitmaps apart."""
    found = {pid for pid, (name, _) in PIDS.items() if name in inquiry.car.signals}
    found |= {identifier for service, identifier in inquiry.definitions if service == 0x01}
    since = inquiry.snapshot.since_clear or {}
    found |= {pid for pid, (key, _) in SINCE_CLEAR_PIDS.items() if finite(since.get(key))}
    if status_bytes(inquiry) is not None:
        found.add(PID_STATUS)
    if inquiry.snapshot.freeze_frame:
        found.add(PID_FREEZE_CODE)
    return found | {PID_OBD_TYPE}


# ---------------------------------------------------------------- service 02, freeze frame


def freeze_frame(inquiry: Inquiry) -> list[bytes]:
    """Service 02: PID and frame number; only frame 00 exists, up to three PIDs a request on CAN."""
    asked = inquiry.data
    if not asked or len(asked) % 2 or (len(asked) > 2 and not inquiry.is_can):
        raise Refused(SUBFUNCTION_NOT_SUPPORTED)
    found = b""
    for pid, frame in zip(asked[::2], asked[1::2], strict=True):
        data = _freeze_pid(inquiry, pid) if frame == 0 else None
        if data is not None:
            found += bytes((pid, frame)) + data
    if not found:
        raise Refused(SUBFUNCTION_NOT_SUPPORTED)
    return [bytes((0x02 + POSITIVE,)) + found]


def _freeze_pid(inquiry: Inquiry, pid: int) -> bytes | None:
    frame = inquiry.snapshot.freeze_frame if inquiry.module == 0 else None
    stored = {p for p, (name, _) in PIDS.items() if frame and finite(frame.get(name))}
    if pid % 0x20 == 0:
        return bitmap_or_none(stored | {PID_FREEZE_CODE}, pid)
    if pid == PID_FREEZE_CODE:
        return _freeze_code(inquiry) or b"\x00\x00"
    return PIDS[pid][1].encode(frame[PIDS[pid][0]]) if pid in stored else None


def _freeze_code(inquiry: Inquiry) -> bytes | None:
    frame = inquiry.snapshot.freeze_frame if inquiry.module == 0 else None
    return encode_code(frame["code"]) if frame and frame.get("code") else None


# ---------------------------------------------------------------- services 21 and 22


def by_identifier(inquiry: Inquiry) -> list[bytes]:
    """Service 22: two-byte identifiers, several in one request on CAN (ISO 14229-1)."""
    asked = inquiry.data
    if not asked or len(asked) % 2 or (len(asked) > 2 and not inquiry.is_can):
        raise Refused(SUBFUNCTION_NOT_SUPPORTED)
    found = b""
    for place in range(0, len(asked), 2):
        identifier = int.from_bytes(asked[place : place + 2], "big")
        data = identifier_data(inquiry, 0x22, identifier)
        if data is not None:
            found += asked[place : place + 2] + data
    if not found:
        raise Refused(_why_nothing(inquiry, 0x22, (int.from_bytes(asked[:2], "big"),)))
    return [bytes((0x22 + POSITIVE,)) + found]


def by_local_identifier(inquiry: Inquiry) -> list[bytes]:
    """Service 21: one one-byte identifier (ISO 14230-3)."""
    if len(inquiry.data) != 1:
        raise Refused(SUBFUNCTION_NOT_SUPPORTED)
    data = identifier_data(inquiry, 0x21, inquiry.data[0])
    if data is None:
        raise Refused(_why_nothing(inquiry, 0x21, inquiry.data))
    return [bytes((0x21 + POSITIVE, inquiry.data[0])) + data]


def _why_nothing(inquiry: Inquiry, service: int, identifiers: Iterable[int]) -> int:
    known = any((service, identifier) in inquiry.definitions for identifier in identifiers)
    return CONDITIONS_NOT_CORRECT if known else OUT_OF_RANGE


def identifier_data(inquiry: Inquiry, service: int, identifier: int) -> bytes | None:
    """Data bytes of an identifier; None where it is unknown or a missing value cannot be said.

    A value missing among others of the same identifier is sent as a count beyond the signal's range,
    as control modules mark an invalid value; where the field can hold no such count the module refuses.
    """
    definitions = inquiry.definitions.get((service, identifier))
    if not definitions:
        return None
    values = {d.name: inquiry.car.value(d.name) for d in definitions}
    if not any(finite(v) for v in values.values()):
        return None
    data = bytearray(max(d.end_byte for d in definitions))
    for definition in definitions:
        value = values[definition.name]
        count = definition.encode(value) if finite(value) else _invalid_count(definition)
        if count is None:
            return None
        definition.pack(count, data)
    return bytes(data)


def _invalid_count(definition: SignalDefinition) -> int | None:
    """A count that decodes to what no working sensor reports, None where every count is possible."""
    known = SIGNALS.get(definition.name)
    if known is None:
        return None
    data = bytearray(definition.end_byte)
    for count in reversed(definition.raw_range):
        definition.pack(count, data)
        value = definition.decode(bytes(data))
        if value is not None and not known.low <= value <= known.high:
            return count
    return None


# ---------------------------------------------------------------- lamp and readiness


def status_bytes(inquiry: Inquiry) -> bytes | None:
    """PID 01: lamp, number of confirmed codes, readiness; None where the module's state is not known."""
    snapshot = inquiry.snapshot
    if snapshot.mil is None or snapshot.stored is None:
        return None
    count = min(MAX_CODE_COUNT, len(inquiry.own(snapshot.stored)))
    # Only the engine module runs the monitors; the lamp bit is on where its own codes light it.
    readiness = snapshot.readiness if inquiry.module == 0 else {"components": "complete"}
    return encode_status(snapshot.mil and (inquiry.module == 0 or count > 0), count, readiness)
