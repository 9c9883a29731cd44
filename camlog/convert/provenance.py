"""Where each signal of a converted trace came from: notes for a person, and the drive file's record."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from camlog.cams import CAM_IDS, actual, commanded
from camlog.convert.clocks import Clock
from camlog.convert.figures import ColumnFigures
from camlog.convert.layout import Layout
from camlog.convert.model import ColumnMatch, Conversion
from camlog.convert.remarks import events, snapshots
from camlog.convert.sentences import counted, say
from camlog.convert.source import unreadable
from camlog.convert.table import Table
from camlog.convert.write import TraceRows
from camlog.drive import Drive
from camlog.errors import InputError, check_saved
from camlog.signals import is_signal_name
from camlog.trace_headings import parse_heading, read_heading_row
from camlog.trust import descent

_HEAD_BYTES = 65536
_COARSE_ROWS = 1.5
_NAMES_SHOWN = 8
_VEHICLE_NUMBER = re.compile(r"\b(?=[A-HJ-NPR-Z0-9]*\d)[A-HJ-NPR-Z0-9]{17}\b", re.IGNORECASE)


def is_trace(path: Path) -> bool:
    """True for a file whose headings are those of a camlog trace. Raises InputError where it cannot be read."""
    check_saved(path)
    try:
        with open(path, "rb") as file:
            raw = file.read(_HEAD_BYTES).removeprefix(b"\xef\xbb\xbf")
    except (OSError, ValueError) as error:
        raise unreadable(path, error) from error
    try:
        cells, _, _ = read_heading_row(raw, path)
    except InputError:
        return False
    parsed = [parse_heading(c) for c in cells]
    if not parsed or None in parsed or parsed[0][0] != "time" or not parsed[0][1]:
        return False
    return all(is_signal_name(name) for name, _ in parsed)


def other_columns(layout: Layout, table: Table) -> tuple[ColumnMatch, ...]:
    """The columns that are no values: the times, and what a trace of numbers cannot carry."""
    taken = {c.index for c in table.columns} if layout.long is None else set()
    clocks = {j: clock for clock in table.clocks for j in clock.timing.columns}
    found = []
    for column in layout.columns:
        clock = clocks.get(column.index)
        if clock is not None:
            unit = clock.unit if clock.timing.kind == "number" else "s"
            found.append(ColumnMatch("time", unit, 1.0, (clock.reason,), True, column.heading, column.index,
                                     written_as="time", written_unit="s"))  # fmt: skip
        elif layout.long is None and column.index not in taken and column.heading:
            found.append(
                ColumnMatch(None, "", 0.0, (say("holds_words"),), True, column.heading, column.index)
            )
    return tuple(found)


def notes_of(
    table: Table, matches: Sequence[ColumnMatch], rows: TraceRows, figures: Sequence[ColumnFigures]
) -> tuple[str, ...]:
    """What a person should know of the conversion, in sentences."""
    by_index = {c.index: f for c, f in zip(table.columns, figures, strict=True)}
    notes = [*table.notes, *_repeated_commands(matches, by_index)]
    for clock in table.clocks:
        form = clock.timing.form
        if clock.rows_per_time > _COARSE_ROWS and clock.timing.kind != "rate":
            notes.append(say("coarse_times", rows=clock.rows_per_time))
        if (
            form is not None
            and form.kind == "date"
            and form.day_first is None
            and not clock.first_text[:4].isdigit()
        ):
            notes.append(say("day_or_month"))
    written = [m for m in matches if m.written_as]
    for period in dict.fromkeys(m.held_rows for m in written if m.held_rows > 1):
        notes.append(
            say("held", period=period, names=_names([m.name for m in written if m.held_rows == period]))
        )
    again = [m for m in written if m.repeated_share]
    if again:
        notes.append(say("repeats", share=again[0].repeated_share, names=_names([m.name for m in again])))
    contradictions = {m.contradiction for m in matches if m.contradiction}
    notes += [say("told_but", why=why) for why in sorted(contradictions)]
    unused = [say("unused_cam", name=repr(m.name), why=m.reason) for m in matches if m.speaks_of_cam]
    if unused:
        notes.append(say("unused_cams", columns="; ".join(unused)))
    notes += [counted("failed", count, name=name) for name, count in rows.failed.items()]
    return tuple(notes)


def _repeated_commands(matches: Sequence[ColumnMatch], figures: dict[int, ColumnFigures]) -> Iterator[str]:
    """A sentence for each cam whose actual angle is its command's column over again, value for value."""
    written = {m.written_as: (m, figures[m.index]) for m in matches if m.written_as}
    for cam in CAM_IDS:
        pair = [written[name] for name in (commanded(cam), actual(cam)) if name in written]
        if len(pair) < 2:
            continue
        (first, one), (second, two) = pair
        alike = (one.count, one.low, one.high, one.changes) == (two.count, two.low, two.high, two.changes)
        if one.changes and alike and np.array_equal(one.sample, two.sample):
            yield say("repeated_command", first=repr(first.name), second=repr(second.name))


