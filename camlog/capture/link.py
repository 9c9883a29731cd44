"""The link to a vehicle: requests out, checked replies in, and the way back into step when something went wrong.

An adapter answers in the order it is asked, each answer ended by a prompt. Everything rests
on that: a reply taken for the answer to another request would be a value with a wrong time.
So nothing is sent before the prompt, and after anything that is not a plain answer `sync`
makes sure, by a question whose answer cannot be taken for anything else, that nothing is
on its way any more.
"""

from __future__ import annotations

import os
import re
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple
from urllib.parse import urlsplit

import serial
from obd import OBDStatus
from obd.protocols.protocol import Message

from camlog.capture.adapter import SEARCH_TIMEOUT_S, UNASKED, Adapter, LinkLost
from camlog.capture.clocks import Deadline
from camlog.capture.lines import CAN_29_BIT, RESTARTS, LineForm
from camlog.capture.urls.protocol_socket import CONNECT_TIMEOUT_S
from camlog.errors import InputError

__all__ = ["Link", "LinkLost", "Received", "Reply", "no_adapter", "response_id"]

# How long a reply may take. A module that says "response pending" has five seconds more (P2* of ISO 14229-2);
# while recording nobody waits for it that long, its values would have no time.
REPLY_TIMEOUT_S = 6.0
POLL_TIMEOUT_S = 1.5
OLDER_POLL_TIMEOUT_S = 4.0  # the older buses are woken for 2.4 s when they fell asleep
_SYNC_TIMEOUT_S = 1.0
_SYNC_TRIES = 4
# "Which protocol?": every adapter knows it, no frame looks like its answer, and without its first
# character, which a busy adapter swallows, it is no request that could reach the vehicle.
_SYNC = "ATDPN"
_SYNC_ANSWER = re.compile(r"A?[0-9A-C]\Z")
NEGATIVE = b"\x7f"  # service byte of a refusal (ISO 14229-1)
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

    `messages` are whole diagnostic messages of the module asked; `problem` names what was wrong (None for
    a clean reply): no_data, can_error, garbage, pending ... A reply may carry both. `pending`: a module asked
    for time before it answered, or instead. `in_step`: nothing more is to come.
    """

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
    """An open connection to an adapter and, through it, to a vehicle.

    Raises InputError from the constructor where there is no port, no adapter
    behind it, or no vehicle; LinkLost later when the connection breaks, or the `deadline` passes.
    """

    def __init__(
        self,
        port: str,
        *,
        baud: int | None = None,
        protocol: str | None = None,
        clock: Callable[[], float] = time.monotonic,
        deadline: Deadline | None = None,
    ):
        self.port = port
        self.deadline = Deadline() if deadline is None else deadline
        self.clock = clock
        self.others: frozenset[str] = frozenset()  # modules known to answer besides the one listened to
        self._header: int | None = None
        self._listen_to: str | None = None
        self._sent_s = 0.0
        self._unasked = False
        self.restarted_by = "adapter_reset"
        self._answered: set[bytes] = set()  # what was answered with data: no data later is trouble
        self._left: list[str] = []  # lines of an answer nobody used; they may tell of a restart
        _check_port(port)
        try:
            self._adapter = Adapter(port, baud, protocol, clock, self.deadline)
        except LinkLost as lost:
            raise no_adapter(port, str(lost)) from lost
        except (OSError, serial.SerialException, ValueError, UnicodeError, IndexError, TypeError) as error:
            raise no_adapter(port, "it cannot be opened" if isinstance(error, OSError) else str(error)) from error
        status = self._adapter.status()
        if status == OBDStatus.NOT_CONNECTED:
            self._adapter.drop()
            raise no_adapter(port, _why_closed(port) or "nothing there answers like an adapter")
        if status != OBDStatus.CAR_CONNECTED:
            self._adapter.close()
            raise InputError(
                "the adapter answers, but no vehicle behind it",
                file=port,
                remedy="Switch the ignition on, push the adapter home in the connector, and try again.",
            )
        self.form = LineForm(self.protocol_id)
        self._adapter.reply_timeout_s = REPLY_TIMEOUT_S

    # ------------------------------------------------------------- identity
    @property
    def is_open(self) -> bool:
        """True where the port was open when last used."""
        return self._adapter.port is not None

    @property
    def protocol_id(self) -> str:
        return self._adapter.protocol_id()

    @property
    def protocol_name(self) -> str:
        return self._adapter.protocol_name()

    @property
    def is_can(self) -> bool:
        return self.form.is_can

    @property
    def is_29bit(self) -> bool:
        return self.protocol_id in CAN_29_BIT

    @property
    def poll_timeout_s(self) -> float:
        """How long to wait for a reply while recording."""
        return POLL_TIMEOUT_S if self.is_can else OLDER_POLL_TIMEOUT_S

    def ignore_checksums(self) -> None:
        """Take frames of an older bus without a look at their last byte (adapters that do not print it)."""
        self.form = LineForm(self.protocol_id, check_sums=False)

    # ------------------------------------------------------------- requests
    def at(self, command: str, timeout_s: float | None = None) -> list[str]:
        """Send an adapter command; its answer's lines."""
        self._adapter.write_line(command.encode())
        return self._adapter.read_lines(timeout_s)

    def ok(self, command: str) -> bool:
        """Send an adapter command; True where it answered OK."""
        return self.at(command)[-1:] == ["OK"]

    def set_header(self, request_header: int | None, listen_to: str | None = None) -> bool:
        """Address requests to one module (CAN), or with None to all of them; True where that is in force.

        Answers count that come from `listen_to` (an address as `LineForm.module` gives it); where it is None,
        from the module addressed, or from all modules.
        """
        self._listen_to = listen_to or response_id(request_header, self.is_29bit)
        if request_header == self._header:
            return True
        if not self.is_can:
            return request_header is None
        target = request_header
        if target is None:
            target = FUNCTIONAL_29_BIT if self.is_29bit else FUNCTIONAL_11_BIT
        done = (
            self.ok(f"ATCP{target >> 24:02X}") and self.ok(f"ATSH{target & 0xFFFFFF:06X}")
            if self.is_29bit
            else self.ok(f"ATSH{target:03X}")
        )
        if done:
            self._header = request_header
        return done

    def send(self, command: bytes) -> None:
        """Send a request; `receive` waits for what comes back."""
        # Before writing: whatever the system does meanwhile, the module is asked after this moment.
        self._sent_s = self.clock()
        self._unasked = self._adapter.write_line(command)

    def receive(self, timeout_s: float | None = None) -> Received:
        """The reply to what was sent last. After something that came unasked before it, nobody knows that it is."""
        lines = self._adapter.read_lines(timeout_s)
        if self._unasked:
            lines = [UNASKED, *lines]
        return Received(lines, self._sent_s, self._adapter.last_byte_s, self._listen_to)

    def let_end(self) -> None:
        """Let a request under way end, its answer unused but for what it tells `sync` of a restart."""
        self._left = self._adapter.read_lines(self.poll_timeout_s)

    def parse(self, received: Received) -> Reply:
        """Messages out of a received reply, by python-obd's protocol parser; never raises."""
        found = self.form.sort(received.lines)
        problem, frames = found.problem, list(found.frames)
        if received.listen_to is not None:
            senders = {self.form.module(f) for f in frames}
            frames = [f for f in frames if self.form.module(f) == received.listen_to]
            if senders - self.others - {received.listen_to}:
                problem = problem or "other_module"
        try:
            messages = tuple(m for m in self._adapter.protocol(frames) if m.parsed()) if frames else ()
        except Exception:  # noqa: BLE001 - the parser indexes into whatever a broken line holds
            messages = ()
        if sum(len(m.frames) for m in messages) < len(frames):
            problem = problem or "garbage"  # a frame that fits nowhere
        if not messages and problem is None:
            problem = "pending" if found.pending else "no_data"
        return Reply(
            messages, tuple(received.lines), problem, received.sent_s, received.received_s, found.pending, found.in_step
        )

    def is_in_step(self, received: Received) -> bool:
        """True where a received reply is complete by all that can be seen: the next request may go out at once."""
        return self.form.sort(received.lines).in_step

    def ask(self, command: bytes, timeout_s: float | None = None) -> Reply:
        """One request and its parsed reply; afterwards the adapter is in step and set up again."""
        self.send(command)
        reply = self.parse(self.receive(timeout_s))
        if any(bytes(m.data[:1]) != NEGATIVE for m in reply.messages):
            self._answered.add(command)
            proper = reply.problem is None
        else:
            proper = command not in self._answered and (bool(reply.messages) or reply.problem == "no_data")
        self.deadline.reply(reply.in_step and proper)
        if not reply.in_step and (reply.problem in RESTARTS or not self.sync()):
            self.restore()
        return reply

    # ------------------------------------------------------------- ways back
    def sync(self) -> bool:
        """Wait until the adapter has said all it had to say and listens again.

        False where it has restarted meanwhile and must be set up anew (`restore`); `restarted_by` then says why as
        far as it told. Raises LinkLost where it does not listen.
        """
        heard, self._left = self._left, []
        for _ in range(_SYNC_TRIES):
            heard += self._adapter.drain()
            try:
                lines = self.at(_SYNC, _SYNC_TIMEOUT_S)
            except LinkLost as lost:
                if lost.kind == "unplugged":
                    raise
                continue
            if len(lines) == 1 and _SYNC_ANSWER.match(lines[0]):
                return True
            # An adapter echoes what it gets until it is told not to: it has restarted.
            if lines[:1] == [_SYNC] or any(self.form.sort([line]).problem in RESTARTS for line in lines):
                told = [self.form.sort([line]).problem for line in (*heard, *lines)]
                self.restarted_by = next((kind for kind in told if kind in RESTARTS), "adapter_reset")
                return False
        raise LinkLost("hung", "the adapter does not come to order")

    def restore(self) -> bool:
        """Set a restarted adapter up again on the same protocol; True where it listens. The vehicle may be silent."""
        header, listen_to = self._header, self._listen_to
        for _ in range(_SYNC_TRIES):
            self._adapter.drain()  # the version line may still be on its way
            if self.ok("ATE0"):
                break
        if not all(self.ok(c) for c in ("ATE0", "ATH1", "ATL0", f"ATTP{self.protocol_id}")):
            return False
        self.ok("ATS0")
        self._header = None
        return self.set_header(header, listen_to)

    def reconnect(self) -> bool:
        """Open the port anew, where it is there again, and set the adapter up; True where it listens."""
        self._adapter.open_again()
        return self.restore()

    def vehicle_answers(self) -> bool:
        """True where the vehicle answers a request, a bus that fell asleep being woken first."""
        return bool(self.ask(b"0100", SEARCH_TIMEOUT_S).messages)

    def close(self) -> None:
        """Reset the adapter and close the port."""
        self._adapter.close()

    def drop(self) -> None:
        """Close the port at once, without a word to the adapter."""
        self._adapter.drop()


