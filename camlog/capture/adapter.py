"""The adapter's port: python-obd's connection, with reads that end and a name for everything that breaks.

python-obd opens the port, sets the adapter up, finds the protocol and brings the parser
for it. It waits by sleeping and reads until a time is over; here its private write, read
and send are replaced by ones that go by the adapter's prompt, so that connecting takes as
long as the adapter needs, and a port that is gone, silent or babbling is told apart at once.
Every read ends at its time or size, whatever arrives, and no later than the deadline.
"""

from __future__ import annotations

import contextlib
import logging
import re
import time
from collections.abc import Callable

import serial
from obd import OBDStatus
from obd.elm327 import ELM327

from camlog.capture import urls
from camlog.capture.clocks import Deadline
from camlog.capture.lines import is_banner

# python-obd reports every hiccup of a bad cable at CRITICAL; here they become events instead.
logging.getLogger("obd").setLevel(logging.CRITICAL + 1)
# Network ports by camlog's own handler, whose waits end.
serial.protocol_handler_packages.insert(0, urls.__name__)

PROMPT = b">"
UNASKED = "<"  # no adapter prints a line of this alone
_MEANS_NOTHING = b"\r\n \x00"
SEARCH_TIMEOUT_S = 12.0  # a protocol search over all protocols may take this long
SETUP_TIMEOUT_S = 4.0  # the slowest command of the adapter's own is its reset
_POLL_S = 0.05
_WRITE_TIMEOUT_S = 2.0
# An answer is no longer than this: 16 modules with 4,095 bytes each (ISO 15765-2) come to some 150 kB.
MOST_BYTES = 200_000
_CHUNK_BYTES = 4096
_SILENT_S = 0.3  # a port that sent nothing for this long is silent
_DRAIN_MOST_S = 0.6
_RESET = b"ATZ"
_SETUP_TRIES = 3
# What the first commands are answered with, where the adapter has heard them.
_EXPECTED: dict[bytes, Callable[[str], bool]] = {_RESET: is_banner, b"ATE0": "OK".__eq__}


def _lines_of(text: bytes) -> list[str]:
    """The lines of what an adapter sent; NUL bytes are sent by some and mean nothing."""
    told = text.replace(b"\x00", b"").decode("ascii", "replace")
    return [line.strip() for line in re.split(r"[\r\n>]", told) if line.strip()]


class LinkLost(Exception):
    """The port is gone, or the adapter stopped answering; `kind` is `unplugged`, `hung`, or `babbling` (no prompt)."""

    def __init__(self, kind: str, text: str):
        super().__init__(text)
        self.kind = kind


class PortInUse(LinkLost):
    """Another program holds the port."""

    def __init__(self) -> None:
        super().__init__("unplugged", "another program holds the port")


