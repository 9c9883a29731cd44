"""On-board monitor test results: service 06 on CAN, scaled by SAE J1979 / ISO 15031-5 (from memory).

An answer, after its service byte, is one or more sets of nine bytes:
monitor (MID), test (TID), unit-and-scaling identifier, then value, lower and upper limit, two bytes each.
Other protocols than CAN lay service 06 out differently; that form is maker-specific and not read here.
"""

from __future__ import annotations

from dataclasses import dataclass

from camlog.stream import MonitorTest

SET_BYTES = 9
SUPPORT_BYTES = 5  # MID, then 32 bits: one for each of the next 32 MIDs
SIGNED_FROM = 0x80  # identifiers from here on scale a two's complement number

TID_MISFIRE_AVERAGE = 0x0B  # misfires, average of the last ten driving cycles
TID_MISFIRE_CURRENT = 0x0C  # misfires, this driving cycle
MID_MISFIRE_CYLINDER_1 = 0xA2
MAX_MISFIRE_CYLINDERS = 12
# Variable valve timing monitors, by bank
MIDS_VVT = {0x35: 1, 0x36: 2, 0x37: 3, 0x38: 4}


@dataclass(frozen=True, slots=True)
class Scaling:
    """value = raw * factor + offset, in `unit`; an empty unit is a bare number."""

    factor: float
    unit: str
    offset: float = 0.0


SCALINGS: dict[int, Scaling] = {
    0x01: Scaling(1.0, ""),
    0x02: Scaling(0.1, ""),
    0x03: Scaling(0.01, ""),
    0x04: Scaling(0.001, ""),
    0x05: Scaling(0.0000305, ""),
    0x06: Scaling(0.000305, ""),
    0x07: Scaling(0.25, "rpm"),
    0x08: Scaling(0.01, "km/h"),
    0x09: Scaling(1.0, "km/h"),
    0x0A: Scaling(0.122, "mV"),
    0x0B: Scaling(0.001, "V"),
    0x0C: Scaling(0.01, "V"),
    0x0D: Scaling(0.00390625, "mA"),
    0x0E: Scaling(0.001, "A"),
    0x0F: Scaling(0.01, "A"),
    0x10: Scaling(1.0, "ms"),
    0x11: Scaling(100.0, "ms"),
    0x12: Scaling(1.0, "s"),
    0x13: Scaling(1.0, "mOhm"),
    0x14: Scaling(1.0, "Ohm"),
    0x15: Scaling(1.0, "kOhm"),
    0x16: Scaling(0.1, "degC", -40.0),
    0x17: Scaling(0.01, "kPa"),
    0x18: Scaling(0.0117, "kPa"),
    0x19: Scaling(0.079, "kPa"),
    0x1A: Scaling(1.0, "kPa"),
    0x1B: Scaling(10.0, "kPa"),
    0x1C: Scaling(0.01, "deg"),
    0x1D: Scaling(0.5, "deg"),
    0x1E: Scaling(0.0000305, "ratio"),
    0x1F: Scaling(0.05, "ratio"),
    0x20: Scaling(0.00390625, "ratio"),
    0x21: Scaling(1.0, "mHz"),
    0x22: Scaling(1.0, "Hz"),
    0x23: Scaling(1.0, "kHz"),
    0x24: Scaling(1.0, "count"),
    0x25: Scaling(1.0, "km"),
    0x26: Scaling(0.1, "mV/ms"),
    0x27: Scaling(0.01, "g/s"),
    0x28: Scaling(1.0, "g/s"),
    0x29: Scaling(0.25, "Pa/s"),
    0x2A: Scaling(0.001, "kg/h"),
    0x2B: Scaling(1.0, "count"),  # switches
    0x2C: Scaling(0.01, "g"),  # for each cylinder
    0x2D: Scaling(0.01, "mg"),  # for each stroke
    0x2E: Scaling(1.0, ""),  # true or false
    0x2F: Scaling(0.01, "%"),
    0x30: Scaling(0.001526, "%"),
    0x31: Scaling(0.001, "l"),
    0x32: Scaling(0.0000305, "inch"),
    0x33: Scaling(0.00024414, "ratio"),
    0x34: Scaling(1.0, "min"),
    0x35: Scaling(10.0, "ms"),
    0x36: Scaling(0.01, "g"),
    0x37: Scaling(0.1, "g"),
    0x38: Scaling(1.0, "g"),
    0x39: Scaling(0.01, "%", -327.68),
    0x3A: Scaling(0.001, "g"),
    0x3B: Scaling(0.0001, "g"),
    0x3C: Scaling(0.1, "us"),
    0x3D: Scaling(0.01, "mA"),
    0x3E: Scaling(0.00006103516, "mm2"),
    0x3F: Scaling(0.01, "l"),
    0x40: Scaling(1.0, "ppm"),
    0x41: Scaling(0.01, "uA"),
    0x81: Scaling(1.0, ""),
    0x82: Scaling(0.1, ""),
    0x83: Scaling(0.01, ""),
    0x84: Scaling(0.001, ""),
    0x85: Scaling(0.0000305, ""),
    0x86: Scaling(0.000305, ""),
    0x87: Scaling(1.0, "ppm"),
    0x8A: Scaling(0.122, "mV"),
    0x8B: Scaling(0.001, "V"),
    0x8C: Scaling(0.01, "V"),
    0x8D: Scaling(0.00390625, "mA"),
    0x8E: Scaling(0.001, "A"),
    0x90: Scaling(1.0, "ms"),
    0x96: Scaling(0.1, "degC"),
    0x99: Scaling(0.1, "kPa"),
    0x9C: Scaling(0.01, "deg"),
    0x9D: Scaling(0.5, "deg"),
    0xA8: Scaling(1.0, "g/s"),
    0xA9: Scaling(0.25, "Pa/s"),
    0xAD: Scaling(0.01, "mg"),  # for each stroke
    0xAE: Scaling(0.1, "mg"),  # for each stroke
    0xAF: Scaling(0.01, "%"),
    0xB0: Scaling(0.003052, "%"),
    0xB1: Scaling(2.0, "mV/s"),
    0xFC: Scaling(0.01, "kPa"),
    0xFD: Scaling(0.001, "kPa"),
    0xFE: Scaling(0.25, "Pa"),
}
RAW = Scaling(1.0, "")


