"""How a foreign table is cut into cells: separator and quotation mark.

clevercsv proposes (van den Burg, Nazábal & Sutton 2019: regular rows of well-formed cells); its proposal
stands unless the lines say otherwise, and lines too long for it are counted instead.
"""

from __future__ import annotations

import csv
import statistics
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

SEPARATORS = (",", ";", "\t", "|")
# Its time grows with the square of a line's length.
_MAX_CHARACTERS = 1500
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
    counted = _by_counting(lines)
    proposed = _proposal(lines)
    if proposed is None or counted is None:
        return proposed or counted
    if proposed.separator == counted.separator:
        return proposed
    # A decimal comma makes regular commas too: the separator with more regular rows of numbers wins.
    return max((proposed, counted), key=lambda d: _regularity(d, lines))


def _proposal(lines: Sequence[str]) -> Dialect | None:
    # The later lines: a preamble stands at the start, and is prose.
    sample = [line for line in lines[-_SAMPLE_LINES:] if len(line) <= _MAX_CHARACTERS]
    if len(sample) < min(3, len(lines)):
        return None
    import clevercsv  # slow to import: only where a foreign file is read

    try:
        found = clevercsv.Detector().detect("\n".join(sample) + "\n", delimiters=list(SEPARATORS))
    except Exception:  # noqa: BLE001 - a proposal is all it is; the counting stands on its own
        return None
    if found is None or found.delimiter not in SEPARATORS:
        return None
    return Dialect(found.delimiter, found.quotechar or _quote(lines))


def _quote(lines: Sequence[str]) -> str:
    single = sum(line.count("'") for line in lines)
    double = sum(line.count('"') for line in lines)
    framed = sum(
        cell.strip()[:1] == "'" == cell.strip()[-1:] for line in lines[:50] for cell in line.split(";")
    )
    return "'" if single and not double and framed else '"'


def _by_counting(lines: Sequence[str]) -> Dialect | None:
    quote = _quote(lines)
    found = [(_regularity(Dialect(s, quote), lines), s) for s in SEPARATORS]
    best = max(found)
    return Dialect(best[1], quote) if best[0] > 0 else None


def _regularity(dialect: Dialect, lines: Sequence[str]) -> float:
    """Share of lines with the usual number of cells, times the share of cells that are not mixtures."""
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
