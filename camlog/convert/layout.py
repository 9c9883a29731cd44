"""The layout of a foreign table: preamble, headings, units row, first row of readings; wide or long."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from camlog.convert.cells import (
    Dialect,
    Numbers,
    common_suffix,
    find_dialect,
    find_numbers,
    is_missing,
    joined_lines,
    split_unit,
)  # fmt: skip
from camlog.convert.headings import parse_heading, read_unit
from camlog.convert.limits import HEAD_LINES, MAX_COLUMNS, MAX_LINE_CHARACTERS
from camlog.convert.mapping import Mapping
from camlog.convert.source import TextBlocks
from camlog.convert.stamps import is_day, is_stamp
from camlog.convert.words import say

_LONG_LINE = 200_000
_FOLLOWING = 12
_FIGURE = re.compile(r"[+\-−]?[\d.,' \u00a0\u202f]*\d[.,]?(?:[eE][+-]?\d+)?\Z")
_RATE = re.compile(
    r"(?:sampl\w*|rate|frequency|interval|period|abtast\w*|takt|cadence|frecuencia|muestreo)\b[^\d\n]{0,40}?"
    r"(\d+(?:[.,]\d+)?)\s*[;,:]?\s*(hz|ms|milliseconds|s|sec|seconds|samples?\s*(?:/|per)\s*s(?:ec(?:ond)?)?)\b",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class SourceColumn:
    """A column of the file: `index` from 0, `heading` ("" for none), `unit_cell` from the units row.

    `kind` is `number`, `stamp` (clock or date), `day` (date only), `text` or `empty`; `suffix` is a unit in every cell.
    """

    index: int
    heading: str
    unit_cell: str = ""
    kind: str = "number"
    suffix: str = ""

    @property
    def label(self) -> str:
        """The heading, or the column's number if it has none."""
        return self.heading or f"column {self.index + 1}"


@dataclass(frozen=True)
class LongColumns:
    """The columns of a long table (one reading per row) with the signal name, value and unit (None: no unit column)."""

    signal: int
    value: int
    unit: int | None


@dataclass(frozen=True)
class Layout:
    """The layout of a table in its file. Lines count from 1; the readings begin at `first_row_line`.

    `width` is the usual number of cells in a row, `ragged` True if rows often lack cells at their end. `sample` are the
    first rows of readings as text.
    """

    dialect: Dialect
    numbers: Numbers
    columns: tuple[SourceColumn, ...]
    heading_line: int | None
    first_row_line: int
    width: int
    ragged: bool
    heading_cells: tuple[str, ...] = ()
    unit_cells: tuple[str, ...] = ()
    preamble: tuple[str, ...] = ()
    long: LongColumns | None = None
    sample: tuple[tuple[str, ...], ...] = field(default=(), repr=False)

    def cells(self, index: int) -> list[str]:
        """The first cells of a column."""
        return [r[index] for r in self.sample if index < len(r)]


def survey_layout(text: TextBlocks, mapping: Mapping) -> Layout:
    """The layout of a file. Raises InputError if it is no table of readings."""
    lines = text.head.split("\n")[: HEAD_LINES + 1]
    longest = max(range(len(lines)), key=lambda i: len(lines[i]))
    if len(lines[longest]) > MAX_LINE_CHARACTERS:
        raise text.endless_line(longest + 1)
    if "\n" not in text.head and len(text.head) >= _LONG_LINE:
        next(text.blocks(), None)  # raises if a line is endless or has too many columns
    dialect = Dialect(mapping.table.separator) if mapping.table.separator else find_dialect(lines)
    if dialect is None:
        raise say.error("no_readings", file=text.path)
    columns, line = max((row.count(dialect.separator) + 1, -i) for i, row in enumerate(lines, start=1))
    if columns > MAX_COLUMNS:
        raise say.error("too_many_columns", file=text.path, line=-line, columns=columns, most=MAX_COLUMNS)
    return _layout(text.path, lines, dialect, Numbers(mapping.table.decimal) if mapping.table.decimal else None)


