"""ISO 15765-2 on classic CAN: cutting a message into frames, and putting frames together again.

A frame here is the data field of a CAN frame, at most eight bytes, first the
protocol control information:

| frame | first bytes | carries |
|---|---|---|
| single (SF) | `0L` | L = 1..7 bytes, the whole message |
| first (FF) | `1L LL` | the message's length 8..4095 and its first 6 bytes |
| consecutive (CF) | `2N` | sequence number N, 1..F then 0..F again, and up to 7 bytes |
| flow control (FC) | `3S BB TT` | go on / wait / overflow, block size, separation time |
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum

FRAME_BYTES = 8
SINGLE_BYTES = 7
FIRST_BYTES = 6
CONSECUTIVE_BYTES = 7
MAX_MESSAGE_BYTES = 4095
_SF, _FF, _CF, _FC = 0x0, 0x1, 0x2, 0x3


class FramingError(ValueError):
    """A frame that ISO 15765-2 does not allow here."""


class FlowStatus(IntEnum):
    """First nibble after the frame type of a flow-control frame."""

    CONTINUE = 0
    WAIT = 1
    OVERFLOW = 2


@dataclass(frozen=True, slots=True)
class FlowControl:
    """What a receiver allows a sender: `block_size` consecutive frames (0: all), `separation_s` apart."""

    status: FlowStatus = FlowStatus.CONTINUE
    block_size: int = 0
    separation_s: float = 0.0


def separation_s(st_min: int) -> float:
    """Separation time in seconds of an STmin byte; reserved values count as the longest, 127 ms."""
    if st_min <= 0x7F:
        return st_min / 1e3
    if 0xF1 <= st_min <= 0xF9:
        return (st_min - 0xF0) * 1e-4
    return 0.127


def flow_control_frame(
    status: FlowStatus = FlowStatus.CONTINUE, block_size: int = 0, st_min: int = 0
) -> bytes:
    """A flow-control frame's three bytes, not padded."""
    return bytes(((_FC << 4) | status, block_size, st_min))


def read_flow_control(frame: bytes) -> FlowControl | None:
    """The content of a flow-control frame, None where `frame` is none."""
    if len(frame) < 3 or frame[0] >> 4 != _FC or frame[0] & 0xF not in tuple(FlowStatus):
        return None
    return FlowControl(FlowStatus(frame[0] & 0xF), frame[1], separation_s(frame[2]))


def segment(message: bytes, padding: int | None = None) -> list[bytes]:
    """The frames of a message: one single frame, or a first and consecutive frames.

    `padding` fills every frame to eight bytes (ISO 15765-4 asks for that); None leaves frames short.
    Raises FramingError for an empty message or one over 4095 bytes.
    """
    if not 1 <= len(message) <= MAX_MESSAGE_BYTES:
        raise FramingError(f"a message has 1 to {MAX_MESSAGE_BYTES} bytes, not {len(message)}")
    if len(message) <= SINGLE_BYTES:
        return [_padded(bytes((len(message),)) + message, padding)]
    head = bytes(((_FF << 4) | len(message) >> 8, len(message) & 0xFF))
    frames = [head + message[:FIRST_BYTES]]
    for count, start in enumerate(range(FIRST_BYTES, len(message), CONSECUTIVE_BYTES), 1):
        body = message[start : start + CONSECUTIVE_BYTES]
        frames.append(_padded(bytes(((_CF << 4) | count & 0xF,)) + body, padding))
    return frames


def _padded(frame: bytes, padding: int | None) -> bytes:
    return frame if padding is None else frame.ljust(FRAME_BYTES, bytes((padding,)))


def is_first(frame: bytes) -> bool:
    """True for the first frame of a segmented message."""
    return len(frame) > 0 and frame[0] >> 4 == _FF


def is_consecutive(frame: bytes) -> bool:
    """True for a consecutive frame."""
    return len(frame) > 0 and frame[0] >> 4 == _CF


class Reassembler:
    """Puts the frames of one sender together, one message at a time."""

    def __init__(self) -> None:
        self._length = 0
        self._message = bytearray()
        self._next = 0

    @property
    def in_progress(self) -> bool:
        """True between a first frame and the last consecutive frame."""
        return self._length > 0

    def feed(self, frame: bytes) -> bytes | None:
        """Take one frame; the message where it completes one, else None.

        Flow-control frames are not for the receiving side and change nothing. Raises FramingError,
        and forgets the message begun, for a wrong length or sequence number; a new single or first
        frame while a message is in progress starts anew, as the standard says.
        """
        if not frame:
            raise FramingError("an empty frame")
        kind, low = frame[0] >> 4, frame[0] & 0xF
        if kind == _FC:
            return None
        if kind == _SF:
            self._reset()
            if not 1 <= low <= SINGLE_BYTES or len(frame) < 1 + low:
                raise FramingError(f"single frame says {low} bytes, carries {len(frame) - 1}")
            return bytes(frame[1 : 1 + low])
        if kind == _FF:
            self._reset()
            if len(frame) != FRAME_BYTES:
                raise FramingError(f"first frame of {len(frame)} bytes")
            length = low << 8 | frame[1]
            if length <= SINGLE_BYTES:
                raise FramingError(f"first frame says {length} bytes, which fit a single frame")
            self._length, self._message, self._next = length, bytearray(frame[2:]), 1
            return None
        if kind == _CF:
            return self._consecutive(frame, low)
        raise FramingError(f"frame type {kind:X} is unknown")

    def _consecutive(self, frame: bytes, number: int) -> bytes | None:
        if not self.in_progress:
            return None  # the standard has a receiver ignore a consecutive frame it does not expect
        if number != self._next:
            wanted = self._next
            self._reset()
            raise FramingError(f"consecutive frame {number:X} where {wanted:X} was due")
        missing = self._length - len(self._message)
        body = frame[1 : 1 + min(missing, CONSECUTIVE_BYTES)]
        if len(body) < min(missing, CONSECUTIVE_BYTES):
            self._reset()
            raise FramingError("consecutive frame too short")
        self._message += body
        self._next = (self._next + 1) & 0xF
        if len(self._message) < self._length:
            return None
        message = bytes(self._message)
        self._reset()
        return message

    def _reset(self) -> None:
        self._length, self._message, self._next = 0, bytearray(), 0


def blocks(consecutive: list[bytes], block_size: int) -> Iterator[list[bytes]]:
    """Consecutive frames in the blocks a receiver's block size allows; 0 means all in one."""
    size = block_size or max(1, len(consecutive))
    for start in range(0, len(consecutive), size):
        yield consecutive[start : start + size]
