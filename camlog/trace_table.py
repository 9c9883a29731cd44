"""The heading row of a trace file (names, units, conversions to canonical units), and its rows as a table of
numbers."""

from __future__ import annotations

import csv
import io
import itertools
import re
import warnings as python_warnings
from pathlib import Path

import numpy as np

from camlog.messages import say
from camlog.signals import SIGNALS, is_signal_name
from camlog.units import conversion

TIME_HEADING = "time [s]"
# Only this much text is searched for the heading, more than any real trace needs.
_HEADING_BYTES = 65536
_HEADING = re.compile(r"\s*(?P<name>[^\[\]]+?)\s*(?:\[(?P<unit>[^\[\]]*)\])?\s*\Z")


def heading(name: str, unit: str) -> str:
    """A column's heading, `name [unit]`."""
    return f"{name} [{unit}]"


def parse_heading(text: str) -> tuple[str, str | None] | None:
    """Name and unit of a heading (unit None without brackets); None if it is no heading."""
    match = _HEADING.match(text)
    return (match["name"], match["unit"]) if match else None


def read_heading_row(raw: bytes, path: Path) -> tuple[list[str], int, int]:
    """Cells of the heading, its number of lines, and the byte at which the rows begin."""
    reader = csv.reader(io.StringIO(raw[:_HEADING_BYTES].decode("utf-8", "replace"), newline=""))
    try:
        cells = next(reader, [])
    except csv.Error:
        cells = []
    if any("\ufffd" in cell for cell in cells):
        raise say.error("heading_not_utf8", path, line=1)
    lines = max(1, reader.line_num)
    ends = itertools.islice(re.finditer(rb"\r\n|\n|\r", raw), lines - 1, lines)
    return cells, lines, next((end.end() for end in ends), len(raw))


def read_headings(cells: list[str], path: Path) -> tuple[list[str], list[str], list[tuple[float, float]]]:
    """Name, canonical unit and conversion to it (factor, offset) of each column."""
    parsed = [parse_heading(c) for c in cells]
    if not cells or parsed[0] is None or parsed[0][0] != "time" or not parsed[0][1]:
        first_cell = cells[0][:60] if cells else ""
        raise say.error("not_camlogs", path, line=1, found=first_cell, time=TIME_HEADING)
    names, units, conversions = [], [], []
    for number, (cell, heading_) in enumerate(zip(cells, parsed, strict=True), start=1):
        if heading_ is None or not is_signal_name(heading_[0]):
            raise say.error("heading_form", path, line=1, column=number, heading=cell[:60])
        name, unit = heading_
        if name in names:
            raise say.error("heading_twice", path, line=1, column=name)
        canonical = "s" if name == "time" else SIGNALS[name].unit if name in SIGNALS else (unit or "")
        if canonical and not unit:
            raise say.error("heading_no_unit", path, line=1, column=name, example=heading(name, canonical))
        try:
            conversions.append((1.0, 0.0) if (unit or "") == canonical else conversion(unit or "", canonical))
        except ValueError as error:
            values = {"unit": (unit or "")[:40], "canonical": canonical}
            raise say.error("heading_unit", path, line=1, column=name, **values) from error
        names.append(name)
        units.append(canonical)
    return names, units, conversions


# Cells that mean "not sampled": empty, and texts that table tools write for a missing number.
_MISSING = ["", " ", "nan", "NaN", "NAN"]


def read_table(raw: bytes, start: int, width: int) -> np.ndarray:
    """All rows, shape (rows, width + 1); the last column holds cells beyond the headings."""
    import pandas as pd

    source = io.BytesIO(raw)
    source.seek(start)
    with python_warnings.catch_warnings():
        # Pandas only warns and cuts if the first row is too wide; here that is an error.
        python_warnings.simplefilter("error", pd.errors.ParserWarning)
        try:
            frame = pd.read_csv(
                source, header=None, names=range(width + 1), index_col=False, dtype=np.float64, encoding="utf-8",
                on_bad_lines="error", keep_default_na=False, na_values=_MISSING,
            )  # fmt: skip
        except pd.errors.EmptyDataError:
            return np.empty((0, width + 1))
        except pd.errors.ParserWarning as error:
            raise ValueError(str(error)) from error
    return frame.to_numpy(copy=False)


def reads_words(raw: bytes, start: int) -> bool:
    # The table parser reads True and False as 1 and 0; in a trace they are invalid text.
    # No number or missing value has these letters, and searching for single letters is fast.
    return any(raw.find(letter, start) >= 0 for letter in (b"u", b"U", b"s", b"S"))


def drop_torn_line(raw: bytes, warnings: list[str]) -> bytes:
    if raw.endswith((b"\n", b"\r")):
        return raw
    cut = max(raw.rfind(b"\n"), raw.rfind(b"\r")) + 1
    if cut == 0:
        return raw  # a single line: the heading check reports the error
    # Even a line with the right number of cells may have lost its last digits, so it is dropped without its line end.
    warnings.append(say("trace.torn"))
    return raw[:cut]
