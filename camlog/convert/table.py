"""A foreign file read whole: rows of (time, values) in a store, and what was odd about them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from camlog.convert.blocks import BlockParser, Oddities, Parsed
from camlog.convert.cells import Numbers
from camlog.convert.headings import parse_heading
from camlog.convert.layout import Layout, SourceColumn
from camlog.convert.limits import MAX_SORTED_ROWS
from camlog.convert.longform import LongRows
from camlog.convert.order import Order
from camlog.convert.stamps import NOT_A_TIME, StampReader
from camlog.convert.store import RowStore
from camlog.convert.text import TextBlocks
from camlog.convert.timing import EPOCH_S, SECONDS_IN, Timing, unit_from_steps
from camlog.errors import InputError

# Rows written by several threads of a logger may stand a little out of order; more is something else.
_JITTER_S = 2.0
_MAX_REMARKS = 5000
_REMARK_WORDS = frozenset(
    "event events marker markers mark marks note notes comment comments remark remarks annotation dtc dtcs "
    "code codes trouble".split()
)


@dataclass
class Clock:
    """How the times of the file became seconds: `first` is the first time in the file's own unit (nanoseconds
    for stamps), `factor` seconds a unit (None while nothing says), `started_at` ISO 8601 where the file gives
    the zone, `first_text` the first stamp as it stands."""

    factor: float | None = None
    first: float = 0.0
    unit: str | None = None
    reason: str = ""
    started_at: str | None = None
    first_text: str = ""
    median_step: float = float("nan")
    whole: bool = True
    rows_per_time: float = 1.0


@dataclass
class Table:
    """A foreign file's readings.

    Each row of `store` is the time (in the file's unit, from the first) and one value a column of `columns`.
    `remarks` are (row time, line, column, text) of columns of words. Close it when done.
    """

    columns: tuple[SourceColumn, ...]
    store: RowStore
    clock: Clock
    timing: Timing
    oddities: Oddities
    notes: list[str] = field(default_factory=list)
    remarks: list[tuple[float, int, int, str]] = field(default_factory=list)

    def close(self) -> None:
        self.store.close()


def read_table(
    text: TextBlocks,
    layout: Layout,
    timing: Timing,
    numbers: Numbers,
    progress: Callable[[float], None] | None = None,
) -> Table:
    """Read every row of a file. Raises InputError where no row has a time, or times go backwards."""
    reader = _TableReader(text, layout, timing, numbers)
    blocks = text.blocks()
    pending = next(blocks, None)
    while pending is not None:
        line, block = pending
        pending = next(blocks, None)
        reader.take(line, block, at_end=pending is None)
        if progress is not None:
            progress(text.source.fraction)
    return reader.finish()


class _TableReader:
    def __init__(self, text: TextBlocks, layout: Layout, timing: Timing, numbers: Numbers):
        self.text, self.layout, self.timing = text, layout, timing
        self.long = layout.long
        time_columns = set(timing.columns)
        if self.long:
            value_columns = [self.long.value]
            words = [self.long.signal] + ([self.long.unit] if self.long.unit is not None else [])
            self.remark_columns: list[int] = []
        else:
            value_columns = [
                c.index
                for c in layout.columns
                if c.index not in time_columns and c.kind in ("number", "empty")
            ]
            words = [
                c.index for c in layout.columns
                if c.kind in ("text", "empty") and _REMARK_WORDS & set(parse_heading(c.heading).words)
            ]  # fmt: skip
            self.remark_columns = words
            value_columns = [j for j in value_columns if j not in words]
        self.value_columns = value_columns
        as_number = value_columns + ([*timing.columns] if timing.kind == "number" else [])
        as_text = words + ([*timing.columns] if timing.kind == "stamp" else [])
        self.parser = BlockParser(layout, sorted(set(as_number)), sorted(set(as_text)), numbers)
        self.order = Order()
        self.stamps = StampReader(timing.form) if timing.form else None
        self.first: int | float | None = None
        self.first_text = ""
        self.clockless = (0, 0)
        self.remarks: list[tuple[float, int, int, str]] = []
        self._last_remark: dict[int, str] = {}
        self.seen_rows = 0
        self.rows: RowStore | LongRows = (
            LongRows(text.path) if self.long else RowStore(1 + len(value_columns))
        )

    def take(self, line: int, block: str, at_end: bool) -> None:
        skipped = self.layout.first_row_line - line
        if skipped > 0:
            at = 0
            for _ in range(skipped):
                at = block.find("\n", at) + 1
                if not at:
                    return
            block, line = block[at:], self.layout.first_row_line
        parsed = self.parser.parse(block, line, at_end)
        if not len(parsed.lines):
            return
        times, there = self._times(parsed)
        if not there.all():
            self._count_clockless(parsed, there)
        if not there.any():
            return
        lines = parsed.lines[there]
        times = times[there]
        self.order.see(times, lines)
        if self.long:
            self.rows.append(times, self._cells(parsed, self.long.signal, there), self._units(parsed, there),
                             parsed.numbers[self.long.value][there], lines)  # fmt: skip
        else:
            values = np.empty((len(times), 1 + len(self.value_columns)))
            values[:, 0] = times
            for place, j in enumerate(self.value_columns, start=1):
                values[:, place] = parsed.numbers[j][there]
            self.rows.append(values)
        self._remark(parsed, there, times, lines)

    def _cells(self, parsed: Parsed, column: int, there: np.ndarray) -> list[str]:
        cells = parsed.texts[column]
        return cells if there.all() else [c for c, keep in zip(cells, there.tolist(), strict=True) if keep]

    def _units(self, parsed: Parsed, there: np.ndarray) -> list[str] | None:
        return None if self.long.unit is None else self._cells(parsed, self.long.unit, there)

    def _times(self, parsed: Parsed) -> tuple[np.ndarray, np.ndarray]:
        """Times from the first, in the file's unit or in nanoseconds, and where there are any; shape
        (rows,)."""
        if self.timing.kind == "rate":
            times = self.seen_rows + np.arange(len(parsed.lines), dtype=np.float64)
            self.seen_rows += len(parsed.lines)
            self.first = 0
            return times, np.ones(len(times), dtype=bool)
        if self.timing.kind == "number":
            raw = parsed.numbers[self.timing.columns[0]]
            there = np.isfinite(raw) & (np.abs(raw) < 1e20)
            if self.first is None and there.any():
                self.first = float(raw[there][0])
            return raw, there
        cells = parsed.texts[self.timing.columns[0]]
        if len(self.timing.columns) == 2:
            cells = [
                f"{d.strip()} {c.strip()}"
                for d, c in zip(cells, parsed.texts[self.timing.columns[1]], strict=True)
            ]
        stamps = self.stamps.read(cells)
        there = stamps != NOT_A_TIME
        if self.first is None and there.any():
            i = int(np.flatnonzero(there)[0])
            self.first, self.first_text = int(stamps[i]), cells[i].strip()
        since = np.where(there, stamps - (self.first or 0), 0)
        return since.astype(np.float64), there

    def _count_clockless(self, parsed: Parsed, there: np.ndarray) -> None:
        # A row in which nothing was read has nothing to lose.
        held = np.zeros(len(there), dtype=bool)
        for j in self.value_columns:
            held |= np.isfinite(parsed.numbers[j])
        lost = np.flatnonzero(~there & held)
        if len(lost):
            count, line = self.clockless
            self.clockless = (count + len(lost), line or int(parsed.lines[lost[0]]))

    def _remark(self, parsed: Parsed, there: np.ndarray, times: np.ndarray, lines: np.ndarray) -> None:
        for j in self.remark_columns:
            cells = self._cells(parsed, j, there)
            last = self._last_remark.get(j, "")
            for i, cell in enumerate(cells):
                if cell != last:
                    last = cell
                    if cell.strip() and len(self.remarks) < _MAX_REMARKS:
                        self.remarks.append((float(times[i]), int(lines[i]), j, cell.strip()))
            self._last_remark[j] = last

    # ------------------------------------------------------------ the end

    def finish(self) -> Table:
        odd = self.parser.oddities
        if self.first is None or not self.rows.rows:
            self._refuse_without_rows()
        clock = self._clock()
        notes: list[str] = []
        store, columns = self._in_order(clock, notes)
        if self.clockless[0]:
            notes.append(_rows(self.clockless, "without a readable time left out"))
        if self.text.source.warnings:
            notes.extend(self.text.source.warnings)
        notes.extend(_oddity_notes(odd, self.layout, self.timing))
        return Table(columns, store, clock, self.timing, odd, notes, self.remarks)

    def _refuse_without_rows(self) -> None:
        odd = self.parser.oddities
        if odd.wide_rows[0]:
            count = len(self.layout.columns)
            raise InputError(
                f"rows have more cells than the {count} headings, so it is not known which belongs to which",
                file=self.text.path, line=odd.wide_rows[1],
                remedy="Export it with semicolons or tabs between the columns if numbers have a "
                "decimal comma.",
            )  # fmt: skip
        raise InputError(
            "has no row with a readable time and a value", file=self.text.path,
            line=self.layout.first_row_line, remedy="Check the copy is complete.",
        )  # fmt: skip

    def _clock(self) -> Clock:
        clock = Clock(
            median_step=self.order.median_step(), whole=self.order.whole, first_text=self.first_text
        )
        moves = self.order.forward + self.order.back
        if not self.long:
            clock.rows_per_time = (moves + self.order.same) / max(1, moves)
        kind = self.timing.kind
        clock.reason = self.timing.reason
        clock.first = float(self.first)
        if kind == "rate":
            clock.factor, clock.unit, clock.first = 1.0 / self.timing.rate_hz, "rows", 0.0
        elif kind == "stamp":
            clock.factor, clock.unit = 1e-9, "ns"
            if self.timing.form.zone and self.timing.form.kind == "date":
                clock.started_at = _iso(int(self.first))
        elif self.timing.unit is not None:
            clock.factor, clock.unit = SECONDS_IN[self.timing.unit], self.timing.unit
        else:
            rows = self.order.forward + self.order.back + self.order.same
            unit, evidence = unit_from_steps(clock.first, clock.median_step, clock.whole, rows)
            clock.reason += ", " + evidence
            if unit is not None:
                clock.factor, clock.unit = SECONDS_IN[unit], unit
        if (
            kind == "number"
            and clock.unit in ("s", "ms", "us", "ns")
            and EPOCH_S[0] <= clock.first * clock.factor <= EPOCH_S[1]
        ):
            clock.started_at = _iso(round(clock.first * clock.factor * 1e6) * 1000)
        return clock

    def _in_order(self, clock: Clock, notes: list[str]) -> tuple[RowStore, tuple[SourceColumn, ...]]:
        order, sortable = self.order, False
        if order.back:
            jitter = order.largest_back * (clock.factor or 1e-3) <= _JITTER_S
            reversed_file = not order.forward
            # In a long table each signal may have its own stretch of rows.
            sortable = jitter or reversed_file or (self.long is not None and self.rows.each_in_order)
            if not sortable:
                self._refuse_backwards(clock)
            if self.rows.rows > MAX_SORTED_ROWS:
                raise InputError(
                    "its rows are not in order of time, and too many to put in order", file=self.text.path,
                    line=order.first_back[0], remedy="Sort it by time first.",
                )  # fmt: skip
            if reversed_file and not self.long:
                notes.append("The rows stand newest first; they were turned round.")
            else:
                notes.append(
                    f"The rows are not in order of time (first on line {order.first_back[0]}); they "
                    f"were put in order."
                )
        if self.long:
            store, columns = self.rows.pivot(sort=sortable)
        else:
            store = self.rows
            if sortable:
                ordered = store.sorted_by_first(reverse=not order.forward)
                store.close()
                store = ordered
            by_index = {c.index: c for c in self.layout.columns}
            columns = tuple(by_index[j] for j in self.value_columns)
        if sortable:
            clock.first = clock.first if self.timing.kind == "stamp" else float(next(store.blocks())[0, 0])
        return store, columns

    def _refuse_backwards(self, clock: Clock) -> None:
        line, before, after = self.order.first_back
        factor = clock.factor or 1.0
        base = 0.0 if self.timing.kind != "number" else clock.first
        unit = "s" if clock.factor else "(unit unknown)"
        raise InputError(
            f"time goes backwards, from {(before - base) * factor:.10g} to "
            f"{(after - base) * factor:.10g} {unit}",
            file=self.text.path, line=line,
            remedy="If two recordings stand in one file, split it there; otherwise sort it by time.",
        )  # fmt: skip


def _iso(nanoseconds: int) -> str:
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=nanoseconds // 1000)).isoformat()


def _rows(found: tuple[int, int], what: str) -> str:
    count, line = found
    return f"1 row {what} (line {line})." if count == 1 else f"{count} rows {what} (first on line {line})."


def _oddity_notes(odd: Oddities, layout: Layout, timing: Timing) -> list[str]:
    notes = []
    if odd.wide_rows[0]:
        notes.append(_rows(odd.wide_rows, "with more cells than headings left out"))
    if odd.short_rows[0]:
        notes.append(_rows(odd.short_rows, "cut short; the cell at the cut left out"))
    if odd.other_rows[0]:
        notes.append(_rows(odd.other_rows, "without readings left out"))
    if odd.torn_end:
        notes.append(f"The last line ({odd.torn_end}) was cut off; what the cut went through was left out.")
    if odd.repeated_headings:
        times = "once" if odd.repeated_headings == 1 else f"{odd.repeated_headings} times"
        notes.append(f"The headings stand {times} more among the rows.")
    names = {c.index: c.heading or f"column {c.index + 1}" for c in layout.columns}
    for column, (count, line, text) in sorted(odd.unreadable.items()):
        if column in timing.columns:
            continue
        cells = "1 cell is" if count == 1 else f"{count} cells are"
        notes.append(
            f"{names.get(column, column + 1)}: {cells} no number and counted as missing (first "
            f"{text!a}, line {line})."
        )
    return notes


def with_unit(timing: Timing, unit: str | None) -> Timing:
    """The same timing with its unit as somebody said it."""
    return timing if unit is None else replace(timing, unit=unit)
