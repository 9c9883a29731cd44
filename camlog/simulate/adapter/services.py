"""A control module's diagnostic services: takes the bytes of a request, returns those of the answer messages.

| service | request | answer |
|---|---|---|
| 01 present values | `01 0C 0D` | `41 0C hh hh 0D hh` |
| 02 freeze frame | `02 0C 00` | `42 0C 00 hh hh` |
| 03, 07, 0A codes: stored, pending, permanent | `03` | `43 02 00 11 03 01` |
| 04 clear | `04` | `44` |
| 06 monitor results | `06 A2` | `46 A2 0C 24 hh hh hh hh hh hh ...` |
| 09 the vehicle's and the module's names | `09 02` | `49 02 01` and 17 characters |
| 21, 22 the vehicle profile's identifiers | `22 F0 A1 F0 A2` | `62 F0 A1 ... F0 A2 ...` |
| 3E tester present | `3E 00` | `7E 00` |

SERVICES is the table of them: SAE J1979 / ISO 15031-5, ISO 14229-1 and ISO 14230-3 (from memory)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

from camlog.codes.service06 import TID_MISFIRE_CURRENT, encode_monitor_test, misfire_mid
from camlog.codes.trouble import encode_codes
from camlog.signals import MAX_CYLINDERS, misfire
from camlog.simulate.adapter.values import (
    CONDITIONS_NOT_CORRECT,
    SERVICE_NOT_SUPPORTED,
    UNSAID_TO_ALL,
    Inquiry,
    Refused,
    defined,
    frozen,
    is_number,
    items,
    negative,
    nothing_defined,
    present,
    supported_map,
)
from camlog.stream import MonitorTest

MAX_CODES = 255
CODES_A_MESSAGE, CHARACTERS_A_MESSAGE = 3, 4  # on the older buses
VIN_CHARACTERS = 17
MODULE_NAMES = {0: "ECM\0-EngineControl", 1: "TCM\0-TransmisCtrl"}  # acronym, dash, name: 20 characters
CALIBRATION_FACTOR = 0x9E3779B1  # turns an invented calibration name into an invented calibration number

Service = Callable[[Inquiry], list[bytes]]


# ---------------------------------------------------------------- services 03, 04, 07 and 0A


def _codes(inquiry: Inquiry, kind: str) -> list[bytes]:
    """Codes of a kind: on CAN after their number, on an older bus three a message, padded with zeros."""
    if inquiry.data:
        raise Refused()
    codes = getattr(inquiry.snapshot, kind)
    if codes is None:  # unknown: stay silent, which a client cannot take for "no codes"
        return []
    texts = inquiry.own(codes)[:MAX_CODES]
    if inquiry.is_can:
        return [inquiry.reply(bytes((len(texts),)), encode_codes(texts))]
    groups = [texts[i : i + CODES_A_MESSAGE] for i in range(0, len(texts), CODES_A_MESSAGE)] or [[]]
    return [inquiry.reply(encode_codes(group).ljust(2 * CODES_A_MESSAGE, b"\0")) for group in groups]


def _clear(inquiry: Inquiry) -> list[bytes]:
    if inquiry.data:
        raise Refused()
    if not inquiry.car.clear_codes():
        raise Refused(CONDITIONS_NOT_CORRECT)
    return [inquiry.reply()]


# ---------------------------------------------------------------- service 06


def _monitor_tests(inquiry: Inquiry) -> list[bytes]:
    """The results of one monitor (MID), or the maps of up to six ranges of them."""
    mids, results = inquiry.data, _results(inquiry)
    if all(mid % 0x20 == 0 for mid in mids):
        maps = ((mid, supported_map(set(results), mid)) for mid in mids)
        data_bytes = b"".join(bytes((mid,)) + data for mid, data in maps if data is not None)
    else:
        data_bytes = results.get(mids[0], b"") if len(mids) == 1 else b""
    if not data_bytes:
        raise Refused()
    return [inquiry.reply(data_bytes)]


def _results(inquiry: Inquiry) -> dict[int, bytes]:
    """Nine bytes a result, by monitor; misfire counts of this driving cycle are the present ones."""
    tests = inquiry.snapshot.monitor_tests if inquiry.module == 0 else ()
    by_ids = {(int(t.mid, 16), int(t.tid, 16)): _restated(t) for t in tests}
    for cylinder in range(1, MAX_CYLINDERS + 1):
        name = misfire(cylinder)
        count = inquiry.car.value(name) if name in inquiry.car.signals else None
        if is_number(count):
            mid, tid = misfire_mid(cylinder), TID_MISFIRE_CURRENT
            result = by_ids.get((mid, tid), MonitorTest(f"{mid:02X}", f"{tid:02X}", 0, None, None, "count"))
            by_ids[mid, tid] = replace(result, value=count)
    sets: dict[int, bytes] = {}
    for (mid, _), test in sorted(by_ids.items()):
        try:
            sets[mid] = sets.get(mid, b"") + encode_monitor_test(test)
        except ValueError:
            continue  # a unit without a number in the standard cannot be sent
    return sets


def _restated(test: MonitorTest) -> MonitorTest:
    """The test in milliseconds if it is in seconds, because the standard counts milliseconds more finely."""
    ends = [None if v is None else v * 1000.0 for v in (test.min, test.max)]
    value = test.value * 1000.0
    if test.unit != "s" or max(abs(v) for v in (value, *ends) if v is not None) > 65_000.0:
        return test
    return replace(test, value=value, min=ends[0], max=ends[1], unit="ms")


# ---------------------------------------------------------------- services 09 and 3E


def _information(inquiry: Inquiry) -> list[bytes]:
    """Vehicle identification number, calibration and module name; in messages of four characters on an older bus."""
    if len(inquiry.data) != 1:
        raise Refused()
    kind, texts = inquiry.data[0], _texts(inquiry)
    messages = {k: -(-len(text) // CHARACTERS_A_MESSAGE) for k, text in texts.items()}
    counts = {} if inquiry.is_can else {k - 1: n for k, n in messages.items() if k % 2 == 0}
    if kind == 0x00:
        mark = b"" if inquiry.is_can else b"\x01"
        return [inquiry.reply(inquiry.data, mark, supported_map({*texts, *counts}, 0) or b"")]
    if kind in counts:
        return [inquiry.reply(inquiry.data, bytes((counts[kind],)))]
    if kind not in texts:
        raise Refused()
    if inquiry.is_can:
        return [inquiry.reply(inquiry.data, b"\x01", texts[kind])]
    text = texts[kind].rjust(messages[kind] * CHARACTERS_A_MESSAGE, b"\0")
    return [
        inquiry.reply(inquiry.data, bytes((number + 1,)), text[at : at + CHARACTERS_A_MESSAGE])
        for number, at in enumerate(range(0, len(text), CHARACTERS_A_MESSAGE))
    ]


def _texts(inquiry: Inquiry) -> dict[int, bytes]:
    calibration = f"CAMLOG-SIM-{inquiry.module:04d}".encode().ljust(16, b"\0")
    number = sum(calibration) * CALIBRATION_FACTOR & 0xFFFFFFFF
    texts = {0x04: calibration, 0x06: number.to_bytes(4, "big")}
    vin = inquiry.car.vin or ""
    if len(vin) == VIN_CHARACTERS and vin.isascii():
        texts[0x02] = vin.encode()
    if inquiry.module in MODULE_NAMES:
        texts[0x0A] = MODULE_NAMES[inquiry.module].encode().ljust(20, b"\0")
    return texts


def _tester_present(inquiry: Inquiry) -> list[bytes]:
    """Keeps a session open; sub-function 80 wants no answer."""
    if inquiry.data[:1] == b"\x80":
        return []
    if inquiry.data not in (b"", b"\x00"):
        raise Refused()
    return [inquiry.reply(inquiry.data)]


ANY_NUMBER = 4095
SERVICES: dict[int, Service] = {
    0x01: partial(items, size=1, most=6, data_of=present),
    0x02: partial(items, size=2, most=ANY_NUMBER, data_of=frozen),
    0x03: partial(_codes, kind="stored"),
    0x04: _clear,
    0x06: _monitor_tests,
    0x07: partial(_codes, kind="pending"),
    0x09: _information,
    0x0A: partial(_codes, kind="permanent"),
    0x21: partial(items, size=1, most=1, data_of=defined, refusal=nothing_defined),
    0x22: partial(items, size=2, most=ANY_NUMBER, data_of=defined, refusal=nothing_defined),
    0x3E: _tester_present,
}
CAN_ONLY = (0x06, 0x0A)  # on older buses the layout of service 06 is maker-specific, and 0A does not exist


def answer(inquiry: Inquiry, to_all: bool) -> list[bytes]:
    """Answer messages to a request; empty if the module stays silent. `to_all`: the request was to every module
    (functional addressing). On CAN an answer is one message; on an older bus it may be several, of at most seven data
    bytes."""
    try:
        if inquiry.service not in SERVICES or (inquiry.service in CAN_ONLY and not inquiry.is_can):
            raise Refused(SERVICE_NOT_SUPPORTED)
        return SERVICES[inquiry.service](inquiry)
    except Refused as refused:
        return [] if to_all and refused.code in UNSAID_TO_ALL else [negative(inquiry.service, refused.code)]
