"""Which rows only repeat some values, where a logger writes everything each time one answer arrives.

Values that come in one answer change in the same rows, and in no row in which another answer's values do.
That two restless columns never change together, though each changes often at that time, does not happen by
chance: it shows such a logger. Columns then fall into groups, one an answer, and a row in which only another
group changed holds no reading of this one.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from camlog.convert.figures import ColumnFigures
from camlog.convert.rows import RowStore

_MOST_COLUMNS = 64
_FILLED = 0.95
_MOST_SEEDS = 12
# Chance is reckoned from how often columns change nearby, for a drive has its phases; a few hours are enough.
_WINDOW_ROWS = 128
_MOST_WINDOWS = 1500
_TURNS = 8
_RARELY_TOGETHER = 0.25
_EVIDENCE = 14.0  # minus the logarithm of the chance that two columns keep apart like that by luck
_ENOUGH_CHANGES = 20
# Of a column's changes: how many may stand in rows of other groups only, and how many must in its own.
_STRAY = 0.1
_SUPPORT = 0.3
_DUE = 0.75  # of the usual time between two readings


def without_repeats(store: RowStore, figures: list[ColumnFigures]) -> list[ColumnFigures]:
    """The figures with what is known of repeats: one period for all columns where there is one, else groups."""
    periods = {f.held_rows for f in figures if f.changes >= _ENOUGH_CHANGES}
    if len(periods) == 1 and periods != {1}:
        return figures
    groups = _groups(store, figures)
    found = [replace(f, held_rows=1) for f in figures] if groups else list(figures)
    for columns, repeated in groups:
        for j in columns:
            found[j] = replace(found[j], repeated=repeated)
    return found


def _groups(store: RowStore, figures: list[ColumnFigures]) -> list[tuple[list[int], np.ndarray]]:
    """Columns (indices from 0) that come in one answer, and where a row only repeats them, shape (rows,).

    None where every row may hold readings of everything.
    """
    # Where cells are left empty, that already says what is a reading.
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
    """True where a value is another than in the row before, shape (rows, columns)."""
    found = np.zeros((store.rows, len(columns)), dtype=bool)
    for place, j in enumerate(columns):
        values = store.column(j + 1)
        # A value that appears is a reading; one that goes missing is none.
        found[0, place] = np.isfinite(values[0])
        found[1:, place] = (values[1:] != values[:-1]) & np.isfinite(values[1:])
    return found


def _same_again(time: np.ndarray, active: np.ndarray, silent: np.ndarray) -> np.ndarray:
    """The rows among `silent`, in which nothing changed, at which this group's next reading was due: the same
    value again. `active` are the rows in which it changed; all are row indices, `time` is of every row."""
    if len(active) < 3 or not len(silent):
        return silent[:0]
    moments = time[active]
    due = _DUE * float(np.quantile(np.diff(moments), 0.25))
    after = np.searchsorted(active, silent)
    since = time[silent] - np.where(after > 0, moments[np.maximum(after - 1, 0)], -np.inf)
    until = np.where(after < len(active), moments[np.minimum(after, len(active) - 1)], np.inf) - time[silent]
    open_rows = silent[(since >= due) & (until >= due)]
    taken, last = [], -np.inf
    for row, moment in zip(open_rows.tolist(), time[open_rows].tolist(), strict=True):
        if moment - last >= due:
            taken.append(row)
            last = moment
    return np.asarray(taken, dtype=np.int64)


def _furthest_apart(changed: np.ndarray) -> tuple[int, int] | None:
    """The two columns that keep apart most surely, None where no two do."""
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
    """How surely two columns keep apart, as minus the logarithm of chance; both (windows, rows) of changes.

    Only windows count in which they take turns many times: columns of different phases of a drive do not.
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
    """Columns (of `changed`, busiest first) in groups; a column nothing can be said of is in none."""
    groups = [[apart[0]], [apart[1]]]
    active = [changed[:, j].copy() for j in apart]
    for j in sorted(set(range(changed.shape[1])) - set(apart)):
        mine = changed[:, j]
        best = _best_group(mine, active)
        if best is not None:
            groups[best].append(j)
            active[best] |= mine
        elif mine.sum() >= _ENOUGH_CHANGES:
            groups.append([j])
            active.append(mine.copy())
    return groups


def _best_group(mine: np.ndarray, active: list[np.ndarray]) -> int | None:
    count = int(mine.sum())
    if not count:  # it never changes: any answer may carry it
        return int(np.argmax([a.sum() for a in active]))
    fits = []
    for place, own in enumerate(active):
        others = np.logical_or.reduce([a for other, a in enumerate(active) if other != place])
        support = int((mine & own).sum()) / count
        if int((mine & others & ~own).sum()) <= _STRAY * count and support >= _SUPPORT:
            fits.append((support, place))
    return max(fits)[1] if fits else None
