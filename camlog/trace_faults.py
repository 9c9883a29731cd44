"""Where a trace file is wrong: finds the line and column a refused file is told about.

Only runs for a file that is already known to be faulty, so it may read row by row.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from camlog.errors import InputError

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
        """Line number (from 1) and cells of every row; blank lines are passed over.

        Raises UnicodeDecodeError or csv.Error where the text cannot be cut into cells.
        """
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
        """How many rows have fewer cells than there are headings, and the line of the first (0 for none)."""
        count = first = 0
        for line, cells in self.rows():
            if len(cells) < len(self.names):
                count, first = count + 1, first or line
        return count, first


def fault_of_cells(body: Cells) -> InputError:
    """The first cell or row that is no part of a trace, as an error that says where it stands."""
    line = body.heading_lines
    try:
        for line, cells in body.rows():
            fault = _fault_of_row(body, line, cells)
            if fault:
                return fault
    except UnicodeDecodeError as error:
        line = body.heading_lines + 1 + body.raw[body.start : body.start + error.start].count(b"\n")
        return InputError("is not UTF-8 text", file=body.path, line=line, remedy="Try `camlog convert`.")
    except csv.Error as error:
        remedy = "Look for a quotation mark without its partner."
        return InputError(f"cannot be cut into cells ({error})", file=body.path, line=line + 1, remedy=remedy)
    return InputError("cannot be read as a table of numbers", file=body.path, remedy="Try `camlog convert`.")


def _fault_of_row(body: Cells, line: int, cells: list[str]) -> InputError | None:
    if any(cell.strip() for cell in cells[len(body.names) :]):
        return InputError(
            f"the row has {len(cells)} cells, the heading {len(body.names)}",
            file=body.path, line=line, remedy="Remove the extra cells, or use `camlog convert`.",
        )  # fmt: skip
    for name, cell in zip(body.names, cells, strict=False):
        text = cell.strip()
        if text in _NOT_SAMPLED or _NUMBER.match(text):
            continue
        if text.lower().lstrip("+-") in _INFINITE:
            what = "a value is infinite"
        else:
            what = f"{cell[:_SHOWN_CHARACTERS]!r} is not a number"
        remedy = "Leave the cell empty where a value was not read."
        return InputError(what, file=body.path, line=line, column=name, remedy=remedy)
    return None


def fault_of_time(body: Cells, time_s: np.ndarray, latest_s: float) -> InputError:
    """The first time of `time_s`, shape (rows,), that is missing, beyond `latest_s` or decreasing, as an error."""
    missing = np.flatnonzero(~np.isfinite(time_s))
    if missing.size:
        return InputError(
            "the time is missing", file=body.path, line=body.line_of_row(int(missing[0])), column="time",
            remedy="Remove or complete the row.",
        )  # fmt: skip
    beyond = np.flatnonzero(np.abs(time_s) > latest_s)
    if beyond.size:
        return InputError(
            f"{time_s[beyond[0]]:.6g} s is no time of a drive", file=body.path,
            line=body.line_of_row(int(beyond[0])), column="time", remedy="Let times count seconds from 0.",
        )  # fmt: skip
    row = int(np.flatnonzero(np.diff(time_s) < 0)[0]) + 1
    return InputError(
        f"time goes backwards, from {time_s[row - 1]:.10g} s to {time_s[row]:.10g} s",
        file=body.path, line=body.line_of_row(row), column="time",
        remedy="Split the file there, or restore the original order.",
    )  # fmt: skip
