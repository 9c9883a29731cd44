"""Rows of a logger that writes everything each time anything arrives: which rows only repeat some values.

Values that are read together are renewed together. Where several lively columns all stay exactly as they were
in one row, and move again in the next, far more often than they would by chance, that row was written for
something else, and repeats them. Values that rest at the same time for another reason (an engine at idle)
rest for several rows on end.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from camlog.convert.figures import ColumnFigures
from camlog.convert.store import RowStore

# An engine that stands still, or a link that is lost, leaves everything as it was for longer than this.
_LONGEST_REPEAT_ROWS = 3
_LEAST_SHARE = 0.02
_ABOVE_CHANCE = 4.0
_MOSTLY_ALONE = 0.7
_LIVELY = 0.3  # of all rows, those with another value
# Of a column's changes, those in the repeated rows, against what they would be if it changed anywhere.
_STRAY_CHANGES = 0.3


@dataclass(frozen=True)
class Repeats:
    """`rows` True where a row repeats the group, shape (rows,); `columns` the group, as indices from 0."""

    rows: np.ndarray
    columns: frozenset[int]

    @property
    def share(self) -> float:
        return float(self.rows.mean()) if len(self.rows) else 0.0


def find_repeats(store: RowStore, figures: list[ColumnFigures]) -> Repeats | None:
    """The rows that repeat the fast columns of a table, None where there is no such thing."""
    lively = [j for j, f in enumerate(figures) if _is_lively(f)]
    if len(lively) < 2:
        return None
    same = _same_as_before(store, lively)
    short, share = _short_rests(same.all(axis=1))
    by_chance = float(np.prod(same[~same.all(axis=1)].mean(axis=0))) if share < 1 else 1.0
    if share < _LEAST_SHARE or share < _ABOVE_CHANCE * by_chance:
        return None
    quieter = _renewed_with_them(store, figures, short, share)
    if quieter:
        # A row in which a quieter member of the group changes was no repeat.
        short, _ = _short_rests(same.all(axis=1) & _same_as_before(store, quieter).all(axis=1))
    return Repeats(short, frozenset(lively) | frozenset(quieter))


def _short_rests(still: np.ndarray) -> tuple[np.ndarray, float]:
    """Where `still` (rows,) is True for a moment only, and the share of those rows (0 where most rest longer)."""
    lengths = _run_lengths(still)
    short = still & (lengths <= _LONGEST_REPEAT_ROWS)
    alone = (still & (lengths == 1)).sum() >= _MOSTLY_ALONE * still.sum()
    moving = int((~still).sum())
    return short, float(short.sum() / max(1, short.sum() + moving)) if alone else 0.0


def _is_lively(figures: ColumnFigures) -> bool:
    return figures.held_rows == 1 and figures.count > 100 and figures.changes >= _LIVELY * figures.count


def _renewed_with_them(
    store: RowStore, figures: list[ColumnFigures], short: np.ndarray, share: float
) -> list[int]:
    """Quieter columns that do not change in the repeated rows either.

    Both angles of a cam have to be treated alike: one without the other would look like a failing sensor.
    """
    quiet = [j for j, f in enumerate(figures) if not _is_lively(f) and f.held_rows == 1 and f.count]
    if not quiet:
        return []
    changed = ~_same_as_before(store, quiet)
    total, stray = changed.sum(axis=0), changed[short].sum(axis=0)
    return {
        j for j, n, s in zip(quiet, total.tolist(), stray.tolist(), strict=True) if s <= _STRAY_CHANGES * n
    }


def _same_as_before(store: RowStore, columns: list[int]) -> np.ndarray:
    """True where a value equals that of the row before, shape (rows, columns); the first row never does."""
    found = np.zeros((store.rows, len(columns)), dtype=bool)
    last, at = np.full(len(columns), np.nan), 0
    for block in store.blocks():
        values = block[:, [j + 1 for j in columns]]
        found[at] = values[0] == last
        found[at + 1 : at + len(values)] = values[1:] == values[:-1]
        last, at = values[-1], at + len(values)
    return found


def _run_lengths(still: np.ndarray) -> np.ndarray:
    """For each row the length of the run of equal flags it stands in, shape (rows,)."""
    edges = np.flatnonzero(np.diff(still.astype(np.int8))) + 1
    bounds = np.concatenate([[0], edges, [len(still)]])
    lengths = np.diff(bounds)
    return np.repeat(lengths, lengths)


def with_repeats(figures: list[ColumnFigures], repeats: Repeats | None) -> list[ColumnFigures]:
    """The figures with the repeated rows in those of the group's columns."""
    if repeats is None:
        return figures
    return [replace(f, repeated=repeats.rows) if j in repeats.columns else f for j, f in enumerate(figures)]
