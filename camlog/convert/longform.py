"""Long tables, a row a reading (time, signal, value, unit), into one row a moment and one column a signal."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from camlog.convert.layout import SourceColumn
from camlog.convert.limits import MAX_COLUMNS
from camlog.convert.store import RowStore
from camlog.errors import InputError


class LongRows:
    """Readings as (time, signal, value), in the order of the file.

    A signal is a name and the unit beside it. `each_in_order` is True while every signal's own times never
    decrease, whatever the order of the signals.
    """

    def __init__(self, path: Path):
        self._path = path
        self._store = RowStore(3)
        self._codes: dict[tuple[str, str], int] = {}
        self._last = np.empty(0)
        self.each_in_order = True

    @property
    def rows(self) -> int:
        return self._store.rows

    def append(
        self,
        times: np.ndarray,
        names: list[str],
        units: list[str] | None,
        values: np.ndarray,
        lines: np.ndarray,
    ) -> None:
        """Add readings; all arguments have the same length. Raises InputError for too many signals."""
        import pandas as pd

        local, unique = pd.factorize(np.asarray(names, dtype=object))
        pairs = [(str(name).strip(), "") for name in unique]
        if units is not None:
            unit_codes, unit_texts = pd.factorize(np.asarray(units, dtype=object))
            both, local = np.unique(local * len(unit_texts) + unit_codes, return_inverse=True)
            pairs = [
                (
                    str(unique[code // len(unit_texts)]).strip(),
                    str(unit_texts[code % len(unit_texts)]).strip(),
                )
                for code in both
            ]
        mapped = np.empty(len(pairs), dtype=np.int64)
        for i, pair in enumerate(pairs):
            code = self._codes.setdefault(pair, len(self._codes))
            if code >= MAX_COLUMNS:
                line = int(lines[int(np.flatnonzero(local == i)[0])])
                raise InputError(
                    f"has more than {MAX_COLUMNS} different signals", file=self._path, line=line,
                    remedy="This is no recording of a drive; check which file is meant.",
                )  # fmt: skip
            mapped[i] = code
        codes = mapped[local]
        self._watch(times, codes)
        keep = np.isfinite(values)
        self._store.append(np.column_stack([times[keep], codes[keep], values[keep]]))

    def _watch(self, times: np.ndarray, codes: np.ndarray) -> None:
        if not self.each_in_order:
            return
        last = np.full(len(self._codes), -np.inf)
        last[: len(self._last)] = self._last
        order = np.argsort(codes, kind="stable")
        t, c = times[order], codes[order]
        begins = np.concatenate([[True], c[1:] != c[:-1]])
        before = np.where(begins, last[c], np.concatenate([[0.0], t[:-1]]))
        self.each_in_order = bool((t >= before).all())
        last[c] = t  # of equal indices the last stays
        self._last = last

    def pivot(self, sort: bool) -> tuple[RowStore, tuple[SourceColumn, ...]]:
        """One row a moment, and the columns: a new row where the time changes or a signal comes again."""
        readings = self._store.sorted_by_first() if sort else self._store
        wide = RowStore(1 + len(self._codes))
        carry = np.empty((0, 3))
        # A moment takes a whole row of the wide table, however few signals it has.
        step = max(64, (1 << 20) // (1 + len(self._codes)))
        for block in readings.blocks():
            for start in range(0, len(block), step):
                piece = np.concatenate([carry, block[start : start + step]])
                # The last moment may go on in the next piece.
                others = np.flatnonzero(piece[:, 0] != piece[-1, 0])
                cut = int(others[-1]) + 1 if len(others) else 0
                if len(piece) - cut > 4 * step:
                    cut = len(piece)
                wide.append(self._rows_of(piece[:cut]))
                carry = piece[cut:]
        wide.append(self._rows_of(carry))
        readings.close()
        self._store.close()
        columns = tuple(
            SourceColumn(code, name, unit, "number")
            for (name, unit), code in sorted(self._codes.items(), key=lambda p: p[1])
        )
        return wide, columns

    def _rows_of(self, readings: np.ndarray) -> np.ndarray:
        width = 1 + len(self._codes)
        if not len(readings):
            return np.empty((0, width))
        times, codes = readings[:, 0], readings[:, 1].astype(np.int64)
        moment = np.concatenate([[0], np.cumsum(times[1:] != times[:-1])])
        # How often the signal stood at this moment before: the second time is a row of its own.
        key = moment * width + codes
        order = np.argsort(key, kind="stable")
        begins = np.concatenate([[True], key[order][1:] != key[order][:-1]])
        place = np.arange(len(key))
        again = np.empty(len(key), dtype=np.int64)
        again[order] = place - np.maximum.accumulate(np.where(begins, place, 0))
        rows_in_moment = np.zeros(int(moment[-1]) + 1, dtype=np.int64)
        np.maximum.at(rows_in_moment, moment, again + 1)
        start = np.concatenate([[0], np.cumsum(rows_in_moment)])
        row = start[moment] + again
        wide = np.full((int(start[-1]), width), np.nan)
        wide[row, 0] = times
        wide[row, 1 + codes] = readings[:, 2]
        return wide
