"""Rows of numbers that may be more than memory holds: small tables stay there, large ones go to a temporary file."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator

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
        """Add rows, shape (n, width). Raises InputError where the disk is full or no drive has so many values."""
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
        """One column whole, shape (rows,)."""
        found = [self._read(place + 8 * rows * index, rows) for place, rows in self._parts]
        return np.concatenate(found) if found else np.empty(0)

    def _read(self, place: int, count: int) -> np.ndarray:
        self._file.seek(place)
        return np.frombuffer(bytearray(self._file.read(8 * count)), dtype=np.float64)

    def reordered(self, order: np.ndarray) -> RowStore:
        """The same rows in another order, in a store of its own; this one is closed."""
        every = np.concatenate(list(self.blocks()))
        self.close()
        found = RowStore(self.width)
        step = max(64, _CELLS_AT_ONCE // self.width)
        for start in range(0, len(order), step):
            found.append(every[order[start : start + step]])
        return found

    def with_first(self, values: np.ndarray) -> RowStore:
        """The same rows with other values in the first column, in a store of its own; this one is closed."""
        found, at = RowStore(self.width), 0
        for block in self.blocks():
            block[:, 0] = values[at : at + len(block)]
            at += len(block)
            found.append(block)
        self.close()
        return found

    def close(self) -> None:
        self._file.close()
        self._parts = []


def one_row_a_moment(readings: RowStore, width: int) -> RowStore:
    """Readings as (time, column, value) in order of time, as rows of (time, value of each column); closes `readings`.

    A new row begins where the time changes or a column comes again; `width` is the number of columns.
    """
    wide = RowStore(1 + width)
    # A moment takes a whole row of the wide table, however few columns it has.
    step = max(64, _CELLS_AT_ONCE // (1 + width))
    carry = np.empty((0, 3))
    for block in readings.blocks():
        for start in range(0, len(block), step):
            piece = np.concatenate([carry, block[start : start + step]])
            # The last moment may go on in the next piece.
            others = np.flatnonzero(piece[:, 0] != piece[-1, 0])
            cut = int(others[-1]) + 1 if len(others) else 0
            cut = len(piece) if len(piece) - cut > 4 * step else cut
            wide.append(_wide_rows(piece[:cut], width))
            carry = piece[cut:]
    wide.append(_wide_rows(carry, width))
    readings.close()
    return wide


def _wide_rows(readings: np.ndarray, width: int) -> np.ndarray:
    if not len(readings):
        return np.empty((0, 1 + width))
    times, columns = readings[:, 0], readings[:, 1].astype(np.int64)
    moment = np.concatenate([[0], np.cumsum(times[1:] != times[:-1])])
    # How often the column stood at this moment before: the second time is a row of its own.
    key = moment * width + columns
    order = np.argsort(key, kind="stable")
    begins = np.concatenate([[True], key[order][1:] != key[order][:-1]])
    place = np.arange(len(key))
    again = np.empty(len(key), dtype=np.int64)
    again[order] = place - np.maximum.accumulate(np.where(begins, place, 0))
    rows_in_moment = np.zeros(int(moment[-1]) + 1, dtype=np.int64)
    np.maximum.at(rows_in_moment, moment, again + 1)
    start = np.concatenate([[0], np.cumsum(rows_in_moment)])
    row = start[moment] + again
    wide = np.full((int(start[-1]), 1 + width), np.nan)
    wide[row, 0] = times
    wide[row, 1 + columns] = readings[:, 2]
    return wide
