"""Rows of numbers that may be more than memory holds: small ones stay, large ones go to a temporary file."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator

import numpy as np

from camlog.convert.limits import MAX_CELLS
from camlog.errors import InputError

IN_MEMORY_BYTES = 24 << 20
ROWS_AT_ONCE = 1 << 15


class RowStore:
    """Rows of `width` float64 values, appended in order and read back as often as needed."""

    def __init__(self, width: int):
        self.width = width
        self.rows = 0
        self._kept: list[np.ndarray] = []
        self._kept_bytes = 0
        self._file = None

    def append(self, block: np.ndarray) -> None:
        """Add rows, shape (n, width). Raises InputError where the disk is full or no drive has so many
        values."""
        block = np.ascontiguousarray(block, dtype=np.float64)
        self.rows += len(block)
        if self.rows * self.width > MAX_CELLS:
            raise InputError(
                f"the table has more than {MAX_CELLS // 1_000_000} million cells ({self.width - 1} columns)",
                remedy="Split it, or leave out columns that are not needed.",
            )
        self._kept.append(block)
        self._kept_bytes += block.nbytes
        if self._kept_bytes > IN_MEMORY_BYTES:
            self._spill()

    def _spill(self) -> None:
        try:
            if self._file is None:
                self._file = tempfile.TemporaryFile(prefix="camlog-")
            for block in self._kept:
                self._file.write(memoryview(block).cast("B"))
            self._file.flush()
        except OSError as error:
            raise InputError(
                f"no room for the rows while converting ({error.strerror})", file=tempfile.gettempdir(),
                remedy="Free some space there, or set TMPDIR to a folder with more.",
            ) from error  # fmt: skip
        self._kept, self._kept_bytes = [], 0

    @property
    def _rows_at_once(self) -> int:
        return max(256, min(ROWS_AT_ONCE, (8 << 20) // (8 * max(1, self.width))))

    def blocks(self) -> Iterator[np.ndarray]:
        """All rows in order, in arrays (n, width) that the caller may change."""
        if self._file is not None:
            at, step = 0, self._rows_at_once
            spilled = self.rows - sum(len(b) for b in self._kept)
            while at < spilled:
                count = min(step, spilled - at)
                self._file.seek(at * self.width * 8)
                raw = bytearray(self._file.read(count * self.width * 8))
                yield np.frombuffer(raw, dtype=np.float64).reshape(count, self.width)
                at += count
            self._file.seek(0, 2)
        for block in self._kept:
            for start in range(0, len(block), self._rows_at_once):
                yield block[start : start + self._rows_at_once].copy()

    def column(self, index: int) -> np.ndarray:
        """One column whole, shape (rows,)."""
        return np.concatenate([b[:, index] for b in self.blocks()]) if self.rows else np.empty(0)

    def sample(self, most: int) -> np.ndarray:
        """Evenly spaced rows, at most about `most` of them, shape (n, width)."""
        step = max(1, self.rows // most)
        taken, at = [], 0
        for block in self.blocks():
            taken.append(block[(-at) % step :: step])
            at += len(block)
        return np.concatenate(taken) if taken else np.empty((0, self.width))

    def sorted_by_first(self, reverse: bool = False) -> RowStore:
        """The same rows in order of their first value; rows of one value keep their order (or its
        reverse)."""
        every = np.concatenate(list(self.blocks()))
        if reverse:
            every = every[::-1]
        order = np.argsort(every[:, 0], kind="stable")
        found = RowStore(self.width)
        for start in range(0, len(order), self._rows_at_once):
            found.append(every[order[start : start + self._rows_at_once]])
        return found

    def close(self) -> None:
        if self._file is not None:
            self._file.close()
        self._file, self._kept = None, []
