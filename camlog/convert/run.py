"""A foreign file into a trace: `convert` writes it, `read_any` gives it to whoever wants to read it."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from camlog.convert.asking import settle
from camlog.convert.figures import ColumnFigures, column_figures
from camlog.convert.layout import Layout
from camlog.convert.mapping import Mapping, read_mapping
from camlog.convert.mapping_text import mapping_text
from camlog.convert.match import match_columns
from camlog.convert.model import Ask, ColumnMatch, Conversion
from camlog.convert.offer import ask_for_mapping, default_out
from camlog.convert.provenance import drive_of, is_trace, notes_of, other_columns
from camlog.convert.repeats import without_repeats
from camlog.convert.source import open_source, sha256_of
from camlog.convert.survey import settle_time_unit, survey_layout, survey_timing
from camlog.convert.table import Table, read_table
from camlog.convert.text import TextBlocks
from camlog.convert.write import TraceRows, write_rows
from camlog.drive import Drive, drive_path, read_drive, write_drive
from camlog.errors import InputError
from camlog.new_files import there_already
from camlog.signals import SIGNALS
from camlog.trace import Trace, clock_warnings, read_trace
from camlog.units import conversion

Progress = Callable[[float], None]
_READING_SHARE = 0.6


def convert(
    path: str | Path,
    *,
    mapping: str | Path | Mapping | None = None,
    out: str | Path | None = None,
    ask: Ask | None = None,
    progress: Progress | None = None,
    force: bool = False,
    rate_hz: float | None = None,
    angles: str | None = None,
    positive: str | None = None,
) -> Conversion:
    """Turn a saved trace of any make into a camlog trace and its drive file.

    `mapping` is a mapping file (or what it says), `out` the trace to write (`NAME.camlog.csv` beside the file
    by default), `ask` puts doubts to a person, `progress` is told the share done, 0 to 1. `rate_hz` is the
    rows a second of a table without time; `angles` (`crank`, `cam`) and `positive` (`advance`, `retard`) say
    how the file gives cam angles where it does not itself.

    Certain columns become signals; those in doubt keep their own name and are listed in the result's
    `doubtful`. Raises InputError (file, line, column, remedy) for what cannot be read honestly, and where
    `out` exists without `force`.
    """
    path = Path(path)
    said = _said(mapping, rate_hz, angles, positive)
    target = Path(out) if out is not None else default_out(path)
    beside = drive_path(target)
    if not force:
        for file in (target, beside):
            if os.path.lexists(file):
                raise there_already(file)
    if target.resolve() == path.resolve():
        raise InputError("is the file being converted", file=target, remedy="Give --out another name.")
    with _understood(path, said, ask, _part(progress, 0.0, _READING_SHARE)) as work:
        rows = TraceRows(work.table, work.matches, work.figures, path)
        sha256 = write_rows(rows, target, force, _part(progress, _READING_SHARE, 1.0))
        if not rows.rows:
            target.unlink(missing_ok=True)
            raise _without_values(path)
        conversion_ = work.conversion(rows, target, beside)
        drive = drive_of(
            work.source_info(),
            work.table,
            conversion_,
            rows,
            work.layout.columns,
            sha256,
            _earlier_drive(path),
        )
        try:
            write_drive(drive, beside, replace=force)
        except OSError as error:
            raise InputError(
                f"cannot be written ({error.strerror or error})", file=beside, remedy="Check the folder."
            ) from error
    return conversion_


def read_any(
    path: str | Path, mapping: str | Path | Mapping | None = None
) -> tuple[Trace, Drive | None, Conversion | None]:
    """A trace, whoever wrote it: camlog's own with the drive file beside it, any other converted in memory.

    Raises InputError for what cannot be read; for a foreign trace also while a column is in doubt: the error
    names the doubtful columns, and the mapping file that was made ready for an answer.
    """
    path = Path(path)
    if mapping is None and is_trace(path):
        return read_trace(path), _earlier_drive(path), None
    with _understood(path, _said(mapping, None, None, None), None, None) as work:
        doubtful = [m for m in work.matches if m.doubtful]
        if doubtful:
            raise work.doubt_error(doubtful)
        rows = TraceRows(work.table, work.matches, work.figures, path)
        blocks = list(rows.blocks())
        if not blocks:
            raise _without_values(path)
        table = np.concatenate(blocks)
        conversion_ = work.conversion(rows, None, None)
        columns, units = {}, {}
        for j, match in enumerate(rows.kept, start=1):
            values = np.ascontiguousarray(table[:, j])
            name = match.written_as
            units[name] = match.written_unit
            if match.signal == name:
                factor, offset = conversion(match.written_unit, SIGNALS[name].unit)
                values = values if (factor, offset) == (1.0, 0.0) else values * factor + offset
                units[name] = SIGNALS[name].unit
            columns[name] = values
        info = work.source_info()
        drive = drive_of(info, work.table, conversion_, rows, work.layout.columns, None, _earlier_drive(path))
        trace = Trace(
            np.ascontiguousarray(table[:, 0]),
            columns,
            units,
            path.name,
            info["source_sha256"],
            (*conversion_.notes, *clock_warnings(table[:, 0])),
        )
    return trace, drive, conversion_


# ---------------------------------------------------------------- inside


def _said(
    mapping: str | Path | Mapping | None, rate_hz: float | None, angles: str | None, positive: str | None
) -> Mapping:
    said = (
        mapping
        if isinstance(mapping, Mapping)
        else read_mapping(mapping)
        if mapping is not None
        else Mapping()
    )
    for value, choices in ((angles, ("crank", "cam")), (positive, ("advance", "retard"))):
        if value is not None and value not in choices:
            raise InputError(
                f"{value!r} is neither {choices[0]} nor {choices[1]}", remedy=f"Write {' or '.join(choices)}."
            )
    if rate_hz is not None and not (0 < rate_hz <= 1e6):
        raise InputError("the rate should be rows a second, above 0", remedy="Such as --rate 10.")
    return replace(
        said, rate_hz=rate_hz or said.rate_hz, angle=angles or said.angle, positive=positive or said.positive,
        time_column=None if rate_hz else said.time_column,
    )  # fmt: skip


def _part(progress: Progress | None, start: float, end: float) -> Progress | None:
    return None if progress is None else lambda share: progress(start + (end - start) * share)


def _without_values(path: Path) -> InputError:
    return InputError("no column holds a single value", file=path, remedy="Check the copy is complete.")


def _earlier_drive(path: Path) -> Drive | None:
    """The drive file beside a trace of camlog's own; None for a foreign file."""
    beside = drive_path(path)
    return read_drive(beside) if beside.exists() and is_trace(path) else None


