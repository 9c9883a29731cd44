"""The trace file `NAME.csv`: signals against time, as written while driving and read back.

| column | meaning | example |
|---|---|---|
| `time [s]` | seconds since the recording began, never decreasing | `12.345678` |
| `name [unit]` | one signal, in the unit of its heading | `engine_speed [rpm]` |

UTF-8, RFC 4180, one row a batch; an empty cell where a signal was not sampled at that time.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from camlog.errors import InputError
from camlog.signals import SIGNALS, is_signal_name
from camlog.stream import Batch
from camlog.units import conversion

if TYPE_CHECKING:
    import pandas as pd

TIME_HEADING = "time [s]"
_HEADING = re.compile(r"\s*(?P<name>[^\[\]]+?)\s*(?:\[(?P<unit>[^\[\]]*)\])?\s*\Z")


@dataclass(frozen=True)
class Trace:
    """A saved drive's readings.

    `time_s` has shape (rows,), seconds from 0, never decreasing. `columns` maps
    a signal name to an array of the same shape in the signal's canonical unit,
    NaN where it was not sampled. `units` gives the unit of each column.
    `warnings` are sentences about what was repaired on reading.
    """

    time_s: np.ndarray
    columns: Mapping[str, np.ndarray]
    units: Mapping[str, str] = field(default_factory=dict)
    name: str = ""
    sha256: str = ""
    warnings: tuple[str, ...] = ()

    @property
    def signals(self) -> tuple[str, ...]:
        return tuple(self.columns)

    @property
    def duration_s(self) -> float:
        """Seconds from the first row to the last; 0 for an empty trace."""
        return float(self.time_s[-1] - self.time_s[0]) if len(self.time_s) else 0.0

    @cached_property
    def _samples(self) -> dict[str, tuple[np.ndarray, np.ndarray]]:
        return {}

    def samples(self, name: str) -> tuple[np.ndarray, np.ndarray]:
        """Times (s) and values of the rows where the signal was sampled; both empty where it never was."""
        if name not in self._samples:
            column = self.columns.get(name)
            if column is None:
                found = (np.empty(0), np.empty(0))
            else:
                here = np.isfinite(column)
                found = (self.time_s[here], column[here])
            self._samples[name] = found
        return self._samples[name]

    def batches(self) -> Iterator[Batch]:
        """The rows as batches, as a live drive sends them; rows without a value are left out."""
        names = list(self.columns)
        block = 4096
        for start in range(0, len(self.time_s), block):
            rows = np.column_stack([self.columns[n][start : start + block] for n in names]) if names else None
            if rows is None:
                return
            present = np.isfinite(rows)
            for i, time_s in enumerate(self.time_s[start : start + block].tolist()):
                values = {names[j]: float(rows[i, j]) for j in np.flatnonzero(present[i])}
                if values:
                    yield Batch(time_s, values)

    def between(self, start_s: float, end_s: float) -> Trace:
        """The rows with start_s <= time <= end_s, times kept."""
        keep = (self.time_s >= start_s) & (self.time_s <= end_s)
        return Trace(
            self.time_s[keep], {k: v[keep] for k, v in self.columns.items()}, self.units, self.name, "", self.warnings
        )

    def to_frame(self) -> pd.DataFrame:
        """A pandas DataFrame indexed by `time_s`, one column a signal, NaN where not sampled."""
        import pandas as pd

        return pd.DataFrame(dict(self.columns), index=pd.Index(self.time_s, name="time_s"))


def heading(name: str, unit: str) -> str:
    """A column's heading, `name [unit]`."""
    return f"{name} [{unit}]"


def parse_heading(text: str) -> tuple[str, str | None] | None:
    """Name and unit of a heading, unit None where it has no brackets; None where it is no heading."""
    match = _HEADING.match(text)
    return (match["name"], match["unit"]) if match else None


def _number(value: float) -> str:
    # Shortest text that reads back to the same float; integers without a trailing ".0".
    text = repr(float(value))
    return text[:-2] if text.endswith(".0") else text


class TraceWriter:
    """Writes rows of a trace to an open text file; the caller owns flushing and closing.

    `signals` fixes the columns and their order.
    """

    def __init__(self, out: io.TextIOBase, signals: list[str], units: Mapping[str, str] | None = None):
        self._signals = list(signals)
        self._write = csv.writer(out, lineterminator="\r\n").writerow
        units = units or {}
        self._write(
            [TIME_HEADING, *(heading(n, units.get(n) or (SIGNALS[n].unit if n in SIGNALS else "")) for n in signals)]
        )

    def write(self, batch: Batch) -> None:
        values = batch.values
        self._write(
            [f"{batch.time_s:.6f}", *(_number(values[n]) if n in values else "" for n in self._signals)]
        )


def write_trace(trace: Trace, path: str | Path) -> None:
    """Write a whole trace to `path`, replacing what is there."""
    with open(path, "w", encoding="utf-8", newline="") as out:
        writer = TraceWriter(out, list(trace.columns), trace.units)
        for batch in trace.batches():
            writer.write(batch)


