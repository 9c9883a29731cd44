"""Figures of every column of a table: the range of its values, and the rows that only repeat the value before.

A logger that writes a whole row whenever one value arrives repeats the others. Such a repeat is no reading. It is found
by its runs: the distances between changes are multiples of the logger's cycle in rows, which does not happen by chance,
or a restless value never changes in two consecutive rows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from camlog.convert.rows import RowStore

_MAX_GAP = 512
_MIN_CHANGES = 20
_LUCK = 1e-6
_MAX_PERIOD = 64
_SLIPS = 0.02
# Share of changes that reverse the direction, from which a quantity is restless; a smooth one rises or falls for long.
_RESTLESS = 0.2
_TURNING = 0.05
_SAMPLE_ROWS = 4000
_OUTLIERS = 0.005


@dataclass(frozen=True)
class ColumnFigures:
    """Figures of one column: `count` values from `low` to `high`; `sample` are some values in order; `whole` is True if
    all are whole numbers; `changes` are the rows whose value differs from the row before; each reading is repeated for
    `held_rows` rows (1: not held).

    `repeated`, shape (rows,), is True where a row repeats it for another reason (None: nowhere).
    """

    count: int
    low: float
    high: float
    sample: np.ndarray
    whole: bool
    held_rows: int = 1
    changes: int = 0
    repeated: np.ndarray | None = None

    @property
    def repeated_share(self) -> float:
        """Share of all rows that repeat it, not counting `held_rows`."""
        return 0.0 if self.repeated is None else round(float(self.repeated.mean()), 4)

    @property
    def usual(self) -> tuple[float, float]:
        """The range without the outermost values, which may be failed readings."""
        if not len(self.sample):
            return self.low, self.high
        low, high = np.quantile(self.sample, (_OUTLIERS, 1 - _OUTLIERS), method="nearest")
        return float(low), float(high)

    @property
    def span(self) -> float:
        return self.high - self.low if self.count else math.nan


class _Runs:
    """Runs of equal values of one column: `gaps[n]` counts changes n rows apart; `turns` of `moves` changes reverse the
    direction of the change before."""

    def __init__(self, values: np.ndarray, rows: int):
        self.rows, self.missing = rows, rows - len(values)
        counted = values if self.missing <= 0.05 * rows + 50 else values[:0]
        steps = np.diff(counted)
        changed = np.flatnonzero(steps) + 1
        self.moves = len(changed)
        # The first run may have started before the file.
        self.gaps = np.bincount(np.minimum(np.diff(changed), _MAX_GAP), minlength=_MAX_GAP + 1)
        self.gaps[_MAX_GAP] = 0  # the length of longer runs is unknown
        directions = np.sign(steps[changed - 1])
        self.turns = int(np.count_nonzero(np.diff(directions)))

    @property
    def few_missing(self) -> bool:
        """False if empty cells already show which rows are readings."""
        return self.missing <= 0.05 * self.rows

    @property
    def usable(self) -> bool:
        return self.moves >= _MIN_CHANGES and self.few_missing

    def period(self) -> int:
        """The number of rows from one reading to the next; 1 if every row may be a reading."""
        # A smooth rise in even steps looks the same held or not, so the value must reverse sometimes.
        if not self.usable or self.moves <= _MIN_CHANGES or self.turns < _TURNING * self.moves:
            return 1
        known = int(self.gaps.sum())
        for period in range(_MAX_PERIOD, 1, -1):
            fits = int(self.gaps[period::period].sum())
            # Two gaps in a run of luck: each fits by chance once in `period`.
            if known >= _MIN_CHANGES and fits >= (1 - _SLIPS) * known and self.gaps[period] >= 0.05 * known:
                slips = known - fits
                log_ways = math.lgamma(known + 1) - math.lgamma(slips + 1) - math.lgamma(fits + 1)
                if known * math.log(period) - log_ways > -math.log(_LUCK):
                    return period
        shortest = int(np.searchsorted(np.cumsum(self.gaps), 0.02 * known, side="right"))
        if shortest >= 2 and self.turns >= _RESTLESS * self.moves and known >= 2 * _MIN_CHANGES:
            # Readings that change with probability `rate` per row would often change in the next row.
            rate = min((self.moves - 1) / max(1, self.rows), 0.999)
            if known * (shortest - 1) * -math.log1p(-rate) > -math.log(_LUCK) + 5:
                return int(np.searchsorted(np.cumsum(self.gaps), 0.5 * known))
        return 1

    def fits(self, period: int) -> bool:
        """True if the changes do not contradict a new reading every `period` rows."""
        return self.few_missing and int(self.gaps[::period].sum()) >= (1 - _SLIPS) * int(self.gaps.sum())


def column_figures(store: RowStore) -> list[ColumnFigures]:
    """Figures of each column of a store except the first, the time."""
    figures, runs = [], []
    step = max(1, store.rows // _SAMPLE_ROWS)
    for j in range(1, store.width):
        column = store.column(j)
        finite = np.isfinite(column)
        values = column if finite.all() else column[finite]
        some = column[::step]
        runs.append(_Runs(values, len(column)))
        figures.append(
            ColumnFigures(
                len(values), float(values.min()) if len(values) else math.nan,
                float(values.max()) if len(values) else math.nan, some[np.isfinite(some)],
                bool((values == np.floor(values)).all()), runs[-1].period(), runs[-1].moves,
            )
        )  # fmt: skip
    # If most columns are held alike, columns with too few changes count as held in the same way.
    telling = [
        f.held_rows for f, r in zip(figures, runs, strict=True) if f.held_rows > 1 or (r.usable and not r.fits(2))
    ]
    held = [p for p in telling if p > 1]
    if len(held) < 2 or len(held) < 0.6 * len(telling) or len(set(held)) > 1:
        return figures
    return [
        replace(f, held_rows=held[0]) if f.held_rows == 1 and f.count and r.fits(held[0]) else f
        for f, r in zip(figures, runs, strict=True)
    ]


def held_repeats(values: np.ndarray, period: int) -> np.ndarray:
    """True where a row of a held column only repeats, shape (rows,). Readings are the changes of the value and every
    `period`-th row after a change, until the next change."""
    finite = np.isfinite(values)
    changed = (values != np.concatenate([[math.nan], values[:-1]])) & finite
    place = np.arange(len(values))
    since = place - np.maximum.accumulate(np.where(changed, place, 0))
    return (since % period != 0) | ~finite
