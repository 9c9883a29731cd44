"""Problems while recording: every problem is counted, and each episode is reported as an event."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from camlog.capture import messages
from camlog.capture.requests import Request
from camlog.stream import Event

EPISODE_QUIET_S = 1.0  # a problem that was absent for this long begins a new episode
EVENT_REPEAT_S = 30.0  # a lasting problem is reported again after this time
SPLIT_AFTER = 6  # successive failures of one request, while others succeed, before its items are asked for singly
SPLIT_AFTER_S = 3.0

PROBLEMS = messages.table("problem")  # in words for the drive file and the screen
MODULE_SILENT = "module_silent"
# Problems of a working adapter without an answering module, as with the ignition off.
NOTHING_CAME = frozenset({"no_data", "unable_to_connect", "can_error", "bus_init_error"})


class Troubles:
    """Counts problems by kind and calls `say` with an event for each episode. `clock` gives seconds."""

    def __init__(self, clock: Callable[[], float], say: Callable[[Event], None]):
        self.counts: Counter[str] = Counter()
        self._clock = clock
        self._say = say
        self._seen_s: dict[str, float] = {}
        self._said_s: dict[str, float] = {}
        self._silence: list[tuple[float, str]] = []

    @property
    def quiet_for_s(self) -> float:
        """Seconds since the last problem; infinite if there was none."""
        seen_s = [*self._seen_s.values(), *(at_s for at_s, _ in self._silence)]
        return self._clock() - max(seen_s, default=float("-inf"))

    def note(self, kind: str) -> None:
        """Count a problem, and report it at its start or after EVENT_REPEAT_S."""
        self.over()
        self._note(kind, self._clock())

    def silence(self, kind: str) -> None:
        """Note that no answer came: either the start of a module's silence, or a problem that `over` reports."""
        self._silence.append((self._clock(), kind))

    @property
    def silent(self) -> bool:
        """True where nothing came since the last answer or other problem."""
        return bool(self._silence)

    def over(self) -> None:
        """The silence was temporary: count and report the problems that came instead of answers."""
        silence, self._silence = self._silence, []
        for at_s, kind in silence:
            self._note(kind, at_s)

    def module_silent(self) -> None:
        """The module is silent: the silence counts once and is no event."""
        self._silence.clear()
        self.counts[MODULE_SILENT] += 1

    def _note(self, kind: str, at_s: float) -> None:
        never = float("-inf")
        self.counts[kind] += 1
        fresh = at_s - self._seen_s.get(kind, never) > EPISODE_QUIET_S
        if fresh or at_s - self._said_s.get(kind, never) >= EVENT_REPEAT_S:
            self._said_s[kind] = at_s
            self._say(Event(at_s, "adapter_error", PROBLEMS.get(kind, kind)))
        self._seen_s[kind] = at_s


class Failing:
    """Finds requests of several items that are no longer answered while others are."""

    def __init__(self) -> None:
        self._good = 0
        self._since: dict[Request, tuple[float, int, int]] = {}  # start time, good answers until then, failures

    def answered(self, request: Request) -> None:
        self._good += 1
        self._since.pop(request, None)

    def failed(self, request: Request, now_s: float) -> bool:
        """Note a failure; True if the request should be split."""
        begun_s, good, count = self._since.get(request, (now_s, self._good, 0))
        self._since[request] = (begun_s, good, count + 1)
        return (
            len(request.items) > 1
            and count + 1 >= SPLIT_AFTER
            and now_s - begun_s >= SPLIT_AFTER_S
            and self._good - good >= SPLIT_AFTER
        )

    def forget(self) -> None:
        """Forget all failures, as after a gap."""
        self._since.clear()