def read_trace(path: str | Path) -> Trace:
    """Read a trace file.

    Values come back in canonical units. A torn last line is dropped with a warning in `Trace.warnings`.

    Raises InputError, with file, line and column, for a file that is no trace:
    no `time [s]` heading, a cell that is no number, time that decreases, an
    unknown unit, a repeated heading, or no rows.
    """
    import pandas as pd

    path = Path(path)
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", file=path, remedy="Check the path.") from error
    sha256 = hashlib.sha256(raw).hexdigest()
    warnings: list[str] = []
    raw = _drop_torn_line(raw.removeprefix(b"\xef\xbb\xbf"), warnings)
    names, units, conversions = _read_headings(raw, path)
    try:
        frame = pd.read_csv(
            io.BytesIO(raw),
            header=None,
            skiprows=1,
            names=range(len(names)),
            index_col=False,
            dtype=np.float64,
            encoding="utf-8",
            skip_blank_lines=True,
            on_bad_lines="error",
            keep_default_na=False,
            na_values=[""],
            float_precision="round_trip",
        )
    except (ValueError, UnicodeDecodeError, OverflowError) as error:
        raise _locate_bad_cell(raw, names, path) from error
    if not len(frame):
        raise InputError("has no rows", file=path, remedy="Record the drive again, or check the copy is complete.")
    table = frame.to_numpy(copy=False)
    time_s = np.ascontiguousarray(table[:, 0]) * conversions[0][0] + conversions[0][1]
    _check_time(time_s, path)
    columns = {}
    for j, name in enumerate(names[1:], start=1):
        factor, offset = conversions[j]
        column = np.ascontiguousarray(table[:, j])
        if (factor, offset) != (1.0, 0.0):
            column = column * factor + offset
        if np.isinf(column).any():
            line = int(np.flatnonzero(np.isinf(column))[0]) + 2
            raise InputError(
                "a value is infinite", file=path, line=line, column=name, remedy="Empty the cell if it was not read."
            )
        columns[name] = column
    return Trace(time_s, columns, dict(zip(names[1:], units[1:], strict=True)), path.name, sha256, tuple(warnings))


def _drop_torn_line(raw: bytes, warnings: list[str]) -> bytes:
    if not raw or raw.endswith((b"\n", b"\r")):
        return raw
    cut = max(raw.rfind(b"\n"), raw.rfind(b"\r")) + 1
    if cut == 0:
        return raw  # a single line: the heading check says what is wrong
    # A line of the right width may still have lost its last digits: without its end nobody knows.
    warnings.append("The last line was cut off in the middle (power lost or copy incomplete) and was left out.")
    return raw[:cut]


def _read_headings(raw: bytes, path: Path) -> tuple[list[str], list[str], list[tuple[float, float]]]:
    first = re.split(rb"\r\n|\n|\r", raw, maxsplit=1)[0]
    try:
        cells = next(csv.reader([first.decode("utf-8")]), [])
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(
            "is not a camlog trace: the heading is not UTF-8 text", file=path, line=1, remedy="Try `camlog convert`."
        ) from error
    parsed = [parse_heading(c) for c in cells]
    if not cells or parsed[0] is None or parsed[0][0] != "time" or not parsed[0][1]:
        found = cells[0] if cells else ""
        raise InputError(
            f"is not a camlog trace: the first heading is {found!r}, not {TIME_HEADING!r}",
            file=path,
            line=1,
            remedy="Use `camlog convert` for a trace that another program wrote.",
        )
    names, units, conversions = [], [], []
    for cell, heading_ in zip(cells, parsed, strict=True):
        if heading_ is None or (heading_[0] != "time" and not is_signal_name(heading_[0])):
            raise InputError(
                f"heading {cell!r} is not of the form 'name [unit]'", file=path, line=1, column=cell or "(empty)",
                remedy="Use lower-case signal names, or `camlog convert`.",
            )  # fmt: skip
        name, unit = heading_
        if name in names:
            raise InputError("the heading stands twice", file=path, line=1, column=name, remedy="Remove one column.")
        canonical = "s" if name == "time" else SIGNALS[name].unit if name in SIGNALS else (unit or "")
        try:
            conversions.append(conversion(unit, canonical) if unit and canonical else (1.0, 0.0))
        except ValueError as error:
            raise InputError(
                f"unit {unit!r} is not one that can become {canonical!r}", file=path, line=1, column=name,
                remedy=f"Write the unit as {canonical!r} or another unit of the same kind.",
            ) from error  # fmt: skip
        names.append(name)
        units.append(canonical)
    return names, units, conversions


def _check_time(time_s: np.ndarray, path: Path) -> None:
    bad = np.flatnonzero(~np.isfinite(time_s))
    if bad.size:
        raise InputError(
            "the time is missing", file=path, line=int(bad[0]) + 2, column="time", remedy="Remove or complete the row."
        )
    back = np.flatnonzero(np.diff(time_s) < 0)
    if back.size:
        line = int(back[0]) + 3
        raise InputError(
            f"time goes backwards, from {time_s[back[0]]:g} s to {time_s[back[0] + 1]:g} s",
            file=path, line=line, column="time", remedy="Split the file there, or restore the original order.",
        )  # fmt: skip


def _locate_bad_cell(raw: bytes, names: list[str], path: Path) -> InputError:
    """Find the cell a parser choked on, to say where it is."""
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        return InputError("is not UTF-8 text", file=path, line=line, remedy="Try `camlog convert`.")
    reader = csv.reader(io.StringIO(text, newline=""))
    try:
        next(reader)
        for cells in reader:
            if len(cells) > len(names):
                return InputError(
                    f"the row has {len(cells)} cells, the heading {len(names)}",
                    file=path, line=reader.line_num, remedy="Remove the extra cells, or use `camlog convert`.",
                )  # fmt: skip
            for name, cell in zip(names, cells, strict=False):
                try:
                    float(cell or "nan")
                except ValueError:
                    return InputError(
                        f"{cell[:40]!r} is not a number", file=path, line=reader.line_num, column=name,
                        remedy="Leave the cell empty where a value was not read.",
                    )  # fmt: skip
    except csv.Error as error:
        return InputError(f"cannot be read as CSV ({error})", file=path, line=reader.line_num)
    return InputError("cannot be read as a table of numbers", file=path, remedy="Try `camlog convert`.")
