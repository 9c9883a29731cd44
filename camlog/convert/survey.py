"""The first look at a foreign file: where its headings and rows are, and what tells the time. Errors name
what is missing and what to do."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from camlog.convert.asking import ask_rate, ask_time_unit
from camlog.convert.cells import Numbers
from camlog.convert.dialect import Dialect, find_dialect
from camlog.convert.layout import Layout, find_layout, stated_rate_hz
from camlog.convert.limits import HEAD_LINES, MAX_COLUMNS, MAX_LINE_CHARACTERS
from camlog.convert.mapping import Mapping
from camlog.convert.mapping_text import mapping_text
from camlog.convert.meaning import CERTAIN, candidates
from camlog.convert.model import Ask, ColumnMatch
from camlog.convert.offer import ask_for_mapping
from camlog.convert.stamps import with_day_first
from camlog.convert.table import Table, with_unit
from camlog.convert.text import TextBlocks
from camlog.convert.timing import SECONDS_IN, Timing, find_timing, rival_clocks
from camlog.errors import InputError


def survey_layout(text: TextBlocks, mapping: Mapping) -> Layout:
    """Where things stand in the file. Raises InputError where it is no table of readings."""
    lines = text.head.split("\n")[: HEAD_LINES + 1]
    longest = max(range(len(lines)), key=lambda i: len(lines[i]))
    if len(lines[longest]) > MAX_LINE_CHARACTERS:
        raise text.endless_line(longest + 1)
    if "\n" not in text.head and len(text.head) >= 200_000:
        for _ in text.blocks():  # a line that long: either it never ends, or it has too many columns
            break
    dialect = Dialect(mapping.separator) if mapping.separator else find_dialect(lines)
    if dialect is not None:
        widest = max(range(len(lines)), key=lambda i: lines[i].count(dialect.separator))
        columns = lines[widest].count(dialect.separator) + 1
        if columns > MAX_COLUMNS:
            raise InputError(
                f"has {columns} columns or more; a vehicle gives at most {MAX_COLUMNS}", file=text.path,
                line=widest + 1, remedy="Check which file is meant.",
            )  # fmt: skip
    numbers = Numbers(mapping.decimal) if mapping.decimal else None
    layout = find_layout(lines, dialect, numbers) if dialect is not None else None
    if layout is None:
        raise InputError(
            "holds no rows of readings: no separator makes columns of numbers of it", file=text.path,
            remedy="Export the recording as CSV, a row a moment.",
        )  # fmt: skip
    if layout.overfull:
        raise InputError(
            f"rows have more cells than the {len(layout.columns)} headings, so it is not known "
            f"which belongs to which",
            file=text.path, line=layout.first_row_line,
            remedy="If its numbers have a decimal comma, export it with semicolons or tabs between "
            "the columns.",
        )  # fmt: skip
    if layout.numbers is None:
        raise InputError(
            "a comma in its numbers could be the decimal mark or part thousands", file=text.path,
            line=layout.first_row_line, remedy='Say so in a mapping file: [table] with decimal = "," or ".".',
        )  # fmt: skip
    return layout


def survey_timing(text: TextBlocks, layout: Layout, mapping: Mapping, ask: Ask | None) -> Timing:
    """What tells the time of the file. Raises InputError where nothing does, or its columns have no
    headings."""
    path = text.path
    if layout.heading_line is None and not (mapping.columns and all(r.number for r in mapping.columns)):
        blank = tuple(
            ColumnMatch(c.heading, "engine_speed", "rpm", 0.0, "the first values are "
                        + ", ".join(r[c.index] for r in layout.sample[:3] if c.index < len(r)), False,
                        c.index, doubts=("signal", "unit"))
            for c in layout.columns
        )  # fmt: skip
        raise ask_for_mapping(path, "has no headings, and the order of columns says nothing",
                               mapping_text(path.name, layout, None, None, blank))  # fmt: skip
    if mapping.time_column is not None:
        timing = _told_timing(layout, mapping)
    elif mapping.rate_hz is not None:
        return Timing("rate", rate_hz=mapping.rate_hz, reason=f"{mapping.rate_hz:g} rows a second, as told")
    else:
        rivals = rival_clocks(layout, layout.numbers)
        if rivals:
            raise InputError(
                f"has several times that differ ({', '.join(map(repr, rivals[:3]))}), and nothing "
                f"says which belongs to which column",
                file=path, line=layout.heading_line,
                remedy='Say which is meant in a mapping file: [time] with column = "...", and leave '
                'the others out.',
            )  # fmt: skip
        timing = find_timing(layout, layout.numbers) or _run_time(layout)
    if timing is None:
        rate = stated_rate_hz(layout.preamble)
        if rate is not None:
            return Timing(
                "rate", rate_hz=rate, reason=f"{rate:g} rows a second, as the lines above the headings state"
            )
        rate = ask_rate(ask) if ask is not None else None
        if rate is not None:
            return Timing("rate", rate_hz=rate, reason=f"{rate:g} rows a second, as told")
        what = "no column tells the time, and no sampling rate is stated"
        error = ask_for_mapping(path, what, mapping_text(path.name, layout, None, None, ()))
        error.remedy = "Say the rows a second with --rate, or: " + error.remedy
        raise InputError(what, file=path, remedy=error.remedy)
    timing = with_unit(timing, mapping.time_unit if timing.kind == "number" else None)
    if timing.form is not None:
        timing = replace(timing, form=with_day_first(timing.form, mapping.day_first))
    return timing


def _told_timing(layout: Layout, mapping: Mapping) -> Timing:
    told = mapping.time_column
    places = [
        c
        for c in layout.columns
        if (c.index + 1 == told if isinstance(told, int) else c.heading.strip() == told.strip())
    ]
    if not places:
        raise InputError(
            f"the file has no column {told!r} for the time", file=mapping.file or None,
            line=mapping.lines.get(("time", "column")), column="time.column",
            remedy="Copy the heading as it stands in the file, or give its number.",
        )  # fmt: skip
    column = places[0]
    only = replace(layout, columns=tuple(c for c in layout.columns if c is column or c.kind == "day"))
    found = find_timing(only, layout.numbers)
    if found is not None and column.index in found.columns:
        return found
    return Timing("number", (column.index,), reason=f"{column.heading!r}, as told")


def _run_time(layout: Layout) -> Timing | None:
    """The engine's run time as the time, where there is no other."""
    for column in layout.columns:
        if column.kind != "number" or layout.long:
            continue
        for heading, candidate in candidates(column.heading, column.unit_cell):
            if candidate.signal == "run_time" and candidate.score >= CERTAIN:
                unit = heading.unit if heading.unit in SECONDS_IN else "s"
                return Timing(
                    "number",
                    (column.index,),
                    unit=unit,
                    reason=f"the engine's run time in {column.heading!r}",
                )
    return None


def settle_time_unit(path: Path, layout: Layout, table: Table, ask: Ask | None) -> None:
    """Have somebody say the unit of the time, where the file does not. Raises InputError where nobody
    does."""
    clock = table.clock
    unit = ask_time_unit("", clock.reason, ask) if ask is not None else None
    if unit is None:
        what = f"the unit of the time is in doubt: {clock.reason}"
        raise ask_for_mapping(path, what, mapping_text(path.name, layout, table.timing, clock, ()))
    clock.factor, clock.unit = SECONDS_IN[unit], unit
