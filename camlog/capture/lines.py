"""Sort an adapter's lines into frames of the vehicle's bus, status words, and garbage.

A frame must have the form of its bus: header of a module (ISO 15765-4), whole bytes, no more bytes than the bus
carries, and on the older buses the right checksum. Anything else is garbage and never reaches a decoder."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from obd.protocols.protocol import Message

CAN_11_BIT, CAN_29_BIT = ("6", "8"), ("7", "9")
J1850 = ("1", "2")
CAN_FRAME_BYTES = 8
FIRST_FRAME_BYTES = 6  # ISO 15765-2: payload of a first frame
CONSECUTIVE_FRAME_BYTES = 7
PROMPT = b">"
_MEANS_NOTHING = b"\r\n \x00"
UNASKED = "<"  # marks that the lines after it came without a request; no adapter prints such a line
RESPONSE_PENDING = "78"  # ISO 14229-1: the answer is still to come

# Status texts that adapters print instead of data, most specific first, and their kinds.
_STATUS = (
    ("UNABLE TO CONNECT", "unable_to_connect"),
    ("NO DATA", "no_data"),
    ("CAN ERROR", "can_error"),
    ("BUS INIT", "bus_init_error"),
    ("BUS ERROR", "bus_error"),
    ("BUS BUSY", "bus_error"),
    ("FB ERROR", "bus_error"),
    ("DATA ERROR", "data_error"),
    ("RX ERROR", "data_error"),
    ("BUFFER FULL", "buffer_full"),
    ("STOPPED", "stopped"),
    ("LV RESET", "low_voltage"),
    ("ACT ALERT", "adapter_reset"),
    ("LP ALERT", "adapter_reset"),
)
# After one of these the adapter has finished the request, and the next prompt belongs to it.
_ENDS_THE_REQUEST = frozenset(
    {"unable_to_connect", "no_data", "can_error", "bus_init_error", "bus_error", "data_error", "buffer_full"}
)
# Kinds of status after which the adapter has restarted and lost its settings.
RESTARTS = frozenset({"adapter_reset", "low_voltage"})
_INTERNAL_ERROR = re.compile(r"ERR\d\d")
_BANNER = re.compile(r"[A-Z]{2,}\d* ?V?\d", re.IGNORECASE)
_PROGRESS = re.compile(r"SEARCHING|BUS INIT: ?\.*OK\Z")
_HEX = re.compile(r"[0-9A-F]+\Z")
# A CAN frame has a byte of framing and at least one of data.
_FRAME_11_BIT = re.compile(r"[0-7][0-9A-F]{2}(?:[0-9A-F]{2}){2,8}\Z")
_FRAME_29_BIT = re.compile(r"18DAF1[0-9A-F]{2}(?:[0-9A-F]{2}){2,8}\Z")
_FRAME_OLDER = re.compile(r"(?:[0-9A-F]{2}){5,11}\Z")  # three of header, one to seven of data, checksum


@dataclass(frozen=True, slots=True)
class Sorted:
    """A reply's sorted lines: `frames` (hexadecimal, no spaces), and the first `problem` among the others, or None.

    `pending`: a module announced that its answer is still to come. `in_step`: every line belongs to a finished request.
    If not, more data may follow the prompt, and nothing may be sent until it has ended."""

    frames: tuple[str, ...]
    problem: str | None
    pending: bool
    in_step: bool


class LineForm:
    """The form of frames on one bus, by its number in the adapter's command set."""

    def __init__(self, protocol_id: str, check_sums: bool = True):
        self.protocol_id = protocol_id
        self.check_sums = check_sums
        if protocol_id in CAN_11_BIT:
            self._frame, self._header, self._module = _FRAME_11_BIT, 3, slice(0, 3)
        elif protocol_id in CAN_29_BIT:
            self._frame, self._header, self._module = _FRAME_29_BIT, 8, slice(0, 8)
        else:
            self._frame, self._header, self._module = _FRAME_OLDER, 6, slice(4, 6)

    @property
    def is_can(self) -> bool:
        return self.protocol_id in CAN_11_BIT + CAN_29_BIT

    @property
    def is_29bit(self) -> bool:
        return self.protocol_id in CAN_29_BIT

    def module(self, frame: str) -> str:
        """Address of the module that sent a frame, as in its header: `7E8`, `18DAF110`, or `10` on older buses."""
        return frame[self._module]

    def is_frame(self, text: str) -> bool:
        """True where `text` (no spaces, upper case) is a whole frame of this bus."""
        if not self._frame.match(text):
            return False
        return self.is_can or not self.check_sums or checksum_holds(self.protocol_id, bytes.fromhex(text))

    def is_pending(self, frame: str) -> bool:
        """True for a negative response "response pending"."""
        data = frame[self._header :]
        if self.is_can:
            return data[:4] == "037F" and data[6:8] == RESPONSE_PENDING
        return data[:2] == "7F" and data[4:6] == RESPONSE_PENDING

    def sort(self, lines: Sequence[str]) -> Sorted:
        """Sort lines into frames, status words and garbage."""
        frames: list[str] = []
        problem: str | None = None
        pending, in_step = False, bool(lines)
        for line in lines:
            text = line.replace(" ", "").upper()
            if self.is_frame(text):
                if self.is_pending(text):
                    pending = True
                else:
                    frames.append(text)
            elif not _PROGRESS.match(line.upper()):
                kind = status_of(line) or "garbage"
                in_step &= kind in _ENDS_THE_REQUEST
                # A restart explains every other problem.
                if problem is None or (kind in RESTARTS and problem not in RESTARTS):
                    problem = kind
        return Sorted(tuple(frames), problem, pending, in_step)


