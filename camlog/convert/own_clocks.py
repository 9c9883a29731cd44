"""Several columns of times in one table: one clock written twice, or a clock of its own for every channel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import numpy as np

from camlog.convert.clocks import SECONDS_IN, Timing, timing_of
from camlog.convert.headings import parse_heading
from camlog.convert.layout import Layout, SourceColumn
from camlog.convert.sentences import refusal, say
from camlog.convert.stamps import NOT_A_TIME, StampReader
from camlog.convert.words import words
from camlog.errors import InputError

_TIME = words("time")
_UNTIMED_SHARE = 0.02  # of a channel's values: how many may stand in rows without its own time


@dataclass(frozen=True, eq=False)
class _Clock:
    """A column of times: `kind` is what its heading says but for numbers and its channel's name, `seconds` its first
    times, `channels` the columns that are named in its heading."""

    column: SourceColumn
    timing: Timing
    kind: tuple
    seconds: np.ndarray
    channels: tuple[int, ...]


def own_clocks(path: Path, layout: Layout) -> tuple[Timing, ...]:
    """A timing for every clock where channels have clocks of their own; empty where one clock is for all.

    A channel's clock is named like the channel, or stands as the nearest of several alike on its left. Raises
    InputError where several clocks run differently and neither tells which column belongs to which.
    """
    clocks = [] if layout.long else list(filter(None, (_clock(layout, c) for c in layout.columns)))
    if len(clocks) < 2:
        return ()
    values = [
        c.index for c in layout.columns if c.kind != "day" and not any(c is clock.column for clock in clocks)
    ]
    by_name = [c for c in clocks if c.channels]
    if by_name and all(any(j in c.channels for c in clocks) or _on_left(clocks, by_name, j) for j in values):
        groups = {
            c: [j for j in values if j in c.channels or _on_left(clocks, by_name, j) is c] for c in clocks
        }
    elif len({c.kind for c in clocks}) == 1 and not by_name:
        groups = {c: [] for c in clocks}
        for j in values:
            left = [c for c in clocks if c.column.index < j]
            groups[left[-1] if left else clocks[0]].append(j)
        if not all(groups.values()) or values[0] < clocks[0].column.index:
            groups = {}
    else:
        groups = {}
    if not groups:
        if any(_differ(a, b) for a, b in combinations(clocks, 2)):
            raise _refused(path, layout, clocks, "rival_clocks")
        return ()
    for clock, channels in groups.items():
        if any(_untimed(layout, clock, j) for j in channels):
            raise _refused(path, layout, clocks, "untimed_channels")
    reason = {c: say("own_clock", reason=c.timing.reason) for c in clocks}
    return tuple(replace(c.timing, channels=tuple(js), reason=reason[c]) for c, js in groups.items() if js)


def _refused(path: Path, layout: Layout, clocks: Sequence[_Clock], name: str) -> InputError:
    return refusal(
        name, file=path, line=layout.heading_line, names=", ".join(repr(c.column.label) for c in clocks[:3])
    )


def _on_left(clocks: Sequence[_Clock], by_name: Sequence[_Clock], index: int) -> _Clock | None:
    """The nearest clock on the left of a column that no clock names, where that clock names no channel itself."""
    if any(index in c.channels for c in by_name):
        return None
    left = [c for c in clocks if c.column.index < index]
    return left[-1] if left and left[-1] not in by_name else None


def _clock(layout: Layout, column: SourceColumn) -> _Clock | None:
    """A column as a clock; None where it tells no time."""
    heading = parse_heading(column.heading, column.unit_cell)
    said = [w for w in heading.words if not w.isdigit()]
    channels = _named_channels(layout, column, said)
    if channels:
        said = [w for w in said if w in _TIME]
    timing = timing_of(layout, column, layout.numbers, said)
    if timing is None or len(timing.columns) > 1:
        return None
    return _Clock(
        column, timing, (timing.kind, *sorted(said), timing.unit), _seconds(layout, timing), channels
    )


def _named_channels(layout: Layout, column: SourceColumn, said: Sequence[str]) -> tuple[int, ...]:
    """The other columns that the heading of a clock names: `Oil temp time` is the clock of `Oil temp (degC)`."""
    rest = [w for w in said if w not in _TIME]
    if not rest or len(rest) == len(said):
        return ()
    others = {c.index: parse_heading(c.heading, c.unit_cell).words for c in layout.columns if c is not column}
    return tuple(index for index, their in others.items() if sorted(their) == sorted(rest))


def _seconds(layout: Layout, timing: Timing) -> np.ndarray:
    cells = [r[timing.columns[0]] if timing.columns[0] < len(r) else "" for r in layout.sample]
    if timing.kind == "stamp":
        stamps = StampReader(timing.form).read(cells)
        return np.where(stamps == NOT_A_TIME, np.nan, stamps / 1e9)
    numbers = [layout.numbers.read(cell) for cell in cells]
    return np.array(numbers, dtype=float) * SECONDS_IN[timing.unit or "s"]


def _differ(one: _Clock, other: _Clock) -> bool:
    both = np.isfinite(one.seconds) & np.isfinite(other.seconds)
    a, b = one.seconds[both], other.seconds[both]
    if len(a) < 2:
        return True
    step = max(float(np.median(np.abs(np.diff(a)))), 1e-3 * abs(a[-1] - a[0]))
    if one.kind == other.kind:
        return bool(np.max(np.abs(a - b)) > 0.01 * step)
    # The same clock may be written from another start or in another unit: then both run in proportion.
    a, b = a - a[0], b - b[0]
    if not a[-1] or not b[-1]:
        return bool(a[-1] or b[-1])
    return bool(np.max(np.abs(a - b * (a[-1] / b[-1]))) > 0.2 * step)


def _untimed(layout: Layout, clock: _Clock, index: int) -> bool:
    """True where a channel holds values in rows in which its clock tells no time."""
    there = np.array([index < len(r) and layout.numbers.read(r[index]) is not None for r in layout.sample])
    return bool((there & ~np.isfinite(clock.seconds)).sum() > _UNTIMED_SHARE * there.sum())
