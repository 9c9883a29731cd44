"""Figures of every column of a table: what range its values have, and which rows only repeat the value before.

A logger that writes a whole row each time one value arrives repeats the others. Such a repeat is no reading.
It shows in the runs: the distances between changes are multiples of the number of rows in which the logger
goes round, which chance does not make; or a restless value never changes in two rows running.
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
# A quantity that turns back at every fifth change is restless; a smooth one climbs or falls for long.
_RESTLESS = 0.2
_TURNING = 0.05
_SAMPLE_ROWS = 4000
_OUTLIERS = 0.005


@dataclass(frozen=True)
class ColumnFigures:
    """Of one column: `count` values, `low` and `high`, `sample` some of its values in order, `whole` True
    where all are whole numbers, `changes` the rows whose value is another than before, `held_rows` the rows for which
    each reading is repeated (1: not held).

    `repeated` is True where a row repeats it for another reason (None: nowhere), shape (rows,).
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
        """Share of all rows that repeat it, `held_rows` aside."""
        return 0.0 if self.repeated is None else round(float(self.repeated.mean()), 4)

    @property
    def usual(self) -> tuple[float, float]:
        """The range without its outermost values, which may be failed readings."""
        if not len(self.sample):
            return self.low, self.high
        low, high = np.quantile(self.sample, (_OUTLIERS, 1 - _OUTLIERS), method="nearest")
        return float(low), float(high)

    @property
    def span(self) -> float:
        return self.high - self.low if self.count else math.nan


class _Runs:
    """Runs of equal values of one column: `gaps[n]` counts changes n rows apart, `turns` those in the other direction
    than the change before, of `moves` in all."""

    def __init__(self, values: np.ndarray, rows: int):
        self.rows, self.missing = rows, rows - len(values)
        counted = values if self.missing <= 0.05 * rows + 50 else values[:0]
        steps = np.diff(counted)
        changed = np.flatnonzero(steps) + 1
        self.moves = len(changed)
        # The first run may have begun before the file.
        self.gaps = np.bincount(np.minimum(np.diff(changed), _MAX_GAP), minlength=_MAX_GAP + 1)
        self.gaps[_MAX_GAP] = 0  # longer runs are only known to be long
        directions = np.sign(steps[changed - 1])
        self.turns = int(np.count_nonzero(np.diff(directions)))

    @property
    def few_missing(self) -> bool:
        """False where empty cells already say what is a reading."""
        return self.missing <= 0.05 * self.rows

    @property
    def usable(self) -> bool:
        return self.moves >= _MIN_CHANGES and self.few_missing

    def period(self) -> int:
        """Rows in which the value is renewed; 1 where every row may be a reading."""
        # A smooth climb in even steps looks the same held or not: only a value that turns back can tell.
        if not self.usable or self.moves <= _MIN_CHANGES or self.turns < _TURNING * self.moves:
            return 1
        known = int(self.gaps.sum())
        for period in range(_MAX_PERIOD, 1, -1):
            fits = int(self.gaps[period::period].sum())
            # Two gaps in a run of luck: each fits by chance once in `period`.
            if known >= _MIN_CHANGES and fits >= (1 - _SLIPS) * known and self.gaps[period] >= 0.05 * known:
                slips = known - fits
                ways = math.lgamma(known + 1) - math.lgamma(slips + 1) - math.lgamma(fits + 1)
                if known * math.log(period) - ways > -math.log(_LUCK):
                    return period
        shortest = int(np.searchsorted(np.cumsum(self.gaps), 0.02 * known, side="right"))
        if shortest >= 2 and self.turns >= _RESTLESS * self.moves and known >= 2 * _MIN_CHANGES:
            # Readings that change with chance `rate` a row would often change in the very next row.
            rate = min((self.moves - 1) / max(1, self.rows), 0.999)
            if known * (shortest - 1) * -math.log1p(-rate) > -math.log(_LUCK) + 5:
                return int(np.searchsorted(np.cumsum(self.gaps), 0.5 * known))
        return 1

    def fits(self, period: int) -> bool:
        """True where the changes there are do not speak against renewal every `period` rows."""
        return self.few_missing and int(self.gaps[::period].sum()) >= (1 - _SLIPS) * int(self.gaps.sum())


def column_figures(store: RowStore) -> list[ColumnFigures]:
    """Figures of each column of a store but its first, the time."""
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
    # Columns too still to tell by themselves are held like the others where most others are, all alike.
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
    """True where a row of a held column only repeats: a reading stands where the value changes and every `period` rows
    after that, until the next change. Shape (rows,)."""
    there = np.isfinite(values)
    changed = (values != np.concatenate([[math.nan], values[:-1]])) & there
    place = np.arange(len(values))
    since = place - np.maximum.accumulate(np.where(changed, place, 0))
    return (since % period != 0) | ~there
