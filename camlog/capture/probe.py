"""On connecting: what can this adapter and this vehicle do? Each feature is tried, and done without where it fails."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from obd.protocols import ECU

from camlog.capture.link import Link, Reply
from camlog.capture.requests import (
    MAX_COUNT_DIGIT,
    MAX_PIDS,
    SERVICE_CURRENT,
    SERVICE_MONITOR_TESTS,
    SINGLE_FRAME_BYTES,
    Item,
    Request,
    definition_item,
    misfire_item,
    pid_item,
    profile_groups,
    read_answer,
    supported_by_map,
)
from camlog.codes.service06 import misfire_mid
from camlog.drive import is_simulated_adapter
from camlog.errors import InputError
from camlog.profile import VehicleProfile
from camlog.signals import BY_PID, MAX_CYLINDERS

_TRIES = 3  # a reply may be lost once or twice on a good link
_PAYING = 0.9  # a count digit is worth using where it takes less than this share of the time without it


@dataclass(frozen=True)
class Capabilities:
    """What a connection can do, found by trying.

    `pids` are the supported service 01 PIDs camlog has a signal for; `items` the
    profile's identifiers that answered, by (service, header); `max_pids` and
    `max_identifiers` how many go into one request. `count_digit` says what the
    adapter counts when told how many responses to expect: `frames`, `answers`,
    `single` (it works for answers of one frame only) or None. `all_pids` and `mids`
    are everything the module's bit maps name for services 01 and 06.
    """

    adapter: str
    protocol: str
    module: str
    header: int | None
    is_can: bool
    pids: frozenset[int]
    items: dict[tuple[int, int | None], tuple[Item, ...]]
    misfire_cylinders: tuple[int, ...]
    max_pids: int
    max_identifiers: dict[tuple[int, int | None], int]
    count_digit: str | None
    notes: tuple[str, ...] = ()
    spaces_off: bool = True
    one_module: bool = False
    all_pids: frozenset[int] = frozenset()
    mids: frozenset[int] = frozenset()

    def wire_text(self, request: Request) -> bytes:
        """The request as sent: with the response-count digit where the adapter understands it."""
        return self.counted(request.text, request.answer_frames, request.header)

    def counted(self, text: bytes, frames: int, header: int | None) -> bytes:
        """A request to the module behind `header` with its response count, where `frames` (0: unknown) lets one say it."""
        if header is None and not self.one_module:
            return text
        return with_count(text, frames, self.count_digit, self.is_can)

    def address(self, link: Link, header: int | None) -> bool:
        """Have `link` ask the module behind a request's `header`; True where it does.

        A request to all modules is one to the engine module where no other way is open: only its answers count.
        """
        return link.set_header(header, self.module if header is None else None)

    def to_dict(self) -> dict[str, Any]:
        """What goes into the drive file's `adapter` object."""
        return {
            "name": self.adapter,
            "simulated": is_simulated_adapter(self.adapter),
            "protocol": self.protocol,
            "module": self.module,
            "pids_per_request": self.max_pids,
            "identifiers_per_request": max(self.max_identifiers.values(), default=1),
            "response_count": self.count_digit,
            "spaces_off": self.spaces_off,
            "notes": list(self.notes),
        }


def with_count(text: bytes, frames: int, count_digit: str | None, is_can: bool) -> bytes:
    """A request with the digit that says how many responses to wait for, in the adapter's way of counting."""
    if count_digit is None or not frames or (frames > 1 and (count_digit == "single" or not is_can)):
        return text
    count = 1 if count_digit == "answers" else frames
    return text + f"{count:X}".encode() if count <= MAX_COUNT_DIGIT else text


def probe(link: Link, profile: VehicleProfile | None = None) -> Capabilities:
    """Try out the connection. Raises InputError where the engine module answers nothing at all."""
    return _Probe(link, profile).run()


