"""How a foreign table is cut into cells: separator and quotation mark.

Each separator is tried; the one that cuts most rows into the same number of whole cells is taken.
"""

from __future__ import annotations

import csv
import statistics
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

SEPARATORS = (",", ";", "\t", "|")
_SAMPLE_LINES = 60
_JOINED_LINES = 20


@dataclass(frozen=True)
class Dialect:
    """`separator` between cells, `quote` around them ("" where the file has none)."""

    separator: str
    quote: str = '"'

    def rows(self, lines: Iterable[str]) -> Iterator[list[str]]:
        """Cells of each line; a line that cannot be cut into cells gives its text as one cell."""
        options = {"delimiter": self.separator, "skipinitialspace": self.separator != "\t", "strict": True}
        if self.quote:
            options |= {"quotechar": self.quote, "doublequote": True}
        else:
            options |= {"quoting": csv.QUOTE_NONE}
        for line in lines:
            try:
                yield next(csv.reader([line], **options), [])
            except csv.Error:
                yield [line]


def find_dialect(lines: Sequence[str]) -> Dialect | None:
    """The dialect of a table from some of its lines; None where no separator makes columns of them."""
    lines = [line for line in lines if line.strip()]
    if not lines:
        return None
    quote = _quote(lines)
    regularity, separator = max((_regularity(Dialect(s, quote), lines), s) for s in SEPARATORS)
    return Dialect(separator, quote) if regularity > 0 else None


def _quote(lines: Sequence[str]) -> str:
    single = sum(line.count("'") for line in lines)
    double = sum(line.count('"') for line in lines)
    framed = any(
        len(cell) > 1 and cell[0] == "'" == cell[-1]
        for line in lines[:50]
        for separator in SEPARATORS
        for cell in map(str.strip, line.split(separator))
    )
    return "'" if single and not double and framed else '"'


def _regularity(dialect: Dialect, lines: Sequence[str]) -> float:
    """Share of lines with the usual number of cells, times the share of cells that are not mixtures."""
    # The later lines: a preamble stands at the start, and is prose.
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
    """(index of its first line, text) of each record: lines within one pair of quotation marks are one.

    A quotation mark without its partner within a few lines is taken as a letter like any other.
    """
    at = 0
    while at < len(lines):
        line = lines[at]
        taken = 1
        if quote and line.count(quote) % 2:
            for more in range(1, min(_JOINED_LINES, len(lines) - at)):
                if lines[at + more].count(quote) % 2:
                    line = "\n".join(lines[at : at + more + 1])
                    taken = more + 1
                    break
        yield at, line
        at += taken
