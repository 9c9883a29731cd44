"""Find out on connecting what adapter and vehicle support. Each feature is tried, and not used if it fails."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from obd.protocols import ECU

from camlog.capture import error, messages
from camlog.capture.lines import LineForm
from camlog.capture.link import Link, Reply
from camlog.capture.requests import (
    MAX_COUNT_DIGIT,
    MAX_PIDS,
    SERVICE_CURRENT,
    SERVICE_MONITOR_TESTS,
    SINGLE_FRAME_BYTES,
    Item,
    Request,
    all_mapped,
    definition_item,
    identifier_request,
    named_by_map,
    pid_item,
    profile_groups,
    read_answer,
)
from camlog.codes.service06 import misfire_mid
from camlog.drive import is_simulated_adapter
from camlog.profile import VehicleProfile
from camlog.signals import BY_PID, MAX_CYLINDERS

_TRIES = 3  # a reply may be lost once or twice on a good link
_PAYING = 0.9  # a count digit is used if a request then takes less than this share of the time without it
_ANSWERED = (None, "out_of_range")

ServiceAt = tuple[int, int | None]  # a service and the request header of the module it is asked of


@dataclass(frozen=True)
class Capabilities:
    """The features of a connection, found by trying.

    `pids` are the supported service 01 PIDs with a signal in camlog; `items` the profile's identifiers that answered;
    `max_pids` and `max_identifiers` the number that fits into one request. `count_digit` is what the adapter counts
    when told how many responses to expect: `frames`, `answers`, `single` (works for one-frame answers only) or None.
    `all_pids` and `mids` are all numbers in the module's bit maps for services 01 and 06."""

    adapter: str
    protocol: str
    module: str
    header: int | None
    is_can: bool
    pids: frozenset[int]
    items: dict[ServiceAt, tuple[Item, ...]]
    misfire_cylinders: tuple[int, ...]
    max_pids: int
    max_identifiers: dict[ServiceAt, int]
    count_digit: str | None
    notes: tuple[str, ...] = ()
    spaces_off: bool = True
    one_module: bool = False
    all_pids: frozenset[int] = frozenset()
    mids: frozenset[int] = frozenset()

    def wire_text(self, request: Request) -> bytes:
        """The request as sent, with the response-count digit if the adapter understands it."""
        return self.counted(request.text, request.answer_frames, request.header)

    def counted(self, text: bytes, frames: int, header: int | None) -> bytes:
        """A request to the module at `header`, with its response count if `frames` (0: unknown) is known."""
        if header is None and not self.one_module:
            return text
        return with_count(text, frames, self.count_digit, self.is_can)

    def address(self, link: Link, header: int | None) -> bool:
        """Address the module at a request's `header`; True if the link accepted it.

        If the engine module can be reached only by requests to all modules, only its answers count."""
        return link.set_header(header, self.module if header is None else None)

    def to_dict(self) -> dict[str, Any]:
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
    """A request with the digit for the number of responses to wait for, counted as the adapter counts."""
    if count_digit is None or not frames or (frames > 1 and (count_digit == "single" or not is_can)):
        return text
    count = 1 if count_digit == "answers" else frames
    return text + f"{count:X}".encode() if count <= MAX_COUNT_DIGIT else text


def probe(link: Link, profile: VehicleProfile | None = None) -> Capabilities:
    """Probe the connection. Raises InputError if the engine module does not answer at all."""
    return _Probe(link, profile).run()


