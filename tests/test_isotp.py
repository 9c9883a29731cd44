"""Framing on CAN (ISO 15765-2): what a module sends and takes, against code written without the library."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from camlog.simulate.adapter.framing import Node, is_consecutive, is_first, separation_s
from tests.adapter_car import FrameReader

messages = st.binary(min_size=1, max_size=4095)


def frames_of(message: bytes, padding: int | None = None) -> list[bytes]:
    return list(itertools.chain(*Node(padding).send(message)))


def cut(message: bytes, padding: int | None = None) -> list[bytes]:
    """The frames of a message, written out by hand."""
    if len(message) <= 7:
        frames = [bytes((len(message),)) + message]
    else:
        frames = [(0x1000 + len(message)).to_bytes(2, "big") + message[:6]]
        rest = range(6, len(message), 7)
        frames += [bytes((0x20 + n % 16,)) + message[at : at + 7] for n, at in enumerate(rest, 1)]
    return [f if padding is None else f.ljust(8, bytes((padding,))) for f in frames]


@settings(max_examples=60, deadline=None)
@given(message=messages, padding=st.sampled_from([None, 0x00, 0x55, 0xAA]), block=st.integers(0, 20))
def test_what_a_module_sends_an_independent_receiver_puts_together(message, padding, block):
    # ISO 15765-2; the frames are also those written out by hand
    blocks = Node(padding).send(message, bytes((0x30, block, 0x7F)))
    frames = list(itertools.chain(*blocks))
    assert frames == cut(message, padding)
    assert len(blocks[0]) == 1 and all(len(b) <= (block or 4095) for b in blocks[1:])
    reader = FrameReader()
    assert [reader.feed(f) for f in frames] == [None] * (len(frames) - 1) + [message]


@settings(max_examples=60, deadline=None)
@given(message=messages, pad=st.sampled_from([None, 0x00, 0xCC]))
def test_what_an_independent_sender_sends_a_module_puts_together(message, pad):
    # ISO 15765-2; the module asks for all the rest once, after the first frame
    module, frames = Node(0x00), cut(message, pad)
    answers = [module.receive(frame) for frame in frames]
    assert [m for m, _ in answers] == [None] * (len(frames) - 1) + [message]
    wanted = [b"\x30" + bytes(7)] if len(frames) > 1 else []
    assert [flow for _, flow in answers if flow] == wanted == [a[1] for a in answers[:1] if a[1]]


def test_frames_of_the_standards_own_shape():
    # ISO 15765-2: single frame to 7 bytes; a first frame carries 6, sequence numbers run 1..F, 0..F
    assert frames_of(bytes(7), 0xAA) == [b"\x07" + bytes(7)]
    assert frames_of(b"\x41\x0c", 0x55) == [b"\x02\x41\x0c" + b"\x55" * 5]
    frames = frames_of(bytes(range(200)))
    assert frames[0][:2] == b"\x10\xc8" and is_first(frames[0])
    assert [f[0] for f in frames[1:18]] == [*range(0x21, 0x30), 0x20, 0x21]
    assert all(map(is_consecutive, frames[1:]))
    assert len(frames[-1]) == 1 + (200 - 6) % 7


def test_a_module_waits_for_its_flow_control():
    # ISO 15765-2: 30 go on, 31 wait, 32 overflow; anything else is no flow control
    message = bytes(range(30))
    for flow_control in (None, b"\x31\x00\x00", b"\x32\x00\x00", b"\x33\x00\x00", b"\x30"):
        module = Node()
        assert module.send(message, flow_control) == [cut(message)[:1]]
        assert list(itertools.chain(*module.send(message))) == cut(message)  # and is not put out by it
    assert [len(b) for b in Node().send(message, b"\x30\x02\xf5")] == [1, 2, 2]


@pytest.mark.parametrize(
    ("byte", "seconds"),
    [(0x00, 0.0), (0x0A, 0.010), (0x7F, 0.127), (0xF1, 0.0001), (0xF9, 0.0009), (0x80, 0.127)],
)
def test_separation_time_as_the_standard_codes_it(byte, seconds):
    # ISO 15765-2: 00-7F milliseconds, F1-F9 hundreds of microseconds, reserved values count as 127 ms
    assert separation_s(byte) == pytest.approx(seconds)


def test_a_lost_frame_is_noticed_and_the_next_message_is_whole():
    frames, module = cut(bytes(range(40))), Node()
    assert {module.receive(f)[0] for f in (*frames[:2], *frames[3:])} == {None}
    assert [module.receive(f)[0] for f in frames][-1] == bytes(range(40))


@pytest.mark.parametrize(
    "frame",
    [b"", b"\x00", b"\x05\x41\x0c", b"\x10\x07" + bytes(6), b"\x10\x20\x41", b"\x40\x00", b"\x0f" + bytes(7),
     b"\x00\x02\x01\x0c", b"\x33\x00\x00", b"\x30"],
)  # fmt: skip
def test_no_frame_of_the_wrong_form_becomes_data(frame):
    module = Node()
    assert module.receive(frame) == (None, None)
    assert module.receive(b"\x02\x01\x0c") == (b"\x01\x0c", None)


def test_a_new_message_replaces_an_unfinished_one():
    module = Node()
    module.receive(cut(bytes(20))[0])
    assert module.receive(cut(b"\x01\x0c")[0]) == (b"\x01\x0c", None)
    assert module.receive(b"\x21" + bytes(7)) == (None, None)  # and its left-over frames are ignored


def test_messages_that_cannot_be_framed_are_refused():
    for message in (b"", bytes(4096)):
        with pytest.raises(ValueError, match="1 to 4095 bytes"):
            Node().send(message)
