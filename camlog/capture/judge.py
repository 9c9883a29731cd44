"""What a reply is worth: whether it answers its request, how sure its time is, and whether it is no copy of the last."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from camlog.capture.link import Reply
from camlog.capture.requests import Request, read_answer
from camlog.stream import Batch

# A reply whose time is less sure than this gives no values; on slow links, than so many usual round trips.
LATE_S = 0.3
LATE_ROUND_TRIPS = 3.0
_USUAL_OF = 100  # round trips that say what is usual
_USUAL_LEAST = 5
_USUAL_STEP = 20
# Replies that are well formed and answer something else: one may have been lost before them.
OUT_OF_STEP = frozenset({"wrong_service", "wrong_echo"})
ANSWERED = (None, "out_of_range", "left_out")


class RoundTrips:
    """How long replies take, s: what is usual, what is too long to know the time of a value, and the longest taken."""

    def __init__(self) -> None:
        self.longest_s = 0.0
        self._last: deque[float] = deque(maxlen=_USUAL_OF)
        self._count = 0
        self._late_s = 2.0 * LATE_S  # until it is known what is usual

    def usual_s(self) -> float | None:
        """Median of the last ones; None before the first."""
        trips = sorted(self._last.copy())
        return trips[len(trips) // 2] if trips else None

    def timely(self, round_trip_s: float) -> bool:
        """Note a round trip; True where its values' time is sure enough."""
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
    """What a reply is worth: its answer's `problem`, whether it is `good`, and soon enough for values, and the batches
    that may be put now, in order."""

    problem: str | None
    good: bool
    timely: bool
    batches: list[Batch]


class Judge:
    """Judges the replies of a recording that began at `start_s`; its plan has so many different `requests`.

    What came with a reply byte for byte as the last one is held back: an adapter may be repeating itself. A vehicle
    that stands still answers so too. Any other reply shows which it was: where it answers its own request, what was
    held is put before it, where it answers another, it is dropped. With one request nothing can show it, and nothing is
    held."""

    def __init__(self, requests: int, start_s: float, trips: RoundTrips):
        self._can_tell, self._start_s, self._trips = requests > 1, start_s, trips
        self._last: tuple[str, ...] = ()
        self.held: list[Batch] = []

    def judge(self, request: Request, reply: Reply) -> Judged:
        answer = read_answer(request, reply.messages)
        # Out of step, nobody knows which request a frame answers.
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
        """What was held, where it is known to be `true`; nothing is held then."""
        held, self.held = self.held, []
        return held if true else []