def _layout(path: Path, lines: Sequence[str], dialect: Dialect, numbers: Numbers | None) -> Layout:
    records = list(joined_lines(lines[:HEAD_LINES], dialect.quote))
    rows = [[c.strip() for c in cells] for cells in dialect.rows(text for _, text in records)]
    good = [_is_reading(row) for row in rows]
    first = _first_reading(rows, good)
    if first is None:
        raise say.error("no_readings", file=path)
    headings, units = _heading_rows(rows, first)
    heading_cells = tuple(rows[headings]) if headings is not None else ()
    unit_cells = tuple(rows[units]) if units is not None else ()
    readings = [r for r, fits in zip(rows[first:], good[first:], strict=True) if fits and tuple(r) != heading_cells]
    width = Counter(len(r) for r in readings).most_common(1)[0][0]
    notation = numbers or find_numbers([c for r in readings for c in r], dialect.separator)
    if notation is not None and notation.group == dialect.quote:
        notation = Numbers(notation.decimal)  # a doubled quotation mark is no mark between groups
    columns = _columns(heading_cells, unit_cells, width, readings, notation or Numbers())
    first_line, top = records[first][0] + 1, min(i for i in (headings, units, first) if i is not None)
    if sum(any(r[len(columns) :]) for r in readings) > 0.5 * len(readings):
        raise say.error("overfull_rows", file=path, line=first_line, count=len(columns))
    if notation is None:
        raise say.error("decimal_mark_open", file=path, line=first_line)
    return Layout(
        dialect, notation, columns, records[headings][0] + 1 if headings is not None else None, first_line, width,
        ragged=sum(len(r) < width for r in readings) > max(1, 0.02 * len(readings)),
        heading_cells=heading_cells, unit_cells=unit_cells, long=_long_columns(columns), sample=tuple(map(tuple, readings)),
        preamble=tuple(text for _, text in records[:top] if text.strip()),
    )  # fmt: skip


def stated_rate_hz(preamble: Sequence[str]) -> float | None:
    """The sampling rate (Hz) stated in the lines above the headings; None if there is none or several."""
    rates = set()
    for match in filter(None, map(_RATE.search, preamble)):
        number, unit = float(match[1].replace(",", ".")), match[2].lower()
        if number > 0:
            period_s = 1e-3 if unit.startswith("m") else 1.0
            rates.add(1.0 / period_s / number if unit.startswith(("m", "sec")) or unit == "s" else number)
    return rates.pop() if len(rates) == 1 else None


def is_figure(cell: str) -> bool:
    """True if a cell may be a reading: a number in any notation, with or without unit, or a stamp."""
    if not cell or len(cell) > 40 or not any(c.isdigit() for c in cell):
        return False
    if _FIGURE.match(cell) or is_stamp(cell) or is_day(cell):
        return True
    parts = split_unit(cell)
    return parts is not None and read_unit(parts[1]) is not None


def _is_reading(row: Sequence[str]) -> bool:
    filled = [c for c in row if not is_missing(c)]
    figures = sum(map(is_figure, filled))
    if len(row) < 2 or figures < max(1, 0.34 * len(filled)):
        return False
    # In a long table, one cell in four is a number and one a time; the others are words.
    return figures >= 2 or len(filled) < 3 or figures >= 0.5 * len(filled)


def _first_reading(rows: Sequence[Sequence[str]], fits: Sequence[bool]) -> int | None:
    """Index of the first row of readings, which is followed by rows of the same width."""
    filled = [i for i, row in enumerate(rows) if any(row)]
    good = {i for i in filled if fits[i]}
    widths = Counter(len(rows[i]) for i in good)
    usual = max(widths, key=lambda w: (widths[w], w), default=0)
    for place, i in enumerate(filled):
        width = len(rows[i])
        if i not in good or width < 0.5 * usual:
            continue
        after = filled[place + 1 : place + 1 + _FOLLOWING]
        alike = sum(j in good and len(rows[j]) >= 0.5 * width for j in after)
        # `Sample rate;10`: a word and a figure above a wider table.
        named_figure = width < usual and not is_figure(rows[i][0]) and not is_missing(rows[i][0])
        if alike >= 0.4 * len(after) and not named_figure:
            return i
    return None


