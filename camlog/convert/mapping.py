"""The mapping file: what a person says about a foreign file, in TOML.

```
schema = "camlog.map/1"
[table]                      # only where the file is read wrongly without it
separator = ";"              # one of , ; | or "\\t"
decimal = ","                # . or ,
encoding = "cp1252"
[time]
column = "Time"              # its heading, or its number from 1
unit = "ms"                  # s, ms, us, ns, min, h, day
rate_hz = 10.0               # instead of a column: how many rows a second
day_first = true             # 03/04/2024 is the third of April
[angles]                     # of all cam angles that do not say it themselves
angle = "crank"              # crank or cam degrees
positive = "advance"         # advance or retard
[[column]]
heading = "Coolant"          # or number = 3
signal = "coolant_temp"      # "" leaves it under its own name, "-" leaves it out
unit = "degF"
angle = "cam"                # cam angles only, as are positive and rest_deg
positive = "retard"
rest_deg = 0.0               # what the file reads at the locked position
factor = 1.0                 # value = number * factor + offset, in unit
offset = 0.0
```
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from camlog.convert.limits import MAX_MAPPING_BYTES
from camlog.convert.timing import SECONDS_IN
from camlog.errors import InputError
from camlog.toml_lines import key_lines
from camlog.signals import SIGNALS
from camlog.units import conversion

SCHEMA = "camlog.map/1"
LEAVE_OUT = "-"
_TABLES = {
    "": {"schema": str, "table": dict, "time": dict, "angles": dict, "column": list},
    "table": {"separator": str, "decimal": str, "encoding": str},
    "time": {"column": (str, int), "unit": str, "rate_hz": (int, float), "day_first": bool},
    "angles": {"angle": str, "positive": str},
    "column": {
        "heading": str, "number": int, "signal": str, "unit": str, "angle": str, "positive": str,
        "rest_deg": (int, float), "factor": (int, float), "offset": (int, float),
    },
}  # fmt: skip
_CHOICES = {
    "separator": (",", ";", "\t", "|"), "decimal": (".", ","), "angle": ("crank", "cam"),
    "positive": ("advance", "retard"),
}  # fmt: skip
_KIND_NAMES = {
    str: "text",
    bool: "true or false",
    int: "a whole number",
    dict: "a table",
    list: "tables in [[ ]]",
}


@dataclass(frozen=True)
class ColumnRule:
    """What is said about one column; None is nothing. `heading` or `number` (from 1) names it."""

    heading: str | None = None
    number: int | None = None
    signal: str | None = None
    unit: str | None = None
    angle: str | None = None
    positive: str | None = None
    rest_deg: float | None = None
    factor: float | None = None
    offset: float | None = None

    def is_about(self, heading: str, index: int) -> bool:
        if self.number is not None:
            return self.number == index + 1
        return self.heading is not None and self.heading.strip() == heading.strip()


@dataclass(frozen=True)
class Mapping:
    """What is said about a file; everything that is None or absent is found out."""

    columns: tuple[ColumnRule, ...] = ()
    time_column: str | int | None = None
    time_unit: str | None = None
    rate_hz: float | None = None
    day_first: bool | None = None
    angle: str | None = None
    positive: str | None = None
    separator: str | None = None
    decimal: str | None = None
    encoding: str | None = None
    file: str = ""
    lines: dict[tuple, int] = field(default_factory=dict, compare=False, repr=False)

    def rule(self, heading: str, index: int) -> ColumnRule | None:
        """The last rule about a column; None where there is none."""
        return next((r for r in reversed(self.columns) if r.is_about(heading, index)), None)

    def check_used(self, headings: Iterable[tuple[str, int]]) -> None:
        """Raises InputError where a rule is about a column the file does not have."""
        headings = list(headings)
        for place, rule in enumerate(self.columns):
            if any(rule.is_about(h, i) for h, i in headings):
                continue
            what = f"number {rule.number}" if rule.number is not None else f"heading {rule.heading!a}"
            near = difflib.get_close_matches(rule.heading or "", [h for h, _ in headings], n=1)
            remedy = f"Did you mean {near[0]!a}?" if near else "Copy the heading as it stands in the file."
            raise InputError(
                f"the file has no column with {what}", file=self.file or None,
                line=self.lines.get(("column", place)), column="column", remedy=remedy,
            )  # fmt: skip


def read_mapping(path: str | Path) -> Mapping:
    """Read a mapping file. Raises InputError with file, line and key."""
    path = Path(path)
    try:
        with open(path, "rb") as file:
            content = file.read(MAX_MAPPING_BYTES + 1)
    except (OSError, ValueError) as error:
        raise InputError(
            f"cannot be read ({getattr(error, 'strerror', None) or error})",
            file=path,
            remedy="Check the path.",
        ) from error
    if len(content) > MAX_MAPPING_BYTES:
        raise InputError("is too large to be a mapping file", file=path, remedy="Check which file is meant.")
    try:
        text = content.decode("utf-8-sig")
        raw, lines = tomllib.loads(text), key_lines(text)
    except UnicodeDecodeError as error:
        raise InputError("is not UTF-8 text", file=path, remedy="Save it as UTF-8.") from error
    except (ValueError, RecursionError) as error:
        raise InputError(
            f"is not valid TOML: {str(error)[:120]}", file=path,
            remedy="Write key = value, with text in quotes.",
        ) from error  # fmt: skip
    return _Reader(path, lines).mapping(raw)


class _Reader:
    def __init__(self, path: Path, lines: dict[tuple, int]):
        self.path, self.lines = path, lines

    def error(self, where: tuple, what: str, remedy: str) -> InputError:
        line = next(
            (self.lines[where[:n]] for n in range(len(where), 0, -1) if where[:n] in self.lines), None
        )
        key = ".".join(str(p) for p in where if not isinstance(p, int))
        return InputError(what, file=self.path, line=line, column=key or None, remedy=remedy)

    def mapping(self, raw: dict[str, Any]) -> Mapping:
        self.check(raw, "", ())
        if raw.get("schema") != SCHEMA:
            raise self.error(("schema",), f'schema should be "{SCHEMA}"', "Add it as the first line.")
        time, angles, table = raw.get("time", {}), raw.get("angles", {}), raw.get("table", {})
        for name, content in (("table", table), ("time", time), ("angles", angles)):
            self.check(content, name, (name,))
        if "unit" in time and time["unit"] not in SECONDS_IN:
            raise self.error(("time", "unit"), "is no unit of time", f"Use one of {', '.join(SECONDS_IN)}.")
        if "rate_hz" in time and not (math.isfinite(time["rate_hz"]) and 0 < time["rate_hz"] <= 1e6):
            raise self.error(("time", "rate_hz"), "should be rows a second, above 0", "Such as 10.0.")
        if "encoding" in table:
            self.encoding(table["encoding"])
        rules = tuple(self.rule(item, place) for place, item in enumerate(raw.get("column", [])))
        return Mapping(
            columns=rules, time_column=time.get("column"), time_unit=time.get("unit"),
            rate_hz=time.get("rate_hz"),
            day_first=time.get("day_first"), angle=angles.get("angle"), positive=angles.get("positive"),
            separator=table.get("separator"), decimal=table.get("decimal"), encoding=table.get("encoding"),
            file=str(self.path), lines=self.lines,
        )  # fmt: skip

    def encoding(self, name: str) -> None:
        import codecs

        try:
            if codecs.lookup(name)._is_text_encoding:
                return
        except (LookupError, ValueError, AttributeError):
            pass
        raise self.error(
            ("table", "encoding"), f"{name[:40]!a} is no text encoding", "Such as utf-8 or cp1252."
        )

    def check(self, content: Any, name: str, where: tuple) -> None:
        if not isinstance(content, dict):
            raise self.error(where, "should be a table", f"Write [{name}] above its keys.")
        for key, value in content.items():
            kind = _TABLES[name].get(key)
            if kind is None:
                near = difflib.get_close_matches(key, list(_TABLES[name]), n=1)
                remedy = f"Did you mean {near[0]}?" if near else f"Known here: {', '.join(_TABLES[name])}."
                raise self.error((*where, key), "unknown key", remedy)
            wrong_truth = isinstance(value, bool) and kind is not bool
            if wrong_truth or not isinstance(value, kind):
                expected = _KIND_NAMES.get(kind, "a number" if kind == (int, float) else "text or a number")
                raise self.error((*where, key), f"should be {expected}", "Correct it, or remove the line.")
            if isinstance(value, float) and not math.isfinite(value):
                raise self.error(
                    (*where, key), "should be a finite number", "Correct it, or remove the line."
                )
            if key in _CHOICES and value not in _CHOICES[key]:
                raise self.error(
                    (*where, key), f"should be one of {', '.join(map(ascii, _CHOICES[key]))}", "Correct it."
                )

    def rule(self, item: Any, place: int) -> ColumnRule:
        where = ("column", place)
        self.check(item, "column", where)
        if ("heading" in item) == ("number" in item):
            raise self.error(where, "needs either heading or number", "The heading as it stands in the file.")
        signal = item.get("signal")
        if signal not in (None, "", LEAVE_OUT) and signal not in SIGNALS:
            near = difflib.get_close_matches(signal, list(SIGNALS), n=1)
            remedy = f"Did you mean {near[0]}?" if near else 'The README lists them; "" keeps its own name.'
            raise self.error((*where, "signal"), f"{signal[:40]!a} is no signal of camlog", remedy)
        unit = item.get("unit")
        if signal in SIGNALS and unit:
            try:
                conversion(unit, SIGNALS[signal].unit)
            except ValueError:
                raise self.error(
                    (*where, "unit"),
                    f"{unit[:40]!a} cannot become {SIGNALS[signal].unit}",
                    "Write another unit.",
                ) from None
        for key in ("angle", "positive", "rest_deg"):
            if key in item and not (signal or "cam").startswith("cam"):
                raise self.error((*where, key), "is for cam angles only", "Remove the line.")
        if item.get("factor") == 0:
            raise self.error((*where, "factor"), "should not be 0", "1.0 leaves the values as they are.")
        return ColumnRule(**item)


def quoted(text: str) -> str:
    """A TOML string of any text."""
    return '"' + "".join(map(_escaped, text)) + '"'


def _escaped(char: str) -> str:
    if char in '"\\':
        return "\\" + char
    if "\ud800" <= char <= "\udfff":
        return "?"  # half a character, which no file in UTF-8 can hold
    return f"\\u{ord(char):04x}" if char < " " or char == "\x7f" else char
