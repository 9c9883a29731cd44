"""On-board monitor test results: service 06 on CAN, scaled by SAE J1979 / ISO 15031-5 (from memory).

An answer, after its service byte, is one or more sets of nine bytes:
monitor (MID), test (TID), unit-and-scaling identifier, then value, lower and upper limit, two bytes each.
Other protocols than CAN lay service 06 out differently; that form is maker-specific and not read here.
"""

from __future__ import annotations

from dataclasses import dataclass

from camlog.stream import MonitorTest

SET_BYTES = 9
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


# By unit: what one count of each unit-and-scaling identifier is worth. A bare number has no unit.
_FACTORS: dict[str, dict[int, float]] = {
    "": {
        0x01: 1.0, 0x02: 0.1, 0x03: 0.01, 0x04: 0.001, 0x05: 0.0000305, 0x06: 0.000305, 0x2E: 1.0,
        0x81: 1.0, 0x82: 0.1, 0x83: 0.01, 0x84: 0.001, 0x85: 0.0000305, 0x86: 0.000305,
    },
    "rpm": {0x07: 0.25},
    "km/h": {0x08: 0.01, 0x09: 1.0},
    "mV": {0x0A: 0.122, 0x8A: 0.122},
    "V": {0x0B: 0.001, 0x0C: 0.01, 0x8B: 0.001, 0x8C: 0.01},
    "mA": {0x0D: 0.00390625, 0x3D: 0.01, 0x8D: 0.00390625},
    "A": {0x0E: 0.001, 0x0F: 0.01, 0x8E: 0.001},
    "ms": {0x10: 1.0, 0x11: 100.0, 0x35: 10.0, 0x90: 1.0},
    "s": {0x12: 1.0},
    "mOhm": {0x13: 1.0},
    "Ohm": {0x14: 1.0},
    "kOhm": {0x15: 1.0},
    "degC": {0x16: 0.1, 0x96: 0.1},
    "kPa": {0x17: 0.01, 0x18: 0.0117, 0x19: 0.079, 0x1A: 1.0, 0x1B: 10.0, 0x99: 0.1, 0xFC: 0.01, 0xFD: 0.001},
    "deg": {0x1C: 0.01, 0x1D: 0.5, 0x9C: 0.01, 0x9D: 0.5},
    "ratio": {0x1E: 0.0000305, 0x1F: 0.05, 0x20: 0.00390625, 0x33: 0.00024414},
    "mHz": {0x21: 1.0},
    "Hz": {0x22: 1.0},
    "kHz": {0x23: 1.0},
    "count": {0x24: 1.0, 0x2B: 1.0},
    "km": {0x25: 1.0},
    "mV/ms": {0x26: 0.1},
    "g/s": {0x27: 0.01, 0x28: 1.0, 0xA8: 1.0},
    "Pa/s": {0x29: 0.25, 0xA9: 0.25},
    "kg/h": {0x2A: 0.001},
    "g": {0x2C: 0.01, 0x36: 0.01, 0x37: 0.1, 0x38: 1.0, 0x3A: 0.001, 0x3B: 0.0001},
    "mg": {0x2D: 0.01, 0xAD: 0.01, 0xAE: 0.1},
    "%": {0x2F: 0.01, 0x30: 0.001526, 0x39: 0.01, 0xAF: 0.01, 0xB0: 0.003052},
    "l": {0x31: 0.001, 0x3F: 0.01},
    "inch": {0x32: 0.0000305},
    "min": {0x34: 1.0},
    "us": {0x3C: 0.1},
    "mm2": {0x3E: 0.00006103516},
    "ppm": {0x40: 1.0, 0x87: 1.0},
    "uA": {0x41: 0.01},
    "mV/s": {0xB1: 2.0},
    "Pa": {0xFE: 0.25},
}  # fmt: skip
_OFFSETS = {0x16: -40.0, 0x39: -327.68}
SCALINGS: dict[int, Scaling] = {
    identifier: Scaling(factor, unit, _OFFSETS.get(identifier, 0.0))
    for unit, factors in _FACTORS.items()
    for identifier, factor in factors.items()
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
