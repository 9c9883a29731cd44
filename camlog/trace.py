"""The trace file `NAME.csv`: signals over time. Reads and writes it.

| column | meaning | example |
|---|---|---|
| `time [s]` | seconds since the recording began, never decreasing | `12.345678` |
| `name [unit]` | one signal, in the unit of its heading | `engine_speed [rpm]` |

UTF-8, RFC 4180, one row a batch; an empty cell where a signal was not sampled at that time. `camlog.trace_table` splits
the text into cells, `camlog.trace_faults` finds the errors of a refused file."""

from __future__ import annotations

import csv
import hashlib
import io
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import numpy as np

from camlog import trace_table
from camlog.errors import saved_bytes
from camlog.messages import say
from camlog.new_files import whole_file
from camlog.signals import SIGNALS, is_signal_name
from camlog.stream import Batch
from camlog.trace_faults import Cells, fault_of_cells, fault_of_time
from camlog.trace_table import TIME_HEADING, heading, parse_heading

if TYPE_CHECKING:
    import pandas as pd

# A longer jump in time is reported: the recording stood, or a clock was set.
CLOCK_JUMP_S = 3600.0
# Larger times (3,000 years) are errors; their digits would be too few to separate readings.
LATEST_TIME_S = 1e11


@dataclass(frozen=True, eq=False)
class Trace:
    """A saved drive's readings.

    `time_s` has shape (rows,), seconds from 0, never decreasing. `columns` maps a signal name to an array of the same
    shape in the signal's canonical unit, NaN where it was not sampled. `units` gives the unit of each column.
    `warnings` are sentences about repairs on reading."""

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
        """Times (s) and values of the rows with the signal; both empty if it was never sampled."""
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
        """The rows as batches, as in a live drive; rows without a value are left out."""
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
        """The rows with start_s <= time <= end_s; times are unchanged."""
        keep = (self.time_s >= start_s) & (self.time_s <= end_s)
        return Trace(
            self.time_s[keep], {k: v[keep] for k, v in self.columns.items()}, self.units, self.name, "", self.warnings
        )

    def to_frame(self) -> pd.DataFrame:
        """A pandas DataFrame indexed by `time_s`, one column a signal, NaN where not sampled."""
        import pandas as pd

        return pd.DataFrame(dict(self.columns), index=pd.Index(self.time_s, name="time_s"))


def interpolated(at_s: np.ndarray, time_s: np.ndarray, value: np.ndarray, reach_s: float) -> np.ndarray:
    """`value` (n,) sampled at `time_s` (n,), linear between samples; NaN farther than `reach_s` from any of them."""
    at_s = np.asarray(at_s, dtype=float)
    if not len(time_s):
        return np.full(at_s.shape, np.nan)
    after = np.minimum(np.searchsorted(time_s, at_s), len(time_s) - 1)
    distance = np.minimum(np.abs(at_s - time_s[after]), np.abs(at_s - time_s[np.maximum(after - 1, 0)]))
    return np.where(distance <= reach_s, np.interp(at_s, time_s, value), np.nan)


def _number(value: float) -> str:
    # Shortest text that reads back to the same float; integers without a trailing ".0".
    value = float(value)
    if not math.isfinite(value):
        return ""  # a missing value is an empty cell
    text = repr(value)
    return text.removesuffix(".0")


def _time(time_s: float) -> str:
    # Microseconds if that is exact, as from a recorder; else all digits.
    text = f"{time_s:.6f}"
    return text if float(text) == time_s else repr(float(time_s))


class TextOutput(Protocol):
    """An open text file, or an object with the same `write`."""

    def write(self, text: str, /) -> object: ...


class TraceWriter:
    """Writes rows of a trace to an open text file; the caller owns flushing and closing.

    `signals` are the columns in order; each `write` makes one row, with one call of `out.write`. Values are in
    canonical units, so `units` is used for unknown signals only.
    Raises ValueError for an invalid column: a name without the form of a signal name, a repeated name, or a unit with
    brackets or line ends."""

    def __init__(self, out: TextOutput, signals: Iterable[str], units: Mapping[str, str] | None = None):
        self._signals = list(signals)
        self._write = csv.writer(out, lineterminator="\r\n").writerow
        units = units or {}
        headings = [TIME_HEADING]
        for name in self._signals:
            unit = SIGNALS[name].unit if name in SIGNALS else units.get(name, "")
            text = heading(name, unit)
            if not is_signal_name(name) or name == "time" or parse_heading(text) != (name, unit) or "\n" in text:
                raise ValueError(f"{text!r} cannot head a column of a trace")
            if text in headings:
                raise ValueError(f"signal {name!r} stands twice")
            headings.append(text)
        self._write(headings)

    def write(self, batch: Batch) -> None:
        """Write one row; values of signals without a column are left out."""
        values = batch.values
        self._write([_time(batch.time_s), *(_number(values[n]) if n in values else "" for n in self._signals)])


