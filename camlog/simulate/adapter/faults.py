"""What can go wrong between a client and a vehicle, on a schedule, and a log of when it did.

| kind | what the client meets while it lasts |
|---|---|
| unplugged | the port is gone; afterwards it is back, settings lost |
| hung | the port takes everything and says nothing |
| reset | at its start the adapter restarts: version line, settings lost |
| low_voltage | cranking: LV RESET at its start, supply reads low, modules silent |
| no_data, can_error, bus_error, bus_init_error | that message for an answer |
| buffer_full, stopped, unable_to_connect | the same |
| garbage | characters of an answer replaced by ones that are not hexadecimal |
| truncated | an answer line breaks off inside its data |
| merged | two answer lines run into one |
| wrong_echo | the answer names another PID or identifier than was asked for |
| negative_response | modules refuse: conditions not correct |
| response_pending | modules answer "response pending" (78) first, the answer itself later |
| second_module | another module answers too |

Everything a fault does to an answer can be told from a good one by form, length, checksum or echo; none
changes a value and leaves the rest intact, for that nobody could detect.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from threading import Lock

from camlog.errors import InputError

# Instead of an answer, by kind.
MESSAGES = {
    "no_data": "NO DATA",
    "can_error": "CAN ERROR",
    "bus_error": "BUS ERROR",
    "bus_init_error": "BUS INIT: ...ERROR",
    "buffer_full": "BUFFER FULL",
    "stopped": "STOPPED",
    "unable_to_connect": "UNABLE TO CONNECT",
}
PORT_KINDS = ("unplugged", "hung")
ADAPTER_KINDS = ("reset", "low_voltage")
LINE_KINDS = ("garbage", "truncated", "merged")
MODULE_KINDS = ("wrong_echo", "negative_response", "response_pending", "second_module")
KINDS = (*PORT_KINDS, *ADAPTER_KINDS, *MESSAGES, *LINE_KINDS, *MODULE_KINDS)

PENDING_S = 0.030  # from "response pending" to the answer itself, within what any adapter still listens
CRANKING_V = 5.4


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: its kind, when it begins (seconds since the adapter was started) and how long it lasts."""

    kind: str
    start_s: float
    duration_s: float

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise InputError(
                f"there is no fault {self.kind!r}", remedy="Choose one of " + ", ".join(KINDS) + "."
            )
        if not (self.start_s >= 0 and self.duration_s > 0):
            raise InputError(
                f"fault {self.kind} at {self.start_s:g} s for {self.duration_s:g} s",
                remedy="Begin at 0 or later, and let it last longer than 0 s.",
            )

    @property
    def end_s(self) -> float:
        return self.start_s + self.duration_s


@dataclass(frozen=True, slots=True)
class Injection:
    """A fault that was really met: when (seconds since the start), its kind, and on which request."""

    time_s: float
    kind: str
    detail: str = ""


_FAULT = re.compile(r"(?P<kind>[a-z_\-]+)@(?P<start>\d+(\.\d+)?)\+(?P<duration>\d+(\.\d+)?)\Z")


def parse_fault(text: str) -> Fault:
    """A fault written `KIND@START+DURATION`, times in seconds. Raises InputError for anything else."""
    match = _FAULT.match(text.strip())
    if match is None:
        raise InputError(
            f"{text!r} is not a fault", remedy="Write KIND@START+DURATION in seconds, as in unplugged@10+2."
        )
    return Fault(match["kind"].replace("-", "_"), float(match["start"]), float(match["duration"]))


def random_faults(
    seed: int, total_s: float, kinds: Sequence[str] = KINDS, *, first_s: float = 0.0, share: float = 0.5
) -> tuple[Fault, ...]:
    """Every kind once, in random order, spread over `first_s` to `first_s + total_s`.

    Each gets an equal slot and lasts up to `share` of it, so that there is quiet after each.
    """
    draw = random.Random(seed)
    order = list(kinds)
    draw.shuffle(order)
    slot = total_s / len(order)
    found = []
    for number, kind in enumerate(order):
        lasts = slot * share * draw.uniform(0.5, 1.0)
        begins = first_s + slot * number + draw.uniform(0.0, slot * (1.0 - share) / 2)
        found.append(Fault(kind, begins, lasts))
    return tuple(found)


