"""Framing on CAN (ISO 15765-2), against the `can-isotp` package as an independent implementation."""

from __future__ import annotations

from collections import deque

import isotp
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from camlog.simulate.adapter.isotp import (
    FlowStatus,
    FramingError,
    Reassembler,
    blocks,
    flow_control_frame,
    is_consecutive,
    is_first,
    read_flow_control,
    segment,
    separation_s,
)

MODULE, TESTER = 0x7E8, 0x7E0
messages = st.binary(min_size=1, max_size=4095)


class Peer:
    """The independent implementation at the other end of a wire made of two queues."""

    def __init__(self, **params):
        self.to_us: deque[bytes] = deque()
        self.to_peer: deque[bytes] = deque()
        self.errors: list[Exception] = []
        address = isotp.Address(isotp.AddressingMode.Normal_11bits, rxid=MODULE, txid=TESTER)
        self.layer = isotp.TransportLayerLogic(
            self._receive, lambda m: self.to_us.append(bytes(m.data)), address, self.errors.append, params
        )

    def _receive(self, timeout: float):
        if not self.to_peer:
            return None
        return isotp.CanMessage(arbitration_id=MODULE, data=self.to_peer.popleft())

    def turn(self) -> None:
        self.layer.process()


def hand_over(message: bytes, padding: int | None, **params) -> bytes | None:
    """Send our frames to the peer as a module does, minding its flow control; what the peer put together."""
    peer = Peer(**params)
    frames = segment(message, padding)
    peer.to_peer.append(frames[0])
    peer.turn()
    rest = frames[1:]
    while rest:
        flow = read_flow_control(peer.to_us.popleft())
        assert flow is not None and flow.status is FlowStatus.CONTINUE
        block, rest = next(blocks(rest, flow.block_size)), rest[flow.block_size or len(rest) :]
        peer.to_peer.extend(block)
        peer.turn()
    assert not peer.errors
    return peer.layer.recv()


@settings(max_examples=60, deadline=None)
@given(message=messages, padding=st.sampled_from([None, 0x00, 0x55, 0xAA]), block=st.integers(0, 20))
def test_what_a_module_sends_an_independent_receiver_puts_together(message, padding, block):
    # can-isotp, ISO 15765-2
    assert hand_over(message, padding, blocksize=block) == message


@settings(max_examples=60, deadline=None)
@given(message=messages, block=st.integers(0, 20), pad=st.sampled_from([None, 0x00, 0xCC]))
def test_what_an_independent_sender_sends_a_module_puts_together(message, block, pad):
    # can-isotp, ISO 15765-2
    peer = Peer(tx_padding=pad)
    peer.layer.send(message)
    module, found = Reassembler(), None
    since_flow = 0
    for _ in range(2000):
        peer.turn()
        while peer.to_us and found is None:
            frame = peer.to_us.popleft()
            found = module.feed(frame)
            since_flow = since_flow + 1 if is_consecutive(frame) else 0
            if is_first(frame) or (block and since_flow == block):
                since_flow = 0
                peer.to_peer.append(flow_control_frame(FlowStatus.CONTINUE, block, 0))
        if found is not None:
            break
    assert found == message and not peer.errors and not module.in_progress


def test_frames_of_the_standards_own_shape():
    # ISO 15765-2: single frame to 7 bytes; a first frame carries 6, sequence numbers run 1..F, 0..F
    assert segment(bytes(7), 0xAA) == [b"\x07" + bytes(7)]
    assert segment(b"\x41\x0c", 0x55) == [b"\x02\x41\x0c" + b"\x55" * 5]
    frames = segment(bytes(range(200)))
    assert frames[0][:2] == b"\x10\xc8"
    assert [f[0] for f in frames[1:18]] == [*range(0x21, 0x30), 0x20, 0x21]
    assert len(frames[-1]) == 1 + (200 - 6) % 7


@pytest.mark.parametrize(
    ("byte", "seconds"),
    [(0x00, 0.0), (0x0A, 0.010), (0x7F, 0.127), (0xF1, 0.0001), (0xF9, 0.0009), (0x80, 0.127)],
)
def test_separation_time_as_the_standard_codes_it(byte, seconds):
    # ISO 15765-2: 00-7F milliseconds, F1-F9 hundreds of microseconds, reserved values count as 127 ms
    assert separation_s(byte) == pytest.approx(seconds)


def test_a_lost_frame_is_noticed_and_the_next_message_is_whole():
    frames = segment(bytes(range(40)))
    module = Reassembler()
    module.feed(frames[0])
    module.feed(frames[1])
    with pytest.raises(FramingError, match="consecutive frame 3 where 2 was due"):
        module.feed(frames[3])
    assert not module.in_progress
    assert [module.feed(f) for f in frames][-1] == bytes(range(40))


@pytest.mark.parametrize(
    "frame",
    [b"", b"\x00", b"\x05\x41\x0c", b"\x10\x07" + bytes(6), b"\x10\x20\x41", b"\x40\x00", b"\x0f" + bytes(7)],
)
def test_no_frame_of_the_wrong_form_becomes_data(frame):
    with pytest.raises(FramingError):
        Reassembler().feed(frame)


def test_a_new_message_replaces_an_unfinished_one():
    module = Reassembler()
    module.feed(segment(bytes(20))[0])
    assert module.feed(segment(b"\x01\x0c")[0]) == b"\x01\x0c"
    assert module.feed(b"\x21" + bytes(7)) is None  # and its left-over frames are ignored


def test_messages_that_cannot_be_framed_are_refused():
    for message in (b"", bytes(4096)):
        with pytest.raises(FramingError):
            segment(message)
    assert read_flow_control(b"\x33\x00\x00") is None and read_flow_control(b"\x30") is None
