"""The origin of each signal of a converted trace: notes for a person, and the record in the drive file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import numpy as np

from camlog.cams import CAM_IDS, actual, commanded
from camlog.convert.figures import ColumnFigures
from camlog.convert.headings import parse_heading
from camlog.convert.layout import Layout
from camlog.convert.model import ColumnMatch, Conversion
from camlog.convert.source import unreadable
from camlog.convert.table import Table
from camlog.convert.words import and_more, counted, say, words
from camlog.convert.write import TraceRows
from camlog.drive import Drive
from camlog.errors import InputError, check_saved
from camlog.signals import is_signal_name
from camlog.stream import CodeSnapshot, Event, TroubleCode
from camlog.trace_table import parse_heading as parse_trace_heading
from camlog.trace_table import read_heading_row
from camlog.trust import descent

_HEAD_BYTES = 65536
_COARSE_ROWS = 1.5
_NAMES_SHOWN = 8
_CODE = re.compile(r"(?<![A-Za-z0-9])([PCBU][0-3][0-9A-Fa-f]{3})(?![A-Za-z0-9])")
_SPEAKS_OF_CODES = re.compile(r"\b(dtcs?|codes?|trouble|fault|fehler\w*|defaut|averia)\b", re.IGNORECASE)
_KINDS = ("stored", "pending", "permanent")
_MAX_SNAPSHOTS = 200
_MAX_EVENTS = 2000
_MAX_TEXT = 200
Remarks = Iterable[tuple[float, str, str]]
_VEHICLE_NUMBER = re.compile(r"\b(?=[A-HJ-NPR-Z0-9]*\d)[A-HJ-NPR-Z0-9]{17}\b", re.IGNORECASE)


def is_trace(path: Path) -> bool:
    """True if a file has the headings of a camlog trace. Raises InputError if it cannot be read."""
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
    parsed = [heading for cell in cells if (heading := parse_trace_heading(cell))]
    whole = bool(parsed) and len(parsed) == len(cells) and parsed[0][0] == "time" and bool(parsed[0][1])
    return whole and all(is_signal_name(name) for name, _ in parsed)


def other_columns(layout: Layout, table: Table) -> tuple[ColumnMatch, ...]:
    """The columns without values: the times, and texts, which a trace of numbers cannot contain."""
    value_columns = {c.index for c in table.columns} if layout.long is None else set()
    clocks = {j: clock for clock in table.clocks for j in clock.timing.columns}
    columns = []
    for column in layout.columns:
        clock = clocks.get(column.index)
        if clock is not None:
            unit = clock.unit if clock.timing.kind == "number" else "s"
            columns.append(ColumnMatch("time", unit, 1.0, (clock.reason,), True, column.heading, column.index,
                                     written_as="time", written_unit="s"))  # fmt: skip
        elif layout.long is None and column.index not in value_columns and column.heading:
            columns.append(ColumnMatch("", "", 0.0, (say("holds_words"),), True, column.heading, column.index))
    return tuple(columns)


def notes_of(
    table: Table, matches: Sequence[ColumnMatch], rows: TraceRows, figures: Sequence[ColumnFigures]
) -> tuple[str, ...]:
    """Sentences on what a person should know about the conversion."""
    by_index = {c.index: f for c, f in zip(table.columns, figures, strict=True)}
    notes = [*table.notes, *_repeated_commands(matches, by_index)]
    for clock in table.clocks:
        form = clock.timing.form
        if clock.rows_per_time > _COARSE_ROWS and clock.timing.kind != "rate":
            notes.append(say("coarse_times", rows=clock.rows_per_time))
        if form.kind == "date" and form.day_first is None and not clock.first_text[:4].isdigit():
            notes.append(say("day_or_month"))
    written = [m for m in matches if m.written_as]
    for period in dict.fromkeys(m.held_rows for m in written if m.held_rows > 1):
        names = and_more([m.name for m in written if m.held_rows == period], _NAMES_SHOWN)
        notes.append(say("held", period=period, names=names))
    if again := [m for m in written if m.repeated_share]:
        names = and_more([m.name for m in again], _NAMES_SHOWN)
        notes.append(say("repeats", share=again[0].repeated_share, names=names))
    notes += [say("told_but", why=why) for why in sorted({m.contradiction for m in matches} - {""})]
    if unused := [say("unused_cam", name=repr(m.name), why=m.reason) for m in matches if m.speaks_of_cam]:
        notes.append(say("unused_cams", columns="; ".join(unused)))
    return (*notes, *(counted("failed", count, name=name) for name, count in rows.failed.items()))


def _repeated_commands(matches: Sequence[ColumnMatch], figures: dict[int, ColumnFigures]) -> Iterator[str]:
    """A sentence for each cam whose actual angle has the same values as its command."""
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

    `info` describes the file and how it was read. `earlier` is the drive file of a camlog trace that is converted
    again: its events, codes and vehicle are kept, and its adapter is kept under `earlier`.
    """
    first_s = rows.first_s or 0.0
    headings = {c.index: c.heading for c in layout.columns}
    remarks = [
        (max(0.0, float(clock.seconds(np.asarray(time))) - first_s), headings[column], text)
        for clock, time, column, text in table.remarks
    ]
    times = [
        {"kind": c.timing.kind, "unit": c.unit, "factor_s": c.factor, "first": float(c.first),
         "first_text": c.first_text or None, "trace_begins_at_s": first_s, "reason": c.reason} for c in table.clocks
    ]  # fmt: skip
    adapter = {
        "name": "converted", **info, "time": times[0], "columns": [_record(c) for c in conversion.columns],
        "notes": list(conversion.notes),
        # Recordings are passed on to others, so the vehicle's number is left out.
        "preamble": [_VEHICLE_NUMBER.sub(say("number_left_out"), line[:200]) for line in layout.preamble[:20]],
    }  # fmt: skip
    if len(times) > 1:
        adapter["clocks"] = times
    if earlier is not None:
        adapter["earlier"] = dict(earlier.adapter)
    return Drive(
        started_at=table.clocks[0].started_at or (earlier.started_at if earlier else None),
        vehicle=earlier.vehicle if earlier else {"name": None, "vin": None},
        adapter=adapter, trace_sha256=sha256,
        ancestry=descent(earlier, info["source_sha256"], info["source_file"], "converted"),
        events=earlier.events if earlier else _events(remarks),
        code_snapshots=earlier.code_snapshots if earlier else _snapshots(layout.preamble, remarks),
    )  # fmt: skip


