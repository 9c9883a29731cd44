"""Converts a foreign file to a trace: `convert` writes it, `read_any` returns it in memory."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from camlog.convert.asking import ask_for_mapping, default_out, mapping_text, settle
from camlog.convert.figures import ColumnFigures, column_figures
from camlog.convert.formats import MDF_SUFFIX, write_mdf
from camlog.convert.layout import Layout, survey_layout
from camlog.convert.mapping import SHAFTS, SIGNS, Mapping, read_mapping
from camlog.convert.match import match_columns
from camlog.convert.model import Ask, ColumnMatch, Conversion
from camlog.convert.provenance import drive_of, is_trace, notes_of, other_columns
from camlog.convert.repeats import without_repeats
from camlog.convert.source import TextBlocks, open_source, sha256_of
from camlog.convert.summary import look_at
from camlog.convert.survey import settle_time_unit, survey_timings
from camlog.convert.table import Table, read_table
from camlog.convert.words import and_more, say
from camlog.convert.write import TraceRows, write_rows
from camlog.drive import Drive, drive_beside, drive_path, write_drive
from camlog.errors import InputError
from camlog.new_files import there_already
from camlog.signals import SIGNALS
from camlog.trace import Trace, clock_warnings, read_trace
from camlog.units import conversion

Progress = Callable[[float], None]
_READING_SHARE = 0.6
_MAX_RATE_HZ = 1e6
_DOUBTS_SHOWN = 6


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
    """Convert a saved trace of any make to a camlog trace and its drive file.

    `mapping` is a mapping file or its content, `out` the trace to write (default: `NAME.camlog.csv` beside the file;
    `NAME.mf4` is written as ASAM MDF 4). `ask` puts doubts to a person, `progress` gets the share done, 0 to 1.
    `rate_hz` are the rows per second of a table without time; `angles` (`crank`, `cam`) and `positive` (`advance`,
    `retard`) apply to cam angles for which the file does not say it.

    Certain columns become signals; those in doubt keep their own name and are listed in the result's `doubtful`. Raises
    InputError (file, line, column, remedy) if the file cannot be read reliably, or if `out` exists without `force`.
    """
    path = Path(path)
    rules = _rules(mapping, rate_hz, angles, positive)
    target = Path(out) if out is not None else default_out(path)
    beside = drive_path(target)
    for file in () if force else (target, beside):
        if os.path.lexists(file):
            raise there_already(file)
    if target.resolve() == path.resolve():
        raise say.error("onto_itself", file=target)
    with _understood(path, rules, ask, _part(progress, 0.0, _READING_SHARE)) as work:
        rows = TraceRows(work.table, work.matches, work.figures, path)
        if target.suffix.lower() == MDF_SUFFIX:
            sha256 = write_mdf(_gathered(rows, path, ""), target, force)
        else:
            sha256 = write_rows(rows, target, force, _part(progress, _READING_SHARE, 1.0))
        if not rows.rows:
            target.unlink(missing_ok=True)
            raise say.error("no_values", file=path)
        conversion, drive = work.outcome(rows, target, beside, sha256)
    try:
        write_drive(drive, beside, replace=force)
    except OSError as error:
        raise say.error("unwritable", file=beside, error=error.strerror or error) from error
    return conversion


def read_any(
    path: str | Path, mapping: str | Path | Mapping | None = None, *, prepare: bool = True
) -> tuple[Trace, Drive | None, Conversion | None]:
    """Read any trace: camlog's own with the drive file beside it, any other converted in memory.

    Raises InputError if it cannot be read, and for a foreign trace also while a column is in doubt: the error names the
    doubtful columns and the mapping file that was prepared beside it. Without `prepare` no mapping file is written.
    """
    path = Path(path)
    if mapping is None and is_trace(path):
        return read_trace(path), drive_beside(path), None
    with _understood(path, _rules(mapping, None, None, None), None, None) as work:
        doubtful = [m for m in work.matches if m.doubtful]
        if doubtful:
            raise work.doubt_error(doubtful, prepare)
        rows = TraceRows(work.table, work.matches, work.figures, path)
        trace = _gathered(rows, path, sha256_of(path))
        conversion, drive = work.outcome(rows, None, None, None)
    return replace(trace, warnings=(*conversion.notes, *clock_warnings(trace.time_s))), drive, conversion


# ---------------------------------------------------------------- inside


def _gathered(rows: TraceRows, path: Path, sha256: str) -> Trace:
    """The rows as a trace in memory, in camlog's units. Raises InputError if there are none."""
    blocks = list(rows.blocks())
    if not blocks:
        raise say.error("no_values", file=path)
    table = np.concatenate(blocks)
    columns: dict[str, np.ndarray] = {}
    units: dict[str, str] = {}
    for j, match in enumerate(rows.kept, start=1):
        name, unit, values = match.written_as, match.written_unit, np.ascontiguousarray(table[:, j])
        if match.signal == name:
            factor, offset = conversion(unit, SIGNALS[name].unit)
            unit = SIGNALS[name].unit
            values = values if (factor, offset) == (1.0, 0.0) else values * factor + offset
        columns[name], units[name] = values, unit
    return Trace(np.ascontiguousarray(table[:, 0]), columns, units, path.name, sha256)


