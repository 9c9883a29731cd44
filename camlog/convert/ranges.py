"""Units from values: which units a signal's range leaves possible, and the evidence.

Limits are common practice, no source: what sensors of running cars read, wide enough for every one of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.convert.figures import ColumnFigures
from camlog.convert.words import METRIC_UNITS, US_UNITS
from camlog.signals import SIGNALS
from camlog.units import conversion

# signal: unit -> (lowest, highest value, highest value at least to be expected of a running car).
_POSSIBLE: dict[str, dict[str, tuple[float, float, float]]] = {
    "coolant_temp": {"degC": (-45, 150, -45), "degF": (-50, 300, -50)},
    "oil_temp": {"degC": (-45, 165, -45), "degF": (-50, 330, -50)},
    "intake_air_temp": {"degC": (-45, 95, -45), "degF": (-50, 205, -50)},
    "ambient_temp": {"degC": (-45, 60, -45), "degF": (-50, 140, -50)},
    "vehicle_speed": {"km/h": (0, 300, 0), "mph": (0, 190, 0)},
    "manifold_pressure": {"kPa": (0, 320, 20), "psi": (0, 46, 3), "inHg": (0, 95, 6), "mbar": (0, 3200, 321)},
    "oil_pressure": {"kPa": (0, 1200, 121), "psi": (0, 175, 15), "bar": (0, 12, 0.5)},
    "mass_air_flow": {"g/s": (0, 655, 0), "kg/h": (0, 2400, 0), "lb/min": (0, 90, 0)},
    "module_voltage": {"V": (0, 32, 0), "mV": (0, 32000, 1000)},
}
_THERMOSTAT_C = (74.0, 112.0)
_THERMOSTAT_SPREAD = 8.0
_SHARE_LIKELY_PCT = 1.5  # a percentage that never passes this is a share of 1


@dataclass(frozen=True)
class UnitGuess:
    """`unit` None where nothing tells; `sure` False where it is only the likeliest. `factor` turns a count
    or a share into the unit."""

    unit: str | None
    sure: bool
    reason: str
    factor: float = 1.0


def unit_of_values(
    signal: str, figures: ColumnFigures, system: str | None, by_number: bool = False
) -> UnitGuess:
    """The unit of a column whose heading gives none; `system` is `us` or `metric` where the rest of the file
    tells, `by_number` True where the heading is the parameter's number."""
    canonical = SIGNALS[signal].unit
    if not figures.count:
        return UnitGuess(canonical, True, "it never holds a value")
    possible = _POSSIBLE.get(signal)
    if possible is None:
        return _only_unit(signal, canonical, figures)
    fitting = [u for u, limits in possible.items() if _fits(figures, limits)]
    if not fitting:
        return UnitGuess(None, False, f"its values, {_range(figures)}, fit no unit of {signal}")
    if len(fitting) == 1:
        return UnitGuess(fitting[0], True, f"its values, {_range(figures)}, can only be {fitting[0]}")
    if signal == "coolant_temp" and _holds_like_a_thermostat(figures):
        return UnitGuess(
            "degC", True, f"it ends steady at {figures.sample[-1]:g}, where a warm engine is held in degC"
        )
    wanted = {"us": US_UNITS, "metric": METRIC_UNITS}.get(system or "", frozenset())
    of_system = [u for u in fitting if u in wanted]
    if len(of_system) == 1 or (of_system and system == "metric" and canonical in of_system):
        unit = canonical if canonical in of_system else of_system[0]
        return UnitGuess(unit, True, f"{unit}, like the other units of the file")
    if (signal == "mass_air_flow" or by_number) and system != "us" and canonical in fitting:
        return UnitGuess(canonical, True, f"{canonical}, the unit SAE J1979 gives it in")
    return UnitGuess(canonical if canonical in fitting else fitting[0], False,
                     f"its values, {_range(figures)}, could be {' or '.join(fitting)}")  # fmt: skip


def fault_of_unit(signal: str, unit: str, figures: ColumnFigures) -> str:
    """Why the values cannot be the signal in that unit; "" where they can."""
    if not figures.count:
        return ""
    limits = _POSSIBLE.get(signal, {}).get(unit)
    if limits is not None and not _fits(figures, (limits[0], limits[1], -np.inf)):
        return f"its values, {_range(figures)}, are not possible in {unit}"
    factor, offset = conversion(unit, SIGNALS[signal].unit)
    outside = out_of_range(signal, figures.sample * factor + offset)
    if len(figures.sample) and outside.mean() > 0.05:
        return f"its values, {_range(figures)}, are mostly outside what {signal} can be in {unit}"
    return ""


def out_of_range(signal: str, values: np.ndarray) -> np.ndarray:
    """True where a value (in the canonical unit) is outside what a working sensor can report."""
    known = SIGNALS[signal]
    # Conversions of units end a little beside the limit itself.
    margin = 1e-6 * max(1.0, abs(known.high), abs(known.low))
    with np.errstate(invalid="ignore"):
        return (values < known.low - margin) | (values > known.high + margin)


def _only_unit(signal: str, canonical: str, figures: ColumnFigures) -> UnitGuess:
    fault = fault_of_unit(signal, canonical, figures)
    if canonical == "%" and "trim" not in signal:
        if figures.whole and figures.low >= 0 and 100 < figures.high <= 255:
            return UnitGuess(
                canonical,
                False,
                f"its whole numbers up to {figures.high:g} are raw counts, not percent",
                100 / 255,
            )
        if 0 < figures.high <= _SHARE_LIKELY_PCT and not figures.whole:
            return UnitGuess(
                canonical, False, f"up to {figures.high:g} it is a share of 1, not percent", 100.0
            )
    if fault:
        return UnitGuess(canonical, False, fault)
    if signal == "engine_speed" and 0 < figures.high < 100:
        return UnitGuess(canonical, False, f"up to {figures.high:g} it is no engine speed in rpm")
    return UnitGuess(canonical, True, f"{canonical}, in which its values are possible")


def _fits(figures: ColumnFigures, limits: tuple[float, float, float]) -> bool:
    low, high, expected = limits
    usual_low, usual_high = figures.usual
    return usual_low >= low and expected <= usual_high <= high


def _range(figures: ColumnFigures) -> str:
    return f"{figures.low:g} to {figures.high:g}"


def _holds_like_a_thermostat(figures: ColumnFigures) -> bool:
    last = figures.sample[-max(1, len(figures.sample) // 4) :]
    return len(figures.sample) >= 8 and bool(
        (last > _THERMOSTAT_C[0]).all()
        and (last < _THERMOSTAT_C[1]).all()
        and np.ptp(last) <= _THERMOSTAT_SPREAD
    )


def possible_units(signal: str) -> tuple[str, ...]:
    """The units a signal is usually recorded in, camlog's own first."""
    canonical = SIGNALS[signal].unit
    return tuple(dict.fromkeys((canonical, *_POSSIBLE.get(signal, {}))))
