"""A foreign file into a trace: `convert` writes it, `read_any` gives it to whoever wants to read it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from camlog.convert.asking import ask_rate, ask_time_unit, settle
from camlog.convert.cells import Numbers
from camlog.convert.dialect import Dialect, find_dialect
from camlog.convert.figures import ColumnFigures, column_figures
from camlog.convert.layout import Layout, find_layout, stated_rate_hz
from camlog.convert.limits import HEAD_LINES, MAX_COLUMNS, MAX_LINE_CHARACTERS
from camlog.convert.mapping import Mapping, read_mapping
from camlog.convert.mapping_text import mapping_text
from camlog.convert.match import match_columns
from camlog.convert.meaning import candidates
from camlog.convert.model import Ask, ColumnMatch, Conversion
from camlog.convert.provenance import drive_of, is_trace, notes_of, other_columns
from camlog.convert.source import open_source, sha256_of
from camlog.convert.stamps import with_day_first
from camlog.convert.table import Table, read_table, with_unit
from camlog.convert.text import TextBlocks
from camlog.convert.timing import SECONDS_IN, Timing, find_timing
from camlog.convert.write import TraceRows, write_rows
from camlog.drive import Drive, drive_path, read_drive, write_drive
from camlog.errors import InputError
from camlog.signals import SIGNALS
from camlog.trace import Trace, read_trace
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
            if file.exists():
                raise InputError("is there already", file=file, remedy="Give another name with --out, or add --force.")
    if target.resolve() == path.resolve():
        raise InputError("is the file being converted", file=target, remedy="Give --out another name.")
    with _understood(path, said, ask, _part(progress, 0.0, _READING_SHARE)) as work:
        rows = TraceRows(work.table, work.matches, work.figures)
        sha256 = write_rows(rows, target, force, _part(progress, _READING_SHARE, 1.0))
        if not rows.rows:
            target.unlink(missing_ok=True)
            raise _without_values(path)
        conversion_ = work.conversion(rows, target, beside)
        drive = drive_of(work.source_info(), work.table, conversion_, rows, work.layout.columns, sha256, _earlier_drive(path))
        try:
            write_drive(drive, beside)
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
        rows = TraceRows(work.table, work.matches, work.figures)
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
        trace = Trace(np.ascontiguousarray(table[:, 0]), columns, units, path.name, info["source_sha256"], conversion_.notes)
    return trace, drive, conversion_


def default_out(path: Path) -> Path:
    """Where a converted file goes by default: `NAME.camlog.csv` beside it."""
    name = path.name
    for ending in (".gz", ".zip"):
        if name.lower().endswith(ending) and len(name) > len(ending):
            name = name[: -len(ending)]
    stem = name.rsplit(".", 1)[0] if "." in name[1:] else name
    return path.with_name(stem + ".camlog.csv")


def mapping_path(path: Path) -> Path:
    """Where the ready-made mapping file of a foreign file goes: `NAME.map.toml` beside it."""
    return default_out(path).with_name(default_out(path).name.removesuffix(".camlog.csv") + ".map.toml")


def offer_mapping(path: Path, text: str) -> tuple[Path | None, bool]:
    """Write the ready-made mapping file unless one is there. Returns its path (None: cannot be written), and
    whether it is new."""
    for target in (mapping_path(path), Path(mapping_path(path).name)):
        try:
            with open(target, "x", encoding="utf-8", errors="replace") as file:
                file.write(text)
            return target, True
        except FileExistsError:
            return target, False
        except OSError:
            continue
    return None, False


# ---------------------------------------------------------------- inside


def _said(mapping: str | Path | Mapping | None, rate_hz: float | None, angles: str | None, positive: str | None) -> Mapping:
    said = mapping if isinstance(mapping, Mapping) else read_mapping(mapping) if mapping is not None else Mapping()
    for value, choices in ((angles, ("crank", "cam")), (positive, ("advance", "retard"))):
        if value is not None and value not in choices:
            raise InputError(f"{value!r} is neither {choices[0]} nor {choices[1]}", remedy=f"Write {' or '.join(choices)}.")
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
            "source_file": self.path.name, "source_sha256": sha256_of(self.path), "encoding": self.text.encoding,
            "separator": dialect.separator, "decimal": numbers.decimal, "heading_line": self.layout.heading_line,
            "preamble": list(self.layout.preamble),
        }  # fmt: skip

    def mapping_text(self) -> str:
        return mapping_text(self.path.name, self.layout, self.table.timing, self.table.clock, self.matches)

    def conversion(self, rows: TraceRows, trace: Path | None, drive: Path | None) -> Conversion:
        others = other_columns(self.layout, self.table)
        columns = tuple(sorted((*self.matches, *others), key=lambda m: m.index))
        return Conversion(trace, drive, columns, notes_of(self.table, self.matches, rows), rows.rows, self.mapping_text())

    def doubt_error(self, doubtful: list[ColumnMatch]) -> InputError:
        names = "; ".join(f"{m.name!r} as {m.signal} ({_short(m)})" for m in doubtful[:6])
        more = f" and {len(doubtful) - 6} more" if len(doubtful) > 6 else ""
        return _ask_for_mapping(self.path, f"columns are in doubt: {names}{more}", self.mapping_text())


def _short(match: ColumnMatch) -> str:
    reason = match.reason.split("; ")
    return "; ".join(reason[1:] or reason)[:160]


def _ask_for_mapping(path: Path, what: str, text: str) -> InputError:
    target, new = offer_mapping(path, text)
    if target is None:
        return InputError(what, file=path, remedy="Say what they are in a mapping file, and pass it with --map.")
    said = "was made ready: edit it" if new else "is there already: complete it (or remove it for a new one)"
    return InputError(what, file=path, remedy=f"{target} {said}, and pass it with --map {target}")


@contextmanager
def _understood(path: Path, mapping: Mapping, ask: Ask | None, progress: Progress | None) -> Iterator[_Work]:
    with open_source(path) as source:
        text = TextBlocks(source, mapping.encoding)
        layout = _layout(text, mapping)
        timing = _timing(text, layout, mapping, ask)
        table = read_table(text, layout, timing, layout.numbers, progress)
    try:
        if table.clock.factor is None:
            _settle_time_unit(path, layout, table, ask)
        mapping.check_used([(c.heading, c.index) for c in (*layout.columns, *table.columns)])
        figures = column_figures(table.store)
        matches = match_columns(table.columns, figures, mapping)
        if ask is not None:
            matches, mapping = settle(
                matches, mapping, lambda said: match_columns(table.columns, figures, said), ask
            )
        yield _Work(path, text, layout, table, figures, matches, mapping)
    finally:
        table.close()


def _layout(text: TextBlocks, mapping: Mapping) -> Layout:
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
            f"rows have more cells than the {len(layout.columns)} headings, so it is not known which belongs to which",
            file=text.path, line=layout.first_row_line,
            remedy="If its numbers have a decimal comma, export it with semicolons or tabs between the columns.",
        )  # fmt: skip
    if layout.numbers is None:
        raise InputError(
            "a comma in its numbers could be the decimal mark or part thousands", file=text.path,
            line=layout.first_row_line, remedy='Say so in a mapping file: [table] with decimal = "," or ".".',
        )  # fmt: skip
    return layout


def _timing(text: TextBlocks, layout: Layout, mapping: Mapping, ask: Ask | None) -> Timing:
    path = text.path
    if layout.heading_line is None and not (mapping.columns and all(r.number for r in mapping.columns)):
        blank = tuple(
            ColumnMatch(c.heading, "engine_speed", "rpm", 0.0, "the first values are "
                        + ", ".join(r[c.index] for r in layout.sample[:3] if c.index < len(r)), False, c.index, doubts=("signal", "unit"))
            for c in layout.columns
        )  # fmt: skip
        raise _ask_for_mapping(path, "has no headings, and the order of columns says nothing",
                               mapping_text(path.name, layout, None, None, blank))  # fmt: skip
    if mapping.time_column is not None:
        timing = _told_timing(layout, mapping)
    elif mapping.rate_hz is not None:
        return Timing("rate", rate_hz=mapping.rate_hz, reason=f"{mapping.rate_hz:g} rows a second, as told")
    else:
        timing = find_timing(layout, layout.numbers) or _run_time(layout)
    if timing is None:
        rate = stated_rate_hz(layout.preamble)
        if rate is not None:
            return Timing("rate", rate_hz=rate, reason=f"{rate:g} rows a second, as the lines above the headings state")
        rate = ask_rate(ask) if ask is not None else None
        if rate is not None:
            return Timing("rate", rate_hz=rate, reason=f"{rate:g} rows a second, as told")
        what = "no column tells the time, and no sampling rate is stated"
        error = _ask_for_mapping(path, what, mapping_text(path.name, layout, None, None, ()))
        error.remedy = "Say the rows a second with --rate, or: " + error.remedy
        raise InputError(what, file=path, remedy=error.remedy)
    timing = with_unit(timing, mapping.time_unit if timing.kind == "number" else None)
    if timing.form is not None:
        timing = replace(timing, form=with_day_first(timing.form, mapping.day_first))
    return timing


def _told_timing(layout: Layout, mapping: Mapping) -> Timing:
    told = mapping.time_column
    places = [
        c for c in layout.columns if (c.index + 1 == told if isinstance(told, int) else c.heading.strip() == told.strip())
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
            if candidate.signal == "run_time" and candidate.score >= 0.9:
                unit = heading.unit if heading.unit in SECONDS_IN else "s"
                return Timing("number", (column.index,), unit=unit, reason=f"the engine's run time in {column.heading!r}")
    return None


def _settle_time_unit(path: Path, layout: Layout, table: Table, ask: Ask | None) -> None:
    clock = table.clock
    unit = ask_time_unit("", clock.reason, ask) if ask is not None else None
    if unit is None:
        what = f"the unit of the time is in doubt: {clock.reason}"
        raise _ask_for_mapping(path, what, mapping_text(path.name, layout, table.timing, clock, ()))
    clock.factor, clock.unit = SECONDS_IN[unit], unit
