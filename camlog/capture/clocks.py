"""Time while recording: a clock that also counts sleep of the computer, and the deadline of all waits.

Times come from the performance counter: the system's monotonic clock steps by 16 ms on Windows, half a cam interval."""

from __future__ import annotations

import math
import sys
import threading
import time
from collections.abc import Callable

# If the clock was not read for this long, the program was stopped or the computer slept. While recording it is read at
# least every 0.1 s.
STOOD_STILL_S = 2.0
# Real time ahead by this much means a sleep; less is drift between the two clocks.
_SLEPT_S = 1.0
_READ_WITHIN_S = 0.01
_READ_TRIES = 5
# While the closing codes are read: the longest time for one reply, the time left after a reply that was not proper, and
# the number of successive proper replies that end the trouble.
CLOSING_REPLY_S = 0.8
LAST_TRIES_S = 0.3
PROPER_IN_A_ROW = 4


def real_seconds() -> float:
    """Seconds since an arbitrary moment, counted during sleep of the computer too, on Linux, macOS and Windows.

    Other systems use the wall clock, where setting the clock forward by more than a second looks like a sleep."""
    if sys.platform == "win32":
        return time.monotonic()  # counts a sleep there, in steps of 16 ms
    if sys.platform == "darwin":
        return time.clock_gettime(time.CLOCK_MONOTONIC)
    if sys.platform == "linux":
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.time()


class DriveClock:
    """A clock in seconds that never goes back and counts the time the computer slept, whether or not `clock` does.

    `clock` counts monotonic seconds, `real` seconds that include sleep. Thread-safe."""

    def __init__(self, clock: Callable[[], float] = time.perf_counter, real: Callable[[], float] = real_seconds):
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
        """Seconds during which the program stood still since the last call; 0 if it never did."""
        with self._lock:
            stood_still_s, self._stood_still_s = self._stood_still_s, 0.0
            return stood_still_s

    def _read(self) -> float:
        for _ in range(_READ_TRIES):
            before_s = self._clock()
            ahead_s = self._real() - before_s
            after_s = self._clock()
            # If the program was delayed between the two readings, the clocks cannot be compared.
            if after_s - before_s <= _READ_WITHIN_S:
                if ahead_s - self._ahead_s > _SLEPT_S:
                    self._slept_s += ahead_s - self._ahead_s
                self._ahead_s = ahead_s
                break
        return after_s + self._slept_s


class Deadline:
    """The time by which every wait for an adapter must end; `never` at first. Shared by all that wait."""

    def __init__(self) -> None:
        self.never()

    def never(self) -> None:
        self._at_s = math.inf
        self._closing: tuple[float, float] | None = None

    def set(self, within_s: float) -> None:
        """Set the deadline to `within_s` seconds from now."""
        self._closing = None
        self._at_s = time.perf_counter() + within_s

    def at_most(self, within_s: float) -> None:
        """Set the deadline to `within_s` seconds from now unless it is earlier already."""
        self._closing = None
        self._at_s = min(self._at_s, time.perf_counter() + within_s)

    def set_closing(self, most_s: float, trouble_s: float, in_trouble: bool) -> None:
        """Set the deadline to `most_s` seconds from now while every `reply` is proper. If `in_trouble`, and from the
        first reply that is not proper or takes longer than `CLOSING_REPLY_S`, it is `trouble_s` seconds from now."""
        now_s = time.perf_counter()
        self._closing = now_s + most_s, now_s + trouble_s
        self._proper = 0 if in_trouble else PROPER_IN_A_ROW
        self._at_s = min(self._closing) if in_trouble else self._while_proper(now_s)

    def reply(self, proper: bool) -> None:
        """Note a reply while the deadline is that of `set_closing`; at other times this has no effect."""
        if self._closing is None:
            return
        now_s = time.perf_counter()
        last_s, trouble_s = self._closing
        if not proper:
            self._at_s = min(self._at_s, last_s, max(trouble_s, now_s + LAST_TRIES_S))
            self._proper = 0
            return
        self._proper += 1
        if self._proper >= PROPER_IN_A_ROW:
            self._at_s = self._while_proper(now_s)

    def _while_proper(self, now_s: float) -> float:
        last_s, trouble_s = self._closing or (math.inf, 0.0)
        return min(last_s, max(trouble_s, now_s + CLOSING_REPLY_S))

    @property
    def left_s(self) -> float:
        """Seconds left, negative when it has passed."""
        return self._at_s - time.perf_counter()

    @property
    def passed(self) -> bool:
        return self.left_s <= 0.0
