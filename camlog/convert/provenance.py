"""Where each signal of a converted trace came from: notes for a person, and the drive file's record."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from camlog.convert.figures import ColumnFigures
from camlog.convert.layout import Layout, SourceColumn
from camlog.convert.model import ColumnMatch, Conversion
from camlog.convert.remarks import events, snapshots
from camlog.convert.table import Table
from camlog.convert.write import TraceRows
from camlog.drive import Drive
from camlog.errors import InputError, check_saved
from camlog.signals import CAM_IDS, actual, commanded, is_signal_name
from camlog.trace_headings import parse_heading, read_heading_row
from camlog.trust import descent

_HEAD_BYTES = 65536
_COARSE_ROWS = 1.5
_VEHICLE_NUMBER = re.compile(r"\b(?=[A-HJ-NPR-Z0-9]*\d)[A-HJ-NPR-Z0-9]{17}\b", re.IGNORECASE)


def is_trace(path: Path) -> bool:
    """True for a file whose headings are those of a camlog trace. Raises InputError where it cannot be
    read."""
    check_saved(path)
    try:
        with open(path, "rb") as file:
            raw = file.read(_HEAD_BYTES).removeprefix(b"\xef\xbb\xbf")
    except (OSError, ValueError) as error:
        raise InputError(
            f"cannot be read ({getattr(error, 'strerror', None) or error})",
            file=path,
            remedy="Check the path.",
        ) from error
    try:
        cells, _, _ = read_heading_row(raw, path)
    except InputError:
        return False
    parsed = [parse_heading(c) for c in cells]
    if not parsed or None in parsed or parsed[0][0] != "time" or not parsed[0][1]:
        return False
    return all(is_signal_name(name) for name, _ in parsed)


def other_columns(layout: Layout, table: Table) -> tuple[ColumnMatch, ...]:
    """The columns that are no values: the time, and what a trace of numbers cannot carry."""
    taken = {c.index for c in table.columns} if layout.long is None else set()
    found = []
    for column in layout.columns:
        if column.index in table.timing.columns:
            unit = table.clock.unit if table.timing.kind == "number" else "s"
            found.append(
                ColumnMatch(
                    column.heading, "time", unit, 1.0, table.clock.reason, True, column.index, "time", "s"
                )
            )
        elif layout.long is None and column.index not in taken and column.heading:
            found.append(
                ColumnMatch(
                    column.heading,
                    None,
                    "",
                    0.0,
                    "holds words, and a recording holds numbers only",
                    True,
                    column.index,
                )
            )
    return tuple(found)


def _repeated_commands(matches: Sequence[ColumnMatch], figures: Sequence[ColumnFigures]) -> list[str]:
    """A sentence for each cam whose actual angle is its command's column over again, value for value."""
    written = {m.written_as: (m, f) for m, f in zip(matches, figures, strict=True) if m.written_as}
    notes = []
    for cam in CAM_IDS:
        pair = [written.get(name) for name in (commanded(cam), actual(cam))]
        if None in pair:
            continue
        (first, one), (second, two) = pair
        if one.changes and (one.count, one.low, one.high, one.changes) == (two.count, two.low, two.high, two.changes):
            if np.array_equal(one.sample, two.sample):
                notes.append(
                    f"The columns {first.name!r} and {second.name!r} repeat each other value for value: an actual angle "
                    "lags its command, so one of them is not what it is called, and the cam cannot be judged by them."
                )
    return notes