@dataclass
class FaultSchedule:
    """The faults of one run, which of them last at a time, and the log of those met. Safe between threads."""

    faults: tuple[Fault, ...] = ()
    seed: int = 0
    log: list[Injection] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.faults = tuple(sorted(self.faults, key=lambda f: f.start_s))
        self.random = random.Random(self.seed)
        self._lock = Lock()

    def active(self, time_s: float, kinds: Iterable[str] = KINDS) -> Fault | None:
        """The first fault of those kinds that lasts at `time_s`, or None."""
        for fault in self.faults:
            if fault.start_s > time_s:
                return None
            if time_s < fault.end_s and fault.kind in kinds:
                return fault
        return None

    def begun(self, after_s: float, until_s: float, kinds: Iterable[str]) -> list[Fault]:
        """Faults of those kinds that begin after `after_s` and not after `until_s`."""
        return [f for f in self.faults if after_s < f.start_s <= until_s and f.kind in kinds]

    def next_change(self, time_s: float) -> float | None:
        """The next time a fault begins or ends, None where none will."""
        return min((t for f in self.faults for t in (f.start_s, f.end_s) if t > time_s), default=None)

    def met(self, time_s: float, kind: str, detail: str = "") -> None:
        """Write in the log that a fault was met."""
        with self._lock:
            self.log.append(Injection(time_s, kind, detail))


# ---------------------------------------------------------------- what a fault does to an answer's lines

_NOT_HEX = "#~!%&;_zqx"


@dataclass(frozen=True, slots=True)
class Line:
    """A printed line: its text, and how many of its characters come before the last one that matters."""

    text: str
    needed: int


def damage(kind: str, lines: list[Line], previous: str, draw: random.Random) -> list[Line]:
    """The lines of an answer as a faulty link delivers them; `previous` is the last line before it."""
    if not lines:
        return lines
    if kind == "merged":
        return _merged(lines, previous)
    number = draw.randrange(len(lines))
    victim = lines[number]
    changed = _garbled(victim.text, draw) if kind == "garbage" else _cut(victim, draw)
    return [*lines[:number], Line(changed, len(changed)), *lines[number + 1 :]]


def _garbled(text: str, draw: random.Random) -> str:
    characters = list(text)
    for place in draw.sample(range(len(characters)), max(1, len(characters) // 5)):
        # Latin-1 above 7F as a disturbed line gives, or a printable stray.
        characters[place] = chr(draw.randrange(0xA0, 0x100)) if draw.random() < 0.5 else draw.choice(_NOT_HEX)
    # At least one stray that no reader can drop as undecodable and still see a hexadecimal line.
    characters[draw.randrange(len(characters))] = draw.choice(_NOT_HEX)
    return "".join(characters)


def _cut(line: Line, draw: random.Random) -> str:
    last = max(1, line.needed - 1)
    return line.text[: draw.randint(max(1, last // 2), last)]


def _merged(lines: list[Line], previous: str) -> list[Line]:
    if len(lines) > 1:
        first, second, *rest = lines
        return [Line(first.text + second.text, 0), *rest]
    # A single line: the line end of the answer before was lost with all that led up to it.
    return [Line((previous or lines[0].text) + lines[0].text, 0)]


def wrong_echo(answer: bytes, request: bytes) -> bytes | None:
    """The answer with another PID or identifier in it than any asked for; None where it carries none."""
    service = request[0] if request else 0
    if service not in (0x01, 0x02, 0x06, 0x09, 0x21, 0x22) or len(answer) < 2 or answer[0] != service + 0x40:
        return None
    place = 2 if service == 0x22 else 1
    if len(answer) <= place:
        return None
    asked = set(request[1:]) | {answer[place]}
    other = next(n for n in range(0x7F, 0, -1) if n not in asked and n % 0x20)
    return answer[:place] + bytes((other,)) + answer[place + 1 :]