class Adapter(ELM327):
    """python-obd's connection with bounded reads and times. `clock` counts monotonic seconds; nothing waits longer
    than to the `deadline`.

    Raises LinkLost from the constructor and everything that talks, where the port is gone or silent.
    """

    def __init__(
        self, port: str, baud: int | None, protocol: str | None, clock: Callable[[], float], deadline: Deadline
    ):
        self.clock = clock
        self.deadline = deadline
        self.reply_timeout_s = SEARCH_TIMEOUT_S
        self.last_byte_s = 0.0
        self._name = port
        self._baud = baud
        self._tuned: serial.SerialBase | None = None
        try:
            super().__init__(port, baud, protocol, timeout=0.3, check_voltage=False)
        except BaseException:
            self.drop()
            raise
        if self.port is not None:
            self._baud = getattr(self.port, "baudrate", baud)

    # python-obd keeps these to itself
    @property
    def port(self) -> serial.SerialBase | None:
        return getattr(self, "_ELM327__port", None)

    @property
    def protocol(self):
        return getattr(self, "_ELM327__protocol", None)

    def write_line(self, command: bytes) -> bool:
        """Send a line, after throwing away what nobody read; True where that was more than a prompt and white space."""
        try:
            port = self._port()
            unread = bytearray()
            while port.in_waiting and len(unread) < MOST_BYTES:
                unread += port.read(min(port.in_waiting, _CHUNK_BYTES))
            port.write(command + b"\r")
        except PortInUse:
            self.drop()
            raise
        except Exception as error:  # a port that goes away breaks in whatever layer notices first
            raise self._gone() from error
        return bool(unread.strip(_MEANS_NOTHING + PROMPT))

    def read_lines(self, timeout_s: float | None = None) -> list[str]:
        """Lines up to the prompt. Where more came with it, `UNASKED` and those lines: it spoke unasked."""
        timeout_s = self.reply_timeout_s if timeout_s is None else timeout_s
        until_s = time.monotonic() + timeout_s
        came = bytearray()
        heard_s = float("-inf")
        while True:
            chunk = self._read()
            came += chunk
            self.last_byte_s = self.clock()
            if PROMPT in chunk:
                break
            now_s = time.monotonic()
            heard_s = now_s if chunk else heard_s
            if now_s > until_s or self.deadline.passed or len(came) > MOST_BYTES:
                if now_s - heard_s < _SILENT_S:
                    raise LinkLost("babbling", f"{len(came)} characters within {timeout_s:g} s, but no prompt")
                raise LinkLost("hung", f"no prompt from the adapter within {timeout_s:g} s")
        text, _, unasked = bytes(came).partition(PROMPT)
        lines = _lines_of(text)
        return [*lines, UNASKED, *_lines_of(unasked)] if unasked.strip(_MEANS_NOTHING) else lines

    def drain(self) -> list[str]:
        """Take what still trickles in, until it is quiet for a moment; gives its lines, for what they may tell."""
        until_s = time.monotonic() + _DRAIN_MOST_S
        trickled = bytearray()
        while (
            not self.deadline.passed
            and time.monotonic() < until_s
            and len(trickled) < MOST_BYTES
            and (chunk := self._read())
        ):
            trickled += chunk
        return _lines_of(bytes(trickled))

    def open_again(self) -> None:
        """Open the port anew, the adapter's settings unknown. Raises LinkLost where it is not there."""
        self.drop()
        try:
            self._ELM327__port = serial.serial_for_url(self._name, baudrate=self._baud or 9600)
        except PortInUse:
            self.drop()
            raise
        except Exception as error:  # as above
            raise self._gone() from error

    def drop(self) -> None:
        """Close the port without a word to the adapter."""
        port, self._ELM327__port = self.port, None
        self._ELM327__status = OBDStatus.NOT_CONNECTED
        with contextlib.suppress(Exception):  # it may be gone already
            if port is not None:
                port.close()

    def close(self) -> None:
        """Leave the adapter as it comes out of the box, and close the port."""
        with contextlib.suppress(Exception):  # it may be gone already
            self._port().write(_RESET + b"\r")
        self.drop()

    def _port(self) -> serial.SerialBase:
        port = self.port
        if port is None:
            raise OSError("no port")
        if self._tuned is not port:
            port.timeout, port.write_timeout = _POLL_S, _WRITE_TIMEOUT_S
            if isinstance(port, serial.Serial) and hasattr(port, "exclusive"):
                try:
                    port.exclusive = True  # two programs on one adapter read each other's answers
                except (OSError, serial.SerialException) as error:
                    raise PortInUse from error
            self._tuned = port
        return port

    def _read(self) -> bytes:
        try:
            port = self._port()
            return port.read(min(port.in_waiting or 1, _CHUNK_BYTES))
        except PortInUse:
            self.drop()
            raise
        except Exception as error:  # as above
            raise self._gone() from error

    def _gone(self) -> LinkLost:
        self.drop()
        return LinkLost("unplugged", "the adapter's port has gone")

    # ------------------------------------------------- in the place of python-obd's own, called by its constructor
    def _ELM327__write(self, command: bytes) -> None:
        self.write_line(command)

    def _ELM327__read(self, end_marker: bytes = PROMPT) -> list[str]:
        return self.read_lines()

    def _ELM327__send(self, command: bytes, delay: float | None = None, end_marker: bytes = PROMPT) -> list[str]:
        timeout_s = SETUP_TIMEOUT_S if command.startswith(b"AT") else SEARCH_TIMEOUT_S
        # A busy adapter swallows the first character, one that is restarting the whole line: then again.
        for _ in range(_SETUP_TRIES):
            self.write_line(command)
            lines = self.read_lines(timeout_s)
            if command == _RESET:
                self.drain()
            if command not in _EXPECTED or any(map(_EXPECTED[command], lines)):
                break
            self.drain()
        return lines
