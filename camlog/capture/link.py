"""The wire: python-obd's adapter connection, made safe for hours of unattended requests.

python-obd opens the port, resets the adapter, finds the protocol and parses
frames. Here stands what a recording needs beyond that: bounded waiting, the
times of sending and of the last byte, and a name for everything that is not an answer.
"""

from __future__ import annotations

import logging
import re
import time
from collections.abc import Callable
from dataclasses import dataclass

import serial
from obd import OBDStatus
from obd.elm327 import ELM327
from obd.protocols.protocol import Message

from camlog.errors import InputError

# python-obd reports every hiccup of a bad cable at CRITICAL; here they become events instead.
logging.getLogger("obd").setLevel(logging.CRITICAL + 1)

PROMPT = b">"
CONNECT_TIMEOUT_S = 12.0  # a protocol search over all protocols may take this long
REPLY_TIMEOUT_S = 2.5  # longer than any adapter waits for a module that says "response pending" once
_POLL_S = 0.05
_DRAIN_QUIET_S = 0.03
_DRAIN_MOST_S = 0.5

# What adapters print instead of data, most specific first, and what it means here.
_STATUS = (
    ("UNABLE TO CONNECT", "unable_to_connect"),
    ("NO DATA", "no_data"),
    ("CAN ERROR", "can_error"),
    ("BUS INIT", "bus_error"),
    ("BUS ERROR", "bus_error"),
    ("BUS BUSY", "bus_error"),
    ("FB ERROR", "bus_error"),
    ("BUFFER FULL", "buffer_full"),
    ("STOPPED", "stopped"),
    ("LV RESET", "adapter_reset"),
    ("ACT ALERT", "adapter_reset"),
    ("LP ALERT", "adapter_reset"),
    ("ERR", "adapter_reset"),
    ("DATA ERROR", "data_error"),
    ("RX ERROR", "data_error"),
)
_BANNER = re.compile(r"^[A-Z]{2,}\d* ?V?\d", re.IGNORECASE)  # a version line: the adapter has restarted
_HEX = re.compile(r"^[0-9A-Fa-f ]+$")


class LinkLost(Exception):
    """The port is gone, or the adapter stopped answering; `kind` is `unplugged` or `hung`."""

    def __init__(self, kind: str, text: str):
        super().__init__(text)
        self.kind = kind


@dataclass(frozen=True, slots=True)
class Reply:
    """What came back for one request.

    `messages` are whole diagnostic messages of the module asked; `problem`
    names what was wrong (None for a clean reply): no_data, can_error,
    garbage, pending, negative ... A reply may carry both.
    """

    messages: tuple[Message, ...]
    lines: tuple[str, ...]
    problem: str | None
    sent_s: float
    received_s: float

    @property
    def time_s(self) -> float:
        """Midpoint of request and response."""
        return 0.5 * (self.sent_s + self.received_s)


class _Adapter(ELM327):
    """python-obd's connection with bounded reads and times (its private read and write, replaced by name)."""

    reply_timeout_s = CONNECT_TIMEOUT_S
    clock: Callable[[], float]
    last_byte_s = 0.0

    @property
    def port(self) -> serial.SerialBase | None:
        return getattr(self, "_ELM327__port", None)

    @property
    def protocol(self):
        return getattr(self, "_ELM327__protocol", None)

    def write_line(self, command: bytes) -> None:
        self._ELM327__write(command)

    def read_lines(self) -> list[str]:
        return self._ELM327__read()

    def _ELM327__read(self, end_marker: bytes = PROMPT) -> list[str]:  # noqa: N802
        port = self.port
        if port is None:
            return []
        buffer = bytearray()
        started = time.monotonic()
        port.timeout = _POLL_S
        while end_marker not in buffer:
            try:
                chunk = port.read(port.in_waiting or 1)
            except (OSError, serial.SerialException, TypeError, ValueError) as error:
                self._drop_port()
                raise LinkLost("unplugged", "the adapter's port has gone") from error
            if chunk:
                buffer += chunk
            elif time.monotonic() - started > self.reply_timeout_s:
                raise LinkLost("hung", f"no prompt from the adapter within {self.reply_timeout_s:g} s")
        self.last_byte_s = self.clock()
        text = bytes(buffer).replace(b"\x00", b"").partition(end_marker)[0].decode("ascii", "replace")
        return [line.strip() for line in re.split(r"[\r\n]", text) if line.strip()]

    def drain(self) -> None:
        port = self.port
        if port is None:
            return
        until = time.monotonic() + _DRAIN_MOST_S
        try:
            port.timeout = _DRAIN_QUIET_S
            while port.read(port.in_waiting or 1) and time.monotonic() < until:
                pass
        except (OSError, serial.SerialException, TypeError, ValueError) as error:
            self._drop_port()
            raise LinkLost("unplugged", "the adapter's port has gone") from error

    def _drop_port(self) -> None:
        port, self._ELM327__port = self.port, None
        self._ELM327__status = OBDStatus.NOT_CONNECTED
        try:
            if port is not None:
                port.close()
        except (OSError, serial.SerialException):
            pass

    def close(self) -> None:
        if self.port is not None:
            try:
                self.port.write_timeout = 0.5
                self.port.write(b"ATZ\r")
            except (OSError, serial.SerialException):
                pass
        self._drop_port()


