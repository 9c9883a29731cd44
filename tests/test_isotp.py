"""Framing on CAN (ISO 15765-2): what a module sends, against the can-isotp package and an independent receiver."""

from __future__ import annotations

import isotp
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from camlog.simulate.adapter.buses import BUSES, frames_of, is_first, segments
from tests.adapter_car import FrameReader

messages = st.binary(min_size=1, max_size=4095)


def reference(message: bytes, padding: int | None = None) -> list[bytes]:
    """The frames of a message as the can-isotp package sends them to a receiver that wants all of them."""
    sent: list[bytes] = []
    flow_control = [isotp.CanMessage(arbitration_id=0x7E0, data=b"\x30\x00\x00")] * (len(message) > 7)
    layer = isotp.TransportLayerLogic(
        rxfn=lambda timeout_s: flow_control.pop() if sent and flow_control else None,
        txfn=lambda frame: sent.append(bytes(frame.data)),
        address=isotp.Address(isotp.AddressingMode.Normal_11bits, rxid=0x7E0, txid=0x7E8),
        params={"tx_padding": padding, "override_receiver_stmin": 0.0},
    )
    layer.send(message)
    while layer.transmitting():
        layer.process()
    return sent


@settings(max_examples=60, deadline=None)
@given(message=messages, padding=st.sampled_from([None, 0x00, 0x55, 0xAA]))
def test_what_a_module_sends_an_independent_receiver_puts_together(message, padding):
    # ISO 15765-2; the frames are also those of the can-isotp package, and their data is where it is said to be
    frames = segments(message, padding)
    assert frames == reference(message, padding)
    reader = FrameReader()
    assert [reader.feed(f) for f in frames] == [None] * (len(frames) - 1) + [message]
    parts = frames_of(BUSES["6"], 0, message, False, padding)
    assert [f for f, _, _ in parts] == frames
    assert b"".join(f[begin:end] for f, begin, end in parts) == message


def test_frames_of_the_standards_own_shape():
    # ISO 15765-2: single frame to 7 bytes; a first frame carries 6, sequence numbers run 1..F, 0..F
    assert segments(bytes(7), 0xAA) == [b"\x07" + bytes(7)]
    assert segments(b"\x41\x0c", 0x55) == [b"\x02\x41\x0c" + b"\x55" * 5]
    frames = segments(bytes(range(200)))
    assert frames[0][:2] == b"\x10\xc8" and is_first(frames[0])
    assert [f[0] for f in frames[1:18]] == [*range(0x21, 0x30), 0x20, 0x21]
    assert {f[0] >> 4 for f in frames[1:]} == {2}
    assert len(frames[-1]) == 1 + (200 - 6) % 7


def test_messages_that_cannot_be_framed_are_refused():
    for message in (b"", bytes(4096)):
        with pytest.raises(ValueError, match="1 to 4095 bytes"):
            segments(message)
