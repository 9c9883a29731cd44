"""A table as a trace: rows scaled, held repeats blanked, written or gathered.

Values are written in the unit they came in (the heading says which), so nothing is lost by a conversion.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import orjson

from camlog.convert.figures import ColumnFigures, HeldRows
from camlog.convert.model import ColumnMatch
from camlog.convert.ranges import out_of_range
from camlog.convert.table import Table
from camlog.errors import InputError
from camlog.new_files import whole_file
from camlog.signals import SIGNALS
from camlog.trace import LATEST_TIME_S
from camlog.trace_headings import TIME_HEADING, heading
from camlog.units import conversion

# Times are differences of what the file says; the rounding takes off what subtraction adds.
_TIME_DECIMALS = 9
_EPOCH_DECIMALS = 6


class TraceRows:
    """The rows of a trace from a table and the matches of its columns.

    `blocks` gives them once: arrays (rows, 1 + columns), time in seconds from 0 and one column each of
    `kept`, in the written unit, NaN where nothing was read; rows without any value are left out. `failed`
    counts, for each signal, the values outside what its sensor can report, which are left out.
    Raises InputError about `file` where a time is none a drive can have.
    """

    def __init__(
        self, table: Table, matches: Sequence[ColumnMatch], figures: Sequence[ColumnFigures], file: Path
    ):
        self._table, self._file = table, file
        self._figures = {column.index: f for column, f in zip(table.columns, figures, strict=True)}
        place = {column.index: j for j, column in enumerate(table.columns, start=1)}
        self.kept = [m for m in matches if m.written_as is not None]
        self._places = [place[m.index] for m in self.kept]
        self.failed: dict[str, int] = {}
        self.rows = 0
        self.first_s: float | None = None

    def seconds(self, time: float) -> float:
        """Seconds from the file's first time, of a row's time."""
        return float(self._seconds(np.asarray([time]))[0])

    def blocks(self) -> Iterator[np.ndarray]:
        table, held = self._table, [HeldRows(m.held_rows) if m.held_rows > 1 else None for m in self.kept]
        # Figures of the whole column tell where nothing can be out of range, and where no row is empty.
        scales = [None if self._within_range(m) else _canonical(m) for m in self.kept]
        repeated = [self._figures[m.index].repeated if m.repeated_share else None for m in self.kept]
        plain = (
            not any(held)
            and not any(scales)
            and all(r is None for r in repeated)
            and all((m.factor, m.offset) == (1.0, 0.0) for m in self.kept)
        )
        full = plain and any(self._figures[m.index].count == table.store.rows for m in self.kept)
        at = 0
        for block in table.store.blocks():
            at += len(block)
            columns = [0, *self._places]
            out = block if columns == list(range(block.shape[1])) else block[:, columns]
            out[:, 0] = self._seconds(block[:, 0])
            for j, (match, place) in enumerate(zip(self.kept, self._places, strict=True), start=1):
                if plain:
                    break
                values = np.ascontiguousarray(block[:, place])
                if held[j - 1] is not None:
                    values = np.where(held[j - 1].keep(values), values, np.nan)
                if repeated[j - 1] is not None:
                    values = np.where(repeated[j - 1][at - len(block) : at], np.nan, values)
                if (match.factor, match.offset) != (1.0, 0.0):
                    with np.errstate(over="ignore", invalid="ignore"):
                        values = values * match.factor + match.offset
                    values[~np.isfinite(values)] = np.nan
                if scales[j - 1] is not None:
                    factor, offset = scales[j - 1]
                    wrong = out_of_range(match.signal, values * factor + offset)
                    if wrong.any():
                        self.failed[match.name] = self.failed.get(match.name, 0) + int(wrong.sum())
                        values[wrong] = np.nan
                out[:, j] = values
            if not full:
                out = out[np.isfinite(out[:, 1:]).any(axis=1)]
            if not len(out):
                continue
            if self.first_s is None:
                self.first_s = float(out[0, 0])
            if self.first_s:
                out[:, 0] = np.round(out[:, 0] - self.first_s, _TIME_DECIMALS)
            beyond = np.flatnonzero(np.abs(out[:, 0]) > LATEST_TIME_S)
            if beyond.size:
                raise InputError(
                    f"{out[beyond[0], 0]:.6g} s after its start is no time of a drive", file=self._file, column="time",
                    remedy="Look at the column of times, and at its unit.",
                )
            self.rows += len(out)
            yield out

    def _within_range(self, match: ColumnMatch) -> bool:
        scale, figures = _canonical(match), self._figures[match.index]
        if scale is None or not figures.count:
            return True
        ends = (np.array([figures.low, figures.high]) * match.factor + match.offset) * scale[0] + scale[1]
        return not out_of_range(match.signal, ends).any()

    def _seconds(self, times: np.ndarray) -> np.ndarray:
        clock, kind = self._table.clock, self._table.timing.kind
        decimals = (
            _EPOCH_DECIMALS if abs(clock.first * clock.factor) > 1e6 and kind == "number" else _TIME_DECIMALS
        )
        base = clock.first if kind == "number" else 0.0
        if kind == "rate" or clock.factor >= 1.0:
            return np.round((times - base) * clock.factor, decimals)
        # Dividing by a whole number rounds right where multiplying by its inverse does not.
        return np.round((times - base) / round(1.0 / clock.factor), decimals)

    def heading_row(self) -> bytes:
        """The trace's heading as UTF-8 with its line end."""
        out = io.StringIO()
        cells = [TIME_HEADING, *(heading(m.written_as, m.written_unit) for m in self.kept)]
        csv.writer(out, lineterminator="\r\n").writerow(cells)
        return out.getvalue().encode("utf-8", "replace")


