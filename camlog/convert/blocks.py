"""Blocks of lines into columns of numbers and of text.

Regular blocks go through pandas' parser at once; a block with anything unusual in it (a repeated heading, a
torn line, a word where a number should be) is read row by row, by the same definition of a number.
"""

from __future__ import annotations

import csv
import io
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from camlog.convert.cells import NAN, Numbers, is_missing
from camlog.convert.dialect import joined_lines
from camlog.convert.layout import Layout

# Spellings of a missing value that pandas is told; others make a block unusual, and are understood there.
_MISSING = [
    "", " ", "-", "--", "---", "N/A", "n/a", "NA", "na", "#N/A", "NaN", "nan", "NAN", "null", "NULL", "None",
    "none",
    "?", "*", "----", "n.a.", "No Data", "no data", "NODATA",
]  # fmt: skip
_TRUTH = ("rue", "alse", "RUE", "ALSE")
_SHOWN = 40
# Pieces of this many characters are read row by row when they are unusual; after so many of them in a row
# the rest of a block is not tried first.
_SMALL = 1 << 15
_GIVE_UP = 12


@dataclass
class Oddities:
    """What was found and left out while reading; lines are the first of each kind."""

    unreadable: dict[int, tuple[int, int, str]] = field(default_factory=dict)  # column: count, line, cell
    repeated_headings: int = 0
    wide_rows: tuple[int, int] = (0, 0)  # count, line
    short_rows: tuple[int, int] = (0, 0)
    torn_end: int = 0  # line, 0 for none
    other_rows: tuple[int, int] = (0, 0)
    rows: int = 0

    def count(self, name: str, line: int) -> None:
        number, first = getattr(self, name)
        setattr(self, name, (number + 1, first or line))

    def cell(self, column: int, line: int, text: str) -> None:
        number, first, shown = self.unreadable.get(column, (0, line, text[:_SHOWN]))
        self.unreadable[column] = (number + 1, first, shown)


@dataclass(frozen=True)
class Parsed:
    """Columns of one block by column index: `numbers` float64 (rows,), NaN where nothing was read; `texts`
    the cells of the columns read as text; `lines` the line number of each row."""

    numbers: dict[int, np.ndarray]
    texts: dict[int, list[str]]
    lines: np.ndarray