class _Probe:
    """One probing. `header` and `engine` are the engine module's request header and response address, None until
    known."""

    def __init__(self, link: Link, profile: VehicleProfile | None):
        self.link, self.profile = link, profile
        self.notes: list[str] = []
        self.one_module = False
        self.engine: str | None = None
        self.header: int | None = None
        self.count: str | None = None

    def run(self) -> Capabilities:
        link = self.link
        adapter = link.name()
        self.find_engine()
        self.address(self.header)
        all_pids = self.supported(SERVICE_CURRENT)
        if not all_pids:
            raise error("no_signals", link.port)
        pids = frozenset(all_pids & BY_PID.keys())
        standard = [pid_item(p) for p in sorted(pids, key=lambda p: (p != 0x0C, p))]  # engine speed first
        self.count = self.count_digit(standard)
        mids = self.supported(SERVICE_MONITOR_TESTS) if link.is_can else frozenset()
        cylinders = (self.profile.engine.cylinders if self.profile else None) or MAX_CYLINDERS
        most_pids = self.most(SERVICE_CURRENT, standard, (MAX_PIDS, 4, 3, 2), "signals")
        items = self.identifiers()
        most = {at: self.most_identifiers(*at, found) for at, found in items.items()}
        self.address(self.header)
        return Capabilities(
            adapter=adapter,
            protocol=link.protocol.ELM_NAME,
            module=self.engine or "",
            header=self.header,
            is_can=link.is_can,
            pids=pids,
            items={at: tuple(found) for at, found in items.items()},
            misfire_cylinders=tuple(n for n in range(1, cylinders + 1) if misfire_mid(n) in mids),
            max_pids=most_pids,
            max_identifiers=most,
            count_digit=self.count,
            notes=tuple(self.notes),
            spaces_off=link.spaces_off,
            one_module=self.one_module,
            all_pids=all_pids,
            mids=mids,
        )

    # ---------------------------------------------------------------- asking
    def address(self, header: int | None) -> bool:
        return self.link.set_header(header, self.engine if header is None else None)

    def ask(self, text: bytes, frames: int = 0) -> Reply:
        for attempt in range(_TRIES):
            # If the request with a count gives nothing, the next attempt is without it.
            counted = self.count if attempt == 0 and (self.header is not None or self.one_module) else None
            reply = self.link.ask(with_count(text, frames, counted, self.link.is_can))
            if reply.messages:
                break
        return reply

    def answers(self, request: Request) -> bool:
        return any(self.answer_time_s(request, request.text) is not None for _ in range(_TRIES))

    def answer_time_s(self, request: Request, text: bytes) -> float | None:
        """Time (s) until a good answer; None without one."""
        reply = self.link.ask(text)
        return reply.round_trip_s if read_answer(request, reply.messages).problem in _ANSWERED else None

    def quickest_s(self, request: Request, text: bytes) -> float | None:
        times = [self.answer_time_s(request, text) for _ in range(_TRIES)]
        return min((t for t in times if t is not None), default=None)

    # ---------------------------------------------------------------- the engine module
    def find_engine(self) -> None:
        """Find the engine module, and whether requests can be addressed to it alone."""
        link = self.link
        reply = self.ask(b"0100")
        if not reply.messages and not link.is_can:
            link.form = LineForm(link.form.protocol_id, check_sums=False)
            reply = self.ask(b"0100")
            if reply.messages:
                self.notes.append(messages("note.checksums"))
        answers = [m for m in reply.messages if m.data[:2] == b"\x41\x00"]
        self.one_module = len(answers) == 1
        modules = {link.form.module(m.frames[0].raw): m for m in answers}
        self.engine = next((name for name, m in modules.items() if m.ecu == ECU.ENGINE), None)
        if self.engine is None:
            return
        link.others = frozenset(modules) - {self.engine}
        if not link.is_can:
            return
        is_29bit = link.form.is_29bit
        header = 0x18DA00F1 | int(self.engine[6:8], 16) << 8 if is_29bit else int(self.engine, 16) - 8
        if link.set_header(header) and self.ask(b"0100").messages:
            self.header = header
            return
        link.set_header(None)
        self.notes.append(messages("note.all_modules"))

    def supported(self, service: int) -> frozenset[int]:
        def of_map(first: int) -> frozenset[int]:
            return named_by_map(self.ask(f"{service:02X}{first:02X}".encode(), 1).messages, service, first)

        return all_mapped(of_map)

    # ---------------------------------------------------------------- the adapter
    def most(
        self, service: int, items: Sequence[Item], counts: Sequence[int], feature: str, header: int | None = None
    ) -> int:
        """The first of `counts` for which that many items are answered in one request; else 1."""
        if not self.link.is_can or len(items) < 2:
            return 1
        for count in counts:
            if count <= len(items) and self.answers(Request(service, tuple(items[:count]), header)):
                return count
        self.notes.append(messages(f"note.{feature}_one_by_one"))
        return 1

    def count_digit(self, items: Sequence[Item]) -> str | None:
        """What the adapter counts if told the number of responses to expect, as in `Capabilities`; None: nothing."""
        if self.header is None and not self.one_module:
            return None
        single = Request(SERVICE_CURRENT, tuple(items[:1]))
        if not self.pays(single, 1):
            self.notes.append(messages("note.count"))
            return None
        # For answers of several frames, some adapters count frames and some count whole answers.
        several = Request(SERVICE_CURRENT, tuple(items[:MAX_PIDS]))
        if several.answer_frames == 1 or not self.answers(several):
            return "frames"
        counts = {"frames": several.answer_frames, "answers": 1}
        return next((name for name, count in counts.items() if self.pays(several, count)), "single")

    def pays(self, request: Request, count: int) -> bool:
        """True if a request is answered sooner with that count."""
        without_s = self.quickest_s(request, request.text)
        counted_s = self.quickest_s(request, request.text + f"{count:X}".encode())
        return without_s is not None and counted_s is not None and counted_s <= _PAYING * without_s

    # ---------------------------------------------------------------- the profile
    def identifiers(self) -> dict[ServiceAt, list[Item]]:
        """The profile's identifiers that answer, with their length."""
        by_module: dict[ServiceAt, list[Item]] = {}
        groups = profile_groups(self.profile) if self.profile else {}
        for (service, wanted, identifier), definitions in groups.items():
            header = self.link.header_for(wanted, self.header)
            item = self.identifier(service, identifier, definitions) if self.address(header) else None
            if item is None:
                names = ", ".join(d.name for d in definitions)
                self.notes.append(messages("note.identifier", service=service, identifier=identifier, signals=names))
            else:
                by_module.setdefault((service, header), []).append(item)
        return by_module

    def identifier(self, service: int, identifier: int, definitions: Sequence[Any]) -> Item | None:
        text, echo = identifier_request(service, identifier)
        for _ in range(_TRIES):
            for message in self.link.ask(text).messages:
                size = len(message.data) - len(echo)
                if message.data.startswith(echo) and size >= max(d.end_byte for d in definitions):
                    return definition_item(identifier, size, definitions)
        return None

    def most_identifiers(self, service: int, header: int | None, items: Sequence[Item]) -> int:
        if service != 0x22:
            return 1
        self.address(header)
        # The request must fit into one frame, because adapters send no longer ones.
        counts = range(min(len(items), (SINGLE_FRAME_BYTES - 1) // 2), 1, -1)
        return self.most(service, items, counts, "identifiers", header)