def _heading_rows(rows: Sequence[Sequence[str]], first: int) -> tuple[int | None, int | None]:
    """Indices of the headings and of the units row above row `first`; None if absent."""
    wordy = []
    for i in [i for i in range(first - 1, -1, -1) if any(rows[i])][:3]:
        filled = [c for c in rows[i] if c]
        wide = len(rows[i]) >= max(2, 0.5 * len(rows[first])) and len(filled) >= 2
        if not wide or sum(map(is_figure, filled)) > 0.34 * len(filled):
            break
        wordy.append(i)
    if not wordy:
        return None, None
    nearest, *above = wordy
    if above and _is_units_row(rows[nearest], rows[above[0]]):
        return above[0], nearest
    if above and _is_units_row(rows[above[0]], rows[nearest]):
        return nearest, above[0]
    return nearest, None


def _is_units_row(row: Sequence[str], names: Sequence[str]) -> bool:
    """True for a row of units beside a row of names that is not itself made of units."""
    filled, named = [c for c in row if not is_missing(c)], [c for c in names if c]
    units, units_among_names = (sum(read_unit(c) is not None for c in cells) for cells in (filled, named))
    return units >= max(1, 0.6 * len(filled)) and len(named) >= 2 and units_among_names < 0.6 * len(named)


def _columns(
    headings: Sequence[str], units: Sequence[str], width: int, readings: Sequence[Sequence[str]], numbers: Numbers
) -> tuple[SourceColumn, ...]:
    # Cells beyond the last heading are ignored; without headings every cell counts.
    count = len(headings) or width
    while 1 < count <= len(headings) and not any(any(r[count - 1 : count]) for r in (headings, *readings)):
        count -= 1
    columns = []
    for j in range(count):
        kind, suffix = _kind([r[j] for r in readings if j < len(r)], numbers)
        columns.append(SourceColumn(j, "".join(headings[j : j + 1]), "".join(units[j : j + 1]), kind, suffix))
    return tuple(columns)


def _kind(cells: Sequence[str], numbers: Numbers) -> tuple[str, str]:
    filled = [c for c in cells if not is_missing(c)]
    if not filled:
        return "empty", ""
    if sum(numbers.read(c) is not None for c in filled) >= 0.5 * len(filled):
        compact = sum(len(c) >= 12 and is_stamp(c) for c in filled)
        return ("stamp" if compact > 0.9 * len(filled) else "number"), ""
    for kind, test in (("stamp", is_stamp), ("day", is_day)):
        if sum(map(test, filled)) > 0.5 * len(filled):
            return kind, ""
    suffix = common_suffix(filled)
    return ("number", suffix) if suffix and read_unit(suffix) else ("text", "")


def _long_columns(columns: Sequence[SourceColumn]) -> LongColumns | None:
    """The columns of a long table, known by headings for names and values; None if it is a wide table."""
    if not 3 <= len(columns) <= 8:
        return None
    roles: dict[str, int] = {}
    for column in columns:
        words = set(parse_heading(column.heading).words)
        naming = words & {"signal", "name", "pid"} and (column.kind == "text" or words == {"pid"})
        if naming and "signal" not in roles:
            roles["signal"] = column.index
        elif "value" in words and "value" not in roles and column.kind in ("number", "empty", "text"):
            roles["value"] = column.index
        elif "unit" in words:
            roles.setdefault("unit", column.index)
    if "signal" not in roles or "value" not in roles:
        return None
    return LongColumns(roles["signal"], roles["value"], roles.get("unit"))