def drive_of(
    info: dict, table: Table, conversion: Conversion, rows: TraceRows, layout: Layout, sha256: str | None,
    earlier: Drive | None,
) -> Drive:  # fmt: skip
    """The drive file of a converted trace.

    `info` says what file it was and how it was read; `earlier` is the drive file of a camlog trace converted again:
    its events, codes and vehicle stay, and its adapter is kept under `earlier`.
    """
    first_s = rows.first_s or 0.0
    headings = {c.index: c.heading for c in layout.columns}
    remarks = [
        (
            max(0.0, float(table.clocks[r.clock].seconds(np.asarray(r.time))) - first_s),
            headings[r.column],
            r.text,
        )
        for r in table.remarks
    ]
    times = [_time_record(clock, first_s) for clock in table.clocks]
    adapter = {
        "name": "converted",
        **info,
        "time": times[0],
        "columns": [_record(c) for c in conversion.columns],
        "notes": list(conversion.notes),
        # A recording is handed on; the vehicle's number is nobody else's business.
        "preamble": [
            _VEHICLE_NUMBER.sub(say("number_left_out"), line[:200]) for line in layout.preamble[:20]
        ],
    }
    if len(times) > 1:
        adapter["clocks"] = times
    if earlier is not None:
        adapter["earlier"] = dict(earlier.adapter)
    return Drive(
        started_at=table.clock.started_at or (earlier.started_at if earlier else None),
        vehicle=earlier.vehicle if earlier else {"name": None, "vin": None},
        adapter=adapter,
        trace_sha256=sha256,
        ancestry=descent(earlier, info["source_sha256"], info["source_file"], "converted"),
        events=earlier.events if earlier else events(remarks),
        code_snapshots=earlier.code_snapshots if earlier else snapshots(layout.preamble, remarks),
    )


def _names(names: list[str]) -> str:
    shown = ", ".join(names[:_NAMES_SHOWN])
    return (
        shown if len(names) <= _NAMES_SHOWN else say("and_more", names=shown, count=len(names) - _NAMES_SHOWN)
    )


def _time_record(clock: Clock, first_s: float) -> dict:
    return {
        "kind": clock.timing.kind, "unit": clock.unit, "factor_s": clock.factor, "first": float(clock.first),
        "first_text": clock.first_text or None, "trace_begins_at_s": first_s, "reason": clock.reason,
    }  # fmt: skip


def _record(column: ColumnMatch) -> dict:
    record = {
        "heading": column.name, "number": column.index + 1, "signal": column.signal, "certain": column.certain,
        "written_as": column.written_as, "unit": column.written_unit or None, "score": column.score,
        "reason": column.reason,
    }  # fmt: skip
    if (column.factor, column.offset) != (1.0, 0.0):
        record |= {"factor": column.factor, "offset": column.offset}
    if column.held_rows > 1:
        record["held_rows"] = column.held_rows
    if column.repeated_share:
        record["repeated_share"] = column.repeated_share
    if column.certain:
        record |= {k: v for k, v in (("angle", column.angle), ("positive", column.positive)) if v is not None}
    if column.deviation:
        record["deviation"] = column.deviation
    if column.doubts:
        record["doubts"] = list(column.doubts)
    return record
