"""Finds the time columns of a foreign table, their units, and the columns whose times they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from camlog.convert.cells import is_missing
from camlog.convert.headings import Heading, parse_heading
from camlog.convert.layout import Layout, SourceColumn
from camlog.convert.stamps import StampForm, find_form, iso
from camlog.convert.words import EMPTY, SECONDS_IN, say, words

_TIME, _NAMING = words("time"), words("time_names")
# Least and most seconds between two rows of a drive log: the reply time of a fast link, and about a minute.
_SHORTEST_S, _LONGEST_S = 0.004, 61.0
# Seconds since 1970 between 2001 and 2065.
_EPOCH_S = (1.0e9, 3.0e9)
# Times are differences of the times in the file, rounded to remove the error of the subtraction.
TIME_DECIMALS = 9
_EPOCH_DECIMALS = 6
_LEAST_STEPS = 10


@dataclass(frozen=True)
class Timing:
    """The source of the time of some columns.

    `kind`: `number` (a column of numbers in `unit`, "" if unknown), `stamp` (clock or date text in `columns`; two are a
    day and a clock), or `rate` (no time: rows come at `rate_hz`). `channels` are the columns with these times, None for
    all; `counts` is True if the seconds may restart at each engine start.
    """

    kind: str
    columns: tuple[int, ...] = ()
    unit: str = ""
    form: StampForm = StampForm("")
    rate_hz: float = 0.0
    reason: str = ""
    channels: tuple[int, ...] | None = None
    counts: bool = False


@dataclass
class Clock:
    """The conversion of the times of a `timing` to seconds.

    `first` is the first time in the file's own unit (nanoseconds for stamps), `factor` the seconds per `unit` (0 while
    unknown), `first_text` the first stamp in the file, `rows_per_time` the mean number of rows with the same time.
    """

    timing: Timing
    first: float
    factor: float = 0.0
    unit: str = ""
    reason: str = ""
    first_text: str = ""
    rows_per_time: float = 1.0

    @property
    def started_at(self) -> str | None:
        """The start time in ISO 8601 if the file has the zone; else None."""
        if self.timing.kind == "stamp":
            form = self.timing.form
            return iso(int(self.first)) if form.zone and form.kind == "date" else None
        if self.unit not in ("s", "ms", "us", "ns") or not _since_1970(self.first * self.factor):
            return None
        return iso(round(self.first * self.factor * 1e6) * 1000)

    def take_unit(self, unit: str) -> None:
        """Read the times in `unit`, one of SECONDS_IN."""
        self.unit, self.factor = unit, SECONDS_IN[unit]

    def seconds(self, times: np.ndarray) -> np.ndarray:
        """Convert times of the table to seconds since the first time of the file."""
        number = self.timing.kind == "number"
        decimals = _EPOCH_DECIMALS if number and abs(self.first * self.factor) > 1e6 else TIME_DECIMALS
        since = times - (self.first if number else 0.0)
        if self.timing.kind == "rate" or self.factor >= 1.0:
            return np.round(since * self.factor, decimals)
        # Division by a whole number is correctly rounded, multiplication by its inverse is not.
        return np.round(since / round(1.0 / self.factor), decimals)


def find_timing(layout: Layout) -> Timing | None:
    """The time of a table from its headings and first rows; None if there is no time column.

    If there are several, the one that changes in most rows wins, then one that states its unit.
    """
    best, best_score = None, -1.0
    for column in layout.columns:
        timing = timing_of(layout, column)
        if timing is None:
            continue
        cells = layout.cells(column.index)
        known = timing.kind == "stamp" or bool(timing.unit)
        named = is_named_time(parse_heading(column.heading, column.unit_cell))
        differing = round(len(set(cells)) / max(1, len(cells)), 2)
        score = differing + 0.3 * known + 0.2 * named + 0.1 * (timing.kind == "number")
        if score > best_score:
            best, best_score = timing, score
    return best


def timing_of(layout: Layout, column: SourceColumn, said: Sequence[str] | None = None) -> Timing | None:
    """The time in one column; None if it is no time. `said` are the relevant words of its heading."""
    heading = parse_heading(column.heading, column.unit_cell)
    heading = heading if said is None else replace(heading, words=tuple(said))
    if column.kind == "stamp":
        return _stamp(column, layout)
    return _number(column, layout, heading) if column.kind == "number" and is_named_time(heading) else None


def climbing_column(layout: Layout) -> SourceColumn | None:
    """The one column that increases by one per row, apart from repeated rows and restarts; None if there is none."""
    columns = []
    for column in layout.columns if layout.long is None else ():
        cells = [layout.numbers.read(c) for c in layout.cells(column.index)] if column.kind == "number" else []
        steps = np.diff([c for c in cells if c is not None])
        by_one, anew = np.isin(steps[steps >= 0], (0.0, 1.0)), steps < 0
        if len(steps) >= _LEAST_STEPS and by_one.all() and (steps == 1.0).mean() > 0.8 and anew.mean() < 0.05:
            columns.append(column)
    return columns[0] if len(columns) == 1 else None


def is_named_time(heading: Heading) -> bool:
    """True if a heading names a time of the recording."""
    heading_words = set(heading.words)
    if heading.unit is not None and heading.unit not in SECONDS_IN:
        return False
    if heading_words & {"run", "runtime"} or {"engine", "start"} <= heading_words:
        return False  # the engine's run time is a signal, and used as the time only if there is no other
    heading_words -= EMPTY - _TIME
    return bool(heading_words & _NAMING) and not heading_words - _TIME - {"utc", "from"}


def _stamp(column: SourceColumn, layout: Layout) -> Timing | None:
    form = find_form(layout.cells(column.index))
    days = [c.index for c in layout.columns if c.kind == "day"]
    if form is None:
        return None
    name = repr(column.heading) if column.heading else column.label
    if form.kind in ("clock", "stopwatch") and len(days) == 1:
        both = [f"{r[days[0]]} {r[column.index]}" for r in layout.sample if max(days[0], column.index) < len(r)]
        if dated := find_form(both):
            reason = say("time_date_and_clock", name=name)
            return Timing("stamp", (days[0], column.index), form=dated, reason=reason)
    return Timing("stamp", (column.index,), form=form, reason=say(f"time_{form.kind}", name=name))


def _number(column: SourceColumn, layout: Layout, heading: Heading) -> Timing | None:
    read = (layout.numbers.read(c) for c in layout.cells(column.index) if not is_missing(c))
    steps = np.diff([v for v in read if v is not None])
    if len(steps) >= 10 and min(np.sum(steps < 0), np.sum(steps > 0)) > 0.3 * len(steps):
        return None  # not increasing: some other time, such as that of an injector
    in_words = "ms" if "millis" in heading.words else "s" if "seconds" in heading.words else ""
    unit, name = heading.unit or in_words, repr(column.heading)
    reason = say("time_numbers_in", name=name, unit=unit) if unit else say("time_numbers", name=name)
    return Timing("number", (column.index,), unit, reason=reason)


def _since_1970(seconds: float) -> bool:
    return _EPOCH_S[0] <= seconds <= _EPOCH_S[1]


def unit_from_steps(first: float, median_step: float, whole: bool, rows: int) -> tuple[str | None, str]:
    """The unit of a time column that states none, and the evidence; None if two units are possible.

    `first` is its first value, `median_step` the median of its steps other than 0, `whole` True if all values are whole
    numbers.
    """
    for unit in ("s", "ms", "us", "ns"):
        if _since_1970(first * SECONDS_IN[unit]):
            return unit, say("unit_since_1970", unit=unit)
    if rows < 2 or not median_step > 0:
        return None, say("unit_of_few_rows")
    # No logger of drives notes fractions of a millisecond.
    units = ("s", "ms", "us") if whole else ("s",)
    possible = [u for u in units if _SHORTEST_S <= median_step * SECONDS_IN[u] <= _LONGEST_S]
    minutes = possible == ["s"] and not whole and 0.0160 <= median_step <= 0.0170
    if len(possible) == 1 and not minutes:
        return possible[0], say("unit_by_steps", step=median_step, unit=possible[0])
    return None, say("unit_open", step=median_step, units=say("or").join(possible) or say("anything"))
