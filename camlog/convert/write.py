"""A table as a trace: rows scaled, repeats blanked, written or gathered.

Values are written in the unit they came in (the heading says which), so nothing is lost by a conversion.
"""

from __future__ import annotations

import csv
import hashlib
import io
import itertools
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import orjson

from camlog.cams import cam_of, commanded
from camlog.convert.clocks import TIME_DECIMALS
from camlog.convert.figures import ColumnFigures, held_repeats
from camlog.convert.model import ColumnMatch
from camlog.convert.ranges import out_of_range
from camlog.convert.rows import RowStore
from camlog.convert.table import Table
from camlog.convert.words import say
from camlog.new_files import whole_file
from camlog.signals import SIGNALS
from camlog.trace import LATEST_TIME_S
from camlog.trace_table import TIME_HEADING, heading
from camlog.units import conversion


class _Channel:
    """One column of the table on its way into the trace. `failed` counts the values outside what its sensor can report,
    which are left out."""

    def __init__(self, store: RowStore, match: ColumnMatch, place: int, figures: ColumnFigures):
        self.match, self.place = match, place
        self.failed = 0
        self._repeats = figures.repeated if match.repeated_share else None
        if match.held_rows > 1:
            self._repeats = held_repeats(store.column(place), match.held_rows)
        self._at = 0
        self._scale = match.factor, match.offset
        self._limits: tuple[float, float] | None = None
        if match.signal and match.written_as == match.signal and figures.count:
            self._limits = conversion(match.written_unit, SIGNALS[match.signal].unit)
            # Figures of the whole column tell where nothing can be out of range.
            ends = np.array([figures.low, figures.high]) * match.factor + match.offset
            if not self._wrong(ends, self._limits).any():
                self._limits = None

    @property
    def as_it_is(self) -> bool:
        """True where values go into the trace as they stand in the table."""
        return self._repeats is None and self._limits is None and self._scale == (1.0, 0.0)

    def _wrong(self, values: np.ndarray, limits: tuple[float, float]) -> np.ndarray:
        return out_of_range(self.match.signal, values * limits[0] + limits[1])

    def values(self, column: np.ndarray) -> np.ndarray:
        """The values of the next block, NaN where nothing was read."""
        values = np.array(column)
        if self._repeats is not None:
            values[self._repeats[self._at : self._at + len(values)]] = np.nan
        self._at += len(values)
        if self._scale != (1.0, 0.0):
            with np.errstate(over="ignore", invalid="ignore"):
                values = values * self._scale[0] + self._scale[1]
            values[~np.isfinite(values)] = np.nan
        if self._limits is not None:
            wrong = self._wrong(values, self._limits)
            self.failed += int(wrong.sum())
            values[wrong] = np.nan
        return values


