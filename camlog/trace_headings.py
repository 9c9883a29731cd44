"""The heading row of a trace file: names, units, and how each column becomes its canonical unit."""

from __future__ import annotations

import csv
import io
import itertools
import re
from pathlib import Path

from camlog.errors import InputError
from camlog.signals import SIGNALS, is_signal_name
from camlog.units import conversion

TIME_HEADING = "time [s]"
# More text than any heading of a real trace takes; only this much is looked at to find it.
_HEADING_BYTES = 65536
_HEADING = re.compile(r"\s*(?P<name>[^\[\]]+?)\s*(?:\[(?P<unit>[^\[\]]*)\])?\s*\Z")


def heading(name: str, unit: str) -> str:
    """A column's heading, `name [unit]`."""
    return f"{name} [{unit}]"


def parse_heading(text: str) -> tuple[str, str | None] | None:
    """Name and unit of a heading, unit None where it has no brackets; None where it is no heading."""
    match = _HEADING.match(text)
    return (match["name"], match["unit"]) if match else None


def read_heading_row(raw: bytes, path: Path) -> tuple[list[str], int, int]:
    """Cells of the heading, how many lines it takes, and the byte where the rows begin."""
    reader = csv.reader(io.StringIO(raw[:_HEADING_BYTES].decode("utf-8", "replace"), newline=""))
    try:
        cells = next(reader, [])
    except csv.Error:
        cells = []
    if any("\ufffd" in cell for cell in cells):
        remedy = "Save it as UTF-8, or try `camlog convert`."
        raise InputError("the heading is not UTF-8 text", file=path, line=1, remedy=remedy)
    lines = max(1, reader.line_num)
    ends = itertools.islice(re.finditer(rb"\r\n|\n|\r", raw), lines - 1, lines)
    return cells, lines, next((end.end() for end in ends), len(raw))


def read_headings(cells: list[str], path: Path) -> tuple[list[str], list[str], list[tuple[float, float]]]:
    """Names, canonical units and conversions to them (factor, offset), one each a column."""
    parsed = [parse_heading(c) for c in cells]
    if not cells or parsed[0] is None or parsed[0][0] != "time" or not parsed[0][1]:
        found = cells[0][:60] if cells else ""
        raise InputError(
            f"is not a camlog recording: the first heading is {found!r}, not {TIME_HEADING!r}",
            file=path, line=1, remedy="Use `camlog convert` for a recording that another program wrote.",
        )  # fmt: skip
    names, units, conversions = [], [], []
    for number, (cell, heading_) in enumerate(zip(cells, parsed, strict=True), start=1):
        if heading_ is None or not is_signal_name(heading_[0]):
            raise InputError(
                f"heading {cell[:60]!r} is not of the form 'name [unit]'", file=path, line=1, column=number,
                remedy="Use lower-case signal names, or `camlog convert`.",
            )  # fmt: skip
        name, unit = heading_
        if name in names:
            raise InputError(
                "the heading stands twice", file=path, line=1, column=name, remedy="Remove one column."
            )
        canonical = "s" if name == "time" else SIGNALS[name].unit if name in SIGNALS else (unit or "")
        if canonical and not unit:
            raise InputError(
                "the heading has no unit", file=path, line=1, column=name,
                remedy=f"Write the unit the values are in, such as {heading(name, canonical)!r}.",
            )  # fmt: skip
        conversions.append(_conversion(name, unit or "", canonical, path))
        names.append(name)
        units.append(canonical)
    return names, units, conversions


def _conversion(name: str, unit: str, canonical: str, path: Path) -> tuple[float, float]:
    if unit == canonical:
        return 1.0, 0.0
    try:
        return conversion(unit, canonical)
    except ValueError as error:
        raise InputError(
            f"unit {unit[:40]!r} is not one that can become {canonical!r}", file=path, line=1, column=name,
            remedy=f"Write the unit as {canonical!r} or another unit of the same kind.",
        ) from error  # fmt: skip
