"""The mapping file: a person's description of a foreign file, in TOML.

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
time = "Time 2"              # its own time column (heading or number), where columns have times of their own
signal = "coolant_temp"      # "" leaves it under its own name, "-" leaves it out
unit = "degF"
angle = "cam"                # cam angles only, as are positive and rest_deg
positive = "retard"
deviation = "minus"          # of an actual angle: the column is how far it is from its command; minus: value =
                             # commanded - column, plus: value = commanded + column
rest_deg = 0.0               # what the file reads at the locked position
factor = 1.0                 # value = number * factor + offset, in unit
offset = 0.0
```
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import partial
from pathlib import Path
from typing import Annotated, Literal, get_args

from annotated_types import Gt, Le

from camlog import cams
from camlog.convert.limits import MAX_MAPPING_BYTES
from camlog.convert.words import SECONDS_IN, TimeUnit, say
from camlog.signals import SIGNALS
from camlog.toml_file import Expected, TomlFile, shown
from camlog.units import convertible

SCHEMA = "camlog.map/1"
LEAVE_OUT = "-"
Shaft = Literal["crank", "cam"]
Sign = Literal["advance", "retard"]
Deviation = Literal["minus", "plus"]
SHAFTS, SIGNS, DEVIATIONS = map(get_args, (Shaft, Sign, Deviation))
_Angle = Annotated[Shaft | None, Expected(f"one of {', '.join(SHAFTS)}")]
_Positive = Annotated[Sign | None, Expected(f"one of {', '.join(SIGNS)}")]
_Number = Annotated[float | None, Expected("a finite number")]
_Column = Annotated[str | int | None, Expected("a heading, or a column's number from 1")]
_Text = Annotated[str | None, Expected("text")]


@dataclass(frozen=True)
class ColumnRule:
    """The rule for one column, named by `heading` or `number` (from 1); None means not given."""

    heading: _Text = None
    number: Annotated[int | None, Expected("the column's number, from 1")] = None
    time: _Column = None
    signal: _Text = None
    unit: _Text = None
    angle: _Angle = None
    positive: _Positive = None
    deviation: Annotated[Deviation | None, Expected(f"one of {', '.join(DEVIATIONS)}")] = None
    rest_deg: _Number = None
    factor: _Number = None
    offset: _Number = None

    def is_about(self, heading: str, index: int) -> bool:
        if self.number is not None:
            return self.number == index + 1
        return self.heading is not None and self.heading.strip() == heading.strip()


@dataclass(frozen=True)
class _TableKeys:
    separator: Annotated[Literal[",", ";", "\t", "|"] | None, Expected('one of "," ";" "|" "\\t"')] = None
    decimal: Annotated[Literal[".", ","] | None, Expected('one of "." ","')] = None
    encoding: Annotated[str | None, Expected("a text encoding, such as utf-8 or cp1252")] = None


@dataclass(frozen=True)
class _TimeKeys:
    column: _Column = None
    unit: Annotated[TimeUnit | None, Expected(f"a unit of time as text: {', '.join(SECONDS_IN)}")] = None
    rate_hz: Annotated[float | None, Gt(0), Le(1e6), Expected("rows a second, above 0")] = None
    day_first: Annotated[bool | None, Expected("true or false")] = None


@dataclass(frozen=True)
class _AngleKeys:
    angle: _Angle = None
    positive: _Positive = None


@dataclass(frozen=True)
class _MappingFile:
    schema: str
    table: Annotated[_TableKeys, Expected("a table")] = _TableKeys()
    time: Annotated[_TimeKeys, Expected("a table")] = _TimeKeys()
    angles: Annotated[_AngleKeys, Expected("a table")] = _AngleKeys()
    column: Annotated[tuple[ColumnRule, ...], Expected("tables in [[ ]]")] = ()


@dataclass(frozen=True)
class Mapping(_MappingFile):
    """The rules for a file, and the path of their mapping file. Everything that is None or absent is determined from
    the foreign file."""

    schema: str = SCHEMA
    file: TomlFile | None = field(default=None, compare=False, repr=False)

    def rule(self, heading: str, index: int) -> ColumnRule | None:
        """The last rule for a column; None if there is none."""
        return next((r for r in reversed(self.column) if r.is_about(heading, index)), None)

    def check_used(self, headings: Iterable[tuple[str, int]]) -> None:
        """Raises InputError if a rule names a column that is not in the file."""
        headings = list(headings)
        for place, rule in enumerate(self.column):
            if not any(rule.is_about(h, i) for h, i in headings):
                near = get_close_matches(rule.heading or "", [h for h, _ in headings], n=1)
                name = f"number {rule.number}" if rule.number is not None else f"heading {rule.heading!a}"
                error = say.error("no_such_column", column="column", name=name)
                remedy = say("did_you_mean", name=ascii(near[0])) if near else error.remedy
                raise self.file.error(("column", place), error.what, remedy) if self.file else error


def read_mapping(path: str | Path) -> Mapping:
    """Read a mapping file. Raises InputError with file, line and key."""
    toml = TomlFile.open(path, "mapping file", "", MAX_MAPPING_BYTES)
    read = toml.load(_MappingFile, SCHEMA)
    for place, rule in enumerate(read.column):
        _check_rule(toml, ("column", place), rule)
    try:
        "".encode(read.table.encoding or "utf-8")
    except (LookupError, ValueError) as error:
        raise toml.refusal(say, ("table", "encoding"), "no_encoding", value=shown(read.table.encoding)) from error
    return Mapping(**vars(read), file=toml)


def _check_rule(toml: TomlFile, where: tuple, rule: ColumnRule) -> None:
    """Raises InputError if the keys of one rule contradict each other."""
    wrong = partial(toml.refusal, say)
    if (rule.heading is None) == (rule.number is None):
        raise wrong(where, "heading_or_number")
    signal = rule.signal or None
    if signal not in (None, LEAVE_OUT) and signal not in SIGNALS:
        fault = say("not_a_signal", name=shown(signal))
        raise toml.unknown((*where, "signal"), signal, SIGNALS, fault, say("where_signals_are"))
    if signal in SIGNALS and rule.unit and not convertible(rule.unit, SIGNALS[signal].unit):
        raise wrong((*where, "unit"), "unit_cannot_become", unit=shown(rule.unit), canonical=SIGNALS[signal].unit)
    for key in ("angle", "positive", "rest_deg"):
        if getattr(rule, key) is not None and not (signal or "cam").startswith("cam"):
            raise wrong((*where, key), "only_for_cams")
    if rule.deviation is not None and (cams.parts(signal or "") or ("", ""))[1] != "actual":
        raise wrong((*where, "deviation"), "only_for_actual")
    if rule.factor == 0:
        raise wrong((*where, "factor"), "factor_zero")
