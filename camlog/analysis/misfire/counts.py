"""Misfire counters to events: what each count did between two polls, and over how many revolutions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from camlog.trace import Trace

# Engine speed is known between two readings while they are at most this far apart.
SPEED_GAP_S = 5.0
# Revolutions of a poll are trusted where the engine speed was known for this share of it.
KNOWN_SHARE = 0.8
# The standard's counter is 16 bits wide and stays at its end.
COUNTER_END = 65535
# A first poll this soon after a start counts from that start.
FIRST_POLL_S = 120.0
# Some modules add up over a thousand revolutions before they report; a cylinder fires every second one.
REPORT_REV = 1000.0
REV_PER_FIRING = 2.0


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
        return (
            np.interp(end_s, self.time_s, self.total) - np.interp(start_s, self.time_s, self.total),
            np.interp(end_s, self.time_s, self.known_s) - np.interp(start_s, self.time_s, self.known_s),
        )


def revolutions(trace: Trace) -> Revolutions:
    """Integrate engine speed by trapezoids; a stretch without a reading adds nothing, known time neither."""
    t, rpm = trace.samples("engine_speed")
    steps = np.diff(t)
    known = steps <= SPEED_GAP_S
    turned = np.where(known, steps * (rpm[1:] + rpm[:-1]) / 2.0 / 60.0, 0.0)
    zero = np.zeros(1 if len(t) else 0)
    return Revolutions(
        t,
        np.concatenate([zero, np.cumsum(turned)]),
        np.concatenate([zero, np.cumsum(np.where(known, steps, 0.0))]),
    )


@dataclass(frozen=True)
class Polls:
    """What one cylinder's counter did between polls.

    `start_s`, `end_s`, `events`, `revolutions` have shape (n,), revolutions
    above zero. `at_start` is what the counter showed at first from before the
    recording; `resets` counts times it went down; `dropped` polls could not be
    used (reset at an unknown moment, engine speed unknown, impossible count).
    """

    cylinder: int
    start_s: np.ndarray
    end_s: np.ndarray
    events: np.ndarray
    revolutions: np.ndarray
    at_start: int
    resets: int
    dropped: int


def polls(
    trace: Trace, cylinder: int, signal: str, turned: Revolutions, starts_s: Sequence[float] = ()
) -> Polls:
    """Events of one cylinder's counter `signal`; `starts_s` are the engine starts seen in the trace.

    A counter that went down was reset. Where an engine start lies between the two polls it counts from that
    start; where none does, the moment is unknown and the poll is dropped.
    """
    t, value = trace.samples(signal)
    count = np.rint(value).astype(np.int64)
    starts = np.asarray(starts_s, dtype=float)
    at_start = int(count[0]) if len(count) else 0
    if len(t):
        before = starts[(starts <= t[0]) & (t[0] - starts <= FIRST_POLL_S)]
        if len(before):
            # The counter belongs to this driving cycle, and its beginning was recorded.
            t, count = np.concatenate([[before[-1]], t]), np.concatenate([[0], count])
            at_start = 0
    start_s, end_s = t[:-1], t[1:]
    events = np.diff(count)
    restarted = np.searchsorted(starts, end_s, side="right") > np.searchsorted(starts, start_s, side="right")
    down = events < 0
    events = np.where(down, count[1:], events)
    # After a restart a counter that did not go down may have begun again or gone on: nobody can tell.
    unclear = np.where(down, ~restarted, restarted & (count[:-1] > 0))
    turns, known_s = turned.between(start_s, end_s)
    turning = turns > 0.0
    speed_known = known_s >= KNOWN_SHARE * (end_s - start_s)
    possible = (events <= (turns + REPORT_REV) / REV_PER_FIRING) & (count[1:] < COUNTER_END)
    good = ~unclear & turning & speed_known & possible
    # A standing engine adds nothing and loses nothing.
    standing = speed_known & ~turning & (events == 0)
    return Polls(
        cylinder, start_s[good], end_s[good], events[good], turns[good],
        at_start, int(down.sum()), int(np.sum(~good & ~standing)),
    )  # fmt: skip