class _Probe:
    def __init__(self, link: Link, profile: VehicleProfile | None):
        self.link = link
        self.profile = profile
        self.notes: list[str] = []
        self.one_module = False
        self.engine: str | None = None
        self.header: int | None = None
        self.count: str | None = None

    def address(self, header: int | None) -> bool:
        return self.link.set_header(header, self.engine if header is None else None)

    def ask(self, text: bytes, frames: int = 0) -> Reply:
        for attempt in range(_TRIES):
            # Where the count gives nothing, the next try goes without.
            counted = self.count if attempt == 0 and (self.header is not None or self.one_module) else None
            reply = self.link.ask(with_count(text, frames, counted, self.link.is_can))
            if reply.messages:
                break
        return reply

    def answers(self, request: Request) -> bool:
        for _ in range(_TRIES):
            answer = read_answer(request, self.link.ask(request.text).messages)
            if answer.problem in (None, "out_of_range"):
                return True
        return False

    def run(self) -> Capabilities:
        link = self.link
        adapter = " ".join(link.at("ATI")[-1:])
        spaces_off = link.ok("ATS0")
        header, module = self.engine_module()
        self.engine = module or None
        self.address(header)
        pids = self.supported(SERVICE_CURRENT)
        if not pids:
            raise InputError(
                "the vehicle answers, but its engine module names no supported signals",
                file=link.port,
                remedy="Switch the ignition on (or start the engine) and try again.",
            )
        known = frozenset(pids & BY_PID.keys())
        self.header, self.count = header, self.count_digit(known, header)
        misfires: tuple[int, ...] = ()
        mids: frozenset[int] = frozenset()
        if link.is_can:
            mids = self.supported(SERVICE_MONITOR_TESTS)
            misfires = tuple(n for n in range(1, MAX_CYLINDERS + 1) if misfire_mid(n) in mids)
            cylinders = self.profile.engine.cylinders if self.profile else None
            misfires = tuple(n for n in misfires if cylinders is None or n <= cylinders)
        max_pids = self.most_pids(known, header)
        items, most = self.identifiers(header)
        self.address(header)
        return Capabilities(
            adapter=adapter,
            protocol=link.protocol_name,
            module=module,
            header=header,
            is_can=link.is_can,
            pids=known,
            items=items,
            misfire_cylinders=misfires,
            max_pids=max_pids,
            max_identifiers=most,
            count_digit=self.count,
            notes=tuple(self.notes),
            spaces_off=spaces_off,
            one_module=self.one_module,
            all_pids=pids,
            mids=mids,
        )

    def engine_module(self) -> tuple[int | None, str]:
        """Request header (None where only requests to all modules work) and response address of the engine module."""
        link = self.link
        reply = self.ask(b"0100")
        if not reply.messages and not link.is_can:
            link.ignore_checksums()
            reply = self.ask(b"0100")
            if reply.messages:
                self.notes.append("The adapter does not show checksums; broken answers are told by their form alone.")
        answered = [m for m in reply.messages if m.data[:2] == b"\x41\x00"]
        engines = [m for m in answered if m.ecu == ECU.ENGINE]
        self.one_module = len(answered) == 1
        if not engines:
            return None, ""
        module = link.form.module(engines[0].frames[0].raw)
        link.others = frozenset(link.form.module(m.frames[0].raw) for m in answered) - {module}
        if not link.is_can:
            return None, module
        header = 0x18DA00F1 | int(module[6:8], 16) << 8 if link.is_29bit else int(module, 16) - 8
        if link.set_header(header) and self.ask(b"0100").messages:
            return header, module
        link.set_header(None)
        self.notes.append("The engine module answers only requests sent to all modules.")
        return None, module

    def supported(self, service: int) -> frozenset[int]:
        """Supported PIDs or MIDs by the bit maps at 00, 20, 40 ... (SAE J1979); ranges follow one another."""
        found: set[int] = set()
        for first in range(0x00, 0xE0, 0x20):
            if first and first not in found:
                break
            request = Request(service, (Item(first, 4, (), lambda data: {}),))
            reply = self.ask(request.text, request.answer_frames or 1)
            for message in reply.messages:
                data = bytes(message.data)
                if len(data) >= 6 and data[0] == service + 0x40 and data[1] == first:
                    found |= supported_by_map(first, data[2:6])
        return frozenset(found)

    def wanted(self, pids: frozenset[int]) -> list[Item]:
        return [pid_item(p) for p in sorted(pids, key=lambda p: (p != 0x0C, p))]

    def most_pids(self, pids: frozenset[int], header: int | None) -> int:
        if not self.link.is_can:
            return 1
        items = self.wanted(pids)
        for count in (MAX_PIDS, 4, 3, 2):
            if count <= len(items) and self.answers(Request(SERVICE_CURRENT, tuple(items[:count]), header)):
                return count
        if len(items) > 1:
            self.notes.append("Several signals in one request are not answered; each is asked for on its own.")
        return 1

    def count_digit(self, pids: frozenset[int], header: int | None) -> str | None:
        """Does the adapter stop waiting after the number of responses it is told to expect?"""
        if header is None and not self.one_module:
            return None
        single = Request(SERVICE_CURRENT, (self.wanted(pids)[0],), header)
        without = self.quickest(single, single.text)
        counted = self.quickest(single, single.text + b"1")
        if without is None or counted is None or counted > _PAYING * without:
            self.notes.append("The adapter does not stop at a response count; every request waits its full time.")
            return None
        # Over several frames, some adapters count frames and some count whole answers.
        several = next((r for r in self.long_requests(pids, header) if self.answers(r)), None)
        if several is None:
            return "frames"
        without = self.quickest(several, several.text)
        for name, count in (("frames", several.answer_frames), ("answers", 1)):
            counted = self.quickest(several, several.text + f"{count:X}".encode())
            if counted is not None and without is not None and counted <= _PAYING * without:
                return name
        return "single"

    def long_requests(self, pids: frozenset[int], header: int | None) -> list[Request]:
        """Requests whose answer takes several frames, for trying the response count."""
        items = self.wanted(pids)
        packed = Request(SERVICE_CURRENT, tuple(items[:MAX_PIDS]), header)
        return [packed] if packed.answer_frames > 1 else []

    def quickest(self, request: Request, text: bytes) -> float | None:
        """Shortest time of three good replies, s; None where the request is not answered that way."""
        times = []
        for _ in range(_TRIES):
            reply = self.link.ask(text)
            if read_answer(request, reply.messages).problem in (None, "out_of_range"):
                times.append(reply.received_s - reply.sent_s)
        return min(times, default=None)

    def identifiers(
        self, engine: int | None
    ) -> tuple[dict[tuple[int, int | None], tuple[Item, ...]], dict[tuple[int, int | None], int]]:
        """The profile's identifiers that answer, with their length, and how many go into one request."""
        found: dict[tuple[int, int | None], list[Item]] = {}
        for (service, wanted_header, identifier), definitions in profile_groups(self.profile).items() if self.profile else ():
            header = self.request_header(wanted_header, engine)
            item = None
            if self.address(header):
                item = self.identifier(service, identifier, definitions)
            if item is None:
                names = ", ".join(d.name for d in definitions)
                self.notes.append(f"Service {service:02X} identifier {identifier:04X} is not answered: no {names}.")
            else:
                found.setdefault((service, header), []).append(item)
        most = {}
        for (service, header), items in found.items():
            self.address(header)
            most[service, header] = self.most_identifiers(service, header, items)
        return {key: tuple(items) for key, items in found.items()}, most

    def request_header(self, wanted: int | None, engine: int | None) -> int | None:
        if not self.link.is_can or wanted is None:
            return engine
        if self.link.is_29bit and wanted <= 0x7FF:
            return engine  # a header of the other CAN format: the vehicle's own engine module is meant
        return wanted

    def identifier(self, service: int, identifier: int, definitions: Sequence[Any]) -> Item | None:
        width = 2 if service == 0x22 else 1
        need = max(d.end_byte for d in definitions)
        text = f"{service:02X}{identifier:0{2 * width}X}".encode()
        for _ in range(_TRIES):
            for message in self.link.ask(text).messages:
                data = bytes(message.data)
                if data[:1] != bytes([service + 0x40]) or data[1 : 1 + width] != identifier.to_bytes(width, "big"):
                    continue
                size = len(data) - 1 - width
                if size >= need:
                    return definition_item(identifier, size, definitions)
        return None

    def most_identifiers(self, service: int, header: int | None, items: Sequence[Item]) -> int:
        if service != 0x22 or not self.link.is_can:
            return 1
        # The request itself must fit one frame: adapters send no longer ones.
        for count in range(min(len(items), (SINGLE_FRAME_BYTES - 1) // 2), 1, -1):
            if self.answers(Request(service, tuple(items[:count]), header)):
                return count
        if len(items) > 1:
            self.notes.append("Several identifiers in one request are not answered; each is asked for on its own.")
        return 1


def misfire_requests(capabilities: Capabilities) -> list[Request]:
    """One request a cylinder for its misfire count."""
    return [
        Request(SERVICE_MONITOR_TESTS, (misfire_item(n),), capabilities.header) for n in capabilities.misfire_cylinders
    ]
