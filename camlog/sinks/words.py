"""Values, times and signals as text for a person, for all views."""

from __future__ import annotations

from camlog.numbers import unit_words
from camlog.signals import unit_of
from camlog.units import shown_unit, shown_value

# Decimals shown to a technician; the trace keeps every digit.
_DECIMALS = {"deg": 1, "V": 1, "g/s": 1, "lb/min": 1, "psi": 1, "%": 1}


# The engine signals that every view shows, each with a one-word label.
FIGURES = {"engine_speed": "engine", "vehicle_speed": "road", "coolant_temp": "coolant", "oil_temp": "oil"}


def clock_text(time_s: float) -> str:
    """Minutes and seconds, with hours from one hour on: `12:34`, `1:02:03`."""
    seconds = int(max(0.0, time_s))
    hours, rest = divmod(seconds, 3600)
    text = f"{rest // 60:02d}:{rest % 60:02d}"
    return f"{hours}:{text}" if hours else text


def value_text(signal: str, value: float, *, degree_sign: bool = False) -> str:
    """A value with its unit, `2150 rpm`; with `degree_sign`, temperatures as `88 °C`."""
    unit = shown_unit(unit_of(signal))
    text = f"{shown_value(value, unit_of(signal)):.{_DECIMALS.get(unit, 0)}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    unit_text = unit_words(unit) if degree_sign else unit
    return f"{text} {unit_text}".rstrip() if unit != "count" else text


def rate_text(rate: float) -> str:
    """A rate a second, `31.2/s`, with more digits for slow ones."""
    return f"{rate:.1f}/s" if rate >= 1 else f"{rate:.2f}/s"


def kind_text(kind: str) -> str:
    return kind.replace("_", " ")
