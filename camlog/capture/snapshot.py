"""What the vehicle's modules hold: codes, lamp, readiness, freeze frame, counters since clear, test results.

Services 01, 02, 03, 06, 07, 09 and 0A of SAE J1979. Codes are asked of all
modules; what only the engine module keeps is asked of it alone. A list that could
not be read whole is None (unknown), never empty.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping
from typing import Any

from obd.protocols.protocol import Message

from camlog.capture.lines import is_whole
from camlog.capture.link import Link
from camlog.capture.probe import Capabilities
from camlog.capture.requests import NEGATIVE, POSITIVE, in_range, pid_item, supported_by_map
from camlog.codes.readiness import decode_status
from camlog.codes.service06 import SET_BYTES, decode_monitor_tests
from camlog.codes.trouble import decode_code, decode_codes
from camlog.stream import CodeSnapshot, MonitorTest, TroubleCode

_TRIES = 3
_PAUSE_S = 0.08
VIN_LENGTH = 17  # ISO 3779
_VIN_CHARACTERS = frozenset("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ")
STORED, PENDING, PERMANENT = 0x03, 0x07, 0x0A
_VVT_MIDS = range(0x35, 0x39)
_MISFIRE_MIDS = range(0xA1, 0xAE)
_SINCE_CLEAR = {"warm_ups": (0x30, 1), "distance_km": (0x31, 2), "time_min": (0x4E, 2)}
_WITH_MIL = {"distance_with_mil_km": (0x21, 2), "time_with_mil_min": (0x4D, 2)}


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
    """The vehicle identification number by service 09, or None where the vehicle does not tell."""
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

    def messages(self, text: bytes, service: int, frames: int = 0) -> list[Message] | None:
        """Whole answers to a request, each repeating what was asked; None where none came, or not all that belong.

        The engine module's must be among them: another module's "no codes" says nothing about the engine. `frames`
        is how many an answer of the engine module alone has, where that is known.
        """
        begins = bytes([service + POSITIVE]) + bytes.fromhex(text.decode())[1:]
        silent = 0
        for attempt in range(_TRIES):
            if attempt:
                time.sleep(_PAUSE_S)  # what disturbed the first try may last a moment
            sent = text if attempt else self.capabilities.counted(text, frames, self.capabilities.header)
            reply = self.link.ask(sent)
            good = [m for m in reply.messages if m.data.startswith(begins) and is_whole_answer(m)]
            unable = [m for m in reply.messages if _does_not_know(bytes(m.data), service)]
            if reply.problem is None and len(good) + len(unable) == len(reply.messages):
                if self.has_engine(module_address(self.link, m) for m in good):
                    return good
                if not good:
                    return None
            # Silence may be an answer that got lost; the second time it is what the vehicle means.
            silent += reply.problem == "no_data"
            if silent > 1:
                return None
        return None

    def has_engine(self, modules: Iterable[str]) -> bool:
        return not self.capabilities.module or self.capabilities.module in modules

    def codes(self, service: int) -> tuple[TroubleCode, ...] | None:
        if not self.link.is_can:
            return self.older_codes(service)
        answers = self.messages(f"{service:02X}".encode(), service)
        if answers is None:
            return None
        found = []
        for message in answers:
            data = bytes(message.data)
            count = data[1] if len(data) > 1 else 0
            if len(data) < 2 + 2 * count:
                return None
            ecu = module_address(self.link, message)
            found += _pairs(data[2 : 2 + 2 * count], ecu)
        return tuple(found)

    def older_codes(self, service: int) -> tuple[TroubleCode, ...] | None:
        # Before CAN every line stands alone: three header bytes, service, three codes, checksum.
        silent = 0
        for attempt in range(_TRIES):
            if attempt:
                time.sleep(_PAUSE_S)
            reply = self.link.ask(f"{service:02X}".encode())
            found = self.link.form.sort(reply.lines)
            rows = [bytes.fromhex(frame) for frame in found.frames]
            modules = [f"{r[2]:02X}" for r in rows]
            whole = rows and found.problem is None and all(r[3] == service + POSITIVE and len(r) % 2 for r in rows)
            if whole and self.has_engine(modules):
                return tuple(code for r in rows for code in _pairs(r[4:-1], f"{r[2]:02X}"))
            silent += reply.problem == "no_data"
            if silent > 1:
                return None
        return None

    def status(self) -> tuple[bool | None, Mapping[str, str]]:
        answers = self.messages(b"0101", 0x01)
        decoded = [decode_status(bytes(m.data)[2:]) for m in answers or () if len(m.data) == 6]
        if not decoded:
            return None, {}
        readiness: dict[str, str] = {}
        for status in decoded:
            for monitor, state in status.readiness.items():
                # The vehicle is ready where every module that has the monitor has run it.
                rank = ("unsupported", "complete", "incomplete")
                readiness[monitor] = max(readiness.get(monitor, "unsupported"), state, key=rank.index)
        return any(s.mil for s in decoded), readiness

    def pid(self, pid: int, size: int) -> int | None:
        if pid not in self.capabilities.all_pids:
            return None
        for message in self.messages(f"01{pid:02X}".encode(), 0x01, frames=1) or ():
            data = bytes(message.data)
            if len(data) == 2 + size:
                return int.from_bytes(data[2:], "big")
        return None

    def since_clear(self) -> dict[str, float | None]:
        found = {name: self.pid(pid, size) for name, (pid, size) in _SINCE_CLEAR.items()}
        for name, (pid, size) in _WITH_MIL.items():
            value = self.pid(pid, size)
            if value is not None:
                found[name] = value
        return found

    def freeze_frame(self) -> dict[str, Any] | None:
        """Frame 0: the code that stored it and the conditions then."""
        for message in self.messages(b"020200", 0x02, frames=1) or ():
            data = bytes(message.data)
            if len(data) == 5:
                code = decode_code(data[3:5])
                break
        else:
            return None
        if code is None:
            return None
        frame: dict[str, Any] = {"code": code}
        for pid in sorted(self.capabilities.pids & self.freeze_pids()):
            item = pid_item(pid)
            for message in self.messages(f"02{pid:02X}00".encode(), 0x02, frames=1) or ():
                data = bytes(message.data)
                if len(data) == 3 + item.size:
                    frame |= {k: round(v, 3) for k, v in in_range(item.decode(data[3:])).items()}
        return frame

    def freeze_pids(self) -> frozenset[int]:
        """What the freeze frame holds, by its bit maps; asked for otherwise, each missing value costs a silence."""
        found: set[int] = set()
        for first in range(0x00, 0xE0, 0x20):
            if first and first not in found:
                break
            for message in self.messages(f"02{first:02X}00".encode(), 0x02, frames=1) or ():
                data = bytes(message.data)
                if len(data) == 7:
                    found |= supported_by_map(first, data[3:])
        return frozenset(found)

    def monitor_tests(self) -> tuple[MonitorTest, ...]:
        """Test results of the cam phasers and of misfire."""
        found: list[MonitorTest] = []
        for mid in sorted(self.capabilities.mids & {*_VVT_MIDS, *_MISFIRE_MIDS}):
            for message in self.messages(f"06{mid:02X}".encode(), 0x06) or ():
                data = bytes(message.data)[1:]
                if len(data) % SET_BYTES == 0:
                    found += decode_monitor_tests(data)
        return tuple(found)


def _does_not_know(data: bytes, service: int) -> bool:
    """True for a module that says it does not have what was asked for (ISO 14229-1: 11, 12 and 31)."""
    return data[:2] == bytes([NEGATIVE, service]) and data[2:3] in (b"\x11", b"\x12", b"\x31")


def is_whole_answer(message: Message) -> bool:
    """True where nothing of an answer is missing: no frame, and none of the bytes it declares."""
    # python-obd cuts a list of stored codes to the number it names, so only the frames can be looked at.
    declared = next((f.data_len for f in message.frames if f.data_len), len(message.data))
    return is_whole(message) and (len(message.data) == declared or message.data[:1] == b"\x43")


def _pairs(data: bytes, ecu: str) -> list[TroubleCode]:
    return [TroubleCode(code, ecu) for code in decode_codes(data)]
