"""How often each signal is needed, and why: the table for plans of requests.

Cam angles get all of the link that the other signals leave."""

from __future__ import annotations

from dataclasses import dataclass

from camlog.cams import is_angle, parts
from camlog.signals import MISFIRE, SIGNALS

MEDIUM_HZ = 1.0 / 0.9  # a little above 1 Hz, because a request may have to wait
SLOW_HZ = 1.0 / 1.8  # a little above 0.5 Hz, likewise


@dataclass(frozen=True, slots=True)
class Need:
    """`least_hz` is how often a signal is read if the link allows; None: as often as possible."""

    least_hz: float | None
    purpose: str

    @property
    def period_s(self) -> float:
        """Seconds between two requests; 0 where nothing limits them."""
        return 1.0 / self.least_hz if self.least_hz else 0.0


_DRIVING = Need(MEDIUM_HZ, "idle, cruise and tip-in told apart")
_FUEL = Need(SLOW_HZ, "fuel trims, which follow a cam that stands off")
_TEMPERATURE = Need(SLOW_HZ, "oil-temperature windows and warm-up")
NEEDS: dict[str, Need] = {
    "engine_speed": Need(5.25, "running, idle and the steps of the command; revolutions between misfire counts"),
    "vehicle_speed": _DRIVING,
    "engine_load": _DRIVING,
    "throttle_position": _DRIVING,
    "manifold_pressure": _DRIVING,
    "mass_air_flow": _DRIVING,
    "spark_advance": _DRIVING,
    "oil_pressure": Need(MEDIUM_HZ, "oil supply, and the alarm while recording"),
    "coolant_temp": _TEMPERATURE,
    "oil_temp": _TEMPERATURE,
    "intake_air_temp": Need(SLOW_HZ, "whether the start was cold"),
    "ambient_temp": Need(SLOW_HZ, "whether the start was cold"),
    "short_fuel_trim_b1": _FUEL,
    "long_fuel_trim_b1": _FUEL,
    "short_fuel_trim_b2": _FUEL,
    "long_fuel_trim_b2": _FUEL,
    "module_voltage": Need(SLOW_HZ, "supply of valve and module"),
    "run_time": Need(SLOW_HZ, "a restart on the way"),
}
_ANGLE = Need(None, "every figure of a cam")
_DUTY = Need(MEDIUM_HZ, "what the module does to move and hold a cam")
_MISFIRE = Need(SLOW_HZ, "misfire rates")
_OTHER = Need(SLOW_HZ, "a signal of the vehicle profile that no figure uses")


def need_of(signal: str) -> Need:
    """How often `signal` is needed; an unknown signal is read slowly."""
    if signal in NEEDS:
        return NEEDS[signal]
    if is_angle(signal):
        return _ANGLE
    if parts(signal) is not None:
        return _DUTY
    return _MISFIRE if signal in SIGNALS and signal.startswith(MISFIRE) else _OTHER