@dataclass
class _Work:
    """Everything found out about one file."""

    path: Path
    text: TextBlocks
    layout: Layout
    table: Table
    figures: list[ColumnFigures]
    matches: tuple[ColumnMatch, ...]
    mapping: Mapping

    def source_info(self) -> dict:
        dialect, numbers = self.layout.dialect, self.layout.numbers
        return {
            "source_file": self.path.name, "source_sha256": sha256_of(self.path),
            "encoding": self.text.encoding,
            "separator": dialect.separator, "decimal": numbers.decimal,
            "heading_line": self.layout.heading_line,
            "preamble": list(self.layout.preamble),
        }  # fmt: skip

    def mapping_text(self) -> str:
        return mapping_text(self.path.name, self.layout, self.table.timing, self.table.clock, self.matches)

    def conversion(self, rows: TraceRows, trace: Path | None, drive: Path | None) -> Conversion:
        others = other_columns(self.layout, self.table)
        columns = tuple(sorted((*self.matches, *others), key=lambda m: m.index))
        return Conversion(
            trace, drive, columns, notes_of(self.table, self.matches, rows, self.figures), rows.rows, self.mapping_text()
        )

    def doubt_error(self, doubtful: list[ColumnMatch]) -> InputError:
        names = "; ".join(f"{m.name!r} as {m.signal} ({_short(m)})" for m in doubtful[:6])
        more = f" and {len(doubtful) - 6} more" if len(doubtful) > 6 else ""
        return ask_for_mapping(self.path, f"columns are in doubt: {names}{more}", self.mapping_text())


def _short(match: ColumnMatch) -> str:
    reason = match.reason.split("; ")
    return "; ".join(reason[1:] or reason)[:160]


@contextmanager
def _understood(path: Path, mapping: Mapping, ask: Ask | None, progress: Progress | None) -> Iterator[_Work]:
    with open_source(path) as source:
        text = TextBlocks(source, mapping.encoding)
        layout = survey_layout(text, mapping)
        timing = survey_timing(text, layout, mapping, ask)
        table = read_table(text, layout, timing, layout.numbers, progress)
    try:
        if table.clock.factor is None:
            settle_time_unit(path, layout, table, ask)
        mapping.check_used([(c.heading, c.index) for c in (*layout.columns, *table.columns)])
        figures = without_repeats(table.store, column_figures(table.store))
        matches = match_columns(table.columns, figures, mapping)
        if ask is not None:
            matches, mapping = settle(
                matches, mapping, lambda said: match_columns(table.columns, figures, said), ask
            )
        yield _Work(path, text, layout, table, figures, matches, mapping)
    finally:
        table.close()
