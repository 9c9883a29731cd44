"""Splits the lines of a foreign table into cells, and reads a cell as a number, as missing, or as text."""

from __future__ import annotations

import csv
import re
import statistics
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from camlog.convert.words import MISSING

SEPARATORS = (",", ";", "\t", "|")
_SAMPLE_LINES = 60
_JOINED_LINES = 20


@dataclass(frozen=True)
class Dialect:
    """`separator` is between cells, `quote` around cells that contain a separator."""

    separator: str
    quote: str = '"'

    def rows(self, lines: Iterable[str]) -> Iterator[list[str]]:
        """The cells of each line; a line that cannot be split is one cell."""
        blanks = self.separator != "\t"
        for line in lines:
            try:
                reader = csv.reader(
                    [line], delimiter=self.separator, quotechar=self.quote, skipinitialspace=blanks, strict=True
                )
                yield next(reader, [])
            except csv.Error:
                yield [line]


def find_dialect(lines: Sequence[str]) -> Dialect | None:
    """The dialect of a table from some of its lines; None if no separator makes columns of them.

    It is the separator that splits most lines into the same number of cells.
    """
    lines = [line for line in lines if line.strip()]
    if not lines:
        return None
    quote = _quote(lines)
    regularity, separator = max((_regularity(Dialect(s, quote), lines), s) for s in SEPARATORS)
    return Dialect(separator, quote) if regularity > 0 else None


def _quote(lines: Sequence[str]) -> str:
    if any('"' in line for line in lines) or not any("'" in line for line in lines):
        return '"'
    cells = (c.strip() for line in lines[:50] for separator in SEPARATORS for c in line.split(separator))
    return "'" if any(len(cell) > 1 and cell[0] == "'" == cell[-1] for cell in cells) else '"'


def _regularity(dialect: Dialect, lines: Sequence[str]) -> float:
    """Share of lines with the usual number of cells, times the share of cells that are not mixtures."""
    # Only the later lines, because a file may begin with a preamble in prose.
    rows = list(dialect.rows(lines[-_SAMPLE_LINES:]))
    widths = Counter(len(row) for row in rows if len(row) > 1)
    if not widths:
        return 0.0
    width, count = widths.most_common(1)[0]
    cells = [cell for row in rows if len(row) == width for cell in row]
    others = [s for s in SEPARATORS if s not in (dialect.separator, ",")]
    pure = statistics.fmean(not any(s in cell for s in others) for cell in cells)
    return count / len(rows) * pure**4


def joined_lines(lines: Sequence[str], quote: str) -> Iterator[tuple[int, str]]:
    """(index of its first line, text) of each record; lines within one pair of quotation marks are one record.

    A quotation mark without a partner within a few lines counts as a letter.
    """
    at = 0
    while at < len(lines):
        last = at
        if lines[at].count(quote) % 2:
            following = range(at + 1, min(at + _JOINED_LINES, len(lines)))
            last = next((i for i in following if lines[i].count(quote) % 2), at)
        yield at, "\n".join(lines[at : last + 1])
        at = last + 1


# ---------------------------------------------------------------- numbers

NAN = float("nan")
_ONLY_MARKS = re.compile(r"[-–—−_.…*?#/~ ]+\Z")
_BLANKS = " \u00a0\u2007\u202f\u2009\ufeff\t \x0b\x0c"
_PLAIN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\Z", re.ASCII)
# Marks between groups of three digits: the characters, and the decimal marks that may stand with them.
_GROUP_MARKS = {",": (",", "."), ".": (".", ","), " ": (" \u00a0\u2009\u202f", ".,"), "'": ("'’", ".,")}
_GROUPS = {
    mark: re.compile(rf"[+-]?[1-9]\d{{0,2}}(?:[{marks}]\d{{3}})+(?:[{decimals}]\d*)?\Z", re.ASCII)
    for mark, (marks, decimals) in _GROUP_MARKS.items()
}


def is_missing(cell: str) -> bool:
    """True if a cell means "no reading": empty, dashes, `N/A` and the like."""
    text = cell.strip(_BLANKS)
    if not text:
        return True
    if len(text) > 24:
        return not text.strip("-–—_.*# ")
    return not text.isdigit() and (text.lower() in MISSING or bool(_ONLY_MARKS.match(text)))


@dataclass(frozen=True)
class Numbers:
    """How numbers are written: the decimal mark, and the mark between groups of three ("" for none)."""

    decimal: str = "."
    group: str = ""

    def read(self, cell: str) -> float | None:
        """The finite number in a cell; None if it is none."""
        text = cell.strip(_BLANKS)
        if self.group and _GROUPS[self.group].match(text):
            text = text.translate(self._without_groups)
        if self.decimal != ".":
            if "." in text:
                return None
            text = text.replace(self.decimal, ".", 1)
        if text[:1] == "−":
            text = "-" + text[1:]
        if not _PLAIN.match(text):
            return None
        number = float(text)
        return number if abs(number) != float("inf") else None

    @cached_property
    def _without_groups(self) -> dict[int, None]:
        return dict.fromkeys(map(ord, " \u00a0\u2009\u202f'’" if self.group in " '" else self.group))


_WITH_UNIT = re.compile(r"\s*([+-]?[\d.,' \u00a0]*\d[.,]?)\s*([^\d\s.,;][^\d;]{0,11}?)\s*\Z")


def split_unit(cell: str) -> tuple[str, str] | None:
    """The number and the unit, as text, of a cell such as `88.5 °C`; None if it has another form."""
    match = _WITH_UNIT.match(cell[:64])
    return (match[1], match[2]) if match and len(cell) <= 64 else None


def common_suffix(cells: Sequence[str]) -> str:
    """The unit text at the end of nearly all cells that are not empty; "" if there is none."""
    parts = [split_unit(c) for c in cells if not is_missing(c)]
    units = {p[1] for p in parts if p}
    return units.pop() if len(units) == 1 and sum(p is not None for p in parts) >= 0.8 * len(parts) else ""


_DECIMALS = {mark: re.compile(rf"[+-]?\d*[{mark}]\d+\Z", re.ASCII) for mark in ".,"}
_THREE = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}\Z", re.ASCII)


def find_numbers(cells: Sequence[str], separator: str) -> Numbers | None:
    """How the numbers in `cells` are written; None if a comma may be either mark.

    Only unambiguous cells are evidence: in `0,5` the comma is decimal, in `1,234.5` it separates groups. Three digits
    after a single mark (`1,234`) are no evidence.
    """
    surely, openly, groups = {".": 0, ",": 0}, {".": 0, ",": 0}, set()
    for cell in cells:
        text = cell.strip(_BLANKS)
        parts = split_unit(text) if text and not text[-1].isdigit() else None
        text = parts[0].strip(_BLANKS) if parts else text
        three = bool(_THREE.match(text))
        if not three:
            groups |= {mark for mark, pattern in _GROUPS.items() if pattern.match(text)}
        mark = next((m for m, pattern in _DECIMALS.items() if pattern.match(text)), None)
        if mark:
            (openly if three else surely)[mark] += 1
    decimal, group = ".", ""
    for own, other in ((".", ","), (",", ".")):
        if other in groups or (surely[own] and not surely[other]):
            decimal, group = own, other if openly[other] or other in groups else ""
            break
    else:
        # In comma-separated columns, the comma of a quoted number is for thousands or for decimals.
        if surely["."] or surely[","] or (openly[","] and not openly["."]):
            return None
    if groups & {" ", "'"}:
        group = " " if " " in groups else "'"
    return Numbers(decimal, group)
