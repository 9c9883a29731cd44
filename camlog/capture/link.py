"""The link to a vehicle: requests out, checked replies in, and recovery after errors.

A reply taken for the answer to another request would give a value with a wrong time. Each reply therefore carries the
address it was asked of, and only messages of that module count."""

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

# Longest time for a reply while recording; waking an older bus that has fallen asleep takes 2.4 s.
POLL_TIMEOUT_S = 1.5
OLDER_POLL_TIMEOUT_S = 4.0
SEARCH_TIMEOUT_S = 12.0  # a search over all buses may take this long
FUNCTIONAL_11_BIT, FUNCTIONAL_29_BIT = 0x7DF, 0x18DB33F1  # ISO 15765-4: requests to all modules


class Received(NamedTuple):
    """A raw reply: its lines, the times of request and prompt, and the module address it was asked of."""

    lines: list[str]
    sent_s: float
    received_s: float
    listen_to: str | None = None


@dataclass(frozen=True, slots=True)
class Reply:
    """A parsed reply to one request.

    `messages` are complete diagnostic messages of the module asked. `problem` names an error (no_data, can_error,
    garbage, pending ...) or is None; a reply may have both. `pending`: a module asked for more time before its answer,
    or instead of one. `in_step`: no more data will follow."""

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
    """An open connection to an adapter and, through it, to a vehicle; each dialect is a subclass.

    A dialect's constructor raises InputError if there is no port, adapter or vehicle. Methods that communicate raise
    LinkLost when the connection breaks or the `deadline` passes. A dialect has these methods:

    | method | does |
    |---|---|
    | `name` | gives the adapter's version line, asked for now |
    | `write` | discards unread bytes and sends a request; returns `UNASKED` and discarded lines that show a restart |
    | `read` | returns the lines of the answer to the last request, and the time of their last byte |
    | `let_end` | lets a request under way end; its answer only tells `sync` about a restart |
    | `sync` | waits until the adapter has sent everything and is ready; False if it has restarted and must be set up |
    | `set_up` | sets a restarted adapter up again on the same bus; True if it is ready |
    | `address` | sends requests with this CAN identifier from now on; True if the adapter accepted it |
    | `open_again` | opens the port again; the adapter's settings are then unknown |
    | `slow_down` | lowers a raised speed of the port, which restarts the adapter; True if it was raised |
    | `is_open` | False after the port was found gone |
    | `close`, `drop` | closes the port: after resetting the adapter, or at once |
    """

    protocol: Protocol  # python-obd's parser of the bus
    form: LineForm  # the form of the bus's frames
    spaces_off = False  # True where the adapter sends frames without spaces
    restarted_by = "adapter_reset"  # the reason for the last restart known to `sync`: one of RESTARTS

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
        self._answered: set[bytes] = set()  # requests answered with data before; "no data" is a problem for these only

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
        """Address requests to one module (CAN), or with None to all of them; True if the adapter accepted it.

        Only answers from `listen_to` (an address as from `LineForm.module`) count; if None, those from the addressed
        module, or from all modules."""
        self._listen_to = listen_to or response_id(request_header, self.form.is_29bit)
        if request_header == self._header:
            return True
        if not self.is_can:
            return request_header is None
        to_all = FUNCTIONAL_29_BIT if self.form.is_29bit else FUNCTIONAL_11_BIT
        if self.address(to_all if request_header is None else request_header):
            self._header = request_header
        return self._header == request_header

    def header_for(self, profile_header: int | None, engine: int | None) -> int | None:
        """The request header for a header from the profile: that of the `engine` module if this bus has no such
        header."""
        other_format = self.form.is_29bit and profile_header is not None and profile_header <= 0x7FF
        return engine if profile_header is None or not self.is_can or other_format else profile_header

    def send(self, command: bytes) -> None:
        """Send a request; `receive` waits for what comes back."""
        # Taken before writing, so that the module is certainly asked after this time.
        self._sent_s = self.clock()
        self._unasked = self.write(command)

    def receive(self, timeout_s: float | None = None) -> Received:
        """The reply to the last request. After unrequested lines it is marked as uncertain (`UNASKED`)."""
        lines, received_s = self.read(timeout_s)
        return Received(self._unasked + lines, self._sent_s, received_s, self._listen_to)

    def parse(self, received: Received) -> Reply:
        """The messages of a received reply, by python-obd's protocol parser; never raises."""
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
        """True where a received reply looks complete, so that the next request may be sent at once."""
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
        """Set a restarted adapter up again as before; True if it is ready. The vehicle may be silent."""
        header, listen_to = self._header, self._listen_to
        if not self.set_up():
            return False
        self._header = None
        return self.set_header(header, listen_to)

    def reconnect(self) -> bool:
        """Open the port again, if it exists, and set the adapter up; True if it is ready."""
        self.open_again()
        return self.restore()

    def vehicle_answers(self) -> bool:
        """True if the vehicle answers a request properly; a bus that fell asleep is woken first."""
        return any(m.data[:2] == b"\x41\x00" for m in self.ask(b"0100", SEARCH_TIMEOUT_S).messages)


def response_id(request_header: int | None, is_29bit: bool) -> str | None:
    """Header text of the answers of the module addressed by `request_header` (ISO 15765-4); None for all modules."""
    if request_header is None:
        return None
    return f"18DAF1{(request_header >> 8) & 0xFF:02X}" if is_29bit else f"{request_header + 8:03X}"
