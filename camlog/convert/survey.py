"""Finds the time of a foreign file: one column, several clocks with their channels, a rate, or a person's answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import numpy as np

from camlog.convert.asking import ask_for_mapping, ask_rate, ask_time_column, ask_time_unit, mapping_text
from camlog.convert.clocks import Clock, Timing, climbing_column, find_timing, timing_of
from camlog.convert.headings import parse_heading
from camlog.convert.layout import Layout, SourceColumn, stated_rate_hz
from camlog.convert.mapping import Mapping
from camlog.convert.meaning import CERTAIN, candidates
from camlog.convert.model import Ask, ColumnMatch
from camlog.convert.stamps import NOT_A_TIME, StampReader
from camlog.convert.words import SECONDS_IN, say, words
from camlog.errors import InputError

_TIME = words("time")
_UNTIMED_SHARE = 0.02  # most share of a channel's values in rows without its own time


def survey_timings(path: Path, layout: Layout, mapping: Mapping, ask: Ask | None) -> tuple[Timing, ...]:
    """The timings of the file. Raises InputError if it has no time, or its columns have no headings."""
    if layout.heading_line is None and not (mapping.column and all(r.number for r in mapping.column)):
        blank = tuple(
            ColumnMatch("engine_speed", "rpm", 0.0, (say("first_values", values=", ".join(layout.cells(c.index)[:3])),),
                        False, index=c.index, doubts=("signal", "unit"))
            for c in layout.columns
        )  # fmt: skip
        raise ask_for_mapping(say.error("no_headings"), path, mapping_text(path.name, layout, None, None, blank))
    if any(rule.time is not None for rule in mapping.column):
        return _told_clocks(layout, mapping)
    if mapping.time.column is not None:
        return (_as_told(_told_timing(layout, mapping, mapping.time.column), mapping),)
    if mapping.time.rate_hz is not None:
        return (_rate(mapping.time.rate_hz, "rate_told"),)
    if own := own_clocks(path, layout):
        return tuple(_as_told(timing, mapping) for timing in own)
    timing = find_timing(layout) or _run_time(layout)
    return (_as_told(timing, mapping) if timing is not None else _unnamed_time(path, layout, ask),)


def _as_told(timing: Timing, mapping: Mapping) -> Timing:
    form = timing.form if mapping.time.day_first is None else replace(timing.form, day_first=mapping.time.day_first)
    return replace(timing, unit=timing.kind == "number" and mapping.time.unit or timing.unit, form=form)


def _unnamed_time(path: Path, layout: Layout, ask: Ask | None) -> Timing:
    """The time of a file without a named time column. Raises InputError if nobody answers."""
    if stated := stated_rate_hz(layout.preamble):
        return _rate(stated, "rate_stated")
    climbing = climbing_column(layout)
    if climbing is not None and ask is not None and ask_time_column(climbing.label, ask):
        return _counting(climbing, "s")
    if ask is not None and (rate := ask_rate(ask)) is not None:
        return _rate(rate, "rate_told")
    name = "climbing_column" if climbing is not None and ask is None else "no_time"
    error = say.error(name, name=repr(climbing.label) if climbing else "")
    offered = climbing if ask is None else None
    raise ask_for_mapping(error, path, mapping_text(path.name, layout, None, None, (), offered))


def _counting(column: SourceColumn, unit: str) -> Timing:
    return Timing("number", (column.index,), unit, reason=say("time_told", name=repr(column.label)), counts=True)


def _rate(rate_hz: float, name: str) -> Timing:
    return Timing("rate", rate_hz=rate_hz, reason=say(name, rate=rate_hz))


def _told_clocks(layout: Layout, mapping: Mapping) -> tuple[Timing, ...]:
    """The clocks that a mapping assigns to columns; a column without one has the time of the file."""
    channels: dict[int | str | None, list[int]] = {}
    for column in layout.columns:
        rule = mapping.rule(column.heading, column.index)
        told = mapping.time.column if rule is None or rule.time is None else rule.time
        channels.setdefault(told, []).append(column.index)
    timings = []
    for told, indices in channels.items():
        timing = find_timing(layout) if told is None else _told_timing(layout, mapping, told)
        if timing is not None:
            timings.append((_as_told(timing, mapping), indices))
    times = {j for timing, _ in timings for j in timing.columns}
    return tuple(replace(t, channels=tuple(j for j in js if j not in times)) for t, js in timings if set(js) - times)


def _told_timing(layout: Layout, mapping: Mapping, told: int | str) -> Timing:
    wanted = told if isinstance(told, int) else told.strip()
    column = next((c for c in layout.columns if wanted in (c.index + 1, c.heading.strip())), None)
    if column is None:
        error = say.error("no_time_column", name=repr(told))
        raise mapping.file.error(("time", "column"), error.what, error.remedy) if mapping.file else error
    if column == climbing_column(layout):
        return _counting(column, mapping.time.unit or "")
    found = find_timing(replace(layout, columns=tuple(c for c in layout.columns if c is column or c.kind == "day")))
    if found is not None and column.index in found.columns:
        return found
    return Timing("number", (column.index,), reason=say("time_told", name=repr(column.heading)))


def _run_time(layout: Layout) -> Timing | None:
    """The engine's run time as the time, if there is no other."""
    for column in layout.columns if not layout.long else ():
        for heading, candidate in candidates(column.heading, column.unit_cell) if column.kind == "number" else ():
            if candidate.signal == "run_time" and candidate.score >= CERTAIN:
                unit = heading.unit if heading.unit in SECONDS_IN else "s"
                reason = say("time_run_time", name=repr(column.heading))
                return Timing("number", (column.index,), unit, reason=reason, counts=True)
    return None


