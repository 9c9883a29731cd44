"""Finds rows that only repeat some values, because the logger writes all values whenever one answer arrives.

Values of one answer change in the same rows, and never in a row in which values of another answer change. If two
restless columns never change together, although each changes often at that time, the logger is of this kind. Columns
are then sorted into groups, one per answer, and a row in which only another group changed is no reading of this one.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from camlog.convert.figures import ColumnFigures
from camlog.convert.rows import RowStore

_MOST_COLUMNS = 64
_FILLED = 0.95
_MOST_SEEDS = 12
# Probabilities are computed in windows, because the rate of changes differs over a drive; a few hours are enough.
_WINDOW_ROWS = 128
_MOST_WINDOWS = 1500
_TURNS = 8
_RARELY_TOGETHER = 0.25
_EVIDENCE = 14.0  # minus the logarithm of the probability that two columns never change together by chance
_ENOUGH_CHANGES = 20
# Most share of a column's changes in rows of other groups only, and least share in rows of its own group.
_STRAY = 0.1
_SUPPORT = 0.3
_DUE = 0.75  # of the usual time between two readings


def without_repeats(store: RowStore, figures: list[ColumnFigures]) -> list[ColumnFigures]:
    """The figures with the repeats marked: by one period for all columns if there is one, else by groups."""
    periods = {f.held_rows for f in figures if f.changes >= _ENOUGH_CHANGES}
    if len(periods) == 1 and periods != {1}:
        return figures
    groups = _groups(store, figures)
    new_figures = [replace(f, held_rows=1) for f in figures] if groups else list(figures)
    for columns, repeated in groups:
        for j in columns:
            new_figures[j] = replace(new_figures[j], repeated=repeated)
    return new_figures


def _groups(store: RowStore, figures: list[ColumnFigures]) -> list[tuple[list[int], np.ndarray]]:
    """Groups of columns (indices from 0) of one answer, and where a row only repeats them, shape (rows,). None if every

    row may have readings of all columns.
    """
    # Empty cells already show which rows are readings.
    filled = [j for j, f in enumerate(figures) if f.count >= _FILLED * store.rows]
    lively = sorted(filled, key=lambda j: -figures[j].changes)[:_MOST_COLUMNS]
    if len(lively) < 2 or figures[lively[1]].changes < _ENOUGH_CHANGES:
        return []
    seeds = _changes(store, lively[:_MOST_SEEDS])
    apart = _furthest_apart(seeds)
    if apart is None:
        return []
    changed = np.column_stack([seeds, _changes(store, lively[_MOST_SEEDS:])])
    groups = _grouped(changed, apart)
    active = np.column_stack([changed[:, g].any(axis=1) for g in groups])
    silent = np.flatnonzero(~active.any(axis=1))
    time = store.column(0)
    found = []
    for place, group in enumerate(groups):
        reading = active[:, place].copy()
        reading[_same_again(time, np.flatnonzero(reading), silent)] = True
        found.append(([lively[j] for j in group], ~reading))
    return found


def _changes(store: RowStore, columns: list[int]) -> np.ndarray:
    """True where a value differs from the row before, shape (rows, columns)."""
    changes = np.zeros((store.rows, len(columns)), dtype=bool)
    for place, j in enumerate(columns):
        values = store.column(j + 1)
        # A value after an empty cell is a reading, an empty cell is none.
        changes[0, place] = np.isfinite(values[0])
        changes[1:, place] = (values[1:] != values[:-1]) & np.isfinite(values[1:])
    return changes


def _same_again(time: np.ndarray, active: np.ndarray, silent: np.ndarray) -> np.ndarray:
    """The rows among `silent` (in which nothing changed) at which this group's next reading was due, so that it is a
    reading with the same value. `active` are the rows in which the group changed; all are row indices. `time` is that
    of every row."""
    if len(active) < 3 or not len(silent):
        return silent[:0]
    moments = time[active]
    due = _DUE * float(np.quantile(np.diff(moments), 0.25))
    after = np.searchsorted(active, silent)
    since = time[silent] - np.where(after > 0, moments[np.maximum(after - 1, 0)], -np.inf)
    until = np.where(after < len(active), moments[np.minimum(after, len(active) - 1)], np.inf) - time[silent]
    open_rows = silent[(since >= due) & (until >= due)]
    due_rows, last = [], -np.inf
    for row, moment in zip(open_rows.tolist(), time[open_rows].tolist(), strict=True):
        if moment - last >= due:
            due_rows.append(row)
            last = moment
    return np.asarray(due_rows, dtype=np.int64)


def _furthest_apart(changed: np.ndarray) -> tuple[int, int] | None:
    """The two columns that most surely never change together; None if there are none."""
    windows = len(changed) // _WINDOW_ROWS
    if not windows:
        return None
    used = changed[: windows * _WINDOW_ROWS].reshape(windows, _WINDOW_ROWS, -1)[:: -(-windows // _MOST_WINDOWS)]
    best, pair = _EVIDENCE, None
    for one in range(used.shape[2]):
        for other in range(one + 1, used.shape[2]):
            evidence = _evidence_apart(used[:, :, one], used[:, :, other])
            if evidence >= best:
                best, pair = evidence, (one, other)
    return pair


def _evidence_apart(one: np.ndarray, other: np.ndarray) -> float:
    """The evidence that two columns never change together, as minus the logarithm of its probability by chance; both
    are

    changes, shape (windows, rows). Only windows in which the two alternate often count.
    """
    alone = one != other
    rows, places = np.nonzero(alone)
    turns = (one[rows, places][1:] != one[rows, places][:-1]) & (rows[1:] == rows[:-1])
    taking_turns = np.bincount(rows[1:][turns], minlength=len(one)) >= _TURNS
    one, other = one[taking_turns], other[taking_turns]
    expected = float((one.sum(axis=1) * other.sum(axis=1)).sum()) / _WINDOW_ROWS
    together = float((one & other).sum())
    if not expected or together > _RARELY_TOGETHER * expected:
        return 0.0
    # Chernoff's bound on a Poisson count as low as this.
    return expected - together - (together * np.log(expected / together) if together else 0.0)


def _grouped(changed: np.ndarray, apart: tuple[int, int]) -> list[list[int]]:
    """The columns of `changed`, those with most changes first, in groups; a column without evidence is in none."""
    groups = [[apart[0]], [apart[1]]]
    active = [changed[:, j].copy() for j in apart]
    for j in sorted(set(range(changed.shape[1])) - set(apart)):
        own_changes = changed[:, j]
        best = _best_group(own_changes, active)
        if best is not None:
            groups[best].append(j)
            active[best] |= own_changes
        elif own_changes.sum() >= _ENOUGH_CHANGES:
            groups.append([j])
            active.append(own_changes.copy())
    return groups


def _best_group(mine: np.ndarray, active: list[np.ndarray]) -> int | None:
    count = int(mine.sum())
    if not count:  # it never changes, so it may belong to any answer
        return int(np.argmax([a.sum() for a in active]))
    fits = []
    for place, own in enumerate(active):
        others = np.logical_or.reduce([a for other, a in enumerate(active) if other != place])
        support = int((mine & own).sum()) / count
        if int((mine & others & ~own).sum()) <= _STRAY * count and support >= _SUPPORT:
            fits.append((support, place))
    return max(fits)[1] if fits else None