def response_id(request_header: int | None, is_29bit: bool) -> str | None:
    """Header text with which the module addressed by `request_header` answers (ISO 15765-4); None for all modules."""
    if request_header is None:
        return None
    if is_29bit:
        return f"18DAF1{(request_header >> 8) & 0xFF:02X}"
    return f"{request_header + 8:03X}"


def _check_port(port: str) -> None:
    """Raises InputError where `port` cannot name a port at all."""
    if "://" in port:
        place = urlsplit(port)
        if place.scheme != "socket":
            raise InputError(
                f"{place.scheme}:// is no kind of port", file=port, remedy="Wi-Fi adapters: socket://HOST:PORT."
            )
        try:
            complete = bool(place.hostname and place.port)
        except ValueError:
            complete = False
        if not complete:
            raise InputError("the port number is missing or wrong", file=port, remedy="Write socket://HOST:PORT.")
    elif os.sep in port and not os.path.exists(port):
        raise InputError(
            "there is no such port", file=port, remedy="Plug the adapter in; without --port the likely ones are tried."
        )
    elif re.fullmatch(r"[\w.-]+:\d+", port):
        raise InputError(
            "there is no such port", file=port, remedy=f"For an adapter on the network write socket://{port}."
        )


def _why_closed(port: str) -> str | None:
    """Why a port that names a place on the network cannot be reached, in the system's words; None where it can."""
    if not port.startswith("socket://"):
        return None
    place = urlsplit(port)
    try:
        socket.create_connection((place.hostname, place.port), timeout=CONNECT_TIMEOUT_S).close()
    except OSError as error:
        return f"{place.hostname} port {place.port}: {error.strerror or error}".lower()
    return None


def no_adapter(port: str, why: str) -> InputError:
    return InputError(
        f"no adapter found ({why})",
        file=port,
        remedy="Check the adapter's lamp, the cable or pairing, and that no other program holds the port.",
    )
