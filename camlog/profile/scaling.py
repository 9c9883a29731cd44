"""A value's place in a response and its scaling: bits, linear scaling, cam angles.

Bits are addressed as in ODX (ISO 22901-1), with one rule for both byte orders: `start_bit` is the position (7 the top,
0 the bottom) of the value's MOST significant bit within its byte.

- big-endian: `start_byte` has the most significant bit; the value continues downwards through that byte and then from
the top of each following byte.
- little-endian: `start_byte` has the LEAST significant bits, each following byte more significant ones, and `start_bit`
  is the top bit in the last byte of the value.
A value of whole bytes therefore has `start_bit = 7` in either order."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

from camlog import signals, units
from camlog.cams import is_angle
from camlog.profile.model import SignalKeys

CRANK_DEG_PER_CAM_DEG = 2.0  # a four-stroke engine's camshaft turns at half crankshaft speed


@dataclass(frozen=True, kw_only=True)
class SignalDefinition(SignalKeys):
    """One signal's place in a diagnostic response and its scaling.

    The value in `unit` is `raw * factor + offset`. For a cam angle, `angle` says whether it is in crankshaft or
    camshaft degrees, `positive` which direction is positive, and `rest_deg` (crankshaft degrees, advance positive) what
    the module reports at the phaser's rest position.
    `decode` returns the canonical value: in the signal's unit of `camlog.signals`; cam angles in crankshaft degrees,
    advance positive, zero at rest."""

    rest_deg: float = 0.0

    @property
    def source(self) -> tuple[int, int, int | None]:
        """Service, identifier and request header; values with the same source come in one answer."""
        return self.service, self.identifier, self.request_header

    @property
    def is_cam_angle(self) -> bool:
        return is_angle(self.name)

    @cached_property
    def _lowest_bit(self) -> int:
        """Number of bits in the field's bytes below the value's least significant bit."""
        if self.byte_order == "little":
            return (self.start_bit - self.length_bits + 1) % 8
        return (self.start_bit + 1 - self.length_bits) % 8

    @cached_property
    def end_byte(self) -> int:
        """Number of data bytes, from data byte 0, that a response must have to contain the value."""
        if self.byte_order == "little":
            return self.start_byte + (self._lowest_bit + self.length_bits + 7) // 8
        return self.start_byte + (7 - self.start_bit + self.length_bits + 7) // 8

    @cached_property
    def bits(self) -> frozenset[tuple[int, int]]:
        """Every (data byte, bit) the value occupies; bit 7 is the top of a byte."""
        span = self.end_byte - self.start_byte
        positions = set()
        for place in range(self._lowest_bit, self._lowest_bit + self.length_bits):
            byte = place // 8 if self.byte_order == "little" else span - 1 - place // 8
            positions.add((self.start_byte + byte, place % 8))
        return frozenset(positions)

    @cached_property
    def _mask(self) -> int:
        return (1 << self.length_bits) - 1

    @cached_property
    def raw_range(self) -> tuple[int, int]:
        """Lowest and highest raw count the field can hold."""
        if self.signed:
            return -(1 << (self.length_bits - 1)), (1 << (self.length_bits - 1)) - 1
        return 0, self._mask

    @cached_property
    def _linear(self) -> tuple[float, float]:
        """Scale and shift with canonical value = raw * scale + shift."""
        scale, shift = self.factor, self.offset
        canonical = signals.unit_of(self.name)
        if self.unit and canonical:
            per_unit, at_zero = units.conversion(self.unit, canonical)
            scale, shift = scale * per_unit, shift * per_unit + at_zero
        if self.is_cam_angle:
            turn = CRANK_DEG_PER_CAM_DEG if self.angle == "cam" else 1.0
            turn = -turn if self.positive == "retard" else turn
            scale, shift = scale * turn, shift * turn - self.rest_deg
        return scale, shift

    @property
    def step(self) -> float:
        """Size of one raw count, in the signal's canonical unit (always positive)."""
        return abs(self._linear[0])

    @property
    def value_range(self) -> tuple[float, float]:
        """Lowest and highest canonical value the field can express."""
        scale, shift = self._linear
        first, last = (raw * scale + shift for raw in self.raw_range)
        return min(first, last), max(first, last)

    def raw(self, data: bytes) -> int | None:
        """The field's raw count in a response's data bytes; None if they are too few."""
        if len(data) < self.end_byte:
            return None
        field = int.from_bytes(data[self.start_byte : self.end_byte], self.byte_order)
        count = (field >> self._lowest_bit) & self._mask
        if self.signed and count >> (self.length_bits - 1):
            count -= 1 << self.length_bits
        return count

    def decode(self, data: bytes) -> float | None:
        """The canonical value in a response's data bytes; None if they are too few."""
        count = self.raw(data)
        if count is None:
            return None
        scale, shift = self._linear
        return count * scale + shift

    def encode(self, value: float) -> int:
        """The raw count nearest to a canonical value, clipped to the field's range. Raises ValueError for NaN."""
        if math.isnan(value):
            raise ValueError(f"{self.name}: a missing value has no raw count")
        scale, shift = self._linear
        low, high = self.raw_range
        raw = (value - shift) / scale
        return low if raw <= low else high if raw >= high else round(raw)

    def pack(self, raw: int, data: bytearray) -> None:
        """Write a raw count into its bits of `data`; other bits are unchanged.

        Raises ValueError if `data` is shorter than `end_byte` or `raw` does not fit."""
        low, high = self.raw_range
        if not low <= raw <= high:
            raise ValueError(f"{self.name}: raw count {raw} does not fit {low}..{high}")
        if len(data) < self.end_byte:
            raise ValueError(f"{self.name}: needs {self.end_byte} data bytes, has {len(data)}")
        field = int.from_bytes(data[self.start_byte : self.end_byte], self.byte_order)
        field &= ~(self._mask << self._lowest_bit)
        field |= (raw & self._mask) << self._lowest_bit
        data[self.start_byte : self.end_byte] = field.to_bytes(self.end_byte - self.start_byte, self.byte_order)
