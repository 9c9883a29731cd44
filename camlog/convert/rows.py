"""Stores rows of numbers: small tables in memory, large ones in a temporary file."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator

import numpy as np

from camlog.convert.limits import MAX_CELLS
from camlog.convert.words import say

IN_MEMORY_BYTES = 24 << 20
_CELLS_AT_ONCE = 1 << 20


class RowStore:
    """Rows of `width` float64 values, appended in order and read back as often as needed."""

    def __init__(self, width: int):
        self.width = width
        self.rows = 0
        self._parts: list[tuple[int, int]] = []  # place in the file and rows of each block, column after column
        self._file = tempfile.SpooledTemporaryFile(IN_MEMORY_BYTES, prefix="camlog-")

    def append(self, block: np.ndarray) -> None:
        """Add rows, shape (n, width). Raises InputError if the disk is full or there are more values than in any
        drive."""
        if not len(block):
            return
        self.rows += len(block)
        if self.rows * self.width > MAX_CELLS:
            raise say.error("too_many_cells", millions=MAX_CELLS // 1_000_000, columns=self.width - 1)
        try:
            self._parts.append((self._file.seek(0, 2), len(block)))
            self._file.write(np.ascontiguousarray(block.T, dtype=np.float64).data.cast("B"))
        except OSError as error:
            raise say.error("no_room", file=tempfile.gettempdir(), error=error.strerror) from error

    def blocks(self) -> Iterator[np.ndarray]:
        """All rows in order, in arrays (n, width) that the caller may change."""
        for place, rows in self._parts:
            yield self._read(place, rows * self.width).reshape(self.width, rows).T

    def column(self, index: int) -> np.ndarray:
        """One whole column, shape (rows,)."""
        pieces = [self._read(place + 8 * rows * index, rows) for place, rows in self._parts]
        return np.concatenate(pieces) if pieces else np.empty(0)

    def _read(self, place: int, count: int) -> np.ndarray:
        self._file.seek(place)
        return np.frombuffer(bytearray(self._file.read(8 * count)), dtype=np.float64)

    def reordered(self, order: np.ndarray) -> RowStore:
        """A new store with the same rows in another order; this one is closed."""
        every = np.concatenate(list(self.blocks()))
        step = max(64, _CELLS_AT_ONCE // self.width)
        return self.replaced(every[order[start : start + step]] for start in range(0, len(order), step))

    def with_first(self, values: np.ndarray) -> RowStore:
        """A new store with other values in the first column; this one is closed."""
        firsts = np.split(values, np.cumsum([rows for _, rows in self._parts])[:-1])
        pairs = zip(firsts, self.blocks(), strict=True)
        return self.replaced(np.column_stack([first, block[:, 1:]]) for first, block in pairs)

    def replaced(self, blocks: Iterable[np.ndarray]) -> RowStore:
        """A new store of these rows; this one is closed."""
        store = RowStore(self.width)
        for block in blocks:
            store.append(block)
        self.close()
        return store

    def close(self) -> None:
        self._file.close()
        self._parts = []


def one_row_a_moment(readings: RowStore, width: int) -> RowStore:
    """Convert readings (time, column, value) in order of time to rows (time, value of each column); closes `readings`.

    A new row begins if the time changes or a column comes again; `width` is the number of columns.
    """
    wide = RowStore(1 + width)
    # Each time needs a whole row of the wide table, even with few columns.
    step = max(64, _CELLS_AT_ONCE // (1 + width))
    carry = np.empty((0, 3))
    for block in readings.blocks():
        for start in range(0, len(block), step):
            piece = np.concatenate([carry, block[start : start + step]])
            # The last row may continue in the next piece.
            others = np.flatnonzero(piece[:, 0] != piece[-1, 0])
            cut = int(others[-1]) + 1 if len(others) else 0
            cut = len(piece) if len(piece) - cut > 4 * step else cut
            wide.append(_wide_rows(piece[:cut], width))
            carry = piece[cut:]
    wide.append(_wide_rows(carry, width))
    readings.close()
    return wide


def _wide_rows(readings: np.ndarray, width: int) -> np.ndarray:
    import pandas as pd

    times, columns = readings[:, 0], readings[:, 1].astype(np.int64)
    moment = np.concatenate([[0], np.cumsum(np.diff(times) != 0)])[: len(times)]
    # A column that comes again at one moment is in a row of its own.
    again = pd.Series(columns).groupby(moment * width + columns, sort=False).cumcount().to_numpy()
    rows, row = np.unique(moment * len(times) + again, return_inverse=True)
    wide = np.full((len(rows), 1 + width), np.nan)
    wide[row, 0], wide[row, 1 + columns] = times, readings[:, 2]
    return wide