def lines_of(text: bytes) -> list[str]:
    """The lines in an adapter's output; NUL bytes, which some adapters send, are dropped."""
    text_sent = text.replace(b"\x00", b"").decode("ascii", "replace")
    return [line.strip() for line in re.split(r"[\r\n>]", text_sent) if line.strip()]


def answer_lines(came: bytes) -> list[str]:
    """Lines up to the prompt; if more followed it, `UNASKED` and those lines."""
    text, _, trailing = came.partition(PROMPT)
    more = [UNASKED, *lines_of(trailing)] if trailing.strip(_MEANS_NOTHING) else []
    return lines_of(text) + more


def unasked_lines(text: bytes) -> list[str]:
    """The lines to put before an answer for bytes that came before its request: none if the bytes mean nothing, else

    `UNASKED` and those of their lines that show a restart. Frames among them answer no request and are dropped."""
    if not text.strip(_MEANS_NOTHING + PROMPT):
        return []
    return [UNASKED, *(line for line in lines_of(text) if status_of(line) in RESTARTS)]


def status_of(line: str) -> str | None:
    """The kind of a status line; None for any other line."""
    upper = line.upper()
    for text, kind in _STATUS:
        if text in upper:
            return kind
    if upper == "?":
        return "not_understood"
    if _INTERNAL_ERROR.match(upper) or is_banner(line):
        return "adapter_reset"
    return None


def is_banner(line: str) -> bool:
    """True for a version line, which an adapter prints after a restart."""
    return bool(_BANNER.match(line)) and not _HEX.match(line.replace(" ", "").upper())


def checksum_holds(protocol_id: str, message: bytes) -> bool:
    """True where the last byte is the checksum of those before: a CRC on SAE J1850, the sum on ISO 9141-2, 14230."""
    if protocol_id not in J1850:
        return sum(message[:-1]) & 0xFF == message[-1]
    crc = 0xFF
    for byte in message[:-1]:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D if crc & 0x80 else crc << 1) & 0xFF
    return crc ^ 0xFF == message[-1]


def is_whole(message: Message) -> bool:
    """True where a CAN message has all its frames and none is cut short (ISO 15765-2).

    python-obd joins frames and cuts at the declared length, so a short frame in the middle would shift the bytes after
    it. Messages of the older buses declare no length; True for them, as their checksums were tested."""
    first = next((f for f in message.frames if f.data_len), None)
    if first is None:
        return True
    if len(message.frames) == 1:
        return first.data_len < len(first.data)
    rest = sorted((f for f in message.frames if f is not first), key=lambda f: f.seq_index)
    left = first.data_len - FIRST_FRAME_BYTES
    if len(first.data) != CAN_FRAME_BYTES or len(rest) != -(-left // CONSECUTIVE_FRAME_BYTES):
        return False
    if any(len(f.data) != CAN_FRAME_BYTES for f in rest[:-1]):
        return False
    return len(rest[-1].data) - 1 >= left - CONSECUTIVE_FRAME_BYTES * (len(rest) - 1)