def notes_of(
    table: Table, matches: Sequence[ColumnMatch], rows: TraceRows, figures: Sequence[ColumnFigures]
) -> tuple[str, ...]:
    """What a person should know of the conversion, in sentences."""
    notes = [*table.notes, *_repeated_commands(matches, figures)]
    clock = table.clock
    if clock.rows_per_time > _COARSE_ROWS and table.timing.kind != "rate":
        notes.append(
            f"Its times are coarse: {clock.rows_per_time:.1f} rows share one time on average, so "
            f"nothing faster than "
            "that can be judged."
        )
    if (
        table.timing.kind == "stamp"
        and table.timing.form.kind == "date"
        and table.timing.form.day_first is None
    ):
        if table.clock.first_text and not table.clock.first_text[:4].isdigit():
            notes.append(
                "Day and month of its dates cannot be told apart; only the time since the start is used."
            )
    held: dict[int, list[str]] = {}
    for match in matches:
        if match.held_rows > 1 and match.written_as:
            held.setdefault(match.held_rows, []).append(match.name)
    for period, names in held.items():
        notes.append(f"Repeated values, one row in {period} is a reading: {_names(names)}.")
    again = [m for m in matches if m.repeated_share and m.written_as]
    if again:
        notes.append(
            f"{again[0].repeated_share:.0%} of the rows only repeat, and are no readings of: "
            f"{_names([m.name for m in again])}."
        )
    for name, count in rows.failed.items():
        values = "1 value is" if count == 1 else f"{count} values are"
        notes.append(f"{name}: {values} outside what the sensor can report and counted as missing.")
    return tuple(notes)


def drive_of(
    info: dict,
    table: Table,
    conversion: Conversion,
    rows: TraceRows,
    columns: Sequence[SourceColumn],
    sha256: str | None,
    earlier: Drive | None,
) -> Drive:
    """The drive file of a converted trace.

    `columns` are those of the file; `earlier` is the drive file of a camlog trace converted again: its
    events, codes and vehicle stay, and its adapter is kept under `earlier`.
    """
    first_s = rows.first_s or 0.0
    clock = table.clock
    by_index = {c.index: c for c in columns}
    remarks = [(max(0.0, rows.seconds(t) - first_s), column, text) for t, _, column, text in table.remarks]
    adapter = {
        "name": "converted",
        **info,
        "time": {
            "kind": table.timing.kind, "unit": clock.unit, "factor_s": clock.factor, "first": clock.first,
            "first_text": clock.first_text or None, "trace_begins_at_s": first_s, "reason": clock.reason,
        },
        "columns": [_record(c) for c in conversion.columns],
        "notes": list(conversion.notes),
    }  # fmt: skip
    # A recording is handed on; the vehicle's number is nobody else's business.
    adapter["preamble"] = [
        _VEHICLE_NUMBER.sub("(vehicle number left out)", line[:200]) for line in info["preamble"][:20]
    ]
    if earlier is not None:
        adapter["earlier"] = dict(earlier.adapter)
    return Drive(
        started_at=clock.started_at or (earlier.started_at if earlier else None),
        vehicle=earlier.vehicle if earlier else {"name": None, "vin": None},
        adapter=adapter,
        trace_sha256=sha256,
        ancestry=descent(earlier, info["source_sha256"], info["source_file"], "converted"),
        events=earlier.events if earlier else events(remarks, by_index),
        code_snapshots=earlier.code_snapshots if earlier else snapshots(info["preamble"], remarks, by_index),
    )


def _names(names: list[str]) -> str:
    return ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")


def _record(column: ColumnMatch) -> dict:
    record = {
        "heading": column.name, "number": column.index + 1, "signal": column.signal,
        "certain": column.certain,
        "written_as": column.written_as, "unit": column.written_unit or None, "score": column.score,
        "reason": column.reason,
    }  # fmt: skip
    if (column.factor, column.offset) != (1.0, 0.0):
        record |= {"factor": column.factor, "offset": column.offset}
    if column.held_rows > 1:
        record["held_rows"] = column.held_rows
    if column.repeated_share:
        record["repeated_share"] = column.repeated_share
    for key in ("angle", "positive"):
        if getattr(column, key) is not None and column.certain:
            record[key] = getattr(column, key)
    if column.doubts:
        record["doubts"] = list(column.doubts)
    return record
