"""Judge replies: whether one answers its request, how certain its time is, and whether it repeats the last one."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from camlog.capture.link import Reply
from camlog.capture.requests import Request, read_answer
from camlog.stream import Batch

# A reply with a longer round trip gives no values, as its time is uncertain; on slow links the bound is this many usual
# round trips.
LATE_S = 0.3
LATE_ROUND_TRIPS = 3.0
_USUAL_OF = 100  # number of round trips whose median is the usual one
_USUAL_LEAST = 5
_USUAL_STEP = 20
# Well-formed replies that answer something else, so that an earlier reply may have been lost.
OUT_OF_STEP = frozenset({"wrong_service", "wrong_echo"})
ANSWERED = (None, "out_of_range", "left_out")


class RoundTrips:
    """Round trip times (s): the usual one, the bound for a certain time, and the longest accepted."""

    def __init__(self) -> None:
        self.longest_s = 0.0
        self._last: deque[float] = deque(maxlen=_USUAL_OF)
        self._count = 0
        self._late_s = 2.0 * LATE_S  # until the usual round trip is known

    def usual_s(self) -> float | None:
        """Median of the last round trips; None before the first."""
        trips = sorted(self._last.copy())
        return trips[len(trips) // 2] if trips else None

    def timely(self, round_trip_s: float) -> bool:
        """Note a round trip; True if the time of its values is certain enough."""
        timely = round_trip_s <= self._late_s
        if timely:
            self.longest_s = max(self.longest_s, round_trip_s)
        self._last.append(round_trip_s)
        self._count += 1
        if self._count == _USUAL_LEAST or self._count % _USUAL_STEP == 0:
            self._late_s = max(LATE_S, LATE_ROUND_TRIPS * (self.usual_s() or 0.0))
        return timely


@dataclass(frozen=True, slots=True)
class Judged:
    """The result for a reply: the `problem` of its answer, whether it is `good` and `timely`, and the batches to put
    into the stream now, in order."""

    problem: str | None
    good: bool
    timely: bool
    batches: list[Batch]


class Judge:
    """Judges the replies of a recording that began at `start_s`; `requests` is the number of different requests.

    A reply identical to the last one is held back: the adapter may be repeating itself, or the values are unchanged.
    The next different reply decides: if it answers its own request, the held batches are put before it; if it answers
    another one, they are dropped. With a single request this cannot be decided, and nothing is held."""

    def __init__(self, requests: int, start_s: float, trips: RoundTrips):
        self._can_tell, self._start_s, self._trips = requests > 1, start_s, trips
        self._last: tuple[str, ...] = ()
        self.held: list[Batch] = []

    def judge(self, request: Request, reply: Reply) -> Judged:
        answer = read_answer(request, reply.messages)
        # Out of step, it is unknown which request a frame answers.
        good = reply.in_step and answer.problem in ANSWERED
        timely = good and self._trips.timely(reply.round_trip_s)
        batches = []
        if timely and answer.values:
            batches = [Batch(max(0.0, reply.time_s - self._start_s), answer.values)]
        repeated = self._can_tell and reply.lines == self._last
        self._last = reply.lines
        if repeated:
            self.held += batches
            batches = []
        elif reply.in_step:
            batches = self.settle(answer.problem not in OUT_OF_STEP) + batches
        return Judged(answer.problem, good, timely, batches)

    def settle(self, true: bool) -> list[Batch]:
        """The held batches if they are `true`, else none; afterwards nothing is held."""
        held_batches, self.held = self.held, []
        return held_batches if true else []
