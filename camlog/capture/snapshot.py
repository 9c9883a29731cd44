"""What the vehicle's modules hold: codes, lamp, readiness, freeze frame, counters since clear, test results.

Services 01, 02, 03, 06, 07, 09 and 0A of SAE J1979. Codes are asked of all
modules; what only the engine module keeps is asked of it alone. A list that could
not be read whole is None (unknown), never empty.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from obd.protocols.protocol import Message

from camlog.capture.link import Link
from camlog.capture.probe import Capabilities
from camlog.capture.requests import pid_item
from camlog.codes.readiness import decode_status
from camlog.codes.service06 import SET_BYTES, decode_monitor_tests
from camlog.codes.trouble import decode_code, decode_codes
from camlog.stream import CodeSnapshot, MonitorTest, TroubleCode

_TRIES = 3
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
    link.set_header(capabilities.header)
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
            if data[:2] == b"\x49\x02":
                text = "".join(chr(b) for b in data[2:] if 0x30 <= b <= 0x5A)
                if len(text) >= 17:
                    return text[-17:]
    return None


def module_address(link: Link, message: Message) -> str:
    """Address of the module that sent a message, as in its header: `7E8`, `18DAF110`, or `10` on older protocols."""
    raw = message.frames[0].raw
    if not link.is_can:
        return raw[4:6]
    return raw[:8] if link.is_29bit else raw[:3]


class _Reader:
    def __init__(self, link: Link, capabilities: Capabilities):
        self.link = link
        self.capabilities = capabilities

    def messages(self, text: bytes, service: int) -> list[Message] | None:
        """Whole positive answers to a request; None where none came, or one was broken each time."""
        for _ in range(_TRIES):
            reply = self.link.ask(text)
            good = [m for m in reply.messages if m.data[:1] == bytes([service + 0x40]) and _whole(m)]
            if good and reply.problem in (None, "other_module", "pending"):
                return good
            if reply.problem == "no_data":
                return None
        return None

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
        for _ in range(_TRIES):
            reply = self.link.ask(f"{service:02X}".encode())
            lines = [line.replace(" ", "") for line in reply.lines]
            if not lines or any(not _is_hex(line) for line in lines):
                if reply.problem == "no_data":
                    return None
                continue
            rows = [bytes.fromhex(line) for line in lines if len(line) % 2 == 0]
            if len(rows) == len(lines) and all(len(r) >= 5 and len(r) % 2 == 1 and r[3] == service + 0x40 for r in rows):
                return tuple(code for r in rows for code in _pairs(r[4:-1], f"{r[2]:02X}"))
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
        for message in self.messages(f"01{pid:02X}".encode(), 0x01) or ():
            data = bytes(message.data)
            if data[1:2] == bytes([pid]) and len(data) == 2 + size:
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
        for message in self.messages(b"020200", 0x02) or ():
            data = bytes(message.data)
            if data[1:3] == b"\x02\x00" and len(data) == 5:
                code = decode_code(data[3:5])
                break
        else:
            return None
        if code is None:
            return None
        frame: dict[str, Any] = {"code": code}
        for pid in sorted(self.capabilities.pids):
            item = pid_item(pid)
            for message in self.messages(f"02{pid:02X}00".encode(), 0x02) or ():
                data = bytes(message.data)
                if data[1:3] == bytes([pid, 0]) and len(data) == 3 + item.size:
                    frame |= {k: round(v, 3) for k, v in item.decode(data[3:]).items()}
        return frame

    def monitor_tests(self) -> tuple[MonitorTest, ...]:
        """Test results of the cam phasers and of misfire."""
        found: list[MonitorTest] = []
        for mid in sorted(self.capabilities.mids & {*_VVT_MIDS, *_MISFIRE_MIDS}):
            for message in self.messages(f"06{mid:02X}".encode(), 0x06) or ():
                data = bytes(message.data)[1:]
                if data[:1] == bytes([mid]) and len(data) % SET_BYTES == 0:
                    found += decode_monitor_tests(data)
        return tuple(found)


def _whole(message: Message) -> bool:
    return all(f.data_len in (None, 0) or f.data_len == len(message.data) for f in message.frames[:1]) or (
        # python-obd cuts service 03 answers to the number of codes they name
        message.data[:1] == b"\x43"
    )


def _pairs(data: bytes, ecu: str) -> list[TroubleCode]:
    return [TroubleCode(code, ecu) for code in decode_codes(data)]


def _is_hex(text: str) -> bool:
    return bool(text) and all(c in "0123456789ABCDEFabcdef" for c in text)
