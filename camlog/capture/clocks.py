"""Time while recording: a clock that counts a sleep of the computer too, and the moment by which all waits are over."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable

# A program that did not look at its clock for this long was stopped, or the computer slept. While recording the
# clock is read at least every 0.1 s.
STOOD_STILL_S = 2.0
# By this much real time must have run ahead to be a sleep and not the drift between two clocks.
_SLEPT_S = 1.0
_READ_WITHIN_S = 0.01
_READ_TRIES = 5


def real_seconds() -> float:
    """Seconds from an arbitrary moment that go on while the computer sleeps.

    Where the system has no such clock (only Linux has CLOCK_BOOTTIME) the wall clock stands for it; one that is
    set forward by more than a second then looks like a sleep.
    """
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.time()


class DriveClock:
    """Seconds that never go back and count the time the computer slept, whether or not `clock` does.

    `clock` counts monotonic seconds, `real` seconds that go on in a sleep. Safe between threads.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic, real: Callable[[], float] = real_seconds):
        self._clock, self._real = clock, real
        self._lock = threading.Lock()
        self._slept_s = 0.0
        self._ahead_s = real() - clock()
        self._last_s = clock()
        self._stood_still_s = 0.0

    def __call__(self) -> float:
        with self._lock:
            now_s = self._read()
            if now_s - self._last_s > STOOD_STILL_S:
                self._stood_still_s += now_s - self._last_s
            self._last_s = max(self._last_s, now_s)
            return now_s

    @property
    def standing_still(self) -> bool:
        """True where `stood_still_s` is more than 0."""
        return self._stood_still_s > 0.0

    def stood_still_s(self) -> float:
        """Seconds for which nobody could read this clock since this was last asked; 0 where it was always read."""
        with self._lock:
            stood_still_s, self._stood_still_s = self._stood_still_s, 0.0
            return stood_still_s

    def _read(self) -> float:
        for _ in range(_READ_TRIES):
            before_s = self._clock()
            ahead_s = self._real() - before_s
            after_s = self._clock()
            # Held up between the two, the clocks cannot be compared.
            if after_s - before_s <= _READ_WITHIN_S:
                if ahead_s - self._ahead_s > _SLEPT_S:
                    self._slept_s += ahead_s - self._ahead_s
                self._ahead_s = ahead_s
                break
        return after_s + self._slept_s


class Deadline:
    """The moment by which every wait on an adapter is over, `never` at first; shared by all that wait."""

    def __init__(self) -> None:
        self.never()

    def never(self) -> None:
        self._at_s = self._last_s = math.inf
        self._looked_s = time.monotonic()

    def set(self, within_s: float, most_s: float | None = None) -> None:
        """Over `within_s` seconds from now, whatever was set before; time that gives answers is not counted, until
        `most_s` where that is given."""
        self._looked_s = time.monotonic()
        self._at_s = self._looked_s + within_s
        self._last_s = self._looked_s + (within_s if most_s is None else most_s)

    def at_most(self, within_s: float) -> None:
        """Over `within_s` seconds from now, or earlier where that was set."""
        self._at_s = self._last_s = min(self._at_s, time.monotonic() + within_s)

    def reply(self, proper: bool) -> None:
        """A reply came: a proper one gives back the time since the reply before it."""
        now_s = time.monotonic()
        if proper:
            self._at_s = min(self._last_s, self._at_s + now_s - self._looked_s)
        self._looked_s = now_s

    @property
    def left_s(self) -> float:
        """Seconds left, negative when it has passed."""
        return self._at_s - time.monotonic()

    @property
    def passed(self) -> bool:
        return self.left_s <= 0.0
