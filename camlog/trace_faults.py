"""Find the line and column of the error in a refused trace file.

Runs only for a file that is known to be faulty, so it may read row by row."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from camlog.errors import InputError
from camlog.messages import say

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\Z", re.ASCII)
_NOT_SAMPLED = ("", "nan", "NaN", "NAN")
_INFINITE = ("inf", "infinity")
_SHOWN_CHARACTERS = 40


@dataclass(frozen=True)
class Cells:
    """The rows of a trace file as text: `raw` from byte `start` on, below `heading_lines` lines."""

    raw: bytes
    start: int
    heading_lines: int
    names: Sequence[str]
    path: Path

    def rows(self) -> Iterator[tuple[int, list[str]]]:
        """Line number (from 1) and cells of every row; blank lines are skipped.

        Raises UnicodeDecodeError or csv.Error if the text cannot be split into cells."""
        reader = csv.reader(io.StringIO(self.raw[self.start :].decode("utf-8"), newline=""))
        line = self.heading_lines + 1
        for cells in reader:
            if len(cells) > 1 or (cells and cells[0].strip()):
                yield line, cells
            line = self.heading_lines + reader.line_num + 1

    def line_of_row(self, row: int) -> int:
        """Line number of the row-th data row, counted from 0."""
        for number, (line, _) in enumerate(self.rows()):
            if number == row:
                return line
        return self.heading_lines + 1 + row

    def short_rows(self) -> tuple[int, int]:
        """The number of rows with fewer cells than headings, and the line of the first (0: none)."""
        count = first = 0
        for line, cells in self.rows():
            if len(cells) < len(self.names):
                count, first = count + 1, first or line
        return count, first


def fault_of_cells(body: Cells) -> InputError:
    """The error for the first invalid cell or row, with its place."""
    line = body.heading_lines
    try:
        for line, cells in body.rows():
            fault = _fault_of_row(body, line, cells)
            if fault:
                return fault
    except UnicodeDecodeError as error:
        line = body.heading_lines + 1 + body.raw[body.start : body.start + error.start].count(b"\n")
        return say.error("rows_not_utf8", body.path, line=line)
    except csv.Error as error:
        return say.error("no_cells", body.path, line=line + 1, reason=error)
    return say.error("no_table", body.path)


def _fault_of_row(body: Cells, line: int, cells: list[str]) -> InputError | None:
    if any(cell.strip() for cell in cells[len(body.names) :]):
        return say.error("wide_row", body.path, line=line, cells=len(cells), names=len(body.names))
    for name, cell in zip(body.names, cells, strict=False):
        text = cell.strip()
        if text not in _NOT_SAMPLED and not _NUMBER.match(text):
            kind = "infinite" if text.lower().lstrip("+-") in _INFINITE else "no_number"
            return say.error(kind, body.path, line=line, column=name, cell=cell[:_SHOWN_CHARACTERS])
    return None


def fault_of_time(body: Cells, time_s: np.ndarray, latest_s: float) -> InputError:
    """The error for the first time in `time_s`, shape (rows,), that is missing, beyond `latest_s` or decreasing."""
    missing, beyond = (np.flatnonzero(wrong) for wrong in (~np.isfinite(time_s), np.abs(time_s) > latest_s))
    values = {}
    if missing.size:
        name, row = "no_time", missing[0]
    elif beyond.size:
        name, row, values = "late_time", beyond[0], {"time": time_s[beyond[0]]}
    else:
        row = np.flatnonzero(np.diff(time_s) < 0)[0] + 1
        name, values = "time_backwards", {"before": time_s[row - 1], "after": time_s[row]}
    return say.error(name, body.path, line=body.line_of_row(int(row)), column="time", **values)