class BlockParser:
    """Reads the blocks of one file; `oddities` gathers what was left out."""

    def __init__(self, layout: Layout, numbers: Sequence[int], texts: Sequence[int], form: Numbers):
        self.layout, self.form = layout, form
        self.number_columns, self.text_columns = list(numbers), list(texts)
        self.oddities = Oddities()
        self._suffixes = {c.index: c.suffix for c in layout.columns if c.suffix}
        self._headings = _bare(layout.heading_cells)
        self._units = _bare(layout.unit_cells)
        edge = re.escape(layout.dialect.separator + "\n")
        self._quote_within = re.compile(f"[^{edge} ]{re.escape(layout.dialect.quote)}[^{edge}]")
        self._irregular = 0
        self._words = False
        # Below the last column with a heading only empty cells may follow.
        self._last = max([c.index for c in layout.columns], default=0)
        self._slow_always = bool(self._suffixes) or bool(form.group)

    def parse(self, text: str, first_line: int, at_end: bool = False) -> Parsed:
        """Columns of one block whose first line has number `first_line`; `at_end` for the file's last
        block."""
        torn = ""
        if at_end and not text.endswith("\n"):
            cut = text.rfind("\n") + 1
            text, torn = text[:cut], text[cut:]
        parsed = self._pieces(text, first_line)
        if torn:
            last = self._slow(torn, first_line + text.count("\n"), unended=True)
            parsed = _joined(parsed, last)
        self.oddities.rows += len(parsed.lines)
        return parsed

    def _pieces(self, text: str, first_line: int) -> Parsed:
        """A block at once where it is regular; else what is unusual is closed in on by halves."""
        if self._slow_always or (
            self._irregular > _GIVE_UP and len(text) > _SMALL and not self._begins_regular(text)
        ):
            return self._slow(text, first_line)
        parsed = self._fast(text, first_line)
        if parsed is not None:
            self._irregular = 0
            return parsed
        cut = text.find("\n", len(text) // 2) + 1
        if len(text) <= _SMALL or not 0 < cut < len(text):
            self._irregular += 1
            return self._slow(text, first_line)
        lines = first_line + text.count("\n", 0, cut)
        return _joined(self._pieces(text[:cut], first_line), self._pieces(text[cut:], lines))

    def _begins_regular(self, text: str) -> bool:
        """True where the first lines are regular again, after many that were not."""
        return self._fast(text[: text.find("\n", _SMALL // 4) + 1], 1) is not None

    # ------------------------------------------------------------ regular blocks

    def _fast(self, text: str, first_line: int) -> Parsed | None:
        if not text:
            return None
        lines = text.count("\n")
        blank = text.startswith("\n") or "\n\n" in text
        if blank:
            lines -= sum(not line for line in text[:-1].split("\n"))
        quoted = bool(self.layout.dialect.quote) and self.layout.dialect.quote in text
        if not lines or (quoted and not self._is_regular(text, lines)):
            return None
        frame = self._read_csv(text, _MISSING if self._words else [""])
        if frame is None and not self._words:
            # Looking for words in every cell takes time, which most files can spare.
            frame = self._read_csv(text, _MISSING)
            self._words = frame is not None
        if frame is None or len(frame) != lines:
            return None
        for beyond in range(self._last + 1, frame.shape[1]):
            if np.isfinite(frame[beyond].to_numpy()).any():
                return None
        # Where the last cell of every row holds a number, no row is short: else the separators are counted.
        full = self.layout.width - 1 in self.number_columns and frame[self.layout.width - 1].notna().all()
        if not quoted and not full and not self._is_regular(text, lines):
            return None
        numbers = {}
        for j in self.number_columns:
            column = frame[j].to_numpy()
            if np.isinf(column).any() or self._could_be_truth(column, text):
                return None
            numbers[j] = column
        texts = {j: frame[j].tolist() for j in self.text_columns}
        if blank:
            where = [first_line + i for i, line in enumerate(text[:-1].split("\n")) if line]
            return Parsed(numbers, texts, np.asarray(where, dtype=np.int64))
        return Parsed(numbers, texts, first_line + np.arange(lines, dtype=np.int64))

    @staticmethod
    def _could_be_truth(column: np.ndarray, text: str) -> bool:
        """True where pandas may have taken the words true and false for 1 and 0, as it does of a whole
        column."""
        flags = (column[:64] == 0) | (column[:64] == 1) | np.isnan(column[:64])
        return bool(flags.all()) and any(t in text for t in _TRUTH)

    def _is_regular(self, text: str, lines: int) -> bool:
        """True where no row is short or too long."""
        quote, separator = self.layout.dialect.quote, self.layout.dialect.separator
        if quote and quote in text:
            parts = text.split(quote)
            if len(parts) % 2 == 0 or any("\n" in part for part in parts[1::2]):
                return False
            # A mark in the middle of a cell ("3,5"9) would be read as if it were not there.
            if self._quote_within.search(text):
                return False
            found = sum(part.count(separator) for part in parts[::2])
        else:
            found = text.count(separator)
        return self.layout.ragged or found == lines * (self.layout.width - 1)

    def _read_csv(self, text: str, missing: list[str]):
        import pandas as pd

        dialect = self.layout.dialect
        # One column more than there are cells shows rows that are too long.
        count = max(self.layout.width, self._last + 1) + 1
        kinds: dict[int, object] = {j: object for j in range(self._last + 1)}
        kinds |= {j: np.float64 for j in [*self.number_columns, *range(self._last + 1, count)]}
        quoting = {"quotechar": dialect.quote} if dialect.quote else {"quoting": csv.QUOTE_NONE}
        exact = {} if _version(pd.__version__) >= (3, 1) else {"float_precision": "round_trip"}
        with warnings.catch_warnings():
            # Pandas only warns where the first row is too long, and cuts it.
            warnings.simplefilter("error", pd.errors.ParserWarning)
            try:
                return pd.read_csv(
                    io.StringIO(text), header=None, names=range(count), index_col=False, dtype=kinds,
                    sep=dialect.separator, decimal=self.form.decimal, keep_default_na=False,
                    na_values={j: missing for j in kinds if kinds[j] is not object}, on_bad_lines="error",
                    skipinitialspace=dialect.separator != "\t", engine="c", low_memory=False,
                    **quoting, **exact,
                )  # fmt: skip
            except (ValueError, OverflowError, pd.errors.ParserError, pd.errors.ParserWarning):
                return None

    # ------------------------------------------------------------ row by row

    def _slow(self, text: str, first_line: int, unended: bool = False) -> Parsed:
        dialect, odd = self.layout.dialect, self.oddities
        lines = text.split("\n")
        if lines and not lines[-1]:
            lines.pop()
        records = (
            list(joined_lines(lines, dialect.quote)) if dialect.quote in text else list(enumerate(lines))
        )
        numbers: dict[int, list[float]] = {j: [] for j in self.number_columns}
        texts: dict[int, list[str]] = {j: [] for j in self.text_columns}
        where: list[int] = []
        for (at, _), cells in zip(records, dialect.rows(r for _, r in records), strict=True):
            line = first_line + at
            if not any(c.strip() for c in cells):
                continue
            if self._is_heading(cells):
                odd.repeated_headings += 1
                continue
            if len(cells) == 1 and self._last > 0:
                if unended:
                    odd.torn_end = line
                else:
                    odd.count("other_rows", line)
                continue
            if any(c.strip() for c in cells[self._last + 1 :]):
                odd.count("wide_rows", line)
                continue
            cells = self._without_torn_cell(cells, line, unended)
            if cells is None:
                continue
            for j, column in numbers.items():
                column.append(self._number(cells[j], j, line) if j < len(cells) else NAN)
            for j, column in texts.items():
                column.append(cells[j] if j < len(cells) else "")
            where.append(line)
        return Parsed(
            {j: np.asarray(column, dtype=np.float64) for j, column in numbers.items()},
            texts,
            np.asarray(where, dtype=np.int64),
        )

    def _is_heading(self, cells: Sequence[str]) -> bool:
        bare = _bare(cells)
        return bool(bare) and (bare == self._headings or (len(bare) > 1 and bare == self._units))

    def _without_torn_cell(self, cells: list[str], line: int, unended: bool) -> list[str] | None:
        """The cells of a row without the one a cut went through; None where the row is of no use."""
        odd = self.oddities
        if len(cells) < min(self.layout.width, self._last + 1) and (unended or not self.layout.ragged):
            # Where the line was cut, its last cell may have lost digits: nobody knows.
            if unended:
                odd.torn_end = line
                return None
            odd.count("short_rows", line)
            return cells[:-1] if len(cells) > 2 else None
        if unended and len(cells) == self._last + 1 and self._lost_decimals(cells[-1], len(cells) - 1):
            odd.torn_end = line
            return [*cells[:-1], ""]
        return cells

    def _lost_decimals(self, cell: str, column: int) -> bool:
        """True where a column always has the same number of decimals, and this cell has fewer."""
        usual = {
            _decimals(r[column], self.form.decimal)
            for r in self.layout.sample
            if len(r) > column and r[column]
        }
        return (
            len(usual) == 1
            and len(self.layout.sample) > 2
            and _decimals(cell.strip(), self.form.decimal) < usual.pop()
        )

    def _number(self, cell: str, column: int, line: int) -> float:
        number = self.form.read(cell)
        if number is not None:
            return number
        suffix = self._suffixes.get(column)
        if suffix and cell.strip().endswith(suffix):
            number = self.form.read(cell.strip()[: -len(suffix)])
            if number is not None:
                return number
        if not is_missing(cell):
            self.oddities.cell(column, line, cell.strip())
        return NAN


def _decimals(cell: str, decimal: str) -> int:
    return len(cell) - cell.rfind(decimal) - 1 if decimal in cell else 0


def _bare(cells: Sequence[str]) -> tuple[str, ...]:
    bare = [c.strip() for c in cells]
    while bare and not bare[-1]:
        bare.pop()
    return tuple(bare)


def _joined(a: Parsed, b: Parsed) -> Parsed:
    return Parsed(
        {j: np.concatenate([a.numbers[j], b.numbers[j]]) for j in a.numbers},
        {j: a.texts[j] + b.texts[j] for j in a.texts},
        np.concatenate([a.lines, b.lines]),
    )


def _version(text: str) -> tuple[int, ...]:
    return tuple(int(part) for part in text.split(".")[:2] if part.isdigit())
