"""What can go wrong between a client and a vehicle, on a schedule, and a log of when it did. FAULTS is the
table: a fault is one entry. Everything a fault does to an answer can be told from a good one by form,
length, checksum or echo; none changes a value and leaves the rest intact, for that nobody could detect."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from threading import Lock

from camlog.errors import InputError
from camlog.simulate.adapter.values import CONDITIONS_NOT_CORRECT, RESPONSE_PENDING, negative

PENDING_S = 0.030  # from "response pending" to the answer itself, within what any adapter still listens
CRANKING_V = 5.4
_NOT_HEX = "#~!%&;_zqx"


@dataclass(frozen=True, slots=True)
class Line:
    """A printed line: its text, and how many of its characters come before the last one that matters."""

    text: str
    needed: int


@dataclass(frozen=True, slots=True)
class Message:
    """One answer message of a module; `delay_s` after the moment the module would normally answer."""

    module: int
    data: bytes
    delay_s: float = 0.0


# ---------------------------------------------------------------- what a fault does to an answer


def _one_line(change: Callable[[Line, random.Random], str]):
    def changed(lines: list[Line], previous: str, draw: random.Random) -> list[Line]:
        number = draw.randrange(len(lines))
        text = change(lines[number], draw)
        return [*lines[:number], Line(text, len(text)), *lines[number + 1 :]]

    return changed


def _garbled(line: Line, draw: random.Random) -> str:
    characters = list(line.text)
    for place in draw.sample(range(len(characters)), max(1, len(characters) // 5)):
        # Latin-1 above 7F as a disturbed line gives, or a printable stray.
        characters[place] = chr(draw.randrange(0xA0, 0x100)) if draw.random() < 0.5 else draw.choice(_NOT_HEX)
    # At least one stray that no reader can drop as undecodable and still see a hexadecimal line.
    characters[draw.randrange(len(characters))] = draw.choice(_NOT_HEX)
    return "".join(characters)


def _cut(line: Line, draw: random.Random) -> str:
    last = max(1, line.needed - 1)
    return line.text[: draw.randint(max(1, last // 2), last)]


def _merged(lines: list[Line], previous: str, draw: random.Random) -> list[Line]:
    if len(lines) > 1:
        return [Line(lines[0].text + lines[1].text, 0), *lines[2:]]
    # A single line: the line end of the answer before was lost with all that led up to it.
    return [Line((previous or lines[0].text) + lines[0].text, 0)]


def wrong_echo(answer: bytes, request: bytes) -> bytes | None:
    """The answer with another PID or identifier in it than any asked for; None where it carries none."""
    service = request[0] if request else 0
    place = 2 if service == 0x22 else 1
    if service not in (0x01, 0x02, 0x06, 0x09, 0x21, 0x22):
        return None
    if len(answer) <= place or answer[0] != service + 0x40:
        return None
    asked = set(request[1:]) | {answer[place]}
    other = next(n for n in range(0x7F, 0, -1) if n not in asked and n % 0x20)
    return answer[:place] + bytes((other,)) + answer[place + 1 :]


def _other_echo(own: list[Message], request: bytes) -> list[Message] | None:
    changed = wrong_echo(own[0].data, request)
    return None if changed is None else [Message(own[0].module, changed), *own[1:]]


def _refusing(own: list[Message], request: bytes) -> list[Message]:
    return [Message(own[0].module, negative(request[0], CONDITIONS_NOT_CORRECT))]


def _late(own: list[Message], request: bytes) -> list[Message]:
    pending = Message(own[0].module, negative(request[0], RESPONSE_PENDING))
    return [pending, *(Message(m.module, m.data, PENDING_S) for m in own)]


# ---------------------------------------------------------------- the table


@dataclass(frozen=True, slots=True)
class FaultKind:
    """A fault: `where` it strikes, and what the client meets while it lasts (`words`). `text` is printed
    in place of an answer; `lines` changes an answer's printed lines, given the last line before it;
    `messages` changes the messages of the first module that answers, None where it cannot."""

    where: str  # port, adapter, answer, line, module
    words: str
    text: str = ""
    lines: Callable[[list[Line], str, random.Random], list[Line]] | None = None
    messages: Callable[[list[Message], bytes], list[Message] | None] | None = None


def _in_place_of_answer(text: str) -> FaultKind:
    return FaultKind("answer", f"{text} for an answer", text)


FAULTS: dict[str, FaultKind] = {
    "unplugged": FaultKind("port", "the port is gone; afterwards it is back, settings lost"),
    "hung": FaultKind("port", "the port takes everything and says nothing"),
    "reset": FaultKind("adapter", "at its start the adapter restarts: version line, settings lost"),
    "low_voltage": FaultKind("adapter", "cranking: LV RESET at its start, supply reads low, modules silent"),
    "no_data": _in_place_of_answer("NO DATA"),
    "can_error": _in_place_of_answer("CAN ERROR"),
    "bus_error": _in_place_of_answer("BUS ERROR"),
    "bus_init_error": _in_place_of_answer("BUS INIT: ...ERROR"),
    "buffer_full": _in_place_of_answer("BUFFER FULL"),
    "stopped": _in_place_of_answer("STOPPED"),
    "unable_to_connect": _in_place_of_answer("UNABLE TO CONNECT"),
    "garbage": FaultKind("line", "characters of an answer are not hexadecimal", lines=_one_line(_garbled)),
    "truncated": FaultKind("line", "an answer line breaks off inside its data", lines=_one_line(_cut)),
    "merged": FaultKind("line", "two answer lines run into one", lines=_merged),
    "wrong_echo": FaultKind("module", "the answer names another PID than asked for", messages=_other_echo),
    "negative_response": FaultKind("module", "modules refuse: conditions not correct", messages=_refusing),
    "response_pending": FaultKind("module", "first 'response pending', the answer later", messages=_late),
    "second_module": FaultKind("module", "another module answers too"),
}
KINDS = tuple(FAULTS)
MESSAGES = {kind: fault.text for kind, fault in FAULTS.items() if fault.text}
LINE_KINDS = tuple(kind for kind, fault in FAULTS.items() if fault.lines)
ANSWER_KINDS = tuple(kind for kind, fault in FAULTS.items() if fault.messages)


def damage(kind: str, lines: list[Line], previous: str, draw: random.Random) -> list[Line]:
    """The lines of an answer as a faulty link delivers them; `previous` is the last line before it."""
    change = FAULTS[kind].lines
    return change(lines, previous, draw) if change and lines else lines


# ---------------------------------------------------------------- when they strike


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: its kind, when it begins (seconds since the adapter was started) and how long it lasts."""

    kind: str
    start_s: float
    duration_s: float

    def __post_init__(self) -> None:
        if self.kind not in FAULTS:
            kinds = ", ".join(KINDS)
            raise InputError(f"there is no fault {self.kind!r}", remedy=f"Choose one of {kinds}.")
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
        return next((f for f in self.faults if f.start_s <= time_s < f.end_s and f.kind in kinds), None)

    def begun(self, after_s: float, until_s: float, kinds: Iterable[str]) -> list[Fault]:
        """Faults of those kinds that begin after `after_s` and not after `until_s`."""
        return [f for f in self.faults if after_s < f.start_s <= until_s and f.kind in kinds]

    def met(self, time_s: float, kind: str, detail: str = "") -> None:
        with self._lock:
            self.log.append(Injection(time_s, kind, detail))
