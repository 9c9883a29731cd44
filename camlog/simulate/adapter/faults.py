"""Scheduled faults between a client and a vehicle, and a log of those that occurred.
MESSAGES, LINES and ANSWERS are the tables of faults that change an answer. Every changed answer can be detected by its
form, length, checksum or echo; no fault changes only a value, because no client could detect that."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from camlog.simulate import say
from camlog.simulate.adapter.values import CONDITIONS_NOT_CORRECT, RESPONSE_PENDING, negative

PENDING_S = 0.030  # from "response pending" to the answer itself; every adapter waits longer
CRANKING_V = 5.4
_NOT_HEX = "#~!%&;_zqx"


@dataclass(frozen=True, slots=True)
class Line:
    """A printed line: its text, and the number of its characters up to the last one that is needed."""

    text: str
    needed: int


@dataclass(frozen=True, slots=True)
class Message:
    """One answer message of a module, `delay_s` later than the module would normally answer."""

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
        # A Latin-1 character above 7F, as from a disturbed line, or a printable one.
        characters[place] = chr(draw.randrange(0xA0, 0x100)) if draw.random() < 0.5 else draw.choice(_NOT_HEX)
    # At least one printable stray, so that dropping undecodable bytes does not leave a valid hexadecimal line.
    characters[draw.randrange(len(characters))] = draw.choice(_NOT_HEX)
    return "".join(characters)


def _cut(line: Line, draw: random.Random) -> str:
    last = max(1, line.needed - 1)
    return line.text[: draw.randint(max(1, last // 2), last)]


def _merged(lines: list[Line], previous: str, draw: random.Random) -> list[Line]:
    if len(lines) > 1:
        return [Line(lines[0].text + lines[1].text, 0), *lines[2:]]
    # A single line is joined to the previous answer's line, whose line end was lost.
    return [Line((previous or lines[0].text) + lines[0].text, 0)]


def wrong_echo(answer: bytes, request: bytes) -> bytes | None:
    """The answer with a PID or identifier that was not requested; None if the answer has none."""
    service = request[0] if request else 0
    place = 2 if service == 0x22 else 1
    if service not in (0x01, 0x02, 0x06, 0x09, 0x21, 0x22):
        return None
    if len(answer) <= place or answer[0] != service + 0x40:
        return None
    used = set(request[1:]) | {answer[place]}
    other = next(n for n in range(0x7F, 0, -1) if n not in used and n % 0x20)
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


# The text printed in place of an answer.
MESSAGES = {
    "no_data": "NO DATA", "can_error": "CAN ERROR", "bus_error": "BUS ERROR", "bus_init_error": "BUS INIT: ...ERROR",
    "buffer_full": "BUFFER FULL", "stopped": "STOPPED", "unable_to_connect": "UNABLE TO CONNECT",
}  # fmt: skip
# Changes of an answer's printed lines, given the last line before it.
LINES: dict[str, Callable[[list[Line], str, random.Random], list[Line]]] = {
    "garbage": _one_line(_garbled), "truncated": _one_line(_cut), "merged": _merged,
}  # fmt: skip
# Changes of the messages of the first module that answers; None if a message cannot be changed in this way.
ANSWERS: dict[str, Callable[[list[Message], bytes], list[Message] | None]] = {
    "wrong_echo": _other_echo, "negative_response": _refusing, "response_pending": _late,
}  # fmt: skip
# The first four affect the port or the adapter; the last adds a module.
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
    """A fault that occurred: its time (seconds since the start), its kind, and the request."""

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
    """The faults of one run, and the log of those that occurred. Thread-safe."""

    faults: tuple[Fault, ...] = ()
    seed: int = 0
    log: list[Injection] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.faults = tuple(sorted(self.faults, key=lambda f: f.start_s))
        self.random = random.Random(self.seed)

    def active(self, time_s: float, kinds: Iterable[str] = KINDS) -> Fault | None:
        """The first fault of these kinds that is active at `time_s`, or None."""
        return next((f for f in self.faults if f.start_s <= time_s < f.end_s and f.kind in kinds), None)

    def begun(self, after_s: float, until_s: float, kinds: Iterable[str]) -> list[Fault]:
        """Faults of these kinds that begin after `after_s` and not later than `until_s`."""
        return [f for f in self.faults if after_s < f.start_s <= until_s and f.kind in kinds]

    def met(self, time_s: float, kind: str, detail: str = "") -> None:
        self.log.append(Injection(time_s, kind, detail))
