"""The ELM-style dialect: a line of text to the adapter, lines of text back, and a prompt when it is ready again.

Nothing is sent before the prompt. After any reply that is not a plain answer, `sync` asks a question whose answer is
unmistakable, to make sure that no more data is on its way. Every read is limited in time and size, and ends at the
deadline at the latest."""

from __future__ import annotations

import contextlib
import logging
import re
import time
from collections.abc import Callable
from typing import Any

from obd import protocols

from camlog.capture import error, messages
from camlog.capture.lines import PROMPT, RESTARTS, LineForm, answer_lines, is_banner, lines_of, unasked_lines
from camlog.capture.link import SEARCH_TIMEOUT_S, Link
from camlog.capture.ports import LinkLost, Transport, transport_for
from camlog.capture.speed import find_speed, lower_speed, raise_speed

# python-obd reports what it cannot parse; here that becomes events instead.
logging.getLogger("obd").setLevel(logging.CRITICAL + 1)

# After "response pending" a module has five more seconds for its answer (P2* of ISO 14229-2).
REPLY_TIMEOUT_S = 6.0
SETUP_TIMEOUT_S = 4.0  # the slowest command of an adapter is its reset
_SYNC_TIMEOUT_S = 1.0
_TRIES = 4
_SETUP_TRIES = 3  # a busy adapter swallows the first character, one that is restarting the whole line
# An answer is no longer than this: 16 modules with 4,095 bytes each (ISO 15765-2) come to some 150 kB.
MOST_BYTES = 200_000
_SILENT_S = 0.3  # a port that sent nothing for this long is silent
_DRAIN_MOST_S = 0.6
_RESET = "ATZ"
# "Which protocol?": every adapter knows it and no frame looks like its answer. A busy adapter swallows the first
# character; the rest is no request that could reach the vehicle.
_WHICH_BUS = "ATDPN"
_BUS_NUMBER = re.compile(r"A?([0-9A-C])\Z")
# python-obd's parser for each bus, by the bus number in the adapter's command set, most likely first.
PARSERS = {
    "6": protocols.ISO_15765_4_11bit_500k,
    "8": protocols.ISO_15765_4_11bit_250k,
    "1": protocols.SAE_J1850_PWM,
    "7": protocols.ISO_15765_4_29bit_500k,
    "9": protocols.ISO_15765_4_29bit_250k,
    "2": protocols.SAE_J1850_VPW,
    "3": protocols.ISO_9141_2,
    "4": protocols.ISO_14230_4_5baud,
    "5": protocols.ISO_14230_4_fast,
}