def misfire_mid(cylinder: int) -> int:
    """The monitor that counts the misfires of a cylinder (from 1). Raises ValueError beyond cylinder 12."""
    if not 1 <= cylinder <= MAX_MISFIRE_CYLINDERS:
        raise ValueError(
            f"service 06 counts misfires of cylinders 1 to {MAX_MISFIRE_CYLINDERS}, not {cylinder}"
        )
    return MID_MISFIRE_CYLINDER_1 + cylinder - 1


def misfire_cylinder(mid: int) -> int | None:
    """The cylinder whose misfires a monitor counts, or None for any other monitor."""
    cylinder = mid - MID_MISFIRE_CYLINDER_1 + 1
    return cylinder if 1 <= cylinder <= MAX_MISFIRE_CYLINDERS else None


def decode_monitor_tests(data: bytes) -> tuple[MonitorTest, ...]:
    """All test results of one answer; `data` begins after the service byte.

    An unknown unit-and-scaling identifier gives the raw counts with an empty unit. Raises
    ValueError where `data` is not made of whole sets: a result then may have been cut anywhere.
    """
    if not data or len(data) % SET_BYTES:
        raise ValueError(f"{len(data)} bytes do not hold whole sets of {SET_BYTES}")
    return tuple(_decode_set(data[place : place + SET_BYTES]) for place in range(0, len(data), SET_BYTES))


def _decode_set(data: bytes) -> MonitorTest:
    mid, tid, identifier = data[:3]
    scaling = SCALINGS.get(identifier, RAW)
    signed = identifier >= SIGNED_FROM
    value, low, high = (
        int.from_bytes(data[place : place + 2], "big", signed=signed) * scaling.factor + scaling.offset
        for place in (3, 5, 7)
    )
    return MonitorTest(f"{mid:02X}", f"{tid:02X}", value, low, high, scaling.unit)


def encode_monitor_test(test: MonitorTest, identifier: int | None = None) -> bytes:
    """The nine bytes of one result, each number at the nearest count the two bytes can hold.

    `identifier` chooses the scaling; by default the finest unsigned one of the test's unit that
    holds all its numbers, else a signed one. A lower limit of None is the lowest count, an upper
    one the highest. Raises ValueError where no scaling fits, or the given one has another unit.
    """
    if identifier is None:
        identifier = _fitting(test)
    scaling = SCALINGS.get(identifier, RAW)
    if scaling.unit != test.unit:
        raise ValueError(f"scaling {identifier:02X} is in {scaling.unit!r}, the test in {test.unit!r}")
    lowest, highest = _count_range(identifier)
    counts = [
        lowest if test.min is None and part == "min" else
        highest if test.max is None and part == "max" else
        min(max(round((getattr(test, part) - scaling.offset) / scaling.factor), lowest), highest)
        for part in ("value", "min", "max")
    ]  # fmt: skip
    signed = identifier >= SIGNED_FROM
    numbers = b"".join(count.to_bytes(2, "big", signed=signed) for count in counts)
    return bytes((int(test.mid, 16), int(test.tid, 16), identifier)) + numbers


def _count_range(identifier: int) -> tuple[int, int]:
    return (-0x8000, 0x7FFF) if identifier >= SIGNED_FROM else (0, 0xFFFF)


def _fitting(test: MonitorTest) -> int:
    numbers = [n for n in (test.value, test.min, test.max) if n is not None]
    same_unit = [(i >= SIGNED_FROM, s.factor, i) for i, s in SCALINGS.items() if s.unit == test.unit]
    for _, _, identifier in sorted(same_unit):
        scaling = SCALINGS[identifier]
        low, high = (count * scaling.factor + scaling.offset for count in _count_range(identifier))
        if all(low <= n <= high for n in numbers):
            return identifier
    raise ValueError(f"no scaling of service 06 holds {numbers} {test.unit!r}")


def decode_supported(data: bytes) -> tuple[int, ...]:
    """The identifiers that a support answer says exist: MIDs in service 06, PIDs in 01 and 09.

    `data` begins after the service byte: an identifier 00, 20, 40 … and the 32 bits for those
    that follow it, possibly several times. Raises ValueError for another length or identifier.
    """
    if not data or len(data) % SUPPORT_BYTES:
        raise ValueError(f"{len(data)} bytes do not hold whole support masks of {SUPPORT_BYTES}")
    found = []
    for place in range(0, len(data), SUPPORT_BYTES):
        first = data[place]
        if first % 0x20:
            raise ValueError(f"{first:02X} is no identifier of a support mask")
        mask = int.from_bytes(data[place + 1 : place + SUPPORT_BYTES], "big")
        found += [first + bit for bit in range(1, 33) if mask >> (32 - bit) & 1]
    return tuple(found)
