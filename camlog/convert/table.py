"""Reads a whole foreign file: rows of (time, values) in a store, their clocks, and what was unusual."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import numpy as np

from camlog.convert.blocks import BlockParser, Parsed
from camlog.convert.clocks import TIME_DECIMALS, Clock, Timing, unit_from_steps
from camlog.convert.headings import parse_heading
from camlog.convert.layout import Layout, SourceColumn
from camlog.convert.limits import MAX_COLUMNS, MAX_SORTED_ROWS
from camlog.convert.rows import RowStore, one_row_a_moment
from camlog.convert.source import TextBlocks
from camlog.convert.stamps import NOT_A_TIME, StampReader
from camlog.convert.words import counted, say, words

# Rows written by several threads of a logger may be out of order by at most this many seconds.
_JITTER_S = 2.0
_MAX_REMARKS = 5000
_STARTS_BELOW = 5.0  # a clock that restarts begins at about its first value
_STEPS_LOOKED_AT = 100_000
Remark = tuple[Clock, float, int, str]


@dataclass
class Table:
    """A foreign file's readings.

    Each row of `store` is a time and one value per column of `columns`; `seconds` converts the time. `remarks` are
    cells of text columns: (clock, time of that clock, column, text). Close it after use.
    """

    columns: tuple[SourceColumn, ...]
    store: RowStore
    clocks: tuple[Clock, ...]
    notes: list[str] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)

    def seconds(self, times: np.ndarray) -> np.ndarray:
        """Convert times of `store` to seconds since the first time of the file."""
        return self.clocks[0].seconds(times) if len(self.clocks) == 1 else np.round(times, TIME_DECIMALS)

    @cached_property
    def time_s(self) -> np.ndarray:
        """The time of every row in seconds, shape (rows,)."""
        return self.seconds(self.store.column(0))


def read_table(
    text: TextBlocks, layout: Layout, timings: Sequence[Timing], settle_unit: Callable[[Clock], None],
    progress: Callable[[float], None] | None = None,
) -> Table:  # fmt: skip
    """Read every row of a file. `settle_unit` gets each clock with an unknown unit, and sets it.

    Raises InputError if no row has a time, or times go backwards.
    """
    streams = [_Stream(text.path, layout, timing) for timing in timings]
    as_number, as_text = ({j for s in streams for j in columns(s)} for columns in (_Stream.numbers, _Stream.texts))
    parser = BlockParser(layout, sorted(as_number), sorted(as_text))
    blocks = text.blocks()
    following = next(blocks, None)
    while following is not None:
        line, block = following
        following = next(blocks, None)
        skipped = layout.first_row_line - line
        if skipped > 0:
            block = block.split("\n", skipped)[skipped] if block.count("\n") >= skipped else ""
            line = layout.first_row_line
        if block:
            parsed = parser.parse(block, line, at_end=following is None)
            for stream in streams if len(parsed.lines) else ():
                stream.add(parsed)
        if progress is not None:
            progress(text.source.fraction)
    streams = [s for s in streams if s.store.rows]
    odd = parser.oddities
    if not streams and "wide_rows" in odd.rows:
        raise say.error("wide_rows", file=text.path, line=odd.rows["wide_rows"][1], count=len(layout.columns))
    if not streams:
        raise say.error("no_rows", file=text.path, line=layout.first_row_line)
    clocks = [s.clock() for s in streams]
    units = {clock.unit for clock in clocks} - {""}
    for stream, clock in zip(streams, clocks, strict=True):
        if not clock.unit and len(units) == 1:
            clock.take_unit(next(iter(units)))  # a logger writes all its times in one unit
        stream.put_in_order(clock)
        if not clock.factor:
            settle_unit(clock)
    store, columns = streams[0].wide() if len(streams) == 1 else _merged(streams, clocks)
    notes = [note for s in streams for note in s.notes]
    notes += [counted("clockless", s.clockless[0], line=s.clockless[1]) for s in streams if s.clockless[0]]
    times = {j for s in streams for j in s.timing.columns}
    remarks = [(clock, *remark) for clock, s in zip(clocks, streams, strict=True) for remark in s.remarks]
    return Table(columns, store, tuple(clocks), [*notes, *text.source.warnings, *odd.notes(times)], remarks)


class _Stream:
    """The rows of the columns that share one clock."""

    def __init__(self, path: Path, layout: Layout, timing: Timing):
        self.path, self.layout, self.timing, self.long = path, layout, timing, layout.long
        self._remark_columns: list[int] = []
        if self.long:
            self.values = [self.long.value]
            self.names = [self.long.signal] + ([self.long.unit] if self.long.unit is not None else [])
        else:
            mine = [c for c in layout.columns if timing.channels is None or c.index in timing.channels]
            self.names = self._remark_columns = [
                c.index for c in mine
                if c.kind in ("text", "empty") and words("remarks") & set(parse_heading(c.heading).words)
            ]  # fmt: skip
            others = {*timing.columns, *self.names}
            self.values = [c.index for c in mine if c.kind in ("number", "empty") and c.index not in others]
        self.store = RowStore(3 if self.long else 1 + len(self.values))
        self.lines: list[np.ndarray] = []
        self.first: float | None = None
        self.clockless = (0, 0)
        self.notes: list[str] = []
        self.remarks: list[tuple[float, int, str]] = []
        self._stamps = StampReader(timing.form)
        self._first_text = ""
        self._signals: dict[tuple[str, str], int] = {}  # of a long table: (name, unit) -> column
        self._last_remark: dict[int, str] = {}
        self._rows_seen = 0

    def numbers(self) -> list[int]:
        return self.values + (list(self.timing.columns) if self.timing.kind == "number" else [])

    def texts(self) -> list[int]:
        return self.names + (list(self.timing.columns) if self.timing.kind == "stamp" else [])

    def add(self, parsed: Parsed) -> None:
        times, there = self._times(parsed)
        if not there.all():
            # A row without readings can be dropped.
            held = np.any([np.isfinite(parsed.numbers[j]) for j in self.values] or [there], axis=0)
            lost = np.flatnonzero(~there & held)
            if len(lost):
                self.clockless = (self.clockless[0] + len(lost), self.clockless[1] or int(parsed.lines[lost[0]]))
            if not there.any():
                return
        kept = slice(None) if there.all() else there
        columns = [times[kept], *(parsed.numbers[j][kept] for j in self.values)]
        if self.long:
            columns.insert(1, self._signals_of(parsed, kept))
        block = np.empty((len(columns[0]), len(columns)), order="F")
        for place, column in enumerate(columns):
            block[:, place] = column
        self.store.append(block)
        self.lines.append(parsed.lines[kept])
        self._remark(parsed, there, times)

    def _times(self, parsed: Parsed) -> tuple[np.ndarray, np.ndarray]:
        """Times in the file's unit, or in nanoseconds from the first, and where they are known; shape (rows,)."""
        count = len(parsed.lines)
        if self.timing.kind == "rate":
            self._rows_seen += count
            self.first = 0
            return self._rows_seen - count + np.arange(count, dtype=np.float64), np.ones(count, dtype=bool)
        if self.timing.kind == "number":
            times = parsed.numbers[self.timing.columns[0]]
            there = np.isfinite(times) & (np.abs(times) < 1e20)
            if self.first is None and there.any():
                self.first = float(times[there][0])
            return times, there
        cells = parsed.texts[self.timing.columns[0]]
        if len(self.timing.columns) == 2:
            clocks = parsed.texts[self.timing.columns[1]]
            cells = [f"{d.strip()} {c.strip()}" for d, c in zip(cells, clocks, strict=True)]
        stamps = self._stamps.read(cells)
        there = stamps != NOT_A_TIME
        if self.first is None and there.any():
            at = int(np.flatnonzero(there)[0])
            self.first, self._first_text = int(stamps[at]), cells[at].strip()
        return np.where(there, stamps - (self.first or 0), 0).astype(np.float64), there

    def _signals_of(self, parsed: Parsed, kept: slice | np.ndarray) -> np.ndarray:
        """The column of each reading of a long table. Raises InputError for too many signals."""
        import pandas as pd

        cells = [pd.factorize(np.asarray(parsed.texts[j], dtype=object)[kept]) for j in self.names]
        (name, names), (unit, units) = (*cells, (0, [""]))[:2]
        codes, pairs = pd.factorize(name * len(units) + unit)
        places = zip(*divmod(pairs, len(units)), strict=True)
        keys = [(str(names[n]).strip(), str(units[u]).strip()) for n, u in places]
        columns = np.array([self._signals.setdefault(key, len(self._signals)) for key in keys], dtype=np.int64)[codes]
        if len(beyond := np.flatnonzero(columns >= MAX_COLUMNS)):
            line = int(parsed.lines[kept][beyond[0]])
            raise say.error("too_many_signals", file=self.path, line=line, most=MAX_COLUMNS)
        return columns

    def _remark(self, parsed: Parsed, there: np.ndarray, times: np.ndarray) -> None:
        for j in self._remark_columns:
            last = self._last_remark.get(j, "")
            for i in np.flatnonzero(there).tolist():
                cell = parsed.texts[j][i]
                if cell != last and cell.strip() and len(self.remarks) < _MAX_REMARKS:
                    self.remarks.append((float(times[i]), j, cell.strip()))
                last = cell
            self._last_remark[j] = last

    def clock(self) -> Clock:
        """The clock of the rows, with its unit if known."""
        timing, times = self.timing, self.store.column(0)
        steps = np.diff(times)
        moves = int(np.count_nonzero(steps))
        clock = Clock(timing, self.first or 0, reason=timing.reason, first_text=self._first_text)
        clock.rows_per_time = 1.0 if self.long or len(times) == moves + 1 else len(times) / max(1, moves)
        if timing.kind == "rate":
            clock.factor, clock.unit = 1.0 / timing.rate_hz, "rows"
        elif timing.kind == "stamp":
            clock.factor, clock.unit = 1e-9, "ns"
        elif timing.unit:
            clock.take_unit(timing.unit)
        else:
            forward = steps[steps > 0][:_STEPS_LOOKED_AT]
            step = float(np.median(forward)) if len(forward) else np.nan
            whole = bool((times == np.floor(times)).all())
            unit, evidence = unit_from_steps(clock.first, step, whole, len(times))
            clock.reason = say("time_with_evidence", reason=clock.reason, evidence=evidence)
            if unit:
                clock.take_unit(unit)
        return clock

    def put_in_order(self, clock: Clock) -> None:
        """Sort the rows by time if that is allowed. Raises InputError if it is not."""
        times = self.store.column(0)
        steps = np.diff(times)
        back = np.flatnonzero(steps < 0)
        if not len(back):
            return
        at, line = int(back[0]), int(np.concatenate(self.lines)[back[0] + 1])
        if self.timing.counts and (times[back + 1] <= times[0] + _STARTS_BELOW).all():
            offsets = np.zeros(len(times))
            offsets[back + 1] = times[back] + 1.0 / clock.factor - times[back + 1]
            self.store = self.store.with_first(times + np.cumsum(offsets))
            self.notes.append(say("starts_anew", count=len(back), line=line))
            return
        reversed_file = not (steps > 0).any()
        jitter = -float(steps.min()) * (clock.factor or 1e-3) <= _JITTER_S
        # In a long table the rows of each signal may be together.
        if not (jitter or reversed_file or (self.long and self._each_signal_in_order(times))):
            factor, base = clock.factor or 1.0, clock.first if self.timing.kind == "number" else 0.0
            before, after = ((t - base) * factor for t in (times[at], times[at + 1]))
            name = "time_backwards" if clock.factor else "time_backwards_unknown"
            raise say.error(name, file=self.path, line=line, before=before, after=after)
        if len(times) > MAX_SORTED_ROWS:
            raise say.error("too_many_to_sort", file=self.path, line=line)
        turned = reversed_file and not self.long
        order = len(times) - 1 - np.argsort(times[::-1], kind="stable") if turned else np.argsort(times, kind="stable")
        self.store = self.store.reordered(order)
        self.notes.append(say("turned_round") if turned else say("put_in_order", line=line))
        if self.timing.kind != "stamp":
            clock.first = float(times.min())

    def _each_signal_in_order(self, times: np.ndarray) -> bool:
        codes = self.store.column(1)
        order = np.argsort(codes, kind="stable")
        return bool(((np.diff(times[order]) >= 0) | (np.diff(codes[order]) != 0)).all())

    def wide(self) -> tuple[RowStore, tuple[SourceColumn, ...]]:
        """Rows of (time, values) and their columns."""
        if self.long:
            readings = self.store.replaced(block[np.isfinite(block[:, 2])] for block in self.store.blocks())
            columns = tuple(SourceColumn(i, name, unit) for i, (name, unit) in enumerate(self._signals))
            return one_row_a_moment(readings, len(columns)), columns
        by_index = {c.index: c for c in self.layout.columns}
        return self.store, tuple(by_index[j] for j in self.values)


def _merged(streams: Sequence[_Stream], clocks: Sequence[Clock]) -> tuple[RowStore, tuple[SourceColumn, ...]]:
    """The rows of several clocks as one table, its times in seconds from the earliest."""
    starts = [clock.first * clock.factor for clock in clocks]
    readings = RowStore(3)
    columns: list[SourceColumn] = []
    for stream, clock, start in zip(streams, clocks, starts, strict=True):
        store, own = stream.wide()
        seconds = np.round(clock.seconds(store.column(0)) + (start - min(starts)), TIME_DECIMALS)
        for place, column in enumerate(own, start=1):
            values = store.column(place)
            kept = np.isfinite(values)
            number = np.full(int(kept.sum()), float(len(columns)))
            readings.append(np.column_stack([seconds[kept], number, values[kept]]))
            columns.append(column)
        store.close()
    if readings.rows > MAX_SORTED_ROWS:
        raise say.error("too_many_to_sort", file=streams[0].path)
    readings = readings.reordered(np.argsort(readings.column(0), kind="stable"))
    return one_row_a_moment(readings, len(columns)), tuple(columns)
