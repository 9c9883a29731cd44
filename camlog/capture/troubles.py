"""What goes wrong while recording: every problem counted, each episode of one told as an event."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from camlog.capture import messages
from camlog.capture.requests import Request
from camlog.stream import Event

EPISODE_QUIET_S = 1.0  # a kind of trouble that stayed away this long is a new episode when it comes back
EVENT_REPEAT_S = 30.0  # one that goes on is told again after this long
SPLIT_AFTER = 6  # failures of one request in a row, while others succeed, before its items are asked for singly
SPLIT_AFTER_S = 3.0

PROBLEMS = messages.table("problem")  # in words for the drive file and the screen
MODULE_SILENT = "module_silent"
# What an adapter says where it works and no module answers, as with the ignition off.
NOTHING_CAME = frozenset({"no_data", "unable_to_connect", "can_error", "bus_init_error"})


class Troubles:
    """Counts problems by kind and gives `say` an event for each episode. `clock` gives seconds."""

    def __init__(self, clock: Callable[[], float], say: Callable[[Event], None]):
        self.counts: Counter[str] = Counter()
        self._clock = clock
        self._say = say
        self._seen_s: dict[str, float] = {}
        self._said_s: dict[str, float] = {}
        self._silence: list[tuple[float, str]] = []

    @property
    def quiet_for_s(self) -> float:
        """Seconds since the last problem; infinite where there was none."""
        seen_s = [*self._seen_s.values(), *(at_s for at_s, _ in self._silence)]
        return self._clock() - max(seen_s, default=float("-inf"))

    def note(self, kind: str) -> None:
        """Count a problem, and say it where it begins or has gone on for long."""
        self.over()
        self._note(kind, self._clock())

    def silence(self, kind: str) -> None:
        """Note that nothing came: the first words of a silent module, or what `over` tells."""
        self._silence.append((self._clock(), kind))

    @property
    def silent(self) -> bool:
        """True where nothing came since the last answer or other problem."""
        return bool(self._silence)

    def over(self) -> None:
        """The silence was a passing one: count and say what came instead of answers."""
        silence, self._silence = self._silence, []
        for at_s, kind in silence:
            self._note(kind, at_s)

    def module_silent(self) -> None:
        """The silence is the module's: it counts once, and is no event of its own."""
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
