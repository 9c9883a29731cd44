"""ISO 15765-2 framing on classic CAN, by the can-isotp library without threads and without waiting.

The library makes and reads the frames; the timing model says when each is on the bus. So the separation time
is taken out of a flow control before the library sees it, and the library's time limits, which follow the
computer's clock, are set beyond any run. Measured: 0.2 to 0.4 ms for an answer of several frames (6 us by
hand-written code), of the 8 ms a module takes to answer; nothing is printed later for it.
"""

from __future__ import annotations

import logging
from collections import deque

import isotp

CONTINUE = b"\x30\x00\x00"  # flow control: send all the rest, without pauses
MAX_MESSAGE_BYTES = 4095
_NEVER_MS = 10**9
# A frame that the standard does not allow is ignored, as a module does, and not reported.
_LOGGER = "camlog.simulate.framing"
logging.getLogger(_LOGGER).setLevel(logging.CRITICAL)
# The library filters by identifier; here a node only ever meets its own frames.
_TESTER_ID, _MODULE_ID = 0x7E0, 0x7E8


def separation_s(st_min: int) -> float:
    """Separation time in seconds of an STmin byte; reserved values count as the longest, 127 ms."""
    if 0xF1 <= st_min <= 0xF9:
        return (st_min - 0xF0) * 1e-4
    return min(st_min, 0x7F) / 1e3


def is_first(frame: bytes) -> bool:
    """True for the first frame of a segmented message."""
    return frame[:1] != b"" and frame[0] >> 4 == 1


def is_consecutive(frame: bytes) -> bool:
    """True for a consecutive frame."""
    return frame[:1] != b"" and frame[0] >> 4 == 2


def _is_classic(frame: bytes) -> bool:
    """False for lengths of single and first frames that only CAN FD, and the library, allow."""
    if is_first(frame):
        return len(frame) == 8 and int.from_bytes(frame[:2], "big") & 0xFFF > 7
    return frame[:1] != b"\x00"


class Node:
    """A module on the bus: frames of up to eight bytes in and out, filled with `padding` (None: short)."""

    def __init__(self, padding: int | None = None):
        self._inbox: deque[bytes] = deque()
        self._outbox: list[bytes] = []
        self._layer = isotp.TransportLayerLogic(
            rxfn=self._next_in,
            txfn=lambda frame: self._outbox.append(bytes(frame.data)),
            address=isotp.Address(isotp.AddressingMode.Normal_11bits, rxid=_TESTER_ID, txid=_MODULE_ID),
            params={
                "logger_name": _LOGGER,
                "tx_padding": padding,
                "override_receiver_stmin": 0.0,
                "blocksize": 0,
                "rx_flowcontrol_timeout": _NEVER_MS,
                "rx_consecutive_frame_timeout": _NEVER_MS,
            },
        )

    def _next_in(self, timeout_s: float) -> isotp.CanMessage | None:
        if not self._inbox:
            return None
        return isotp.CanMessage(arbitration_id=_TESTER_ID, data=self._inbox.popleft())

    def _process(self, frame: bytes | None = None) -> list[bytes]:
        """The frames sent after one that came in."""
        if frame is not None:
            self._inbox.append(frame)
        self._outbox.clear()
        self._layer.process()
        return list(self._outbox)

    def receive(self, frame: bytes) -> tuple[bytes | None, bytes | None]:
        """The message that a frame completes, and the flow control the module sends for it; None where none.

        A frame that the standard does not allow at this place gives neither.
        """
        if not _is_classic(frame):
            return None, None
        sent = self._process(frame)
        message = self._layer.recv()
        return None if message is None else bytes(message), sent[0] if sent else None

    def send(self, message: bytes, flow_control: bytes | None = CONTINUE) -> list[list[bytes]]:
        """A message's frames, in blocks: the single or first frame, then what follows each flow control.

        The receiver sends the same `flow_control` each time; None: it sends none, and all but the first frame
        is left out. Raises ValueError for an empty message or one over 4095 bytes.
        """
        if not 1 <= len(message) <= MAX_MESSAGE_BYTES:
            raise ValueError(f"a message has 1 to {MAX_MESSAGE_BYTES} bytes, not {len(message)}")
        self._layer.send(message)
        blocks = [self._process()]
        while flow_control is not None and self._layer.transmitting():
            block = self._process(flow_control[:2] + bytes(len(flow_control[2:])))
            if not block:
                break
            blocks.append(block)
        self._layer.stop_sending()
        return blocks