def settle_time_unit(path: Path, layout: Layout, clock: Clock, ask: Ask | None) -> None:
    """Ask a person for the unit of a clock that states none. Raises InputError without an answer."""
    unit = ask_time_unit(clock.reason, ask) if ask is not None else None
    if unit is None:
        error = say.error("time_unit_open", reason=clock.reason)
        raise ask_for_mapping(error, path, mapping_text(path.name, layout, clock.timing, clock, ()))
    clock.take_unit(unit)


# ---------------------------------------------------------------- several columns of times


@dataclass(frozen=True, eq=False)
class _Clock:
    """A column of times: `kind` is its heading without numbers and its channel's name, `seconds` are its first times,
    `channels` the columns named in its heading."""

    column: SourceColumn
    timing: Timing
    kind: tuple
    seconds: np.ndarray
    channels: tuple[int, ...]


def own_clocks(path: Path, layout: Layout) -> tuple[Timing, ...]:
    """A timing for every clock if channels have their own clocks; empty if one clock is for all.

    A channel's clock has the channel's name in its heading, or is the nearest of several similar ones to its left.
    Raises InputError if several clocks run differently and their columns cannot be found in these ways.
    """
    clocks = [] if layout.long else list(filter(None, (_clock(layout, c) for c in layout.columns)))
    if len(clocks) < 2:
        return ()
    owner = _owners(layout, clocks)
    if not owner:
        if any(_differ(a, b) for a, b in combinations(clocks, 2)):
            raise _refused(path, layout, clocks, "rival_clocks")
        return ()
    if any(_untimed(layout, clock, j) for j, clock in owner.items()):
        raise _refused(path, layout, clocks, "untimed_channels")
    groups = {c: tuple(j for j, own in owner.items() if own is c) for c in clocks}
    timings = ((replace(c.timing, reason=say("own_clock", reason=c.timing.reason)), js) for c, js in groups.items())
    return tuple(replace(timing, channels=js) for timing, js in timings if js)


def _owners(layout: Layout, clocks: Sequence[_Clock]) -> dict[int, _Clock]:
    """The clock of each column of values; empty if unknown."""
    values = [c.index for c in layout.columns if c.kind != "day" and not any(c is clock.column for clock in clocks)]
    by_name = {j: c for c in clocks for j in c.channels}
    on_left = {j: next((c for c in reversed(clocks) if c.column.index < j), None) for j in values}
    owner = {j: by_name.get(j) or on_left[j] for j in values}
    if by_name:
        # The nearest clock to the left belongs to a column only if it names no channel itself.
        told = all(c is not None and (j in by_name or not c.channels) for j, c in owner.items())
    else:
        used = set(owner.values())
        told = len({c.kind for c in clocks}) == 1 and None not in used and len(used) == len(clocks)
    return {j: c for j, c in owner.items() if c is not None} if told else {}


def _refused(path: Path, layout: Layout, clocks: Sequence[_Clock], name: str) -> InputError:
    names = ", ".join(repr(c.column.label) for c in clocks[:3])
    return say.error(name, file=path, line=layout.heading_line, names=names)


def _clock(layout: Layout, column: SourceColumn) -> _Clock | None:
    """A column as a clock; None if it is no time."""
    heading_words = [w for w in parse_heading(column.heading, column.unit_cell).words if not w.isdigit()]
    # `Oil temp time` is the clock of `Oil temp (degC)`.
    rest = sorted(w for w in heading_words if w not in _TIME)
    channels: tuple[int, ...] = ()
    if rest and len(rest) < len(heading_words):
        others = {c.index: parse_heading(c.heading, c.unit_cell).words for c in layout.columns if c is not column}
        channels = tuple(index for index, their in others.items() if sorted(their) == rest)
    if channels:
        heading_words = [w for w in heading_words if w in _TIME]
    timing = timing_of(layout, column, heading_words)
    if timing is None or len(timing.columns) > 1:
        return None
    cells = [r[column.index] if column.index < len(r) else "" for r in layout.sample]
    if timing.kind == "stamp":
        stamps = StampReader(timing.form).read(cells)
        seconds = np.where(stamps == NOT_A_TIME, np.nan, stamps / 1e9)
    else:
        seconds = np.array(list(map(layout.numbers.read, cells)), dtype=float) * SECONDS_IN[timing.unit or "s"]
    return _Clock(column, timing, (timing.kind, *sorted(heading_words), timing.unit), seconds, channels)


def _differ(one: _Clock, other: _Clock) -> bool:
    both = np.isfinite(one.seconds) & np.isfinite(other.seconds)
    a, b = one.seconds[both], other.seconds[both]
    if len(a) < 2:
        return True
    step = max(float(np.median(np.abs(np.diff(a)))), 1e-3 * abs(a[-1] - a[0]))
    if one.kind == other.kind:
        return bool(np.max(np.abs(a - b)) > 0.01 * step)
    # The same clock with another start or in another unit runs in proportion.
    a, b = a - a[0], b - b[0]
    if not a[-1] or not b[-1]:
        return bool(a[-1] or b[-1])
    return bool(np.max(np.abs(a - b * (a[-1] / b[-1]))) > 0.2 * step)


def _untimed(layout: Layout, clock: _Clock, index: int) -> bool:
    """True if a channel has too many values in rows without a time of its clock."""
    has_value = np.array([index < len(r) and layout.numbers.read(r[index]) is not None for r in layout.sample])
    return bool((has_value & ~np.isfinite(clock.seconds)).sum() > _UNTIMED_SHARE * has_value.sum())
