"""Which columns of a foreign table tell the time, and in what."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from camlog.convert.cells import Numbers, is_missing
from camlog.convert.headings import Heading, parse_heading
from camlog.convert.layout import Layout, SourceColumn
from camlog.convert.stamps import StampForm, find_form
from camlog.convert.words import EMPTY_WORDS

SECONDS_IN = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0, "day": 86400.0}
_TIME_WORDS = frozenset(
    "time elapsed seconds millis clock date t relative log recording record session running real system "
    "local datetime uptime ms s us min since start logging lap absolute".split()
)
_NAMING = frozenset("time elapsed seconds millis clock date t datetime uptime ms".split())
# A row of a drive log comes no more often than a fast link answers, and no less than once a minute.
_SHORTEST_S, _LONGEST_S = 0.004, 61.0
# Seconds since 1970 between 2001 and 2065.
EPOCH_S = (1.0e9, 3.0e9)


@dataclass(frozen=True)
class Timing:
    """`kind`: `number` (a column of numbers in `unit`, None where nothing says which), `stamp` (clock or date
    text in `columns`, a day and a clock where two), or `rate` (no time: rows come at `rate_hz`)."""

    kind: str
    columns: tuple[int, ...] = ()
    unit: str | None = None
    form: StampForm | None = None
    rate_hz: float | None = None
    reason: str = ""


def find_timing(layout: Layout, numbers: Numbers) -> Timing | None:
    """The time of a table from its headings and first rows; None where no column tells it.

    Of several, the one whose rows differ most often wins, then one that states its unit.
    """
    found: list[tuple[float, Timing]] = []
    days = [c for c in layout.columns if c.kind == "day"]
    for column in layout.columns:
        cells = [r[column.index] for r in layout.sample if column.index < len(r)]
        heading = parse_heading(column.heading, column.unit_cell)
        named = _named_time(heading)
        if column.kind == "stamp":
            timing = _stamp(column, cells, days, layout, named)
        elif column.kind == "number" and named:
            timing = _number(column, cells, heading, numbers)
        else:
            continue
        if timing is None:
            continue
        distinct = len(set(cells)) / max(1, len(cells))
        known = timing.kind == "stamp" or timing.unit is not None
        found.append(
            (round(distinct, 2) + 0.3 * known + 0.2 * named + 0.1 * (timing.kind == "number"), timing)
        )
    if not found:
        return None
    return max(found, key=lambda pair: pair[0])[1]


def rival_clocks(layout: Layout, numbers: Numbers) -> tuple[str, ...]:
    """Headings of several time columns that do not run alike, as where each signal has a time of its own."""
    clocks: list[tuple[str, np.ndarray]] = []
    for column in layout.columns if layout.long is None else ():
        heading = parse_heading(column.heading, column.unit_cell)
        if column.kind != "number" or not _named_time(
            replace(heading, words=tuple(w for w in heading.words if not w.isdigit()))
        ):
            continue
        values = [numbers.read(r[column.index]) if column.index < len(r) else None for r in layout.sample]
        seconds = np.array([np.nan if v is None else v for v in values]) * SECONDS_IN.get(
            heading.unit or "s", 1.0
        )
        clocks.append((column.heading or f"column {column.index + 1}", seconds))
    for i, (_, one) in enumerate(clocks):
        for _, other in clocks[i + 1 :]:
            both = np.isfinite(one) & np.isfinite(other)
            if both.sum() >= 2 and _differ(one[both], other[both]):
                return tuple(name for name, _ in clocks)
    return ()


def _differ(one: np.ndarray, other: np.ndarray) -> bool:
    # The same clock may be written from another start or in another unit: then both run in proportion.
    one, other = one - one[0], other - other[0]
    if not one[-1] or not other[-1]:
        return bool(one[-1] or other[-1])
    step = np.median(np.abs(np.diff(one)))
    return bool(np.max(np.abs(one - other * (one[-1] / other[-1]))) > 0.2 * max(step, 1e-3 * abs(one[-1])))


def _named_time(heading: Heading) -> bool:
    words = set(heading.words) - (EMPTY_WORDS - _TIME_WORDS)
    if heading.unit is not None and heading.unit not in SECONDS_IN:
        return False
    if "run" in heading.words or "runtime" in heading.words or {"engine", "start"} <= set(heading.words):
        return False  # the engine's run time: a signal of its own, and a time only where there is no other
    return bool(words & _NAMING) and not words - _TIME_WORDS - {"utc", "since", "start", "from"}


def _stamp(
    column: SourceColumn, cells: Sequence[str], days: Sequence[SourceColumn], layout: Layout, named: bool
) -> Timing | None:
    form = find_form(cells)
    if form is None:
        return None
    name = repr(column.heading) if column.heading else f"column {column.index + 1}"
    if form.kind in ("clock", "stopwatch") and len(days) == 1:
        day = days[0].index
        both = [f"{r[day]} {r[column.index]}" for r in layout.sample if max(day, column.index) < len(r)]
        dated = find_form(both)
        if dated is not None:
            return Timing(
                "stamp", (day, column.index), form=dated, reason=f"date and clock time in two columns, {name}"
            )
    what = {"date": "dates with time", "words": "dates with time", "clock": "clock times"}.get(
        form.kind, "minutes and seconds"
    )
    return Timing("stamp", (column.index,), form=form, reason=f"{what} in {name}")


def _number(column: SourceColumn, cells: Sequence[str], heading: Heading, numbers: Numbers) -> Timing | None:
    values = [v for v in (numbers.read(c) for c in cells if not is_missing(c)) if v is not None]
    steps = np.diff(values)
    if len(steps) >= 10 and min(np.sum(steps < 0), np.sum(steps > 0)) > 0.3 * len(steps):
        return None  # goes to and fro: some other time, such as that of an injector
    unit = heading.unit
    if unit is None and "millis" in heading.words:
        unit = "ms"
    if unit is None and "seconds" in heading.words:
        unit = "s"
    reason = f"numbers in {column.heading!r}" + (f" in {unit}" if unit else "")
    return Timing("number", (column.index,), unit=unit, reason=reason)


def unit_from_steps(first: float, median_step: float, whole: bool, rows: int) -> tuple[str | None, str]:
    """Unit of a column of times that states none, and the evidence; None where two units are possible.

    `first` is its first value, `median_step` the median of its steps that are not 0, `whole` True where all
    values are whole numbers.
    """
    for unit, factor in (("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("ns", 1e-9)):
        if EPOCH_S[0] <= first * factor <= EPOCH_S[1]:
            return unit, f"counts {unit} since 1970"
    if rows < 2 or not median_step > 0:
        return None, "there are too few rows to tell its unit"
    possible = [u for u in ("s", "ms", "us") if _SHORTEST_S <= median_step * SECONDS_IN[u] <= _LONGEST_S]
    if not whole:
        # A fraction of a millisecond would be noted by nothing that logs a drive.
        possible = [u for u in possible if u == "s"]
    if whole and possible == ["s", "ms"] and median_step >= 62:
        possible = ["ms"]
    if len(possible) == 1 and not (possible == ["s"] and not whole and 0.0160 <= median_step <= 0.0170):
        unit = possible[0]
        return unit, f"its steps of {median_step:g} only fit a log of a drive as {unit}"
    return None, f"its steps are {median_step:g}, which could be " + " or ".join(possible or ["anything"])
