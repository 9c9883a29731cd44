"""Trouble codes as bytes and as text, by the bit layout of SAE J2012 / ISO 15031-6.

Two bytes hold a code: bits 15-14 the letter (P, C, B, U), bits 13-12 the first digit (0 to 3), then three hexadecimal
digits. Two zero bytes mean "no code" and fill up frames."""

from __future__ import annotations

import re
from collections.abc import Iterable

from camlog.errors import InputError

SYSTEMS = "PCBU"  # powertrain, chassis, body, network
NO_CODE = b"\x00\x00"

_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}\Z")


def decode_code(pair: bytes) -> str | None:
    """A code's text from its two bytes (00 11 gives `P0011`); None for two zero bytes.

    Raises ValueError unless `pair` has exactly two bytes."""
    if len(pair) != 2:
        raise ValueError(f"a trouble code has two bytes, not {len(pair)}")
    if pair == NO_CODE:
        return None
    number = int.from_bytes(pair, "big")
    return f"{SYSTEMS[number >> 14]}{number >> 12 & 0x3}{number & 0xFFF:03X}"


def decode_codes(data: bytes) -> tuple[str, ...]:
    """All codes in the data of a service 03, 07 or 0A answer, padding left out, order kept.

    `data` begins after the service byte and, on CAN, after the count byte. Raises ValueError for an odd number of
    bytes, where part of a code is missing."""
    if len(data) % 2:
        raise ValueError(f"{len(data)} bytes do not hold whole trouble codes")
    codes = (decode_code(data[place : place + 2]) for place in range(0, len(data), 2))
    return tuple(code for code in codes if code is not None)


def encode_code(code: str) -> bytes:
    """The two bytes of a code's text: `decode_code` reversed. Raises InputError as `parse_code` does."""
    text = parse_code(code)
    number = SYSTEMS.index(text[0]) << 14 | int(text[1]) << 12 | int(text[2:], 16)
    return number.to_bytes(2, "big")


def encode_codes(codes: Iterable[str]) -> bytes:
    return b"".join(encode_code(code) for code in codes)


def is_code(text: str) -> bool:
    """True where `text` is a trouble code in its usual spelling: `P0011`."""
    return bool(_CODE.match(text))


def parse_code(text: str) -> str:
    """The usual spelling of a code as a person may type it (`p0011`, ` P0011 `). Raises InputError for anything else,

    `P0000` ("no code") included."""
    code = text.strip().upper()
    if not is_code(code) or code == "P0000":
        raise InputError(
            f"{text.strip()!r} is not a trouble code",
            remedy="Write a letter P, C, B or U, a digit 0 to 3 and three more digits, as in P0011.",
        )
    return code
