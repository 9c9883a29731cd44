"""The first look at a foreign file: where its headings and rows are, and what tells the time."""

from __future__ import annotations

from dataclasses import replace

from camlog.convert.asking import ask_rate, ask_time_column, ask_time_unit
from camlog.convert.cells import Dialect, Numbers, find_dialect
from camlog.convert.clocks import SECONDS_IN, Clock, Timing, climbing_column, find_timing
from camlog.convert.layout import Layout, SourceColumn, find_layout, stated_rate_hz
from camlog.convert.limits import HEAD_LINES, MAX_COLUMNS, MAX_LINE_CHARACTERS
from camlog.convert.mapping import Mapping
from camlog.convert.meaning import CERTAIN, candidates
from camlog.convert.model import Ask, ColumnMatch
from camlog.convert.offer import ask_for_mapping, doubts_of_time, mapping_text
from camlog.convert.own_clocks import own_clocks
from camlog.convert.sentences import refusal, say
from camlog.convert.text import TextBlocks

_LONG_LINE = 200_000


def survey_layout(text: TextBlocks, mapping: Mapping) -> Layout:
    """Where things stand in the file. Raises InputError where it is no table of readings."""
    lines = text.head.split("\n")[: HEAD_LINES + 1]
    longest = max(range(len(lines)), key=lambda i: len(lines[i]))
    if len(lines[longest]) > MAX_LINE_CHARACTERS:
        raise text.endless_line(longest + 1)
    if "\n" not in text.head and len(text.head) >= _LONG_LINE:
        next(text.blocks(), None)  # a line that long: either it never ends, or it has too many columns
    dialect = Dialect(mapping.separator) if mapping.separator else find_dialect(lines)
    if dialect is None:
        raise refusal("no_readings", file=text.path)
    columns, line = max((row.count(dialect.separator) + 1, -i) for i, row in enumerate(lines, start=1))
    if columns > MAX_COLUMNS:
        raise refusal("too_many_columns", file=text.path, line=-line, columns=columns, most=MAX_COLUMNS)
    layout = find_layout(lines, dialect, Numbers(mapping.decimal) if mapping.decimal else None)
    if layout is None:
        raise refusal("no_readings", file=text.path)
    if layout.overfull:
        raise refusal("overfull_rows", file=text.path, line=layout.first_row_line, count=len(layout.columns))
    if layout.numbers is None:
        raise refusal("decimal_mark_open", file=text.path, line=layout.first_row_line)
    return layout


def survey_timings(text: TextBlocks, layout: Layout, mapping: Mapping, ask: Ask | None) -> tuple[Timing, ...]:
    """What tells the time of the file. Raises InputError where nothing does, or its columns have no headings."""
    path = text.path
    if layout.heading_line is None and not (mapping.columns and all(r.number for r in mapping.columns)):
        blank = tuple(
            ColumnMatch("engine_speed", "rpm", 0.0, (say("first_values", values=", ".join(layout.cells(c.index)[:3])),),
                        False, index=c.index, doubts=("signal", "unit"))
            for c in layout.columns
        )  # fmt: skip
        raise ask_for_mapping(
            refusal("no_headings"), path, mapping_text(path.name, layout, None, None, blank)
        )
    if any(rule.time is not None for rule in mapping.columns):
        return _told_clocks(layout, mapping)
    if mapping.time_column is None and mapping.rate_hz is not None:
        return (_rate(mapping.rate_hz, "rate_told"),)
    if mapping.time_column is not None:
        timing = _told_timing(layout, mapping, mapping.time_column)
    else:
        own = own_clocks(path, layout)
        if own:
            return tuple(_as_told(timing, mapping) for timing in own)
        timing = find_timing(layout, layout.numbers) or _run_time(layout)
    if timing is None:
        stated = stated_rate_hz(layout.preamble)
        climbing = None if stated else climbing_column(layout, layout.numbers)
        if climbing is not None and ask is not None and ask_time_column(climbing.label, ask):
            return (_counting(climbing, "s"),)
        if climbing is not None and ask is None:
            raise doubts_of_time("climbing_column", path, layout, climbing, name=repr(climbing.label))
        rate = stated or (ask_rate(ask) if ask is not None else None)
        if rate is None:
            raise doubts_of_time("no_time", path, layout)
        return (_rate(rate, "rate_stated" if stated else "rate_told"),)
    return (_as_told(timing, mapping),)


