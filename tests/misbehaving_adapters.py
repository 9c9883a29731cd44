"""Adapters that behave until they are told to `turn`, and then do not: one class of misbehaviour a function.

What is sent in the place of the adapter's own output is made from that output, a write at a time; what a port sends
of itself comes from `unasked`. None of them can turn one value into another that reads as well: nobody could detect it.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator

from camlog.simulate.adapter.transport import PtyPort, TcpPort

# Each gets what the adapter printed as the answer to one line, up to its prompt, and gives (pause s, bytes) to send.
Answer = Callable[[bytes], Iterator[tuple[float, bytes]]]


class Misbehaving:
    """A plug that turns: mixed into a port of `transport`. `sent_s` seconds it sleeps for `unasked` bytes."""

    answer: Answer | None = None
    unasked: tuple[float, bytes] | None = None
    _turn_at: tuple[str, bytes] | None = None

    def turn_at(self, kind: str, printed: bytes) -> None:
        """Misbehave from that answer on in which `printed` (without spaces) stands."""
        self._turn_at = kind, printed

    def turn(self, kind: str) -> None:
        """Misbehave from now on."""
        answer, self.unasked = KINDS[kind]
        self.answer = answer() if answer in (_one_behind, _stuck) else answer  # these remember: each port its own

    def wait(self, timeout_s: float) -> bool:
        if self.unasked is None:
            return super().wait(timeout_s)
        pause_s, text = self.unasked
        super().write(text)
        return super().wait(min(timeout_s, pause_s))

    def write(self, data: bytes) -> None:
        if self.answer is None and self._turn_at and self._turn_at[1] in data.replace(b" ", b""):
            self.turn(self._turn_at[0])
        if self.answer is None:
            super().write(data)
            return
        self._printed = getattr(self, "_printed", b"") + data
        if b">" not in data:
            return
        printed, self._printed = self._printed, b""
        for pause_s, part in self.answer(printed):
            if pause_s:
                time.sleep(pause_s)
            super().write(part)


class MisbehavingPty(Misbehaving, PtyPort):
    """On a pseudo-terminal."""


class MisbehavingTcp(Misbehaving, TcpPort):
    """On the network."""


# ---------------------------------------------------------------- what becomes of an answer


def _instead(text: bytes, pause_s: float = 0.0) -> Answer:
    def answer(printed):
        yield pause_s, text

    return answer


def _changed(change: Callable[[bytes], bytes], pause_s: float = 0.0) -> Answer:
    def answer(printed):
        yield pause_s, change(printed)

    return answer


def _nothing(printed):
    return iter(())


def _in_pieces(printed):
    for byte in printed:
        yield 0.025, bytes((byte,))


def _twice(printed):
    yield 0.0, printed
    yield 0.0, printed


def _again_later(printed):
    yield 0.0, printed
    yield 0.015, printed


def _one_behind() -> Answer:
    before = [b"\r>"]

    def answer(printed):
        before.append(printed)
        yield 0.0, before.pop(0)

    return answer


def _stuck() -> Answer:
    first: list[bytes] = []

    def answer(printed):
        first.append(printed)
        yield 0.0, first[0]

    return answer


def _lossy() -> Answer:
    draw = random.Random(5)
    return _changed(lambda printed: bytes(b for b in printed if b == 0x3E or draw.random() > 0.1))


def _shuffled() -> Answer:
    draw = random.Random(6)

    def change(printed):
        lines = [line for line in printed.rstrip(b"\r\n>").split(b"\r") if line]
        draw.shuffle(lines)
        return b"\r".join(lines) + b"\r\r>"

    return _changed(change)


def _answered(text: bytes) -> Answer:
    """Data lines give way to `text`; what the adapter says of its own stays."""

    def change(printed):
        lines = printed.rstrip(b"\r\n>").split(b"\r")
        return b"\r".join(text if line[:1] == b"7" else line for line in lines) + b"\r\r>"

    return _changed(change)


_BIG = b"7E8064122F40" * 100_000  # 1.2 MB
_GPS = b"$GPGGA,000000,0000.000,N,00000.000,E,1,08,0.9,0.0,M,0.0,M,,*47\r\n"

KINDS: dict[str, tuple[Answer, tuple[float, bytes] | None]] = {
    "drips": (_nothing, (0.005, b"4")),
    "floods": (_nothing, (0.001, b"7E8 06 41 00\r" * 300)),
    "is no adapter": (_nothing, (0.05, _GPS)),
    "prompts without end": (_nothing, (0.002, b">")),
    "prompts between answers": (_changed(lambda p: p), (0.004, b"\r>")),
    "sends dots": (_nothing, (0.05, b".")),
    "sends flow control": (_nothing, (0.01, b"\x11\x13")),
    "sends banners": (_nothing, (0.03, b"\r\rABC123 v1.0\r\r>")),
    "says nothing": (_nothing, None),
    "never prompts": (_changed(lambda p: p.replace(b">", b"")), None),
    "prompts first": (_changed(lambda p: b">" + p.replace(b">", b"")), None),
    "prompts in mid-answer": (_changed(lambda p: p[: len(p) // 2] + b">" + p[len(p) // 2 :]), None),
    "prompts twice": (_changed(lambda p: p + b"\r>"), None),
    "answers twice": (_twice, None),
    "answers again later": (_again_later, None),
    "answers late": (_changed(lambda p: p, pause_s=1.0), None),
    "answers letter by letter": (_in_pieces, None),
    "answers one behind": (_one_behind, None),
    "repeats itself": (_stuck, None),
    "loses letters": (_lossy(), None),
    "sends NULs": (_changed(lambda p: b"".join(bytes((b, 0)) for b in p)), None),
    "sets the top bit": (_changed(lambda p: bytes(b if b == 0x3E else b | 0x80 for b in p)), None),
    "writes small": (_changed(bytes.lower), None),
    "shuffles lines": (_shuffled(), None),
    "escapes": (_changed(lambda p: b"\x1b[2J\x1b]0;x\x07" + p), None),
    "does not understand": (_instead(b"?\r\r>"), None),
    "has no data": (_instead(b"NO DATA\r\r>"), None),
    "stops": (_instead(b"STOPPED\r\r>"), None),
    "is full": (_instead(b"BUFFER FULL\r\r>"), None),
    "fails": (_instead(b"ERR94\r\r>"), None),
    "says OK": (_instead(b"OK\r\r>"), None),
    "answers for another": (_answered(b"7EA037F2278"), None),
    "waits for ever": (_answered(b"7E8037F2278"), None),
    "refuses": (_answered(b"7E8037F2222"), None),
    "sends a book": (_instead(_BIG + b"\r\r>"), None),
    "sends a book without end": (_instead(_BIG), None),
}  # fmt: skip
