"""Units from values: the units that are possible for a signal's range, and the evidence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.convert.figures import ColumnFigures
from camlog.convert.words import METRIC_UNITS, RANGES, US_UNITS, say
from camlog.signals import SIGNALS
from camlog.units import conversion

_THERMOSTAT_C = (74.0, 112.0)
_THERMOSTAT_SPREAD = 8.0
_SHARE_LIKELY_PCT = 1.5  # a percentage that never exceeds this is a share of 1
_LEAST_RPM = 100.0
BYTE_AS_PERCENT = 100 / 255


@dataclass(frozen=True)
class UnitGuess:
    """`unit` is "" if unknown; `sure` is False if it is only the likeliest. `factor` converts a count or a share to the
    unit."""

    unit: str
    sure: bool
    reason: str
    factor: float = 1.0


def unit_of_values(signal: str, figures: ColumnFigures, system: str | None, by_number: bool = False) -> UnitGuess:
    """The unit of a column whose heading has none. `system` is `us` or `metric` if known from the rest of the file;
    `by_number` is True if the heading is the parameter's number."""
    canonical = SIGNALS[signal].unit
    span = _span(figures)
    if not figures.count:
        return UnitGuess(canonical, True, say("never_holds"))
    if signal not in RANGES:
        return _only_unit(signal, canonical, figures)
    fitting = [u for u, limits in RANGES[signal].items() if _fits(figures, limits)]
    if not fitting:
        return UnitGuess("", False, say("fits_no_unit", signal=signal, **span))
    if len(fitting) == 1:
        return UnitGuess(fitting[0], True, say("only_unit", unit=fitting[0], **span))
    if signal == "coolant_temp" and _holds_like_a_thermostat(figures):
        return UnitGuess("degC", True, say("thermostat", value=figures.sample[-1]))
    of_system = [u for u in fitting if u in {"us": US_UNITS, "metric": METRIC_UNITS}.get(system or "", ())]
    likely = canonical if canonical in fitting else fitting[0]
    if len(of_system) == 1 or (system == "metric" and canonical in of_system):
        unit = canonical if canonical in of_system else of_system[0]
        return UnitGuess(unit, True, say("unit_like_others", unit=unit))
    if (signal == "mass_air_flow" or by_number) and system != "us" and canonical in fitting:
        return UnitGuess(canonical, True, say("unit_of_standard", unit=canonical))
    return UnitGuess(likely, False, say("units_possible", units=say("or").join(fitting), **span))


def fault_of_unit(signal: str, unit: str, figures: ColumnFigures) -> str:
    """Why the values cannot be the signal in that unit; "" if they can."""
    if not figures.count:
        return ""
    limits = RANGES.get(signal, {}).get(unit)
    if limits is not None and not _fits(figures, (limits[0], limits[1], -np.inf)):
        return say("not_possible_in", unit=unit, **_span(figures))
    factor, offset = conversion(unit, SIGNALS[signal].unit)
    outside = out_of_range(signal, figures.sample * factor + offset)
    if len(figures.sample) and outside.mean() > 0.05:
        return say("mostly_outside", signal=signal, unit=unit, **_span(figures))
    return ""


def out_of_range(signal: str, values: np.ndarray) -> np.ndarray:
    """True where a value (in the canonical unit) is outside what a working sensor can report."""
    definition = SIGNALS[signal]
    # Values at the limit may exceed it slightly after a conversion of units.
    margin = 1e-6 * max(1.0, abs(definition.high), abs(definition.low))
    with np.errstate(invalid="ignore"):
        return (values < definition.low - margin) | (values > definition.high + margin)


def raw_percent(signal: str, figures: ColumnFigures) -> UnitGuess | None:
    """The guess for a percentage written as a count or as a share of 1; None if it is neither."""
    if SIGNALS[signal].unit != "%" or "trim" in signal or not figures.count:
        return None
    if figures.whole and figures.low >= 0 and 100 < figures.high <= 255:
        return UnitGuess("%", False, say("raw_percent", high=figures.high), BYTE_AS_PERCENT)
    if 0 < figures.high <= _SHARE_LIKELY_PCT and not figures.whole:
        return UnitGuess("%", False, say("share_of_one", high=figures.high), 100.0)
    return None


def _only_unit(signal: str, canonical: str, figures: ColumnFigures) -> UnitGuess:
    raw = raw_percent(signal, figures)
    if raw is not None:
        return raw
    fault = fault_of_unit(signal, canonical, figures)
    if not fault and signal == "engine_speed" and 0 < figures.high < _LEAST_RPM:
        fault = say("no_engine_speed", high=figures.high)
    return UnitGuess(canonical, not fault, fault or say("unit_possible", unit=canonical))


def _fits(figures: ColumnFigures, limits: tuple[float, float, float]) -> bool:
    low, high, expected = limits
    usual_low, usual_high = figures.usual
    return usual_low >= low and expected <= usual_high <= high


def _span(figures: ColumnFigures) -> dict[str, float]:
    return {"low": figures.low, "high": figures.high}


def _holds_like_a_thermostat(figures: ColumnFigures) -> bool:
    last = figures.sample[-max(1, len(figures.sample) // 4) :]
    low, high = _THERMOSTAT_C
    return len(figures.sample) >= 8 and low < last.min() and last.max() < high and np.ptp(last) <= _THERMOSTAT_SPREAD


def possible_units(signal: str) -> tuple[str, ...]:
    """The units a signal is usually recorded in, camlog's own first."""
    return tuple(dict.fromkeys((SIGNALS[signal].unit, *RANGES.get(signal, {}))))
