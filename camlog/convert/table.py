"""A foreign file read whole: rows of (time, values) in a store, and what was odd about them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from camlog.convert.blocks import BlockParser
from camlog.convert.cells import Numbers
from camlog.convert.clocks import SECONDS_IN, TIME_DECIMALS, Clock, Timing
from camlog.convert.layout import Layout, SourceColumn
from camlog.convert.limits import MAX_SORTED_ROWS
from camlog.convert.rows import RowStore, one_row_a_moment
from camlog.convert.sentences import counted, refusal
from camlog.convert.streams import Stream
from camlog.convert.text import TextBlocks


@dataclass(frozen=True)
class Remark:
    """A cell of a column of words: the time of its row as the clock of number `clock` gives it."""

    clock: int
    time: float
    column: int
    text: str


@dataclass
class Table:
    """A foreign file's readings.

    Each row of `store` is a time and one value a column of `columns`; `seconds` makes seconds of the time.
    Close it when done.
    """

    columns: tuple[SourceColumn, ...]
    store: RowStore
    clocks: tuple[Clock, ...]
    notes: list[str] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)

    @property
    def clock(self) -> Clock:
        """The clock of the file, or the first of several."""
        return self.clocks[0]

    def seconds(self, times: np.ndarray) -> np.ndarray:
        """Seconds from the first time of the file, of times of `store`."""
        return self.clock.seconds(times) if len(self.clocks) == 1 else np.round(times, TIME_DECIMALS)

    def close(self) -> None:
        self.store.close()


def read_table(
    text: TextBlocks,
    layout: Layout,
    timings: Sequence[Timing],
    numbers: Numbers,
    settle_unit: Callable[[Clock], None],
    progress: Callable[[float], None] | None = None,
) -> Table:
    """Read every row of a file. `settle_unit` is given each clock whose unit nothing says, and sets it.

    Raises InputError where no row has a time, or times go backwards.
    """
    streams = [Stream(text.path, layout, timing) for timing in timings]
    as_number = {j for s in streams for j in s.number_columns}
    as_text = {j for s in streams for j in s.text_columns}
    parser = BlockParser(layout, sorted(as_number), sorted(as_text), numbers)
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
                stream.take(parsed)
        if progress is not None:
            progress(text.source.fraction)
    return _finished(text, layout, parser, streams, settle_unit)


def _merged(streams: Sequence[Stream], clocks: Sequence[Clock]) -> tuple[RowStore, tuple[SourceColumn, ...]]:
    """The rows of several clocks as one table, its times in seconds from the earliest."""
    starts = [clock.first * clock.factor for clock in clocks]
    readings, columns = RowStore(3), []
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
        raise refusal("too_many_to_sort", file=streams[0].path)
    readings = readings.reordered(np.argsort(readings.column(0), kind="stable"))
    return one_row_a_moment(readings, len(columns)), tuple(columns)


def _finished(
    text: TextBlocks,
    layout: Layout,
    parser: BlockParser,
    streams: Sequence[Stream],
    settle_unit: Callable[[Clock], None],
) -> Table:
    odd = parser.oddities
    streams = [s for s in streams if s.store.rows]
    if not streams:
        if "wide_rows" in odd.rows:
            raise refusal(
                "wide_rows", file=text.path, line=odd.rows["wide_rows"][1], count=len(layout.columns)
            )
        raise refusal("no_rows", file=text.path, line=layout.first_row_line)
    clocks = [s.clock() for s in streams]
    units = {clock.unit for clock in clocks} - {None}
    for stream, clock in zip(streams, clocks, strict=True):
        if clock.unit is None and len(units) == 1:
            clock.unit = next(iter(units))  # one logger writes all its times in one unit
            clock.factor = SECONDS_IN[clock.unit]
        stream.put_in_order(clock)
        if clock.factor is None:
            settle_unit(clock)
    notes = [note for s in streams for note in s.notes]
    remarks = [Remark(k, *r) for k, s in enumerate(streams) for r in s.remarks]
    store, columns = streams[0].wide() if len(streams) == 1 else _merged(streams, clocks)
    for count, line in (s.clockless for s in streams if s.clockless[0]):
        notes.append(counted("clockless", count, line=line))
    notes += text.source.warnings
    for kind in ("wide_rows", "short_rows", "other_rows", "torn_end", "repeated_headings"):
        if kind in odd.rows:
            notes.append(counted(kind, odd.rows[kind][0], line=odd.rows[kind][1]))
    labels = {c.index: c.label for c in layout.columns}
    times = {j for s in streams for j in s.timing.columns}
    for column, (count, line, cell) in sorted(odd.unreadable.items()):
        if column not in times:
            notes.append(counted("unreadable", count, column=labels[column], cell=ascii(cell), line=line))
    return Table(columns, store, tuple(clocks), notes, remarks)
