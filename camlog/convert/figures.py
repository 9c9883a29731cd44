"""Figures of every column of a table: what range its values have, and whether values were only held.

A logger that writes a whole row each time one value arrives repeats the others. Such a repeat is no reading.
It shows in the runs: the distances between changes are multiples of the number of rows in which the logger
goes round, which chance does not make; or a restless value never changes in two rows running.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from camlog.convert.store import RowStore

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
    where all are whole numbers, `held_rows` the rows for which each reading is repeated (1: not held) and
    `held_why` the evidence.

    `changes` counts the rows whose value is another than before. `repeated` is True where a row repeats it
    for another reason (None: nowhere), shape (rows,).
    """

    count: int
    low: float
    high: float
    sample: np.ndarray
    whole: bool
    held_rows: int = 1
    held_why: str = ""
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
    """Runs of equal values, one column at a time, over all blocks."""

    def __init__(self):
        self.gaps = np.zeros(_MAX_GAP + 1, dtype=np.int64)
        self.turns = self.moves = 0
        self.since: int | None = None
        self.value = math.nan
        self.direction = 0.0
        self.missing = self.rows = 0

    def see(self, values: np.ndarray, rows: int) -> None:
        """Take in the next values; of `rows` rows only these held one."""
        self.rows += rows
        missing = rows - len(values)
        self.missing += missing
        if missing and self.missing > 0.05 * self.rows + 50:
            return  # empty cells already say what is a reading
        if not len(values):
            return
        before = np.concatenate([[self.value], values[:-1]])
        changed = np.flatnonzero((values != before) & ~np.isnan(before))
        if self.since is None:
            self.since = 0
        if len(changed):
            gaps = np.diff(np.concatenate([[-self.since], changed]))
            if self.direction == 0.0:
                gaps = gaps[1:]  # the first run may have begun before the file
            self.gaps += np.bincount(np.minimum(gaps, _MAX_GAP), minlength=_MAX_GAP + 1)
            directions = np.sign(values[changed] - before[changed])
            both = np.concatenate([[self.direction or directions[0]], directions])
            self.turns += int(np.sum(both[1:] != both[:-1]))
            self.moves += len(changed)
            self.direction = float(directions[-1])
            self.since = len(values) - int(changed[-1])
        else:
            self.since += len(values)
        self.value = float(values[-1])

    @property
    def usable(self) -> bool:
        return self.moves >= _MIN_CHANGES and self.missing <= 0.05 * self.rows

    def period(self) -> tuple[int, str]:
        """Rows in which the value is renewed (1 where every row may be a reading), and the evidence."""
        counted = self.gaps.copy()
        total = int(counted.sum())
        # A smooth climb in even steps looks the same held or not: only a value that turns back can tell.
        if not self.usable or total < _MIN_CHANGES or self.turns < _TURNING * self.moves:
            return 1, ""
        lengths = np.arange(len(counted))
        inner = counted.copy()
        inner[_MAX_GAP] = 0  # longer runs are only known to be long
        known = int(inner.sum())
        for period in range(_MAX_PERIOD, 1, -1):
            fits = int(inner[(lengths % period == 0) & (lengths > 0)].sum())
            # Two gaps in a run of luck: each fits by chance once in `period`.
            if known >= _MIN_CHANGES and fits >= (1 - _SLIPS) * known and inner[period] >= 0.05 * known:
                if known * math.log(period) - _slip_ways(known, known - fits) > -math.log(_LUCK):
                    return period, f"its changes stand {period} rows apart or a multiple of that"
        shortest = int(np.searchsorted(np.cumsum(inner), 0.02 * known, side="right"))
        rate = total / max(1, self.rows)
        if shortest >= 2 and self.turns >= _RESTLESS * self.moves and known >= 2 * _MIN_CHANGES:
            # Readings that change with chance `rate` a row would often change in the very next row.
            if known * (shortest - 1) * -math.log1p(-min(rate, 0.999)) > -math.log(_LUCK) + 5:
                usual = int(np.searchsorted(np.cumsum(inner), 0.5 * known))
                return usual, f"it is restless, yet never changes within {shortest} rows"
        return 1, ""

    def fits(self, period: int) -> bool:
        """True where the changes there are do not speak against renewal every `period` rows."""
        lengths = np.arange(len(self.gaps) - 1)
        fitting = int(self.gaps[:-1][lengths % period == 0].sum())
        return self.missing <= 0.05 * self.rows and fitting >= (1 - _SLIPS) * int(self.gaps[:-1].sum())


def _slip_ways(known: int, slips: int) -> float:
    return math.lgamma(known + 1) - math.lgamma(slips + 1) - math.lgamma(known - slips + 1)


def column_figures(store: RowStore) -> list[ColumnFigures]:
    """Figures of each column of a store but its first, the time."""
    width = store.width - 1
    runs = [_Runs() for _ in range(width)]
    count = np.zeros(width, dtype=np.int64)
    low, high = np.full(width, np.inf), np.full(width, -np.inf)
    whole = np.ones(width, dtype=bool)
    for block in store.blocks():
        for j in range(width):
            values = np.ascontiguousarray(block[:, j + 1])
            rows = len(values)
            if not np.isfinite(values.sum()):  # a missing value makes the sum missing: mostly there is none
                values = values[np.isfinite(values)]
            if len(values):
                count[j] += len(values)
                low[j], high[j] = min(low[j], values.min()), max(high[j], values.max())
                if whole[j]:
                    whole[j] = bool((values == np.floor(values)).all())
            runs[j].see(values, rows)
    sample = store.sample(_SAMPLE_ROWS)
    found = []
    for j in range(width):
        values = sample[:, j + 1]
        period, why = runs[j].period()
        some = values[np.isfinite(values)]
        if not count[j]:
            low[j] = high[j] = math.nan
        found.append(
            ColumnFigures(
                int(count[j]), float(low[j]), float(high[j]), some, bool(whole[j]), period, why, runs[j].moves
            )
        )
    return _with_company(found, runs)


def _with_company(found: list[ColumnFigures], runs: list[_Runs]) -> list[ColumnFigures]:
    """Columns too still to tell by themselves are held like the others where most others are, all alike."""
    told = [
        f.held_rows
        for f, r in zip(found, runs, strict=True)
        if f.held_rows > 1 or (r.usable and not r.fits(2))
    ]
    held = [p for p in told if p > 1]
    if len(held) < 2 or len(held) < 0.6 * len(told) or len(set(held)) > 1:
        return found
    period = held[0]
    why = f"the other columns are renewed every {period} rows"
    return [
        replace(f, held_rows=period, held_why=why) if f.held_rows == 1 and f.count and r.fits(period) else f
        for f, r in zip(found, runs, strict=True)
    ]


class HeldRows:
    """Blanks the repeats of one held column, block after block: a reading stays where the value changes and
    every `period` rows after that, until the next change."""

    def __init__(self, period: int):
        self._period = period
        self._value = math.nan
        self._since = 0

    def keep(self, values: np.ndarray) -> np.ndarray:
        """True where a row holds a reading of its own; `values` (rows,) of the next block."""
        if not len(values):
            return np.zeros(0, dtype=bool)
        before = np.concatenate([[self._value], values[:-1]])
        changed = (values != before) & np.isfinite(values)
        place = np.arange(len(values))
        anchor = np.maximum.accumulate(np.where(changed, place, -self._since))
        kept = ((place - anchor) % self._period == 0) & np.isfinite(values)
        self._since = int(len(values) - anchor[-1])
        self._value = float(values[-1])
        return kept