def _as_told(timing: Timing, mapping: Mapping) -> Timing:
    if timing.kind == "number" and mapping.time_unit is not None:
        timing = replace(timing, unit=mapping.time_unit)
    if timing.form is not None and mapping.day_first is not None:
        timing = replace(timing, form=replace(timing.form, day_first=mapping.day_first))
    return timing


def _counting(column: SourceColumn, unit: str | None) -> Timing:
    return Timing(
        "number", (column.index,), unit, reason=say("time_told", name=repr(column.label)), counts=True
    )


def _rate(rate_hz: float, name: str) -> Timing:
    return Timing("rate", rate_hz=rate_hz, reason=say(name, rate=rate_hz))


def _told_clocks(layout: Layout, mapping: Mapping) -> tuple[Timing, ...]:
    """The clocks that a mapping names for columns; a column without one has the time of the file."""
    channels: dict[int | str | None, list[int]] = {}
    for column in layout.columns:
        rule = mapping.rule(column.heading, column.index)
        channels.setdefault(
            mapping.time_column if rule is None or rule.time is None else rule.time, []
        ).append(column.index)
    found = []
    for told, indices in channels.items():
        timing = find_timing(layout, layout.numbers) if told is None else _told_timing(layout, mapping, told)
        if timing is not None:
            found.append(replace(_as_told(timing, mapping), channels=tuple(indices)))
    times = {j for timing in found for j in timing.columns}
    return tuple(
        replace(t, channels=tuple(j for j in t.channels if j not in times))
        for t in found
        if set(t.channels) - times
    )


def _told_timing(layout: Layout, mapping: Mapping, told: int | str) -> Timing:
    is_told = (
        (lambda c: c.index + 1 == told)
        if isinstance(told, int)
        else (lambda c: c.heading.strip() == told.strip())
    )
    column = next(filter(is_told, layout.columns), None)
    if column is None:
        error = refusal("no_time_column", name=repr(told))
        raise mapping.file.error(("time", "column"), error.what, error.remedy) if mapping.file else error
    only = replace(layout, columns=tuple(c for c in layout.columns if c is column or c.kind == "day"))
    if column == climbing_column(layout, layout.numbers):
        return _counting(column, mapping.time_unit)
    found = find_timing(only, layout.numbers)
    if found is not None and column.index in found.columns:
        return found
    return Timing("number", (column.index,), reason=say("time_told", name=repr(column.heading)))


def _run_time(layout: Layout) -> Timing | None:
    """The engine's run time as the time, where there is no other."""
    for column in layout.columns:
        found = (
            candidates(column.heading, column.unit_cell)
            if column.kind == "number" and not layout.long
            else ()
        )
        for heading, candidate in found:
            if candidate.signal == "run_time" and candidate.score >= CERTAIN:
                unit = heading.unit if heading.unit in SECONDS_IN else "s"
                return Timing(
                    "number",
                    (column.index,),
                    unit,
                    reason=say("time_run_time", name=repr(column.heading)),
                    counts=True,
                )
    return None


def settle_time_unit(text: TextBlocks, layout: Layout, clock: Clock, ask: Ask | None) -> None:
    """Have somebody say the unit of a clock that states none. Raises InputError where nobody does."""
    unit = ask_time_unit(clock.reason, ask) if ask is not None else None
    if unit is None:
        error = refusal("time_unit_open", reason=clock.reason)
        raise ask_for_mapping(error, text.path, mapping_text(text.path.name, layout, clock.timing, clock, ()))
    clock.factor, clock.unit = SECONDS_IN[unit], unit