def _rules(
    mapping: str | Path | Mapping | None, rate_hz: float | None, angles: str | None, positive: str | None
) -> Mapping:
    """The rules for a file, from its mapping file and from the other arguments."""
    rules = mapping if isinstance(mapping, Mapping) else Mapping() if mapping is None else read_mapping(mapping)
    for value, choices in ((angles, SHAFTS), (positive, SIGNS)):
        if value not in (None, *choices):
            raise say.error("neither", value=repr(value), one=choices[0], other=choices[1])
    if rate_hz is not None:
        if not 0 < rate_hz <= _MAX_RATE_HZ:
            raise say.error("no_rate")
        rules = replace(rules, time=replace(rules.time, rate_hz=rate_hz, column=None))
    said: dict = {key: value for key, value in (("angle", angles), ("positive", positive)) if value}
    return replace(rules, angles=replace(rules.angles, **said))


def _part(progress: Progress | None, start: float, end: float) -> Progress | None:
    return None if progress is None else lambda share: progress(start + (end - start) * share)


@dataclass
class _Work:
    """Everything known about one file."""

    path: Path
    encoding: str
    layout: Layout
    table: Table
    figures: list[ColumnFigures]
    matches: tuple[ColumnMatch, ...]

    def outcome(
        self, rows: TraceRows, trace: Path | None, drive: Path | None, sha256: str | None
    ) -> tuple[Conversion, Drive]:
        """The result, after all rows are written or collected."""
        columns = sorted((*self.matches, *other_columns(self.layout, self.table)), key=lambda m: m.index)
        notes = notes_of(self.table, self.matches, rows, self.figures)
        looks = filter(None, (look_at(self.table, m, self.matches) for m in self.matches if m.doubtful))
        done = Conversion(
            trace, drive, tuple(columns), notes, rows.rows, rows.duration_s, rows.readings, tuple(looks),
            self.mapping_text,
        )  # fmt: skip
        info = {
            "source_file": self.path.name, "source_sha256": sha256_of(self.path), "encoding": self.encoding,
            "separator": self.layout.dialect.separator, "decimal": self.layout.numbers.decimal,
            "heading_line": self.layout.heading_line,
        }  # fmt: skip
        earlier = drive_beside(self.path) if is_trace(self.path) else None
        return done, drive_of(info, self.table, done, rows, self.layout, sha256, earlier)

    def mapping_text(self) -> str:
        clock = self.table.clocks[0]
        return mapping_text(self.path.name, self.layout, clock.timing, clock, self.matches)

    def doubt_error(self, doubtful: list[ColumnMatch], prepare: bool = True) -> InputError:
        columns = [
            say("column_in_doubt", name=repr(m.name), signal=m.signal, why="; ".join(m.reasons[1:] or m.reasons)[:160])
            for m in doubtful
        ]
        error = say.error("in_doubt", columns=and_more(columns, _DOUBTS_SHOWN, "; "))
        return ask_for_mapping(error, self.path, self.mapping_text()) if prepare else error


@contextmanager
def _understood(path: Path, mapping: Mapping, ask: Ask | None, progress: Progress | None) -> Iterator[_Work]:
    with open_source(path) as source:
        text = TextBlocks(source, mapping.table.encoding)
        layout = survey_layout(text, mapping)
        timings = survey_timings(path, layout, mapping, ask)
        table = read_table(text, layout, timings, lambda clock: settle_time_unit(path, layout, clock, ask), progress)
    try:
        mapping.check_used([(c.heading, c.index) for c in (*layout.columns, *table.columns)])
        figures = without_repeats(table.store, column_figures(table.store))
        matches = match_columns(table, figures, mapping)
        if ask is not None:
            matches = settle(matches, mapping, lambda rules: match_columns(table, figures, rules), ask,
                             lambda match, all_: look_at(table, match, all_))  # fmt: skip
        yield _Work(path, text.encoding, layout, table, figures, matches)
    finally:
        table.store.close()