class Link:
    """An open connection to an adapter and, through it, to a vehicle.

    Raises InputError from the constructor where there is no port, no adapter
    behind it, or no vehicle; LinkLost later when the connection breaks.
    """

    def __init__(
        self,
        port: str,
        *,
        baud: int | None = None,
        protocol: str | None = None,
        clock: Callable[[], float] = time.monotonic,
    ):
        self.port = port
        self.clock = clock
        self._header: int | None = None
        self._filter: str | None = None
        # The constructor already talks to the adapter, through methods that need the clock.
        self._adapter = _Adapter.__new__(_Adapter)
        self._adapter.clock = clock
        try:
            self._adapter.__init__(port, baud, protocol, timeout=0.3, check_voltage=False)
        except LinkLost as lost:
            raise no_adapter(port, str(lost)) from lost
        except (OSError, serial.SerialException, ValueError, UnicodeError, IndexError, TypeError) as error:
            raise no_adapter(port, "it cannot be opened" if isinstance(error, OSError) else str(error)) from error
        status = self._adapter.status()
        if status == OBDStatus.NOT_CONNECTED:
            self._adapter.close()
            raise no_adapter(port, "nothing there answers like an adapter")
        if status != OBDStatus.CAR_CONNECTED:
            self._adapter.close()
            raise InputError(
                "the adapter answers, but no vehicle behind it",
                file=port,
                remedy="Switch the ignition on, push the adapter home in the connector, and try again.",
            )
        self._adapter.reply_timeout_s = REPLY_TIMEOUT_S

    # ------------------------------------------------------------- identity
    @property
    def protocol_id(self) -> str:
        return self._adapter.protocol_id()

    @property
    def protocol_name(self) -> str:
        return self._adapter.protocol_name()

    @property
    def is_can(self) -> bool:
        return self.protocol_id in ("6", "7", "8", "9")

    @property
    def is_29bit(self) -> bool:
        return self.protocol_id in ("7", "9")

    # ------------------------------------------------------------- requests
    def at(self, command: str) -> list[str]:
        """Send an adapter command; its answer's lines."""
        self._write(command.encode())
        return self._adapter.read_lines()

    def ok(self, command: str) -> bool:
        """Send an adapter command; True where it answered OK."""
        return self.at(command)[-1:] == ["OK"]

    def set_header(self, request_header: int | None) -> bool:
        """Address requests to one module (CAN), or with None back to all of them; True where that is in force."""
        if request_header == self._header:
            return True
        if not self.is_can:
            return request_header is None
        target = request_header
        if target is None:
            target = 0x18DB33F1 if self.is_29bit else 0x7DF
        done = (
            self.ok(f"ATCP{target >> 24:02X}") and self.ok(f"ATSH{target & 0xFFFFFF:06X}")
            if self.is_29bit
            else self.ok(f"ATSH{target:03X}")
        )
        if done:
            self._header = request_header
            self._filter = response_id(request_header, self.is_29bit)
        return done

    def send(self, command: bytes) -> None:
        """Send a request; `receive` waits for what comes back."""
        self._write(command)
        self._sent_s = self.clock()

    def receive(self) -> tuple[list[str], float, float]:
        """Lines of the reply with the times of sending and of the prompt."""
        lines = self._adapter.read_lines()
        return lines, self._sent_s, self._adapter.last_byte_s

    def parse(self, received: tuple[list[str], float, float]) -> Reply:
        """Messages out of a received reply, by python-obd's protocol parser; never raises."""
        lines, sent_s, received_s = received
        data: list[str] = []
        problem: str | None = None
        pending = False
        for line in lines:
            squeezed = line.replace(" ", "").upper()
            if _HEX.match(line):
                if self._filter and not squeezed.startswith(self._filter):
                    problem = problem or "other_module"
                elif _is_pending(squeezed, self.is_can, self.is_29bit):
                    pending = True
                else:
                    data.append(squeezed)
            elif line.upper().startswith("SEARCHING"):
                continue
            else:
                problem = _status_of(line) or problem or "garbage"
        try:
            messages = tuple(m for m in self._adapter.protocol(data) if m.parsed()) if data else ()
        except Exception:  # noqa: BLE001 - the parser indexes into whatever a broken line holds
            messages = ()
        if data and not messages:
            problem = problem or "garbage"
        if not messages and problem is None:
            problem = "pending" if pending else "no_data"
        return Reply(messages, tuple(lines), problem, sent_s, received_s)

    def looks_clean(self, received: tuple[list[str], float, float]) -> bool:
        """True where every line of a received reply is data, none a complaint."""
        return bool(received[0]) and all(_HEX.match(line) for line in received[0])

    def drain(self) -> None:
        """Throw away what still trickles in, so that it is not taken for the next answer."""
        self._adapter.drain()

    def ask(self, command: bytes) -> Reply:
        """One request and its parsed reply."""
        self.send(command)
        return self.parse(self.receive())

    def resync(self) -> bool:
        """After a reply that never ended: interrupt the adapter and wait until it listens again."""
        try:
            self._write(b"")  # any character stops what it is doing
            self._adapter.reply_timeout_s = 1.0
            self._adapter.read_lines()
            return self.restore()
        except LinkLost:
            return False
        finally:
            self._adapter.reply_timeout_s = REPLY_TIMEOUT_S

    def restore(self) -> bool:
        """After the adapter restarted: set it up again on the same protocol without the long search."""
        header = self._header
        try:
            for _ in range(2):  # the first may meet the restart's banner
                self.at("ATE0")
            done = all(self.ok(c) for c in ("ATH1", "ATL0", f"ATTP{self.protocol_id}"))
            self.ok("ATS0")
            if not done:
                return False
            self._header = self._filter = None
            if header is not None and not self.set_header(header):
                return False
            return bool(self.ask(b"0100").messages)
        except LinkLost:
            return False

    def close(self) -> None:
        self._adapter.close()

    def _write(self, command: bytes) -> None:
        self._adapter.write_line(command)
        if self._adapter.port is None:
            raise LinkLost("unplugged", "the adapter's port has gone")


def response_id(request_header: int | None, is_29bit: bool) -> str | None:
    """Header text with which the module addressed by `request_header` answers (ISO 15765-4); None for all modules."""
    if request_header is None:
        return None
    if is_29bit:
        return f"18DAF1{(request_header >> 8) & 0xFF:02X}"
    return f"{request_header + 8:03X}"


def no_adapter(port: str, why: str) -> InputError:
    return InputError(
        f"no adapter found ({why})",
        file=port,
        remedy="Check the adapter's lamp, the cable or pairing, and that no other program holds the port.",
    )


def _status_of(line: str) -> str | None:
    upper = line.upper()
    for text, kind in _STATUS:
        if text in upper:
            return kind
    if upper == "?":
        return "not_understood"
    if _BANNER.match(line) and not _HEX.match(line):
        return "adapter_reset"
    return None


def _is_pending(squeezed: str, is_can: bool, is_29bit: bool) -> bool:
    """True for a negative response 0x78, "response pending" (ISO 14229-1): the answer is still to come."""
    if is_can:
        at = 8 if is_29bit else 3
        return squeezed[at : at + 4] == "037F" and squeezed[at + 6 : at + 8] == "78"
    return squeezed[6:8] == "7F" and squeezed[10:12] == "78"
