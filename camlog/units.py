"""Unit conversion on reading, by pint; the rest of camlog sees canonical units only."""

from __future__ import annotations

import functools
import re

# Spellings that the trade writes and pint does not read, or reads as something else.
_SPELLINGS = {
    "°c": "degC", "c": "degC", "degc": "degC", "deg c": "degC", "celsius": "degC",
    "°f": "degF", "f": "degF", "degf": "degF", "deg f": "degF", "fahrenheit": "degF",
    "°": "deg", "deg": "deg", "degree": "deg", "degrees": "deg", "°ca": "deg", "deg ca": "deg",
    "%": "percent", "percent": "percent", "pct": "percent",
    "rpm": "rpm", "r/min": "rpm", "1/min": "rpm", "min-1": "rpm",
    "km/h": "km/h", "kph": "km/h", "kmh": "km/h", "mph": "mph",
    "kpa": "kPa", "mbar": "mbar", "bar": "bar", "psi": "psi", "inhg": "inHg",
    "g/s": "g/s", "gps": "g/s", "kg/h": "kg/h", "lb/min": "lb/min",
    "v": "V", "volt": "V", "volts": "V", "mv": "mV",
    "s": "s", "sec": "s", "secs": "s", "seconds": "s", "ms": "ms", "min": "min", "h": "h",
    "count": "count", "counts": "count", "#": "count",
}  # fmt: skip


_PLAIN_UNIT = re.compile(r"[^\W\d]\w{0,40}([ ]?[/*·][ ]?[^\W\d]\w{0,40}){0,3}\Z")


_PINT_NAMES = {
    "percent": "camlog_percent",
    "%": "camlog_percent",
    "count": "camlog_count",
    "inHg": "inch_Hg",
    "rpm": "camlog_rpm",
}


@functools.cache
def _registry():
    import pint  # slow to import: only where a file really carries another unit

    registry = pint.UnitRegistry()
    # Of their own dimension: to pint an angle, a count and a percentage are all plain numbers,
    # and a hertz is a radian a second.
    registry.define("camlog_percent = [camlog_share]")
    registry.define("camlog_rpm = [camlog_turning]")
    registry.define("camlog_count = [camlog_counting]")
    return registry


def _to_pint(unit: str) -> str:
    spelled = _SPELLINGS.get(unit.strip().lower(), unit.strip())
    return _PINT_NAMES.get(spelled, spelled)


@functools.cache
def conversion(unit: str, canonical: str) -> tuple[float, float]:
    """Factor and offset with `canonical value = value * factor + offset`.

    Raises ValueError where `unit` is unknown or of another dimension.
    """
    if unit == canonical or _SPELLINGS.get(unit.strip().lower()) == _SPELLINGS.get(canonical.lower(), canonical):
        return 1.0, 0.0
    import tokenize

    import pint

    # Pint evaluates arithmetic in a unit: a heading is no place for "9**9**9".
    if not _PLAIN_UNIT.match(_to_pint(unit)):
        raise ValueError(f"unit {unit!r} cannot be read as {canonical!r}")
    registry = _registry()
    try:
        source, target = _to_pint(unit), _to_pint(canonical)
        zero = registry.Quantity(0.0, source).to(target).magnitude
        one = registry.Quantity(1.0, source).to(target).magnitude
    except (pint.errors.PintError, ArithmeticError, AssertionError, AttributeError, TypeError, ValueError) as error:
        raise ValueError(f"unit {unit!r} cannot be read as {canonical!r}") from error
    except (SyntaxError, tokenize.TokenError) as error:
        raise ValueError(f"unit {unit!r} cannot be read as {canonical!r}") from error
    factor, offset = one - zero, zero
    return float(factor), float(offset)


def convertible(unit: str, canonical: str) -> bool:
    """True where a value in `unit` can be written in `canonical`."""
    try:
        return unit == canonical or bool(conversion(unit, canonical))
    except ValueError:
        return False