def write_trace(trace: Trace, path: str | Path) -> None:
    """Write a whole trace to `path`, replacing an existing file; rows without any value are left out."""
    with whole_file(path, replace=True) as raw:
        out = io.TextIOWrapper(raw, encoding="utf-8", newline="")
        writer = TraceWriter(out, list(trace.columns), trace.units)
        for batch in trace.batches():
            writer.write(batch)
        out.detach()  # flushes; the file itself is closed by `whole_file`


def read_trace(path: str | Path) -> Trace:
    """Read a trace file.

    Values are converted to canonical units. A torn last line is dropped, and cells missing at the end of a row count as
    not sampled; both add a sentence to `Trace.warnings`.
    Raises InputError, with file, line and column, for an invalid trace: no `time [s]` heading, a cell that is no
    number, more cells than headings, decreasing time, an unknown unit, a known signal without a unit, a repeated
    heading, or no rows."""
    path = Path(path)
    raw = saved_bytes(path)
    if not raw:
        raise say.error("empty", path)
    sha256 = hashlib.sha256(raw).hexdigest()
    warnings: list[str] = []
    raw = trace_table.drop_torn_line(raw.removeprefix(b"\xef\xbb\xbf"), warnings)
    cells, heading_lines, start = trace_table.read_heading_row(raw, path)
    names, units, conversions = trace_table.read_headings(cells, path)
    body = Cells(raw, start, heading_lines, names, path)
    try:
        table = trace_table.read_table(raw, start, len(names))
    except (ValueError, OverflowError) as error:
        raise fault_of_cells(body) from error
    if not len(table):
        raise say.error("no_row", path)
    if np.isfinite(table[:, len(names)]).any() or trace_table.reads_words(raw, start):
        raise fault_of_cells(body)
    _warn_of_short_rows(raw, start, table, body, warnings)
    with np.errstate(over="ignore"):
        columns = {n: _scaled(table[:, j], *conversions[j]) for j, n in enumerate(names)}
    time_s = columns.pop("time")
    if not (np.abs(time_s) <= LATEST_TIME_S).all() or (np.diff(time_s) < 0).any():
        raise fault_of_time(body, time_s, LATEST_TIME_S)
    for name, column in columns.items():
        infinite = np.flatnonzero(np.isinf(column))
        if infinite.size:
            raise say.error("infinite", path, line=body.line_of_row(int(infinite[0])), column=name)
    warnings += clock_warnings(time_s)
    return Trace(time_s, columns, dict(zip(names[1:], units[1:], strict=True)), path.name, sha256, tuple(warnings))


def clock_warnings(time_s: np.ndarray) -> list[str]:
    """A sentence if the times jump so far that the clock was set or the recording stood for hours."""
    steps = np.diff(time_s)
    leaps = np.flatnonzero(steps > CLOCK_JUMP_S)
    if not len(leaps):
        return []
    first = leaps[0]
    more = say("trace.more_leaps", count=len(leaps) - 1) if len(leaps) > 1 else ""
    before, after = time_s[first : first + 2]
    return [say("trace.leaps", before=before, after=after, length=_long(steps[first]), more=more)]


def _long(seconds: float) -> str:
    for unit, length in (("years", 365.25 * 86400.0), ("days", 86400.0)):
        if seconds >= 2.0 * length:
            return f"{seconds / length:.0f} {unit}"
    return f"{seconds / 3600.0:.1f} hours"


def _scaled(column: np.ndarray, factor: float, offset: float) -> np.ndarray:
    column = np.ascontiguousarray(column)
    return column if (factor, offset) == (1.0, 0.0) else column * factor + offset


def _warn_of_short_rows(raw: bytes, start: int, table: np.ndarray, body: Cells, warnings: list[str]) -> None:
    # Counting commas is fast; the file is read row by row only if some are missing.
    commas = np.count_nonzero(np.frombuffer(raw, np.uint8, offset=start) == ord(","))
    if commas >= len(table) * (len(body.names) - 1):
        return
    count, line = body.short_rows()
    if count:
        warnings.append(say("trace.short_rows", count=count, line=line))
