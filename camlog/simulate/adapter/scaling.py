"""SAE J1979 / ISO 15031-5 scaling from the side that sends: values to bytes (from memory).

| PID | signal | bytes | value of one count | value at count 0 |
|---|---|---|---|---|
| 0C | engine_speed | 2 | 0.25 rpm | 0 |
| 05 | coolant_temp | 1 | 1 degC | -40 |

and so on in `PIDS`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from camlog.signals import SIGNALS


@dataclass(frozen=True, slots=True)
class Scaling:
    """A linear encoding: value = count * step + offset, in `size` bytes, most significant first."""

    size: int
    step: float
    offset: float = 0.0
    signed: bool = False

    @property
    def count_range(self) -> tuple[int, int]:
        """Lowest and highest count."""
        bits = 8 * self.size
        return (-(1 << bits - 1), (1 << bits - 1) - 1) if self.signed else (0, (1 << bits) - 1)

    def count(self, value: float) -> int:
        """Nearest count of a finite value, held at the ends as a control module does."""
        low, high = self.count_range
        return min(high, max(low, round((value - self.offset) / self.step)))

    def encode(self, value: float) -> bytes:
        """Bytes of a finite value. Raises ValueError for NaN or infinity: there is no count for "unknown"."""
        if not math.isfinite(value):
            raise ValueError("a missing value has no encoding")
        return self.count(value).to_bytes(self.size, "big", signed=self.signed)

    def expresses(self, value: float) -> bool:
        """True where the value lies within what the counts reach."""
        low, high = self.count_range
        return low * self.step + self.offset <= value <= high * self.step + self.offset


_PERCENT = Scaling(1, 100.0 / 255.0)
_TEMPERATURE = Scaling(1, 1.0, -40.0)
_TRIM = Scaling(1, 100.0 / 128.0, -100.0)

_BY_SIGNAL: dict[str, Scaling] = {
    "engine_load": _PERCENT,
    "coolant_temp": _TEMPERATURE,
    "short_fuel_trim_b1": _TRIM,
    "long_fuel_trim_b1": _TRIM,
    "short_fuel_trim_b2": _TRIM,
    "long_fuel_trim_b2": _TRIM,
    "manifold_pressure": Scaling(1, 1.0),
    "engine_speed": Scaling(2, 0.25),
    "vehicle_speed": Scaling(1, 1.0),
    "spark_advance": Scaling(1, 0.5, -64.0),
    "intake_air_temp": _TEMPERATURE,
    "mass_air_flow": Scaling(2, 0.01),
    "throttle_position": _PERCENT,
    "run_time": Scaling(2, 1.0),
    "module_voltage": Scaling(2, 0.001),
    "ambient_temp": _TEMPERATURE,
    "oil_temp": _TEMPERATURE,
}

# PID -> (signal, scaling), for every standard signal camlog knows.
PIDS: dict[int, tuple[str, Scaling]] = {SIGNALS[name].pid: (name, how) for name, how in _BY_SIGNAL.items()}

# Counters kept since the codes were cleared: PID -> (key of CodeSnapshot.since_clear, scaling).
SINCE_CLEAR_PIDS: dict[int, tuple[str, Scaling]] = {
    0x21: ("distance_with_mil_km", Scaling(2, 1.0)),
    0x30: ("warm_ups", Scaling(1, 1.0)),
    0x31: ("distance_km", Scaling(2, 1.0)),
    0x4D: ("time_with_mil_min", Scaling(2, 1.0)),
    0x4E: ("time_min", Scaling(2, 1.0)),
}
