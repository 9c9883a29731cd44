"""What goes wrong while recording: every problem counted, each episode of one told as an event."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from camlog.capture import messages
from camlog.capture.requests import Request

EPISODE_QUIET_S = 1.0  # a kind of trouble that stayed away this long is a new episode when it comes back
EVENT_REPEAT_S = 30.0  # one that goes on is told again after this long
SPLIT_AFTER = (
    6  # failures of one request in a row, while others succeed, before its items are asked for singly
)
SPLIT_AFTER_S = 3.0

PROBLEMS = messages.table("problem")  # in words for the drive file and the screen


class Troubles:
    """Counts problems by kind and tells `say` the text of each episode. `clock` gives seconds."""

    def __init__(self, clock: Callable[[], float], say: Callable[[str], None]):
        self.counts: Counter[str] = Counter()
        self._clock = clock
        self._say = say
        self._seen_s: dict[str, float] = {}
        self._said_s: dict[str, float] = {}

    @property
    def quiet_for_s(self) -> float:
        """Seconds since the last problem; infinite where there was none."""
        return self._clock() - max(self._seen_s.values(), default=float("-inf"))

    def note(self, kind: str) -> None:
        """Count a problem, and say it where it begins or has gone on for long."""
        now = self._clock()
        never = float("-inf")
        self.counts[kind] += 1
        fresh = now - self._seen_s.get(kind, never) > EPISODE_QUIET_S
        if fresh or now - self._said_s.get(kind, never) >= EVENT_REPEAT_S:
            self._said_s[kind] = now
            self._say(PROBLEMS.get(kind, kind))
        self._seen_s[kind] = now


class Failing:
    """Finds requests of several items that are not answered any more while others are."""

    def __init__(self) -> None:
        self._good = 0
        self._since: dict[Request, tuple[float, int, int]] = {}  # begun at, good answers until then, failures

    def answered(self, request: Request) -> None:
        self._good += 1
        self._since.pop(request, None)

    def failed(self, request: Request, now_s: float) -> bool:
        """Note a failure; True where the request is to be split."""
        begun_s, good, count = self._since.get(request, (now_s, self._good, 0))
        self._since[request] = (begun_s, good, count + 1)
        return (
            len(request.items) > 1
            and count + 1 >= SPLIT_AFTER
            and now_s - begun_s >= SPLIT_AFTER_S
            and self._good - good >= SPLIT_AFTER
        )

    def forget(self) -> None:
        """Begin anew: after a gap nothing that failed before it counts."""
        self._since.clear()
