"""The interface of a car behind the diagnostic connector, and the standard's scaling of its values (SAE J1979, from
memory)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from camlog.signals import SIGNALS
from camlog.stream import CodeSnapshot


class Answering(Protocol):
    """The data of a control module. Values are in the units of `camlog.signals`; angles are crankshaft degrees, advance
    positive, zero at rest."""

    vin: str

    @property
    def signals(self) -> frozenset[str]:
        """Names of the signals this vehicle can report."""

    def value(self, signal: str) -> float | None:
        """The module's present value of a signal; None if it has none."""

    def code_snapshot(self) -> CodeSnapshot:
        """Codes, lamp, readiness, freeze frame, counters and test results now. `freeze_frame` is {"code":
        "P0011", signal: value, ...} or None; `since_clear` {"warm_ups", "distance_km", "time_min"} and
        optionally {"distance_with_mil_km", "time_with_mil_min"}."""

    def clear_codes(self) -> bool:
        """Service 04. False if conditions are not correct (engine running)."""


@runtime_checkable
class Car(Answering, Protocol):
    """A vehicle: a simulated one, or a saved trace played back."""

    def advance(self, time_s: float) -> None:
        """Advance the vehicle to `time_s` (vehicle time); an earlier time changes nothing."""

    @property
    def ignition_on(self) -> bool: ...

    @property
    def battery_voltage(self) -> float: ...


@dataclass(frozen=True, slots=True)
class Scaling:
    """A linear encoding: value = count * step + offset, in `size` bytes, most significant first."""

    size: int
    step: float
    offset: float = 0.0

    @property
    def count_range(self) -> tuple[int, int]:
        return 0, (1 << 8 * self.size) - 1

    def encode(self, value: float) -> bytes:
        """The bytes of the nearest count, limited to the range of counts as in a control module. Raises ValueError for
        NaN or infinity, because no count means "unknown"."""
        if not math.isfinite(value):
            raise ValueError("a missing value has no encoding")
        low, high = self.count_range
        count = min(high, max(low, round((value - self.offset) / self.step)))
        return count.to_bytes(self.size, "big")


_PERCENT = Scaling(1, 100.0 / 255.0)
_TEMPERATURE = Scaling(1, 1.0, -40.0)
_TRIM = Scaling(1, 100.0 / 128.0, -100.0)

SCALINGS = {
    "engine_load": _PERCENT,
    "throttle_position": _PERCENT,
    "coolant_temp": _TEMPERATURE,
    "intake_air_temp": _TEMPERATURE,
    "ambient_temp": _TEMPERATURE,
    "oil_temp": _TEMPERATURE,
    "short_fuel_trim_b1": _TRIM,
    "long_fuel_trim_b1": _TRIM,
    "short_fuel_trim_b2": _TRIM,
    "long_fuel_trim_b2": _TRIM,
    "manifold_pressure": Scaling(1, 1.0),
    "engine_speed": Scaling(2, 0.25),
    "vehicle_speed": Scaling(1, 1.0),
    "spark_advance": Scaling(1, 0.5, -64.0),
    "mass_air_flow": Scaling(2, 0.01),
    "run_time": Scaling(2, 1.0),
    "module_voltage": Scaling(2, 0.001),
}
# PID -> (signal, scaling), for every standard signal camlog knows.
PIDS = {pid: (name, how) for name, how in SCALINGS.items() if (pid := SIGNALS[name].pid) is not None}
