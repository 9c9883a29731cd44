"""What can go wrong between a client and a vehicle, on a schedule, and a log of when it did.
MESSAGES, LINES and ANSWERS are the tables of faults that change an answer. Everything a fault does to an answer can be told from a good one by form,
length, checksum or echo; none changes a value and leaves the rest intact, for that nobody could detect."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from camlog.simulate import say
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


# What is printed in place of an answer.
MESSAGES = {
    "no_data": "NO DATA", "can_error": "CAN ERROR", "bus_error": "BUS ERROR", "bus_init_error": "BUS INIT: ...ERROR",
    "buffer_full": "BUFFER FULL", "stopped": "STOPPED", "unable_to_connect": "UNABLE TO CONNECT",
}  # fmt: skip
# What becomes of an answer's printed lines, given the last line before it.
LINES: dict[str, Callable[[list[Line], str, random.Random], list[Line]]] = {
    "garbage": _one_line(_garbled), "truncated": _one_line(_cut), "merged": _merged,
}  # fmt: skip
# What becomes of the messages of the first module that answers; None where they cannot be changed so.
ANSWERS: dict[str, Callable[[list[Message], bytes], list[Message] | None]] = {
    "wrong_echo": _other_echo, "negative_response": _refusing, "response_pending": _late,
}  # fmt: skip
# The first four strike the port or the adapter, the last adds a module.
KINDS = ("unplugged", "hung", "reset", "low_voltage", *MESSAGES, *LINES, *ANSWERS, "second_module")


# ---------------------------------------------------------------- when they strike


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: its kind, when it begins (seconds since the adapter was started) and how long it lasts."""

    kind: str
    start_s: float
    duration_s: float

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise say.error("no_such", kind="fault", name=self.kind, known=", ".join(KINDS))
        if not (self.start_s >= 0 and self.duration_s > 0):
            raise say.error("fault_time", fault=self)

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
        raise say.error("fault_form", text=text)
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

    def active(self, time_s: float, kinds: Iterable[str] = KINDS) -> Fault | None:
        """The first fault of those kinds that lasts at `time_s`, or None."""
        return next((f for f in self.faults if f.start_s <= time_s < f.end_s and f.kind in kinds), None)

    def begun(self, after_s: float, until_s: float, kinds: Iterable[str]) -> list[Fault]:
        """Faults of those kinds that begin after `after_s` and not after `until_s`."""
        return [f for f in self.faults if after_s < f.start_s <= until_s and f.kind in kinds]

    def met(self, time_s: float, kind: str, detail: str = "") -> None:
        self.log.append(Injection(time_s, kind, detail))
