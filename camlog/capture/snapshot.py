"""Read the vehicle's modules: codes, lamp, readiness, freeze frame, counters since clear, test results.

Services 01, 02, 03, 06, 07, 09 and 0A of SAE J1979. Codes are read from all modules, the rest from the engine module
alone. A list that could not be read completely is None (unknown), never empty."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from obd.protocols.protocol import Message

from camlog.capture.lines import is_whole
from camlog.capture.link import Link, Reply
from camlog.capture.probe import Capabilities
from camlog.capture.requests import NEGATIVE, POSITIVE, all_mapped, in_range, pid_item, supported_by_map
from camlog.codes.readiness import decode_status
from camlog.codes.service06 import SET_BYTES, decode_monitor_tests
from camlog.codes.trouble import decode_code, decode_codes
from camlog.stream import CodeSnapshot, MonitorTest, ReadinessState, TroubleCode

_TRIES = 3
_PAUSE_S = 0.08
VIN_LENGTH = 17  # ISO 3779
_VIN_CHARACTERS = frozenset("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ")
STORED, PENDING, PERMANENT = 0x03, 0x07, 0x0A
_VVT_MIDS = range(0x35, 0x39)
_MISFIRE_MIDS = range(0xA1, 0xAE)
# PID and size of each counter since the last clear; the first three are always present in the result, None if unknown.
_COUNTERS = {
    "warm_ups": (0x30, 1),
    "distance_km": (0x31, 2),
    "time_min": (0x4E, 2),
    "distance_with_mil_km": (0x21, 2),
    "time_with_mil_min": (0x4D, 2),
}
_ALWAYS_NAMED = tuple(_COUNTERS)[:3]
# States of a monitor; the later one wins if modules differ.
_STATES: tuple[ReadinessState, ...] = ("unsupported", "complete", "incomplete")


def read_snapshot(link: Link, capabilities: Capabilities, time_s: float = 0.0) -> CodeSnapshot:
    """Read everything a code snapshot holds; `time_s` is its time in the drive. Raises LinkLost."""
    reader = _Reader(link, capabilities)
    link.set_header(None)
    stored, pending, permanent = (reader.codes(s) for s in (STORED, PENDING, PERMANENT))
    mil, readiness = reader.status()
    capabilities.address(link, capabilities.header)
    return CodeSnapshot(
        time_s=time_s,
        mil=mil,
        stored=stored,
        pending=pending,
        permanent=permanent,
        readiness=readiness,
        freeze_frame=reader.freeze_frame(),
        since_clear=reader.since_clear(),
        monitor_tests=reader.monitor_tests(),
    )


def read_vin(link: Link) -> str | None:
    """The vehicle identification number by service 09; None if the vehicle does not give it."""
    for _ in range(_TRIES):
        for message in link.ask(b"0902").messages:
            data = bytes(message.data)
            if data[:2] == b"\x49\x02" and is_whole_answer(message):
                text = "".join(chr(b) for b in data[2:] if chr(b) in _VIN_CHARACTERS)
                if len(text) == VIN_LENGTH:
                    return text
    return None


def module_address(link: Link, message: Message) -> str:
    """Address of the module that sent a message, as in its header: `7E8`, `18DAF110`, or `10` on older buses."""
    return link.form.module(message.frames[0].raw)


class _Reader:
    def __init__(self, link: Link, capabilities: Capabilities):
        self.link = link
        self.capabilities = capabilities

    def replies(self, text: bytes, frames: int = 0) -> Iterator[Reply]:
        """Replies to repeated requests. Silence may be a lost answer the first time; the second time it is the
        vehicle's answer. `frames` is the number of frames in an answer of the engine module alone, if known."""
        silent = 0
        for attempt in range(_TRIES):
            if attempt:
                time.sleep(_PAUSE_S)  # the disturbance of the first attempt may last a moment
            counted = self.capabilities.counted(text, frames, self.capabilities.header)
            reply = self.link.ask(text if attempt else counted)
            yield reply
            silent += reply.problem == "no_data"
            if silent > 1:
                return

    def messages(self, text: bytes, frames: int = 0) -> list[Message] | None:
        """Complete answers to a request, each with the echo of the request; None if none came or some are incomplete.

        The engine module's answer must be among them: another module's "no codes" says nothing about the engine."""
        service, *echo = bytes.fromhex(text.decode())
        begins = bytes([service + POSITIVE, *echo])
        for reply in self.replies(text, frames):
            good = [m for m in reply.messages if m.data.startswith(begins) and is_whole_answer(m)]
            unable = [m for m in reply.messages if _does_not_know(bytes(m.data), service)]
            if reply.problem is None and len(good) + len(unable) == len(reply.messages):
                if self.has_engine(module_address(self.link, m) for m in good):
                    return good
                if not good:
                    return None
        return None

    def data(self, text: bytes, size: int) -> bytes | None:
        """The `size` bytes after the echo of the request in the engine module's one-frame answer; else None."""
        echo = len(text) // 2
        answers = [m for m in self.messages(text, frames=1) or () if len(m.data) == echo + size]
        return bytes(answers[0].data)[echo:] if answers else None

    def has_engine(self, modules: Iterable[str]) -> bool:
        return not self.capabilities.module or self.capabilities.module in modules

    def codes(self, service: int) -> tuple[TroubleCode, ...] | None:
        text = f"{service:02X}".encode()
        if not self.link.is_can:
            return self.older_codes(text, service + POSITIVE)
        answers = self.messages(text)
        trouble_codes: list[TroubleCode] = []
        for message in answers or ():
            count, pairs = (bytes(message.data[1:2]) or b"\0")[0], bytes(message.data[2:])
            if len(message.data) < 2 + 2 * count:
                return None
            trouble_codes += _codes(pairs[: 2 * count], module_address(self.link, message))
        return None if answers is None else tuple(trouble_codes)

    def older_codes(self, text: bytes, answer: int) -> tuple[TroubleCode, ...] | None:
        # On the older buses each line is a message: three header bytes, service, three codes, checksum.
        for reply in self.replies(text):
            lines = self.link.form.sort(reply.lines)
            rows = [bytes.fromhex(frame) for frame in lines.frames]
            complete = rows and lines.problem is None and all(r[3] == answer and len(r) % 2 for r in rows)
            if complete and self.has_engine(f"{r[2]:02X}" for r in rows):
                return tuple(code for r in rows for code in _codes(r[4:-1], f"{r[2]:02X}"))
        return None

    def status(self) -> tuple[bool | None, Mapping[str, ReadinessState]]:
        """Lamp and readiness; a monitor is complete if every module that has it has completed it."""
        decoded = [decode_status(bytes(m.data)[2:]) for m in self.messages(b"0101") or () if len(m.data) == 6]
        readiness: dict[str, ReadinessState] = {}
        for monitor, state in (item for status in decoded for item in status.readiness.items()):
            ranks = _STATES.index(readiness.get(monitor, _STATES[0])), _STATES.index(state)
            readiness[monitor] = _STATES[max(ranks)]
        return any(s.mil for s in decoded) if decoded else None, readiness

    def since_clear(self) -> dict[str, float | None]:
        counters: dict[str, float | None] = {}
        for name, (pid, size) in _COUNTERS.items():
            data = self.data(f"01{pid:02X}".encode(), size) if pid in self.capabilities.all_pids else None
            if data or name in _ALWAYS_NAMED:
                counters[name] = int.from_bytes(data, "big") if data else None
        return counters

    def freeze_frame(self) -> dict[str, Any] | None:
        """Frame 0: the code that stored it, and the conditions at that time."""
        stored_by = self.data(b"020200", 2)
        code = decode_code(stored_by) if stored_by else None
        if code is None:
            return None
        frame: dict[str, Any] = {"code": code}
        for pid in sorted(self.capabilities.pids & self.freeze_pids()):
            item = pid_item(pid)
            data = self.data(f"02{pid:02X}00".encode(), item.size)
            if data:
                frame |= {k: round(v, 3) for k, v in in_range(item.decode(data)).items()}
        return frame

    def freeze_pids(self) -> frozenset[int]:
        """The PIDs in the freeze frame, by its bit maps; asking for a missing one would cost a timeout."""
        return all_mapped(lambda n: supported_by_map(n, self.data(f"02{n:02X}00".encode(), 4) or bytes(4)))

    def monitor_tests(self) -> tuple[MonitorTest, ...]:
        """Test results of the cam phasers and of misfire."""
        tests: list[MonitorTest] = []
        for mid in sorted(self.capabilities.mids & {*_VVT_MIDS, *_MISFIRE_MIDS}):
            for message in self.messages(f"06{mid:02X}".encode()) or ():
                data = bytes(message.data)[1:]
                if len(data) % SET_BYTES == 0:
                    tests += decode_monitor_tests(data)
        return tuple(tests)


def _does_not_know(data: bytes, service: int) -> bool:
    """True for a negative response meaning "not supported" (ISO 14229-1: 11, 12 and 31)."""
    return data[:2] == bytes([NEGATIVE, service]) and data[2:3] in (b"\x11", b"\x12", b"\x31")


def is_whole_answer(message: Message) -> bool:
    """True if an answer is complete: all frames, and all bytes it declares."""
    # python-obd cuts a list of stored codes to the declared number, so the frames themselves are checked.
    declared = next((f.data_len for f in message.frames if f.data_len), len(message.data))
    return is_whole(message) and (len(message.data) == declared or message.data[:1] == b"\x43")


def _codes(data: bytes, ecu: str) -> list[TroubleCode]:
    return [TroubleCode(code, ecu) for code in decode_codes(data)]
