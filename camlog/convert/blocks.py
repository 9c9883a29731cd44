"""Converts blocks of lines to columns of numbers and of text.

pandas reads regular blocks at once. A piece with anything unusual (a repeated heading, a torn line, a word in place of
a number) is read row by row, with the same definition of a number. DEVELOPERS.md compares the speed with Polars and
DuckDB, measured by tests.bench.convert_speed.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from camlog.convert.cells import NAN, is_missing, joined_lines
from camlog.convert.layout import Layout, SourceColumn
from camlog.convert.words import counted

# Spellings of a missing value given to pandas; others make a piece unusual, and are read row by row.
_MISSING = [
    "", " ", "-", "--", "---", "----", "?", "*", "N/A", "n/a", "NA", "na", "n.a.", "#N/A", "NaN", "nan", "NAN",
    "null", "NULL", "None", "none", "No Data", "no data", "NODATA",
]  # fmt: skip
_TRUTH = ("rue", "alse", "RUE", "ALSE")
_SHOWN = 40
# An unusual block is read in pieces of this many characters.
_PIECE = 1 << 15


@dataclass
class Oddities:
    """Rows and cells that were left out. `rows` is kind -> (count, line of the first); kinds are `wide_rows`,
    `short_rows`, `other_rows`, `repeated_headings` and `torn_end`. `unreadable` is column -> (count, line and text of
    the first)."""

    rows: dict[str, tuple[int, int]] = field(default_factory=dict)
    unreadable: dict[SourceColumn, tuple[int, int, str]] = field(default_factory=dict)

    def row(self, kind: str, line: int) -> None:
        count, first = self.rows.get(kind, (0, line))
        self.rows[kind] = (count + 1, first)

    def cell(self, column: SourceColumn, line: int, text: str) -> None:
        count, first, shown = self.unreadable.get(column, (0, line, text[:_SHOWN]))
        self.unreadable[column] = (count + 1, first, shown)

    def notes(self, times: set[int]) -> list[str]:
        """A sentence on each kind and each column, except the columns `times`, which are reported elsewhere."""
        kinds = ("wide_rows", "short_rows", "other_rows", "torn_end", "repeated_headings")
        sentences = [counted(kind, self.rows[kind][0], line=self.rows[kind][1]) for kind in kinds if kind in self.rows]
        cells = sorted((c.index, c.label, *seen) for c, seen in self.unreadable.items() if c.index not in times)
        return sentences + [
            counted("unreadable", n, column=name, cell=ascii(text), line=at) for _, name, n, at, text in cells
        ]


@dataclass(frozen=True)
class Parsed:
    """The columns of one block by column index: `numbers` float64 (rows,), NaN where nothing was read; `texts` are the
    cells of text columns; `lines` are the line numbers of the rows."""

    numbers: dict[int, np.ndarray]
    texts: dict[int, list[str]]
    lines: np.ndarray


class BlockParser:
    """Reads the blocks of one file; `oddities` collects what was left out."""

    def __init__(self, layout: Layout, numbers: Sequence[int], texts: Sequence[int]):
        self.layout, self.form = layout, layout.numbers
        self.number_columns, self.text_columns = list(numbers), list(texts)
        self.oddities = Oddities()
        self._columns = {c.index: c for c in layout.columns}
        self._headings, self._units = _bare(layout.heading_cells), _bare(layout.unit_cells)
        edge = re.escape(layout.dialect.separator + "\n")
        self._quote_within = re.compile(f"[^{edge} ]{re.escape(layout.dialect.quote)}[^{edge}]")
        self._missing = [""]
        # After the last column with a heading, only empty cells may follow.
        self._last = max([c.index for c in layout.columns], default=0)
        self._quick = not any(c.suffix for c in layout.columns) and not self.form.group

    def parse(self, text: str, first_line: int, at_end: bool = False) -> Parsed:
        """The columns of one block that begins at line `first_line`; `at_end` is True for the file's last block."""
        cut = text.rfind("\n") + 1 if at_end else len(text)
        parts = list(self._pieces(text[:cut], first_line)) if cut else []
        if cut < len(text):
            parts.append(self._row_by_row(text[cut:], first_line + text.count("\n"), unended=True))
        return Parsed(
            {j: np.concatenate([p.numbers[j] for p in parts]) for j in self.number_columns},
            {j: [cell for p in parts for cell in p.texts[j]] for j in self.text_columns},
            np.concatenate([p.lines for p in parts]),
        )

    def _pieces(self, text: str, first_line: int) -> Iterator[Parsed]:
        """The columns of a block: at once if it is regular, else piece by piece."""
        if (parsed := self._at_once(text, first_line)) is not None:
            yield parsed
            return
        while text:
            end = text.find("\n", _PIECE) + 1 or len(text)
            piece, text = text[:end], text[end:]
            yield self._at_once(piece, first_line) or self._row_by_row(piece, first_line)
            first_line += piece.count("\n")

    # ------------------------------------------------------------ regular blocks

    def _at_once(self, text: str, first_line: int) -> Parsed | None:
        """The columns of a regular piece of text, read by pandas; None if anything in it is unusual."""
        lines = text.count("\n")
        where = None
        if text.startswith("\n") or "\n\n" in text:
            where = [i for i, line in enumerate(text[:-1].split("\n")) if line]
            lines = len(where)
        dialect, width = self.layout.dialect, self.layout.width
        quoted = dialect.quote in text
        if not self._quick or not lines or (quoted and not self._is_regular(text, lines)):
            return None
        frame = self._read_csv(text)
        if frame is None and self._missing == [""]:
            # Looking for words in every cell takes time and is unnecessary for most files.
            self._missing = _MISSING
            frame = self._read_csv(text)
            if frame is None:
                self._missing = [""]
        if frame is None or len(frame) != lines:
            return None
        if any(frame[beyond].notna().any() for beyond in range(self._last + 1, frame.shape[1])):
            return None
        # If the last cell of every row is a number, no row is short; else the separators are counted.
        full = width - 1 in self.number_columns and frame[width - 1].notna().all()
        if not quoted and not full and not self._is_regular(text, lines):
            return None
        numbers = {j: frame[j].to_numpy() for j in self.number_columns}
        if any(np.isinf(column).any() for column in numbers.values()):
            return None
        if any(map(_could_be_truth, numbers.values())) and any(t in text for t in _TRUTH):
            return None
        at = np.arange(lines) if where is None else np.asarray(where)
        return Parsed(numbers, {j: frame[j].tolist() for j in self.text_columns}, first_line + at)

    def _is_regular(self, text: str, lines: int) -> bool:
        """True if no row is too short or too long."""
        quote, separator = self.layout.dialect.quote, self.layout.dialect.separator
        outside = [text]
        if quote in text:
            parts = text.split(quote)
            # pandas would ignore a quotation mark in the middle of a cell ("3,5"9).
            if len(parts) % 2 == 0 or any("\n" in p for p in parts[1::2]) or self._quote_within.search(text):
                return False
            outside = parts[::2]
        separators = sum(part.count(separator) for part in outside)
        return self.layout.ragged or separators == lines * (self.layout.width - 1)

    def _read_csv(self, text: str):
        import pandas as pd

        dialect = self.layout.dialect
        # One column more than there are cells shows rows that are too long.
        count = max(self.layout.width, self._last + 1) + 1
        numeric = {*self.number_columns, *range(self._last + 1, count)}
        with warnings.catch_warnings():
            # If the first row is too long, pandas only warns and cuts it.
            warnings.simplefilter("error", pd.errors.ParserWarning)
            try:
                return pd.read_csv(
                    io.StringIO(text), header=None, names=range(count), index_col=False, engine="c", low_memory=False,
                    dtype={j: np.float64 if j in numeric else object for j in range(count)},
                    sep=dialect.separator, decimal=self.form.decimal, keep_default_na=False,
                    na_values=dict.fromkeys(numeric, self._missing), on_bad_lines="error",
                    skipinitialspace=dialect.separator != "\t",
                    quotechar=dialect.quote,
                )  # fmt: skip
            except (ValueError, OverflowError, pd.errors.ParserError, pd.errors.ParserWarning):
                return None

    # ------------------------------------------------------------ row by row

    def _row_by_row(self, text: str, first_line: int, unended: bool = False) -> Parsed:
        dialect = self.layout.dialect
        lines = text.removesuffix("\n").split("\n")
        records = list(joined_lines(lines, dialect.quote)) if dialect.quote in text else list(enumerate(lines))
        numbers: dict[int, list[float]] = {j: [] for j in self.number_columns}
        texts: dict[int, list[str]] = {j: [] for j in self.text_columns}
        where: list[int] = []
        for (at, _), row in zip(records, dialect.rows(r for _, r in records), strict=True):
            line = first_line + at
            cells = self._usable(row, line, unended)
            if cells is None:
                continue
            for j in self.number_columns:
                numbers[j].append(self._number(cells[j], self._columns[j], line) if j < len(cells) else NAN)
            for j in self.text_columns:
                texts[j].append(cells[j] if j < len(cells) else "")
            where.append(line)
        return Parsed(
            {j: np.asarray(column, dtype=np.float64) for j, column in numbers.items()}, texts,
            np.asarray(where, dtype=np.int64),
        )  # fmt: skip

    def _usable(self, cells: list[str], line: int, unended: bool) -> list[str] | None:
        """The cells of a row, without the cell at which it was cut off; None if the row is not usable."""
        bare = _bare(cells)
        if not bare:
            return None
        odd = None
        if bare == self._headings or (len(bare) > 1 and bare == self._units):
            odd = "repeated_headings"
        elif len(cells) == 1 and self._last > 0:
            odd = "torn_end" if unended else "other_rows"
        elif len(bare) > self._last + 1:
            odd = "wide_rows"
        if odd is not None:
            self.oddities.row(odd, line)
            return None
        if len(cells) < min(self.layout.width, self._last + 1) and (unended or not self.layout.ragged):
            # The last cell of a cut line may have lost digits.
            self.oddities.row("torn_end" if unended else "short_rows", line)
            return cells[:-1] if len(cells) > 2 and not unended else None
        if unended and len(cells) == self._last + 1 and self._lost_decimals(cells[-1], len(cells) - 1):
            self.oddities.row("torn_end", line)
            return [*cells[:-1], ""]
        return cells

    def _lost_decimals(self, cell: str, column: int) -> bool:
        """True if a column always has the same number of decimals, and this cell has fewer."""
        usual = {self._decimals(c) for c in self.layout.cells(column) if c}
        return len(usual) == 1 and len(self.layout.sample) > 2 and self._decimals(cell.strip()) < usual.pop()

    def _decimals(self, cell: str) -> int:
        return len(cell) - cell.rfind(self.form.decimal) - 1 if self.form.decimal in cell else 0

    def _number(self, cell: str, column: SourceColumn, line: int) -> float:
        bare = cell.strip()
        number = self.form.read(cell)
        if number is None and column.suffix:
            number = self.form.read(bare.removesuffix(column.suffix))
        if number is None and not is_missing(cell):
            self.oddities.cell(column, line, bare)
        return NAN if number is None else number


def _could_be_truth(column: np.ndarray) -> bool:
    """True if pandas may have read the words true and false as 1 and 0, which it does for whole columns."""
    start = column[:64]
    return bool(((start == 0) | (start == 1) | np.isnan(start)).all())


def _bare(cells: Sequence[str]) -> tuple[str, ...]:
    bare = [c.strip() for c in cells]
    while bare and not bare[-1]:
        bare.pop()
    return tuple(bare)
