"""Unit conversion by pint: into canonical units on reading, and into the shop's units (`show_units`) for people.
The rest of camlog uses canonical units only. The shop's units are never written to a file that is read again."""

from __future__ import annotations

import functools
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

# The unit that each system shows instead of a canonical one; angles are degrees in all systems.
SYSTEMS: dict[str, dict[str, str]] = {
    "metric": {},
    "us": {"degC": "degF", "kPa": "psi", "km/h": "mph", "g/s": "lb/min", "km": "mi"},
}
METRIC = "metric"
_SETTING = "CAMLOG_UNITS"  # an environment variable, so that child processes show the same units
# Common spellings that pint does not know, or reads as something else.
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
    # Given dimensions of their own, because to pint an angle, a count and a percentage are plain numbers and a hertz is
    # a radian a second.
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

    Raises ValueError where `unit` is unknown or of another dimension."""
    if unit == canonical or _SPELLINGS.get(unit.strip().lower()) == _SPELLINGS.get(canonical.lower(), canonical):
        return 1.0, 0.0
    import tokenize

    import pint

    # Pint evaluates arithmetic in a unit, so a heading such as "9**9**9" must not reach it.
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


@functools.cache  # pint takes long to find that a unit cannot be converted
def convertible(unit: str, canonical: str) -> bool:
    """True if a value in `unit` can be converted to `canonical`."""
    try:
        return unit == canonical or bool(conversion(unit, canonical))
    except ValueError:
        return False


# ---------------------------------------------------------------- the shop's units


def shown_units() -> str:
    """The system of SYSTEMS in which numbers are shown."""
    system = os.environ.get(_SETTING, METRIC)
    return system if system in SYSTEMS else METRIC


def show_units(system: str) -> None:
    """Show numbers in a system of SYSTEMS from now on."""
    os.environ[_SETTING] = system


@contextmanager
def showing(system: str | None) -> Iterator[None]:
    """Context manager: show numbers in a system of SYSTEMS; None: in the present one."""
    before = shown_units()
    show_units(system or before)
    try:
        yield
    finally:
        show_units(before)


def shown_unit(unit: str) -> str:
    """The unit in which values in `unit` are shown."""
    return SYSTEMS[shown_units()].get(unit, unit)


def shown_value(value: Any, unit: str, *, apart: bool = False) -> Any:
    """A value (or an array) in `unit` converted for showing; `apart`: it is a difference, so no offset is added."""
    if shown_unit(unit) == unit:
        return value
    factor, zero = conversion(unit, shown_unit(unit))
    return value * factor + (0.0 if apart else zero)


def read_value(value: float, unit: str) -> float:
    """A value entered by a person in the shown unit, converted to `unit`."""
    factor, zero = conversion(shown_unit(unit), unit)
    return value * factor + zero


def _remembered_at() -> Path:
    from platformdirs import user_config_path

    return user_config_path("camlog", appauthor=False) / "units"


def remember_units(system: str) -> None:
    """Show numbers in a system of SYSTEMS, and save it for `remembered_units` if possible."""
    show_units(system)
    try:
        _remembered_at().parent.mkdir(parents=True, exist_ok=True)
        _remembered_at().write_text(system, encoding="utf-8")
    except OSError:
        pass  # then only for this run


def remembered_units() -> str:
    """The saved system of SYSTEMS; the present one if none was saved."""
    try:
        system = _remembered_at().read_text(encoding="utf-8").strip()
    except (OSError, ValueError):
        system = ""
    return system if system in SYSTEMS else shown_units()