def _canonical(match: ColumnMatch) -> tuple[float, float] | None:
    """Factor and offset from the written unit to the canonical one; None for columns that are no signal."""
    if match.signal is None or match.written_as != match.signal:
        return None
    return conversion(match.written_unit, SIGNALS[match.signal].unit)


def rows_as_text(block: np.ndarray) -> bytes:
    """Rows (n, columns) as RFC 4180 lines: the shortest digits that read back to the same number, empty for
    NaN.

    The first column, the time, is never NaN.
    """
    if not len(block):
        return b""
    block = np.ascontiguousarray(block) + 0.0  # no -0
    there = np.isfinite(block)
    return _sparse_text(block, there) if 2 * int(there.sum()) < block.size else _dense_text(block)


def _digits(values: np.ndarray) -> np.ndarray:
    return np.frombuffer(bytearray(orjson.dumps(values, option=orjson.OPT_SERIALIZE_NUMPY)), np.uint8)


def _dense_text(block: np.ndarray) -> bytes:
    # [[0.0,700.0,null],[...]] has the cells already; only the marks around them differ.
    text = _digits(block)[2:]
    ends = np.flatnonzero(text == ord("]"))[:-1]
    keep = _whole_as_whole(text)
    text[ends], text[ends + 1] = ord("\r"), ord("\n")
    keep[ends[:-1] + 2] = False
    nulls = np.flatnonzero(text == ord("n"))
    for letter in range(4):
        keep[nulls + letter] = False
    return text[keep].tobytes()


def _whole_as_whole(text: np.ndarray) -> np.ndarray:
    """True for all letters but the `.0` of whole numbers."""
    keep = np.ones(len(text), dtype=bool)
    after = text[2:]
    whole = np.flatnonzero(
        (text[:-2] == ord(".")) & (text[1:-1] == ord("0")) & ((after == ord(",")) | (after == ord("]")))
    )
    keep[whole] = keep[whole + 1] = False
    return keep


def _sparse_text(block: np.ndarray, there: np.ndarray) -> bytes:
    # Only the numbers are turned into digits; then each is put behind as many commas as it has empty cells
    # before it.
    text = _digits(block[there])[1:]
    text = text[_whole_as_whole(text)]
    ends = np.flatnonzero((text == ord(",")) | (text == ord("]")))
    lengths = np.diff(ends, prepend=-1) - 1
    rows, columns = np.nonzero(there)
    begins = columns == 0
    commas = np.diff(columns, prepend=0)
    commas[begins] += block.shape[1] - 1  # those of the row before, from its last number on
    commas[0] = 0
    gap = commas + 2 * begins
    gap[0] = 0
    start = np.cumsum(gap + lengths) - lengths
    last = block.shape[1] - 1 - int(columns[-1])
    out = np.full(int(start[-1] + lengths[-1]) + last + 2, ord(","), dtype=np.uint8)
    source = np.ones(len(text), dtype=bool)
    source[ends] = False
    out[np.repeat(start - (np.cumsum(lengths) - lengths), lengths) + np.arange(int(lengths.sum()))] = text[
        source
    ]
    line_ends = start[begins][1:] - 2
    out[line_ends], out[line_ends + 1] = ord("\r"), ord("\n")
    out[-2], out[-1] = ord("\r"), ord("\n")
    return out.tobytes()


def write_rows(
    rows: TraceRows, path: Path, force: bool, progress: Callable[[float], None] | None = None
) -> str:
    """Write a trace, all of it or nothing; returns its SHA-256.

    Raises InputError where the file is there already (unless `force`) or the disk refuses.
    """
    digest = hashlib.sha256()
    total = max(1, rows._table.store.rows)
    try:
        with whole_file(path, replace=force) as out:

            def put(data: bytes) -> None:
                out.write(data)
                digest.update(data)

            put(rows.heading_row())
            for block in rows.blocks():
                put(rows_as_text(block))
                if progress is not None:
                    progress(rows.rows / total)
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror or error})",
            file=path,
            remedy="Check the folder and its free space.",
        ) from error
    return digest.hexdigest()
