"""Numbers as text for people: one form, one unit, no more digits than the interval supports."""

from __future__ import annotations

import math
import string

from camlog.units import SYSTEMS, shown_unit, shown_value

# The sign for an unknown value or verdict.
UNKNOWN = "–"
UNKNOWN_ASCII = "-"  # for outputs that cannot show UNKNOWN
LEAST = 0.0005  # in any unit: smaller differences are not shown
UNIT_WORDS = {"degC": "°C", "degF": "°F", "1": "", "share": "%", "count": "", "1/min": "a minute"}


def finite(value: float | None, digits: int = 6) -> float | None:
    """A number for JSON, rounded to `digits` decimals; None where it is missing or not finite."""
    return None if value is None or not math.isfinite(value) else round(float(value), digits)


def unit_words(unit: str) -> str:
    """A unit as printed, in the shop's system: `degC` is °C or °F; a bare number has none."""
    return UNIT_WORDS.get(shown_unit(unit), shown_unit(unit))


def number(value: float | None, doubt: float | None = None) -> str:
    """A number with its significant digits; `–` where it is missing. `doubt` is half its interval: if that is as
    large as the number, at most two digits are printed."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    size = abs(value)
    digits = 3 if size >= 0.995 else 2
    if doubt and math.isfinite(doubt) and doubt > 0 and size > 0:
        digits = min(digits, max(math.floor(math.log10(size)) - math.floor(math.log10(doubt)) + 1, 2))
    if size >= 99.95:
        return f"{value:,.0f}"
    if size < LEAST:
        return "0" if size == 0 else f"< {2 * LEAST}" if value > 0 else f"> -{2 * LEAST}"
    rounded = float(f"{value:.{digits}g}")
    decimals = max(digits - 1 - math.floor(math.log10(size)), 0)
    text = f"{rounded:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def with_unit(value: float | None, unit: str, doubt: float | None = None) -> str:
    """`2.5 deg`, `24 %` for a share, `–` where there is none; in the shop's unit."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if unit == "share":
        share = f"{100 * value:.0f}" if abs(value) >= 0.1 or value == 0 else number(100 * value)
        return f"{share} %"
    doubt = None if doubt is None else shown_value(doubt, unit, apart=True)
    return f"{number(shown_value(value, unit), doubt)} {unit_words(unit)}".strip()


def percent(share: float) -> str:
    """`81 %`: a share or a probability in whole percent."""
    return f"{100.0 * share:.0f} %"


class UnitFormatter(string.Formatter):
    """Fills in a template as `str.format` does; `{warm:degC}` is a whole value in that unit with its unit, `70 °C`,
    `{rise:+degC}` the difference of two, both in the shop's unit, and `{chance:share}` a share in whole percent."""

    units = frozenset({"share", *(unit for system in SYSTEMS.values() for unit in system)})

    def format_field(self, value, format_spec: str) -> str:
        """A value by its format, or by its unit."""
        unit = format_spec.removeprefix("+")
        if unit not in self.units:
            return super().format_field(value, format_spec)
        if unit == "share":
            return percent(value)
        return in_whole(value, unit, apart=unit != format_spec)


def in_whole(value: float, unit: str, *, apart: bool = False) -> str:
    """`70 °C`: a value as a whole number in the shop's unit; `apart`: it is a difference of two values."""
    return f"{shown_value(value, unit, apart=apart):,.0f} {unit_words(unit)}"


def interval(low: float, high: float, unit: str = "") -> str:
    """`1.21 to 3.40`, `0 to 4.6 %` for a share: both ends with the decimals of the larger one."""
    scale, ending = (100.0, " %") if unit == "share" else (1.0, "")
    low, high = shown_value(low, unit), shown_value(high, unit)
    decimals = _decimals(scale * low, scale * high)
    ends = [f"{end:,.{decimals}f}" if end else "0" for end in rounded_ends(scale * low, scale * high)]
    return " to ".join(dict.fromkeys(ends)) + ending


def rounded_ends(low: float, high: float) -> tuple[float, float]:
    """The ends of an interval as printed."""
    decimals = _decimals(low, high)
    return round(low, decimals), round(high, decimals)


def _decimals(low: float, high: float) -> int:
    size = max(abs(low), abs(high), LEAST)
    return max((2 if size >= 1.0 else 1) - math.floor(math.log10(size)), 0)


def signed(value: float, unit: str = "") -> str:
    """`+1.2`, `−0.3`: a change, with its sign."""
    text = with_unit(abs(value), unit)
    return text if value == 0 else ("+" if value > 0 else "\N{MINUS SIGN}") + text


def duration(seconds: float) -> str:
    """`9 min 58 s`, `1 h 4 min`."""
    whole = int(round(seconds))
    if whole < 60:
        return f"{whole} s"
    return f"{whole // 60} min {whole % 60} s" if whole < 3600 else f"{whole // 3600} h {whole % 3600 // 60} min"


def decimals_of(step: float, first: float = 0.0) -> int:
    """The decimals for values of an encoding with the value `first` at count 0 and `step` a count.

    Exact if few decimals suffice. Else so many that the rounding error is at most a quarter of a count, so that the
    count can be recovered."""
    least = max(0, math.ceil(-math.log10(step / 2.0) - 1e-9))
    return next((d for d in range(least + 3) if round(step, d) == step and round(first, d) == first), least)
