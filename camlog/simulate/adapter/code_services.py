"""Services 03, 04, 06, 07, 09 and 0A: codes, clearing, monitor results, what vehicle this is.

SAE J1979 / ISO 15031-5 (from memory). On CAN a list of codes begins with their number; on the older
buses each message carries three codes, filled up with zeros, and long answers are numbered messages.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from camlog.codes.service06 import TID_MISFIRE_CURRENT, encode_monitor_test, misfire_mid
from camlog.codes.trouble import encode_codes
from camlog.signals import MAX_CYLINDERS, misfire
from camlog.simulate.adapter.inquiry import (
    CONDITIONS_NOT_CORRECT,
    POSITIVE,
    SUBFUNCTION_NOT_SUPPORTED,
    Inquiry,
    Refused,
    bitmap_or_none,
    finite,
)
from camlog.stream import MonitorTest, TroubleCode

MAX_CODES = 255
CODES_A_MESSAGE = 3  # on the older buses
CHARACTERS_A_MESSAGE = 4
VIN_CHARACTERS = 17
_NAMES = {0: "ECM\0-EngineControl", 1: "TCM\0-TransmisCtrl"}  # acronym, dash, name: 20 characters


def stored_codes(inquiry: Inquiry) -> list[bytes]:
    """Service 03."""
    return _codes(inquiry, 0x03, inquiry.snapshot.stored)


def pending_codes(inquiry: Inquiry) -> list[bytes]:
    """Service 07."""
    return _codes(inquiry, 0x07, inquiry.snapshot.pending)


def permanent_codes(inquiry: Inquiry) -> list[bytes]:
    """Service 0A."""
    return _codes(inquiry, 0x0A, inquiry.snapshot.permanent)


def _codes(inquiry: Inquiry, service: int, codes: Iterable[TroubleCode] | None) -> list[bytes]:
    if inquiry.data:
        raise Refused(SUBFUNCTION_NOT_SUPPORTED)
    if codes is None:  # not known: silence, which a client cannot take for "no codes"
        return []
    texts = [c.code for c in inquiry.own(codes)][:MAX_CODES]
    reply = service + POSITIVE
    if inquiry.is_can:
        return [bytes((reply, len(texts))) + encode_codes(texts)]
    groups = [texts[i : i + CODES_A_MESSAGE] for i in range(0, len(texts), CODES_A_MESSAGE)] or [[]]
    return [bytes((reply,)) + encode_codes(group).ljust(2 * CODES_A_MESSAGE, b"\0") for group in groups]


def clear(inquiry: Inquiry) -> list[bytes]:
    """Service 04; refused where conditions are not right."""
    if inquiry.data:
        raise Refused(SUBFUNCTION_NOT_SUPPORTED)
    if not inquiry.car.clear_codes():
        raise Refused(CONDITIONS_NOT_CORRECT)
    return [bytes((0x04 + POSITIVE,))]


# ---------------------------------------------------------------- service 06


def monitor_tests(inquiry: Inquiry) -> list[bytes]:
    """Service 06: the results of one monitor (MID), or the maps of up to six ranges of them."""
    asked = inquiry.data
    if not asked:
        raise Refused(SUBFUNCTION_NOT_SUPPORTED)
    results = _results(inquiry)
    if all(mid % 0x20 == 0 for mid in asked):
        maps = [(mid, bitmap_or_none(set(results), mid)) for mid in asked]
        found = b"".join(bytes((mid,)) + data for mid, data in maps if data is not None)
    else:
        found = b"".join(results.get(asked[0], ())) if len(asked) == 1 else b""
    if not found:
        raise Refused(SUBFUNCTION_NOT_SUPPORTED)
    return [bytes((0x06 + POSITIVE,)) + found]


def _results(inquiry: Inquiry) -> dict[int, list[bytes]]:
    """Nine bytes a result, by monitor; misfire counts of this driving cycle are the present ones."""
    tests = [_restated(t) for t in inquiry.snapshot.monitor_tests] if inquiry.module == 0 else []
    for cylinder in range(1, MAX_CYLINDERS + 1):
        name = misfire(cylinder)
        count = inquiry.car.value(name) if name in inquiry.car.signals else None
        if not finite(count):
            continue
        ids = (misfire_mid(cylinder), TID_MISFIRE_CURRENT)
        held = next((t for t in tests if (int(t.mid, 16), int(t.tid, 16)) == ids), None)
        present = replace(held, value=count) if held else MonitorTest(
            f"{ids[0]:02X}", f"{ids[1]:02X}", count, None, None, "count"
        )  # fmt: skip
        tests = [t for t in tests if t is not held] + [present]
    found: dict[int, list[bytes]] = {}
    for test in sorted(tests, key=lambda t: (int(t.mid, 16), int(t.tid, 16))):
        try:
            encoded = encode_monitor_test(test)
        except ValueError:
            continue  # a unit the standard has no number for cannot be sent
        found.setdefault(int(test.mid, 16), []).append(encoded)
    return found


def _restated(test: MonitorTest) -> MonitorTest:
    """Seconds as milliseconds, which the standard counts more finely."""
    if test.unit != "s" or max(abs(v) for v in (test.value, test.min, test.max) if v is not None) > 65:
        return test
    low, high = (None if v is None else v * 1000.0 for v in (test.min, test.max))
    return replace(test, value=test.value * 1000.0, min=low, max=high, unit="ms")


# ---------------------------------------------------------------- service 09


def vehicle_information(inquiry: Inquiry) -> list[bytes]:
    """Service 09: vehicle identification number, calibration, name of the module."""
    if len(inquiry.data) != 1:
        raise Refused(SUBFUNCTION_NOT_SUPPORTED)
    return _information_on_can(inquiry) if inquiry.is_can else _information_in_messages(inquiry)


def _texts(inquiry: Inquiry) -> dict[int, bytes]:
    calibration = f"CAMLOG-SIM-{inquiry.module:04d}".encode().ljust(16, b"\0")
    found = {0x04: calibration, 0x06: (sum(calibration) * 0x9E3779B1 & 0xFFFFFFFF).to_bytes(4, "big")}
    vin = inquiry.car.vin or ""
    if len(vin) == VIN_CHARACTERS and vin.isascii():
        found[0x02] = vin.encode()
    name = _NAMES.get(inquiry.module)
    if name:
        found[0x0A] = name.encode().ljust(20, b"\0")
    return found


def _information_on_can(inquiry: Inquiry) -> list[bytes]:
    kind, texts = inquiry.data[0], _texts(inquiry)
    head = bytes((0x09 + POSITIVE, kind))
    if kind == 0x00:
        return [head + bitmap_or_none(set(texts), 0)]
    if kind not in texts:
        raise Refused(SUBFUNCTION_NOT_SUPPORTED)
    return [head + b"\x01" + texts[kind]]


def _information_in_messages(inquiry: Inquiry) -> list[bytes]:
    kind, texts = inquiry.data[0], _texts(inquiry)
    head = bytes((0x09 + POSITIVE, kind))
    messages = {k: -(-len(text) // CHARACTERS_A_MESSAGE) for k, text in texts.items()}
    counts = {k - 1: n for k, n in messages.items() if k % 2 == 0}
    if kind == 0x00:
        return [head + b"\x01" + bitmap_or_none(set(messages) | set(counts), 0)]
    if kind in counts:
        return [head + bytes((counts[kind],))]
    if kind not in texts:
        raise Refused(SUBFUNCTION_NOT_SUPPORTED)
    text = texts[kind].rjust(messages[kind] * CHARACTERS_A_MESSAGE, b"\0")
    return [
        head + bytes((number + 1,)) + text[at : at + CHARACTERS_A_MESSAGE]
        for number, at in enumerate(range(0, len(text), CHARACTERS_A_MESSAGE))
    ]
