"""On-board monitor test results: service 06 on CAN, scaled by SAE J1979 / ISO 15031-5 (from memory).

After its service byte, an answer has one or more sets of nine bytes: monitor (MID), test (TID), unit-and-scaling
identifier, then value, lower and upper limit, two bytes each. On other protocols than CAN the layout is maker-specific
and not decoded here."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib.resources import files

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


_READ = tomllib.loads(files(__package__).joinpath("service06.toml").read_text(encoding="utf-8"))
SCALINGS: dict[int, Scaling] = {
    int(identifier, 16): Scaling(factor, unit, _READ["offsets"].get(identifier, 0.0))
    for unit, factors in _READ["factors"].items()
    for identifier, factor in factors.items()
}
RAW = Scaling(1.0, "")


def misfire_mid(cylinder: int) -> int:
    """The monitor that counts the misfires of a cylinder (from 1). Raises ValueError beyond cylinder 12."""
    if not 1 <= cylinder <= MAX_MISFIRE_CYLINDERS:
        raise ValueError(f"service 06 counts misfires of cylinders 1 to {MAX_MISFIRE_CYLINDERS}, not {cylinder}")
    return MID_MISFIRE_CYLINDER_1 + cylinder - 1


def misfire_cylinder(mid: int) -> int | None:
    """The cylinder whose misfires a monitor counts, or None for any other monitor."""
    cylinder = mid - MID_MISFIRE_CYLINDER_1 + 1
    return cylinder if 1 <= cylinder <= MAX_MISFIRE_CYLINDERS else None


def decode_monitor_tests(data: bytes) -> tuple[MonitorTest, ...]:
    """All test results of one answer; `data` begins after the service byte.

    An unknown unit-and-scaling identifier gives the raw counts with an empty unit. Raises ValueError if `data` is not a
    whole number of sets."""
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
    """The nine bytes of one result, each number rounded to the nearest count in two bytes.

    `identifier` selects the scaling; the default is the finest unsigned one of the test's unit that holds all numbers,
    else a signed one. A lower limit of None is the lowest count, an upper one the highest. Raises ValueError if no
    scaling fits, or the given one has another unit."""
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