class TraceRows:
    """The rows of a trace from a table and the matches of its columns.

    `blocks` gives them once: arrays (rows, 1 + columns), time in seconds from 0 and one column each of
    `kept`, in the written unit, NaN where nothing was read; rows without any value are left out.
    Raises InputError about `file` where a time is none a drive can have.
    """

    def __init__(self, table: Table, matches: Sequence[ColumnMatch], figures: Sequence[ColumnFigures], file: Path):
        self.table, self._file = table, file
        places = {c.index: (j, f) for j, (c, f) in enumerate(zip(table.columns, figures, strict=True), start=1)}
        self.kept = [m for m in matches if m.written_as]
        self._channels = [_Channel(table.store, m, *places[m.index]) for m in self.kept]
        # Where one column holds a value in every row, no row is empty.
        self._full = any(c.as_it_is and places[c.match.index][1].count == table.store.rows for c in self._channels)
        # place of an actual angle that stands as a deviation -> place of its command, and the sign
        places_of = {m.signal: j for j, m in enumerate(self.kept, start=1) if m.certain}
        self._deviations = {}
        for j, m in enumerate(self.kept, start=1):
            command = places_of.get(commanded(cam_of(m.signal) or "")) if m.deviation and m.certain else None
            if command is not None:
                self._deviations[j] = command, -1.0 if m.deviation == "minus" else 1.0
        self._last_command = dict.fromkeys(self._deviations, np.nan)
        self.rows = 0
        self.first_s: float | None = None
        self.duration_s = 0.0
        self._counts = np.zeros(len(self.kept), dtype=np.int64)

    @property
    def failed(self) -> dict[str, int]:
        """Heading -> how many of its values were left out because no working sensor reports them."""
        return {c.match.name: c.failed for c in self._channels if c.failed}

    @property
    def readings(self) -> dict[str, int]:
        """Column of the trace -> how many readings it holds."""
        return {m.written_as: int(n) for m, n in zip(self.kept, self._counts, strict=True)}

    def blocks(self) -> Iterator[np.ndarray]:
        for block in self.table.store.blocks():
            out = np.empty((len(block), 1 + len(self._channels)))
            out[:, 0] = self.table.seconds(block[:, 0])
            for j, channel in enumerate(self._channels, start=1):
                column = block[:, channel.place]
                out[:, j] = column if channel.as_it_is else channel.values(column)
            for j, (command, sign) in self._deviations.items():
                commands = np.concatenate([[self._last_command[j]], out[:, command]])
                at = np.maximum.accumulate(np.where(np.isfinite(commands), np.arange(len(commands)), 0))[1:]
                self._last_command[j] = commands[at[-1]] if len(at) else self._last_command[j]
                out[:, j] = commands[at] + sign * out[:, j]
            if not self._full:
                out = out[np.isfinite(out[:, 1:]).any(axis=1)]
            if not len(out):
                continue
            if self.first_s is None:
                self.first_s = float(out[0, 0])
            if self.first_s:
                out[:, 0] = np.round(out[:, 0] - self.first_s, TIME_DECIMALS)
            beyond = out[np.abs(out[:, 0]) > LATEST_TIME_S, 0]
            if beyond.size:
                raise say.error("time_of_no_drive", file=self._file, column="time", time=beyond[0])
            self.rows += len(out)
            self.duration_s = float(out[-1, 0])
            self._counts += np.isfinite(out[:, 1:]).sum(axis=0)
            yield out

    def heading_row(self) -> bytes:
        """The trace's heading as UTF-8 with its line end."""
        out = io.StringIO()
        cells = [TIME_HEADING, *(heading(m.written_as, m.written_unit) for m in self.kept)]
        csv.writer(out, lineterminator="\r\n").writerow(cells)
        return out.getvalue().encode("utf-8", "replace")


def rows_as_text(block: np.ndarray) -> bytes:
    """Rows (n, columns) as RFC 4180 lines: the shortest digits that read back to the same number, empty for
    NaN.

    The first column, the time, is never NaN.
    """
    if not len(block):
        return b""
    cells = np.ascontiguousarray(block) + 0.0  # no -0
    # [[0.0,700.0,null],[...]] has the cells already; only the marks around them differ.
    text = np.frombuffer(bytearray(orjson.dumps(cells, option=orjson.OPT_SERIALIZE_NUMPY)), np.uint8)[2:]
    ends = np.flatnonzero(text == ord("]"))[:-1]
    keep = np.ones(len(text), dtype=bool)
    after = text[2:]
    other = (text[:-2] != ord(".")) | (text[1:-1] != ord("0")) | ((after != ord(",")) & (after != ord("]")))
    keep[:-2] &= other  # whole numbers without their `.0`
    keep[1:-1] &= other
    text[ends], text[ends + 1] = ord("\r"), ord("\n")
    keep[ends[:-1] + 2] = False
    nulls = np.flatnonzero(text == ord("n"))
    for letter in range(4):
        keep[nulls + letter] = False
    return text[keep].tobytes()


def write_rows(rows: TraceRows, path: Path, force: bool, progress: Callable[[float], None] | None = None) -> str:
    """Write a trace, all of it or nothing; returns its SHA-256.

    Raises InputError where the file is there already (unless `force`) or the disk refuses.
    """
    digest = hashlib.sha256()
    total = max(1, rows.table.store.rows)
    try:
        with whole_file(path, replace=force) as out:
            for data in itertools.chain([rows.heading_row()], map(rows_as_text, rows.blocks())):
                out.write(data)
                digest.update(data)
                if progress is not None:
                    progress(rows.rows / total)
    except OSError as error:
        raise say.error("unwritable", file=path, error=error.strerror or error) from error
    return digest.hexdigest()