def _record(column: ColumnMatch) -> dict:
    record = {
        "heading": column.name, "number": column.index + 1, "signal": column.signal or None,
        "certain": column.certain, "written_as": column.written_as or None, "unit": column.written_unit or None,
        "score": column.score, "reason": column.reason,
    }  # fmt: skip
    if (column.factor, column.offset) != (1.0, 0.0):
        record |= {"factor": column.factor, "offset": column.offset}
    if column.held_rows > 1:
        record["held_rows"] = column.held_rows
    entries: dict[str, object] = {"angle": column.angle, "positive": column.positive} if column.certain else {}
    entries |= {"repeated_share": column.repeated_share, "deviation": column.deviation, "doubts": list(column.doubts)}
    return record | {key: value for key, value in entries.items() if value}


# ---------------------------------------------------------------- words in the table: codes and markers


def _codes_in(text: str) -> tuple[str, ...]:
    """Trouble codes (SAE J2012 form) in a text, each once."""
    return tuple(dict.fromkeys(c.upper() for c in _CODE.findall(text)))


def _is_of_codes(heading: str) -> bool:
    return bool(words("codes") & set(parse_heading(heading).words))


def _snapshots(preamble: Sequence[str], remarks: Remarks) -> tuple[CodeSnapshot, ...]:
    """Code snapshots from lines above the headings and from columns of codes; `remarks` are (time in s, heading, text).

    A list of codes that the file does not name is unknown, not empty.
    """
    at_start: dict[str, tuple[str, ...]] = {}
    for line in preamble:
        if _SPEAKS_OF_CODES.search(line) and (codes := _codes_in(line)):
            at_start[_kind(line)] = tuple(dict.fromkeys((*at_start.get(_kind(line), ()), *codes)))
    snapshots = [_snapshot(0.0, at_start)] if at_start else []
    for time_s, heading, text in remarks:
        if _is_of_codes(heading) and (codes := _codes_in(text)):
            snapshots.append(_snapshot(time_s, {_kind(heading): codes}))
    return tuple(snapshots[:_MAX_SNAPSHOTS])


def _kind(text: str) -> str:
    return next((kind for kind in ("pending", "permanent") if kind in text.lower()), "stored")


def _snapshot(time_s: float, lists: dict[str, tuple[str, ...]]) -> CodeSnapshot:
    codes = {kind: tuple(map(TroubleCode, lists[kind])) if kind in lists else None for kind in _KINDS}
    return CodeSnapshot(time_s, stored=codes["stored"], pending=codes["pending"], permanent=codes["permanent"])


def _events(remarks: Remarks) -> tuple[Event, ...]:
    """Markers from columns of remarks, except codes, which are in the snapshots."""
    markers = [(time_s, text[:_MAX_TEXT]) for time_s, heading, text in remarks if not _is_of_codes(heading)]
    return tuple(Event(time_s, "marker", text) for time_s, text in markers[:_MAX_EVENTS])
