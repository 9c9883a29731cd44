"""Conditions that both drives share: cells of commanded angle and engine speed within one oil window. A cam held far
out at high speed is not compared with one at idle: only cells that both drives visited count, and readings are weighted
so that both drives spend the same share of time in each cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.changes.change import messages

CELL_COMMAND_DEG = 10.0
CELL_SPEED_RPM = 500.0
CELL_MIN_S = 1.0
# A cell's number is its command index times _ROW plus its speed index; both indices stay far below _ROW.
_ROW = 1000


@dataclass(frozen=True, eq=False)
class Shared:
    """Weights (n,) of each drive's readings, zero outside shared cells, and the cells they share."""

    before: np.ndarray
    after: np.ndarray
    cells: np.ndarray
    seconds: float

    @property
    def words(self) -> str:
        return range_words(self.cells)


def range_words(cells: np.ndarray) -> str:
    """The range of command and engine speed that the cells cover, in words; "" for no cells."""
    if not len(cells):
        return ""
    command, speed = np.divmod(cells, _ROW)
    low, high = (np.array([command.min(), command.max() + 1]) - _ROW // 2) * CELL_COMMAND_DEG
    slow, fast = np.array([speed.min(), speed.max() + 1]) * CELL_SPEED_RPM
    return messages("shared.command_and_speed", low=low, high=high, slow=slow, fast=fast)


def cells_of(command_deg: np.ndarray, speed_rpm: np.ndarray) -> np.ndarray:
    """The cell of each reading (n,), -1 where command or engine speed is unknown."""
    known = np.isfinite(command_deg) & np.isfinite(speed_rpm)
    command = np.floor(np.where(known, command_deg, 0.0) / CELL_COMMAND_DEG).astype(np.int64) + _ROW // 2
    speed = np.floor(np.where(known, speed_rpm, 0.0) / CELL_SPEED_RPM).astype(np.int64)
    return np.where(known, command * _ROW + speed, -1)


def shared(
    cell_before: np.ndarray, seconds_before: np.ndarray, cell_after: np.ndarray, seconds_after: np.ndarray
) -> Shared:
    """The cells that both drives share, and each reading's weight. Takes each reading's cell (n,) and duration (s)."""
    one, time_one = _times(cell_before, seconds_before)
    two, time_two = _times(cell_after, seconds_after)
    both, at_one, at_two = np.intersect1d(one, two, return_indices=True)
    least = np.minimum(time_one[at_one], time_two[at_two])
    keep = (least >= CELL_MIN_S) & (both >= 0)
    both, least = both[keep], least[keep]
    return Shared(
        _weights(cell_before, both, least / time_one[at_one][keep]),
        _weights(cell_after, both, least / time_two[at_two][keep]),
        both, float(np.sum(least)),
    )  # fmt: skip


def _times(cell: np.ndarray, seconds: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    cells, place = np.unique(cell, return_inverse=True)
    return cells, np.bincount(place, seconds, len(cells))


def _weights(cell: np.ndarray, cells: np.ndarray, weight: np.ndarray) -> np.ndarray:
    if not len(cells):
        return np.zeros(len(cell))
    place = np.clip(np.searchsorted(cells, cell), 0, len(cells) - 1)
    return np.where(cells[place] == cell, weight[place], 0.0)
