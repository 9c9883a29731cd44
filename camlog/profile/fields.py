"""Every key a vehicle profile may carry, what it may hold, and its default."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from camlog.signals import CAM_IDS, MAX_CYLINDERS

SCHEMA = "camlog.vehicle/1"
SERVICES = (0x22, 0x21, 0x01)
LARGEST_IDENTIFIER = {0x22: 0xFFFF, 0x21: 0xFF, 0x01: 0xFF}
MAX_CAN_ID = 0x1FFFFFFF  # 29 bits, ISO 15765-4
MAX_FIELD_BITS = 32
# The longest message of ISO 14230 carries 255 bytes; no measured value of a CAN vehicle lies beyond either.
MAX_DATA_BYTES = 252


@dataclass(frozen=True, slots=True)
class Field:
    """One key: `expected` in words, `accepts` tells whether a value will do, `make` brings it into shape."""

    expected: str
    accepts: Callable[[Any], bool]
    make: Callable[[Any], Any] = lambda value: value
    required: bool = False


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _text(required: bool = False) -> Field:
    return Field("text in quotes", lambda v: isinstance(v, str) and bool(v.strip()), str.strip, required)


def _whole(low: int, high: int, *, hexadecimal: bool = False, required: bool = False) -> Field:
    bounds = f"{low:#x} to {high:#X}".replace("0X", "0x") if hexadecimal else f"{low} to {high}"
    return Field(f"a whole number from {bounds}", lambda v: _is_whole(v) and low <= v <= high, int, required)


def _number(low: float, high: float, expected: str) -> Field:
    # The comparison also turns away nan and inf.
    return Field(expected, lambda v: _is_number(v) and low <= v <= high, float)


def _choice(*words: str) -> Field:
    return Field(" or ".join(f'"{w}"' for w in words), lambda v: isinstance(v, str) and v in words)


def _is_banks(value: Any) -> bool:
    return (
        isinstance(value, list)
        and bool(value)
        and all(isinstance(bank, list) and bool(bank) for bank in value)
        and all(_is_whole(n) and 1 <= n <= MAX_CYLINDERS for bank in value for n in bank)
    )


def _is_range(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(_is_number(v) and abs(v) <= 360 for v in value)


PLAIN_NUMBER = _number(-1e9, 1e9, "a finite number")

# pint works a unit out as an expression. Only what a unit's name may hold gets that far: no brackets,
# no powers of powers and no long numbers, which could keep it busy for ever.
_UNIT = re.compile(r"(?!.*[0-9][0-9.^ ])[A-Za-zµμ°Ω%#0-9 ./^-]{1,24}\Z")

TABLES: dict[str, dict[str, Field]] = {
    "vehicle": {"name": _text()},
    "engine": {
        "cylinders": _whole(1, MAX_CYLINDERS),
        "banks": Field(
            "lists of cylinder numbers from 1, one list a bank, as in [[1, 2, 3], [4, 5, 6]]",
            _is_banks,
            lambda value: tuple(tuple(bank) for bank in value),
        ),
        "displacement_l": _number(0.05, 30.0, "a number of litres from 0.05 to 30"),
        "crank_sprocket_teeth": _whole(8, 120),
        "loaded_chain_links": _whole(2, 500),
    },
    "oil": {"grade": _text()},
    "cam": {
        "id": Field(
            "one of " + ", ".join(f'"{cam}"' for cam in CAM_IDS), lambda v: v in CAM_IDS, required=True
        ),
        "rest_deg": _number(-360.0, 360.0, "a number of crankshaft degrees from -360 to 360"),
        "range_deg": Field(
            "two numbers of crankshaft degrees, lowest first, as in [0.0, 50.0]",
            _is_range,
            lambda value: (float(value[0]), float(value[1])),
        ),
    },
    "signal": {
        "name": _text(required=True),
        "service": Field("0x22, 0x21 or 0x01", lambda v: _is_whole(v) and v in SERVICES),
        "identifier": _whole(0, 0xFFFF, hexadecimal=True, required=True),
        "request_header": _whole(1, MAX_CAN_ID, hexadecimal=True),
        "start_byte": _whole(0, MAX_DATA_BYTES - 1),
        "start_bit": _whole(0, 7),
        "length_bits": _whole(1, MAX_FIELD_BITS, required=True),
        "byte_order": _choice("big", "little"),
        "signed": Field("true or false", lambda v: isinstance(v, bool)),
        "factor": PLAIN_NUMBER,
        "offset": PLAIN_NUMBER,
        "unit": Field(
            'the name of a unit, as in "deg"',
            lambda v: isinstance(v, str) and bool(_UNIT.match(v.strip())),
            str.strip,
        ),
        "angle": _choice("crank", "cam"),
        "positive": _choice("advance", "retard"),
    },
}
ARRAYS = ("cam", "signal")
TOP_LEVEL = ("schema", *TABLES, "limits")
DEFAULT_SERVICE = 0x22
