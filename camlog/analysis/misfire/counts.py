"""Misfire counters to events: what each count did between two polls, and over how many revolutions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from camlog.analysis.misfire import poisson
from camlog.trace import Trace

SPEED_GAP_S = 5.0  # engine speed is known between two readings while they are at most this far apart
KNOWN_SHARE = 0.8  # revolutions of a poll are trusted where the engine speed was known for this share of it
COUNTER_END = 65535  # the standard's counter is 16 bits wide and stays at its end
FIRST_POLL_S = 120.0  # a first poll this soon after a start counts from that start
# Some modules add up over a thousand revolutions before they report; a cylinder fires every second one.
REPORT_REV = 1000.0
REV_PER_FIRING = 2.0
# Counts are set against each other over stretches this long: bursts and lumped reports fit inside one.
BLOCK_REV = 1000.0


@dataclass(frozen=True)
class Revolutions:
    """Engine revolutions since the first reading: `total` and `known_s` at `time_s`, all shape (n,)."""

    time_s: np.ndarray
    total: np.ndarray
    known_s: np.ndarray

    def between(self, start_s: np.ndarray, end_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Revolutions and seconds of known engine speed from `start_s` to `end_s`, shapes as given."""
        if len(self.time_s) < 2:
            return np.zeros(np.shape(start_s)), np.zeros(np.shape(start_s))
        ends, starts = (
            [np.interp(t, self.time_s, v) for v in (self.total, self.known_s)] for t in (end_s, start_s)
        )
        return ends[0] - starts[0], ends[1] - starts[1]


def revolutions(trace: Trace) -> Revolutions:
    """Integrate engine speed by trapezoids; a stretch without a reading adds nothing, known time neither."""
    t, rpm = trace.samples("engine_speed")
    steps = np.where(np.diff(t) <= SPEED_GAP_S, np.diff(t), 0.0)
    turned = steps * (rpm[1:] + rpm[:-1]) / 2.0 / 60.0
    zero = np.zeros(min(len(t), 1))
    return Revolutions(t, *(np.concatenate([zero, np.cumsum(v)]) for v in (turned, steps)))


@dataclass(frozen=True)
class Polls:
    """What misfire counters did between polls.

    `cylinder`, `start_s`, `end_s`, `events`, `revolutions` have shape (n,), revolutions above zero.
    `at_start` is what the counter showed at first from before the recording; `resets` counts times it went
    down; `dropped` polls could not be used (reset at an unknown moment, engine speed unknown, impossible
    count).
    """

    cylinder: np.ndarray
    start_s: np.ndarray
    end_s: np.ndarray
    events: np.ndarray
    revolutions: np.ndarray
    at_start: int = 0
    resets: int = 0
    dropped: int = 0

    @property
    def _columns(self) -> tuple[np.ndarray, ...]:
        return self.cylinder, self.start_s, self.end_s, self.events, self.revolutions

    @property
    def middle_s(self) -> np.ndarray:
        """The middle of each poll, shape (n,)."""
        return (self.start_s + self.end_s) / 2.0

    def take(self, mask: np.ndarray) -> Polls:
        """The polls where `mask` (n,) is true."""
        return Polls(*(column[mask] for column in self._columns))

    @classmethod
    def pooled(cls, each: Sequence[Polls]) -> Polls:
        """The polls of several cylinders in one row, at least one."""
        return cls(*(np.concatenate(columns) for columns in zip(*(p._columns for p in each), strict=True)))

    def dispersion(self, label: np.ndarray) -> float:
        """Variance over mean of the counts in blocks of 1,000 revolutions, within cylinder and `label`.

        `label` (n,) holds small integers from -1.
        """
        if not len(self.events):
            return 1.0
        group = self.cylinder * (int(label.max()) + 2) + label + 1
        order = np.lexsort((self.start_s, group))
        group, turns = group[order], self.revolutions[order]
        total = np.cumsum(turns) - turns
        block = (total - total[np.searchsorted(group, group)]) // BLOCK_REV
        _, first, key = np.unique(np.stack([group, block]), axis=1, return_index=True, return_inverse=True)
        key = key.ravel()
        return poisson.dispersion(np.bincount(key, self.events[order]), np.bincount(key, turns), group[first])


def polls(
    trace: Trace, cylinder: int, signal: str, turned: Revolutions, starts_s: Sequence[float] = ()
) -> Polls:
    """Events of one cylinder's counter `signal`; `starts_s` are the engine starts seen in the trace.

    A counter that went down was reset. Where an engine start lies between the two polls it counts from that
    start; where none does, the moment is unknown and the poll is dropped.
    """
    t, value = trace.samples(signal)
    count, starts = np.rint(value).astype(np.int64), np.asarray(starts_s, dtype=float)
    at_start = int(count[0]) if len(count) else 0
    before = starts[(starts <= t[0]) & (t[0] - starts <= FIRST_POLL_S)] if len(t) else starts[:0]
    if len(before):
        # The counter belongs to this driving cycle, and its beginning was recorded.
        t, count, at_start = np.insert(t, 0, before[-1]), np.insert(count, 0, 0), 0
    start_s, end_s, events = t[:-1], t[1:], np.diff(count)
    restarted = np.searchsorted(starts, end_s, side="right") > np.searchsorted(starts, start_s, side="right")
    down = events < 0
    events = np.where(down, count[1:], events)
    # After a restart a counter that did not go down may have begun again or gone on: nobody can tell.
    unclear = np.where(down, ~restarted, restarted & (count[:-1] > 0))
    turns, known_s = turned.between(start_s, end_s)
    turning, speed_known = turns > 0.0, known_s >= KNOWN_SHARE * (end_s - start_s)
    possible = (events <= (turns + REPORT_REV) / REV_PER_FIRING) & (count[1:] < COUNTER_END)
    good = ~unclear & turning & speed_known & possible
    # A standing engine adds nothing and loses nothing.
    standing = speed_known & ~turning & (events == 0)
    return Polls(
        np.full(int(good.sum()), cylinder), start_s[good], end_s[good], events[good], turns[good],
        at_start, int(down.sum()), int(np.sum(~good & ~standing)),
    )  # fmt: skip
