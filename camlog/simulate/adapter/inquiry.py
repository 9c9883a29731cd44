"""A request as a diagnostic service sees it, and what every service needs."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from camlog.profile import SignalDefinition
from camlog.simulate.adapter.buses import ecu_name
from camlog.simulate.car import Car
from camlog.stream import CodeSnapshot, TroubleCode

NEGATIVE = 0x7F
POSITIVE = 0x40
SERVICE_NOT_SUPPORTED = 0x11
SUBFUNCTION_NOT_SUPPORTED = 0x12
CONDITIONS_NOT_CORRECT = 0x22
OUT_OF_RANGE = 0x31
RESPONSE_PENDING = 0x78


class Refused(Exception):
    """A request the module answers with a negative response of that code."""

    def __init__(self, code: int):
        super().__init__(f"negative response {code:02X}")
        self.code = code


@dataclass
class Inquiry:
    """One request: `data` after the service byte, the number of the module asked, the kind of bus."""

    car: Car
    module: int
    data: bytes
    is_can: bool
    definitions: Mapping[tuple[int, int], Sequence[SignalDefinition]] = field(default_factory=dict)

    @cached_property
    def snapshot(self) -> CodeSnapshot:
        return self.car.code_snapshot()

    def own(self, codes: Iterable[TroubleCode]) -> list[TroubleCode]:
        """Those of `codes` that this module holds; a code that names no module is the engine's."""
        return [c for c in codes if c.ecu == ecu_name(self.module) or (not c.ecu and self.module == 0)]


Service = Callable[[Inquiry], list[bytes]]


def negative(service: int, code: int) -> bytes:
    """A negative response."""
    return bytes((NEGATIVE, service, code))


def bitmap(supported: Iterable[int], base: int) -> bytes:
    """Four bytes: which of the 32 numbers after `base` are supported; the last bit: or more beyond."""
    supported = set(supported)
    bits = 0
    for place in range(1, 33):
        beyond = place == 32 and any(n > base + 32 for n in supported)
        if base + place in supported or beyond:
            bits |= 1 << (32 - place)
    return bits.to_bytes(4, "big")


def bitmap_or_none(supported: set[int], base: int) -> bytes | None:
    """The bitmap for `base`, None where nothing lies beyond it (base 00 is always answered)."""
    return bitmap(supported, base) if base == 0 or any(n > base for n in supported) else None


def finite(value: float | None) -> bool:
    """True for a value that is there."""
    return value is not None and math.isfinite(value)
