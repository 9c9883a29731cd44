"""The link to a vehicle: requests out, checked replies in, and the way back into step when something went wrong.

A reply taken for the answer to another request would be a value with a wrong time: what was asked of whom goes with it,
and only messages of the module asked count."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from obd.protocols.protocol import Message, Protocol

from camlog.capture.clocks import Deadline
from camlog.capture.lines import RESTARTS, LineForm
from camlog.capture.requests import NEGATIVE

if TYPE_CHECKING:
    from camlog.capture.raw_log import RawLog

# How long a reply may take while recording; the older buses are woken for 2.4 s when they fell asleep.
POLL_TIMEOUT_S = 1.5
OLDER_POLL_TIMEOUT_S = 4.0
SEARCH_TIMEOUT_S = 12.0  # a search over all buses may take this long
FUNCTIONAL_11_BIT, FUNCTIONAL_29_BIT = 0x7DF, 0x18DB33F1  # ISO 15765-4: requests to all modules


class Received(NamedTuple):
    """A reply as it came: its lines, when the request went out and the prompt came in, and whom it was asked of."""

    lines: list[str]
    sent_s: float
    received_s: float
    listen_to: str | None = None


@dataclass(frozen=True, slots=True)
class Reply:
    """What came back for one request.

    `messages` are whole diagnostic messages of the module asked; `problem` names what was wrong (None for a clean
    reply): no_data, can_error, garbage, pending ... A reply may carry both. `pending`: a module asked for time before
    it answered, or instead. `in_step`: nothing more is to come."""

    messages: tuple[Message, ...]
    lines: tuple[str, ...]
    problem: str | None
    sent_s: float
    received_s: float
    pending: bool = False
    in_step: bool = True

    @property
    def time_s(self) -> float:
        """Midpoint of request and response."""
        return 0.5 * (self.sent_s + self.received_s)

    @property
    def round_trip_s(self) -> float:
        return self.received_s - self.sent_s


class Link:
    """An open connection to an adapter and, through it, to a vehicle; a dialect is a class beneath it.

    A dialect's constructor raises InputError where there is no port, no adapter behind it, or no vehicle. Whatever
    talks raises LinkLost when the connection breaks, or the `deadline` passes. A dialect has these methods:

    | method | does |
    |---|---|
    | `name` | gives the adapter's version line, asked for now |
    | `write` | sends a request, after throwing away what nobody read; gives `UNASKED` and what that told of a restart |
    | `read` | gives the lines that answer what was sent last, and when their last byte came |
    | `let_end` | lets a request under way end, its answer unused but for what it tells `sync` of a restart |
    | `sync` | waits until the adapter has said all and listens; False where it has restarted and must be set up anew |
    | `set_up` | sets a restarted adapter up again on the same bus; True where it listens |
    | `address` | sends requests with this CAN identifier from now on; True where that is in force |
    | `open_again` | opens the port anew, the adapter's settings unknown |
    | `slow_down` | lowers a speed of the port that was raised, at the price of a restart; True where it was |
    | `is_open` | is False where the port was found gone |
    | `close`, `drop` | closes the port: with the adapter reset, or at once and without a word to it |
    """

    protocol: Protocol  # python-obd's parser of the bus
    form: LineForm  # what frames of the bus look like
    spaces_off = False  # True where the adapter sends frames without spaces
    restarted_by = "adapter_reset"  # why the adapter restarted last, as far as it told `sync`: one of RESTARTS

    def __init__(
        self,
        port: str,
        clock: Callable[[], float] = time.perf_counter,
        deadline: Deadline | None = None,
        raw: RawLog | None = None,
    ):
        self.port = port
        self.raw = raw  # where every byte is logged, if anywhere
        self._heard_s = 0.0
        self.deadline = Deadline() if deadline is None else deadline
        self.clock = clock
        self.others: frozenset[str] = frozenset()  # modules known to answer besides the one listened to
        self._header: int | None = None
        self._listen_to: str | None = None
        self._sent_s = 0.0
        self._unasked: list[str] = []
        self._answered: set[bytes] = set()  # what was answered with data: no data later is trouble

    # ------------------------------------------------------------- what a dialect does
    def name(self) -> str: ...
    def write(self, command: bytes) -> list[str]: ...
    def read(self, timeout_s: float | None = None) -> tuple[list[str], float]: ...
    def let_end(self) -> None: ...
    def sync(self) -> bool: ...
    def set_up(self) -> bool: ...
    def address(self, header: int) -> bool: ...
    def open_again(self) -> None: ...
    def slow_down(self) -> bool: ...
    def close(self) -> None: ...
    def drop(self) -> None: ...

    @property
    def is_open(self) -> bool: ...

    # ------------------------------------------------------------- requests
    @property
    def is_can(self) -> bool:
        return self.form.is_can

    @property
    def poll_timeout_s(self) -> float:
        return POLL_TIMEOUT_S if self.is_can else OLDER_POLL_TIMEOUT_S

    def set_header(self, request_header: int | None, listen_to: str | None = None) -> bool:
        """Address requests to one module (CAN), or with None to all of them; True where that is in force.

        Answers count that come from `listen_to` (an address as `LineForm.module` gives it); where it is None, from the
        module addressed, or from all modules."""
        self._listen_to = listen_to or response_id(request_header, self.form.is_29bit)
        if request_header == self._header:
            return True
        if not self.is_can:
            return request_header is None
        to_all = FUNCTIONAL_29_BIT if self.form.is_29bit else FUNCTIONAL_11_BIT
        if self.address(to_all if request_header is None else request_header):
            self._header = request_header
        return self._header == request_header

    def header_for(self, wanted: int | None, engine: int | None) -> int | None:
        """The header to ask with where a profile has `wanted`: that of the `engine` module where this bus has no such."""
        other_format = self.form.is_29bit and wanted is not None and wanted <= 0x7FF
        return engine if wanted is None or not self.is_can or other_format else wanted

    def send(self, command: bytes) -> None:
        """Send a request; `receive` waits for what comes back."""
        # Before writing: whatever the system does meanwhile, the module is asked after this moment.
        self._sent_s = self.clock()
        self._unasked = self.write(command)

    def receive(self, timeout_s: float | None = None) -> Received:
        """The reply to what was sent last. After something that came unasked before it, nobody knows that it is."""
        lines, received_s = self.read(timeout_s)
        return Received(self._unasked + lines, self._sent_s, received_s, self._listen_to)

    def parse(self, received: Received) -> Reply:
        """Messages out of a received reply, by python-obd's protocol parser; never raises."""
        lines, sent_s, received_s, listen_to = received
        sorted_ = self.form.sort(lines)
        problem, frames = sorted_.problem, list(sorted_.frames)
        if listen_to is not None:
            senders = {self.form.module(f) for f in frames}
            frames = [f for f in frames if self.form.module(f) == listen_to]
            if senders - self.others - {listen_to}:
                problem = problem or "other_module"
        try:
            messages = tuple(m for m in self.protocol(frames) if m.parsed()) if frames else ()
        except Exception:  # noqa: BLE001 - the parser indexes into whatever a broken line holds
            messages = ()
        if sum(len(m.frames) for m in messages) < len(frames):
            problem = problem or "garbage"  # a frame that fits nowhere
        if not messages and problem is None:
            problem = "pending" if sorted_.pending else "no_data"
        return Reply(messages, tuple(lines), problem, sent_s, received_s, sorted_.pending, sorted_.in_step)

    def is_in_step(self, received: Received) -> bool:
        """True where a received reply is complete by all that can be seen: the next request may go out at once."""
        return self.form.sort(received.lines).in_step

    def ask(self, command: bytes, timeout_s: float | None = None) -> Reply:
        """One request and its parsed reply; afterwards the adapter is in step and set up again."""
        self.send(command)
        reply = self.parse(self.receive(timeout_s))
        if any(list(m.data[:1]) != [NEGATIVE] for m in reply.messages):
            self._answered.add(command)
            proper = reply.problem is None
        else:
            proper = command not in self._answered and (bool(reply.messages) or reply.problem == "no_data")
        self.deadline.reply(reply.in_step and proper)
        if not reply.in_step and (reply.problem in RESTARTS or not self.sync()):
            self.restore()
        return reply

    # ------------------------------------------------------------- ways back
    def restore(self) -> bool:
        """Set a restarted adapter up again as it was; True where it listens. The vehicle may be silent."""
        header, listen_to = self._header, self._listen_to
        if not self.set_up():
            return False
        self._header = None
        return self.set_header(header, listen_to)

    def reconnect(self) -> bool:
        """Open the port anew, where it is there again, and set the adapter up; True where it listens."""
        self.open_again()
        return self.restore()

    def vehicle_answers(self) -> bool:
        """True where the vehicle answers a request with its own answer, a bus that fell asleep being woken first."""
        return any(m.data[:2] == b"\x41\x00" for m in self.ask(b"0100", SEARCH_TIMEOUT_S).messages)


def response_id(request_header: int | None, is_29bit: bool) -> str | None:
    """Header text with which the module addressed by `request_header` answers (ISO 15765-4); None for all modules."""
    if request_header is None:
        return None
    return f"18DAF1{(request_header >> 8) & 0xFF:02X}" if is_29bit else f"{request_header + 8:03X}"
