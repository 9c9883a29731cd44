"""The rows of the columns of a foreign file that share one clock, and that clock."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from camlog.convert.blocks import Parsed
from camlog.convert.clocks import SECONDS_IN, Clock, Timing, unit_from_steps
from camlog.convert.headings import parse_heading
from camlog.convert.layout import Layout, SourceColumn
from camlog.convert.limits import MAX_COLUMNS, MAX_SORTED_ROWS
from camlog.convert.rows import RowStore, one_row_a_moment
from camlog.convert.sentences import refusal, say
from camlog.convert.stamps import NOT_A_TIME, StampReader
from camlog.convert.words import words

# Rows written by several threads of a logger may stand a little out of order; more is something else.
_JITTER_S = 2.0
_MAX_REMARKS = 5000
_STARTS_BELOW = 5.0  # a clock that begins anew begins with about its first value
_STEPS_LOOKED_AT = 100_000


class Stream:
    """The rows of the columns that share one clock."""

    def __init__(self, path: Path, layout: Layout, timing: Timing):
        self.path, self.layout, self.timing, self.long = path, layout, timing, layout.long
        if self.long:
            self.values, self.remark_columns = [self.long.value], []
            names = [self.long.signal] + ([self.long.unit] if self.long.unit is not None else [])
        else:
            mine = [c for c in layout.columns if timing.channels is None or c.index in timing.channels]
            names = self.remark_columns = [
                c.index for c in mine
                if c.kind in ("text", "empty") and words("remarks") & set(parse_heading(c.heading).words)
            ]  # fmt: skip
            self.values = [
                c.index for c in mine
                if c.kind in ("number", "empty") and c.index not in timing.columns and c.index not in names
            ]  # fmt: skip
        self.number_columns = self.values + (list(timing.columns) if timing.kind == "number" else [])
        self.text_columns = names + (list(timing.columns) if timing.kind == "stamp" else [])
        self.stamps = StampReader(timing.form) if timing.form else None
        self.store = RowStore(3 if self.long else 1 + len(self.values))
        self.lines: list[np.ndarray] = []
        self.first: float | int | None = None
        self.first_text = ""
        self.clockless = (0, 0)
        self.remarks: list[tuple[float, int, str]] = []
        self.signals: dict[tuple[str, str], int] = {}  # of a long table: (name, unit) -> column
        self._last_remark: dict[int, str] = {}
        self._rows_seen = 0

    def take(self, parsed: Parsed) -> None:
        """Add the rows of the next block."""
        times, there = self._times(parsed)
        # A row in which nothing was read has nothing to lose.
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
        self.store.append(np.column_stack(columns))
        self.lines.append(parsed.lines[kept])
        self._remark(parsed, there, times)

    def _times(self, parsed: Parsed) -> tuple[np.ndarray, np.ndarray]:
        """Times in the file's unit, or in nanoseconds from the first, and where there are any; shape (rows,)."""
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
            cells = [
                f"{d.strip()} {c.strip()}"
                for d, c in zip(cells, parsed.texts[self.timing.columns[1]], strict=True)
            ]
        stamps = self.stamps.read(cells)
        there = stamps != NOT_A_TIME
        if self.first is None and there.any():
            at = int(np.flatnonzero(there)[0])
            self.first, self.first_text = int(stamps[at]), cells[at].strip()
        return np.where(there, stamps - (self.first or 0), 0).astype(np.float64), there

    def _signals_of(self, parsed: Parsed, kept: slice | np.ndarray) -> np.ndarray:
        """The column of each reading of a long table. Raises InputError for too many signals."""
        import pandas as pd

        cells = [
            np.asarray(parsed.texts[j], dtype=object)[kept]
            for j in self.text_columns
            if j not in self.timing.columns
        ]
        codes, names = pd.factorize(cells[0])
        units, unit_names = pd.factorize(cells[1]) if len(cells) > 1 else (np.zeros_like(codes), [""])
        pairs, inverse = np.unique(codes * len(unit_names) + units, return_inverse=True)
        columns = np.empty(len(pairs), dtype=np.int64)
        for i, pair in enumerate(pairs.tolist()):
            name, unit = (
                str(n).strip() for n in (names[pair // len(unit_names)], unit_names[pair % len(unit_names)])
            )
            columns[i] = self.signals.setdefault((name, unit), len(self.signals))
            if columns[i] >= MAX_COLUMNS:
                line = int(parsed.lines[kept][np.flatnonzero(inverse == i)[0]])
                raise refusal("too_many_signals", file=self.path, line=line, most=MAX_COLUMNS)
        return columns[inverse]

    def _remark(self, parsed: Parsed, there: np.ndarray, times: np.ndarray) -> None:
        for j in self.remark_columns:
            last = self._last_remark.get(j, "")
            for i in np.flatnonzero(there).tolist():
                cell = parsed.texts[j][i]
                if cell != last and cell.strip() and len(self.remarks) < _MAX_REMARKS:
                    self.remarks.append((float(times[i]), j, cell.strip()))
                last = cell
            self._last_remark[j] = last

    # ------------------------------------------------------------ all rows read

    def clock(self) -> Clock:
        """The clock of the rows, its unit where something tells it."""
        timing, times = self.timing, self.store.column(0)
        steps = np.diff(times)
        moves = int(np.count_nonzero(steps))
        clock = Clock(timing, self.first, reason=timing.reason, first_text=self.first_text)
        clock.rows_per_time = 1.0 if self.long or len(times) == moves + 1 else len(times) / max(1, moves)
        if timing.kind == "rate":
            clock.factor, clock.unit = 1.0 / timing.rate_hz, "rows"
        elif timing.kind == "stamp":
            clock.factor, clock.unit = 1e-9, "ns"
        else:
            clock.unit = timing.unit
            if timing.unit is None:
                forward = steps[steps > 0][:_STEPS_LOOKED_AT]
                step = float(np.median(forward)) if len(forward) else np.nan
                clock.unit, evidence = unit_from_steps(
                    clock.first, step, bool((times == np.floor(times)).all()), len(times)
                )
                clock.reason = say("time_with_evidence", reason=clock.reason, evidence=evidence)
            if clock.unit is not None:
                clock.factor = SECONDS_IN[clock.unit]
        return clock

    def put_in_order(self, clock: Clock) -> None:
        """Put the rows in order of time where they may be. Raises InputError where they may not."""
        self.notes: list[str] = []
        times = self.store.column(0)
        steps = np.diff(times)
        back = np.flatnonzero(steps < 0)
        if not len(back):
            return
        if self.timing.counts and (times[back + 1] <= times[0] + _STARTS_BELOW).all():
            offsets = np.zeros(len(times))
            offsets[back + 1] = times[back] + 1.0 / clock.factor - times[back + 1]
            self.store = self.store.with_first(times + np.cumsum(offsets))
            self.notes = [
                say("starts_anew", count=len(back), line=int(np.concatenate(self.lines)[back[0] + 1]))
            ]
            return
        at, line = int(back[0]), int(np.concatenate(self.lines)[back[0] + 1])
        reversed_file = not (steps > 0).any()
        jitter = -float(steps.min()) * (clock.factor or 1e-3) <= _JITTER_S
        # In a long table each signal may have its own stretch of rows.
        if not (jitter or reversed_file or (self.long and self._each_signal_in_order(times))):
            factor, base = clock.factor or 1.0, clock.first if self.timing.kind == "number" else 0.0
            before, after = ((t - base) * factor for t in (times[at], times[at + 1]))
            name = "time_backwards" if clock.factor else "time_backwards_unknown"
            raise refusal(name, file=self.path, line=line, before=before, after=after)
        if len(times) > MAX_SORTED_ROWS:
            raise refusal("too_many_to_sort", file=self.path, line=line)
        turned = reversed_file and not self.long
        order = (
            len(times) - 1 - np.argsort(times[::-1], kind="stable")
            if turned
            else np.argsort(times, kind="stable")
        )
        self.store = self.store.reordered(order)
        self.notes = [say("turned_round") if turned else say("put_in_order", line=line)]
        if self.timing.kind != "stamp":
            clock.first = float(times.min())

    def _each_signal_in_order(self, times: np.ndarray) -> bool:
        codes = self.store.column(1)
        order = np.argsort(codes, kind="stable")
        return bool(((np.diff(times[order]) >= 0) | (np.diff(codes[order]) != 0)).all())

    def wide(self) -> tuple[RowStore, tuple[SourceColumn, ...]]:
        """Rows of (time, values) and their columns."""
        if self.long:
            store, readings = RowStore(3), self.store
            for block in readings.blocks():
                store.append(block[np.isfinite(block[:, 2])])
            readings.close()
            columns = tuple(SourceColumn(i, name, unit) for i, (name, unit) in enumerate(self.signals))
            return one_row_a_moment(store, len(columns)), columns
        by_index = {c.index: c for c in self.layout.columns}
        return self.store, tuple(by_index[j] for j in self.values)