class Elm(Link):
    """A link over an adapter on `port`. With `baud` None the speed is found by trying; `protocol` is a key of
    PARSERS."""

    def __init__(self, port: str, *, baud: int | None = None, protocol: str | None = None, **options: Any):
        super().__init__(port, **options)
        self.raised: int | None = None  # the speed of the line, if it was raised
        self._left: list[str] = []  # lines of an unused answer, which may show a restart
        self._kind, self._baud = transport_for(port), baud
        self._transport: Transport | None = None
        try:
            self._connect(protocol)
        except LinkLost as lost:
            raise error("no_adapter", port, why=lost) from lost
        except BaseException:
            self.drop()
            raise

    # ------------------------------------------------------------- connecting
    def _connect(self, protocol: str | None) -> None:
        self.open_again()
        speeds = () if self._baud else self._kind.speeds  # a speed that was named is left alone
        if speeds:
            self._baud = find_speed(self, speeds)
        try:
            self._set(_RESET, is_banner)
        except LinkLost as lost:
            if lost.kind == "unplugged" or not speeds:
                raise
            # The speed had been raised earlier; the reset has restored the adapter's own.
            self._baud = find_speed(self, speeds)
            self._set(_RESET, is_banner)
        no_echo = "OK" in self._set("ATE0", "OK".__eq__)
        if not (no_echo and self._ok("ATH1") and self._ok("ATL0")):
            self.drop()
            raise LinkLost("hung", messages("lost.no_adapter"))
        if not self._find_bus(protocol):
            self.close()
            raise error("no_vehicle", self.port)
        self.spaces_off = self._ok("ATS0")
        if speeds and self._baud:
            self.raised = raise_speed(self, self._baud)

    def _set(self, command: str, expected: Callable[[str], bool]) -> list[str]:
        """Send a set-up command, repeated until a line of its answer is as expected; returns the last answer's
        lines."""
        for _ in range(_SETUP_TRIES):
            lines = self.command(command)
            if command == _RESET:
                self._drain()
            if any(map(expected, lines)):
                break
            self._drain()
        return lines

    def _find_bus(self, number: str | None) -> bool:
        """Let the adapter find the bus; if it cannot name the bus it found, try all in turn. True where one is
        found."""
        for tried in ("0", *PARSERS) if number is None else (number,):
            self.command(f"AT{'SP' if tried == '0' else 'TP'}{tried}")
            lines = self.command("0100", SEARCH_TIMEOUT_S)
            if any("UNABLE TO CONNECT" in line for line in lines):
                if tried == "0":
                    return False
                continue
            if tried == "0":
                named = [_BUS_NUMBER.match(line) for line in self.command(_WHICH_BUS)]
                if len(named) != 1:
                    return False
                tried = named[0][1] if named[0] else ""
            if tried in PARSERS:
                self.form = LineForm(tried)
                try:
                    self.protocol = PARSERS[tried](lines)
                except Exception:  # noqa: BLE001 - the parser indexes into whatever a broken line holds
                    self.protocol = PARSERS[tried]([])
                return True
        return False

    # ------------------------------------------------------------- commands
    def name(self) -> str:
        return " ".join(self.command("ATI")[-1:])

    def command(self, command: str, timeout_s: float = SETUP_TIMEOUT_S) -> list[str]:
        self._sent_s = self.clock()
        extra_lines = self.write(command.encode())
        return extra_lines + self.read(timeout_s)[0]

    def _ok(self, command: str) -> bool:
        return self.command(command)[-1:] == ["OK"]

    def address(self, header: int) -> bool:
        if self.form.is_29bit:
            return self._ok(f"ATCP{header >> 24:02X}") and self._ok(f"ATSH{header & 0xFFFFFF:06X}")
        return self._ok(f"ATSH{header:03X}")

    def write(self, command: bytes) -> list[str]:
        try:
            port = self.open_port()
            unread = bytearray()
            while port.waiting and len(unread) < MOST_BYTES:
                unread += port.read()
            if self.raw:
                if unread:
                    self.raw.received(self.clock(), bytes(unread), unasked=True)
                self.raw.sent(self._sent_s, command + b"\r")
            port.write(command + b"\r")
        except Exception as broken:  # a port that goes away breaks in whatever layer notices first
            raise self._link_lost() from broken
        return unasked_lines(bytes(unread))

    def read(self, timeout_s: float | None = None) -> tuple[list[str], float]:
        """The lines of the answer, as `answer_lines` gives them, and the time of its prompt."""
        timeout_s = REPLY_TIMEOUT_S if timeout_s is None else timeout_s
        until_s = time.perf_counter() + timeout_s
        came = bytearray()
        heard_s = float("-inf")
        while True:
            chunk = self.read_some()
            came += chunk
            last_byte_s = self._heard_s
            if PROMPT in chunk:
                break
            now_s = time.perf_counter()
            heard_s = now_s if chunk else heard_s
            if now_s > until_s or self.deadline.passed or len(came) > MOST_BYTES:
                if now_s - heard_s < _SILENT_S:
                    raise LinkLost("babbling", messages("lost.babbling", count=len(came), seconds=timeout_s))
                raise LinkLost("hung", messages("lost.no_prompt", seconds=timeout_s))
        return answer_lines(bytes(came)), last_byte_s

    def let_end(self) -> None:
        if self.raw:
            self.raw.note(self.clock(), unused=True)
        self._left, _ = self.read(self.poll_timeout_s)

    def _drain(self) -> list[str]:
        """Read until the port is silent for _SILENT_S; returns the lines, which may show a restart."""
        until_s = time.perf_counter() + _DRAIN_MOST_S
        came = bytearray()
        while not self.deadline.passed and time.perf_counter() < until_s and len(came) < MOST_BYTES:
            if not (chunk := self.read_some()):
                break
            came += chunk
        return lines_of(bytes(came))

    # ------------------------------------------------------------- ways back
    def sync(self) -> bool:
        heard, self._left = self._left, []
        for _ in range(_TRIES):
            heard += self._drain()
            try:
                lines = self.command(_WHICH_BUS, _SYNC_TIMEOUT_S)
            except LinkLost as lost:
                if lost.kind == "unplugged":
                    raise
                continue
            if len(lines) == 1 and _BUS_NUMBER.match(lines[0]):
                return True
            # An adapter echoes commands until the echo is switched off, so an echo means that it has restarted.
            kinds = [self.form.sort([line]).problem for line in (*heard, *lines)]
            if lines[:1] == [_WHICH_BUS] or not RESTARTS.isdisjoint(kinds[len(heard) :]):
                self.restarted_by = next((kind for kind in kinds if kind in RESTARTS), "adapter_reset")
                return False
        raise LinkLost("hung", messages("lost.out_of_order"))

    def set_up(self) -> bool:
        for _ in range(_TRIES):
            self._drain()  # the version line may still be on its way
            if self._ok("ATE0"):
                break
        if not all(self._ok(c) for c in ("ATE0", "ATH1", "ATL0", f"ATTP{self.form.protocol_id}")):
            return False
        self._ok("ATS0")
        return True

    # ------------------------------------------------------------- the port
    @property
    def is_open(self) -> bool:
        return self._transport is not None

    def open_again(self) -> None:
        self.drop()
        self._transport = self._kind(self.port, self._baud)
        if self.raised and self._baud and find_speed(self, (self.raised, self._baud)) == self.raised:
            self.slow_down()

    def slow_down(self) -> bool:
        if self.raised is None or self._baud is None:
            return False
        lower_speed(self, self._baud)
        self.raised = None
        return True

    def drop(self) -> None:
        port, self._transport = self._transport, None
        with contextlib.suppress(Exception):  # it may be gone already
            if port is not None:
                port.close()

    def close(self) -> None:
        with contextlib.suppress(Exception):  # it may be gone already
            self.open_port().write(_RESET.encode() + b"\r")
        self.drop()

    def open_port(self) -> Transport:
        if self._transport is None:
            raise OSError("no port")
        return self._transport

    def read_some(self) -> bytes:
        try:
            came = self.open_port().read()
        except Exception as broken:  # as above
            raise self._link_lost() from broken
        self._heard_s = self.clock()
        if self.raw and came:
            self.raw.received(self._heard_s, came)
        return came

    def _link_lost(self) -> LinkLost:
        self.drop()
        return LinkLost("unplugged", messages("lost.gone"))
