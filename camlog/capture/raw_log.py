"""Raw log: every byte between camlog and the adapter with its time, from which the rows can be decoded again.

A text file with one record a line: time (s) of the recording's clock, a kind, and JSON. Kinds: `>` sent, `<` received,
`u` received without a request, `!` facts for the decoder (the plan when streaming starts, a discarded answer, whether
repeated answers were true, the closing snapshot). The vehicle identification number is blanked unless it may be
stored."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from camlog.capture import error
from camlog.capture.elm import PARSERS
from camlog.capture.judge import Judge, RoundTrips
from camlog.capture.lines import PROMPT, LineForm, answer_lines, unasked_lines
from camlog.capture.link import FUNCTIONAL_11_BIT, FUNCTIONAL_29_BIT, Link, Received, response_id
from camlog.capture.probe import Capabilities
from camlog.capture.requests import (
    SERVICE_MONITOR_TESTS,
    Item,
    Request,
    definition_item,
    misfire_item,
    pid_item,
    profile_groups,
)
from camlog.codes.service06 import misfire_mid
from camlog.drive import Drive
from camlog.errors import InputError
from camlog.profile import VehicleProfile
from camlog.signals import MAX_CYLINDERS, in_order, unit_of
from camlog.stream import Batch
from camlog.trace import Trace

HEADING = "# camlog raw log 1"
_VEHICLE_NUMBER = b"09"  # service 09 carries it
_HEX = b"0123456789ABCDEFabcdef"
_BLANK = bytes.maketrans(_HEX, b"." * len(_HEX))


class RawLog:
    """Writes a raw log to `path`; with `number` the vehicle identification number is kept. Raises InputError on
    failure."""

    def __init__(self, path: str | Path, *, number: bool = False, force: bool = False):
        self._number, self._blank = number, False
        try:
            self._file = open(path, "w" if force else "x", encoding="ascii", buffering=1, newline="\n")  # noqa: SIM115
        except FileExistsError as there:
            raise error("there_already", path) from there
        except OSError as refused:
            raise error("no_raw_log", path, why=refused.strerror) from refused
        self._file.write(HEADING + "\n")

    def sent(self, time_s: float, data: bytes) -> None:
        self._blank = not self._number and data.startswith(_VEHICLE_NUMBER)
        self._write(time_s, ">", data.decode("latin-1"))

    def received(self, time_s: float, data: bytes, unasked: bool = False) -> None:
        data = data.translate(_BLANK) if self._blank else data
        self._write(time_s, "u" if unasked else "<", data.decode("latin-1"))

    def note(self, time_s: float, **facts: Any) -> None:
        self._write(time_s, "!", facts)

    def _write(self, time_s: float, kind: str, content: object) -> None:
        try:
            self._file.write(f"{time_s!r} {kind} {json.dumps(content)}\n")
        except (OSError, ValueError):
            pass  # a full disk or a closed log must not end the recording

    def close(self) -> None:
        try:
            self._file.close()
        except OSError:
            pass  # as above


def plan_facts(
    link: Link, capabilities: Capabilities, requests: tuple[Request, ...], started_at: str
) -> dict[str, Any]:
    """The facts about a connection that `replay_raw` needs to decode its bytes."""
    return {
        "started_at": started_at,
        "adapter": capabilities.to_dict(),
        "bus": link.form.protocol_id,
        "check_sums": link.form.check_sums,
        "others": sorted(link.others),
        "module": capabilities.module,
        "header": capabilities.header,
        "requests": len(set(requests)),
        "items": [[r.service, i.key, i.size, r.header] for r in requests for i in r.items],
    }


def replay_raw(path: str | Path, profile: VehicleProfile | None = None) -> Iterator[Batch]:
    """The batches decoded from a raw log's bytes, as while recording; `profile` must be the same as then. Raises

    InputError if the file is no raw log."""
    records = list(_records(path))
    begun = next(
        (
            (n, t, content["stream"])
            for n, (t, kind, content) in enumerate(records)
            if kind == "!" and "stream" in content
        ),
        None,
    )
    if begun is None:
        raise error("raw_without_stream", path)
    number, start_s, facts = begun
    decoder = _Decoder(facts, profile)
    judge = Judge(facts.get("requests", 1), start_s, RoundTrips())
    for exchange in decoder.exchanges(records[number + 1 :]):
        if isinstance(exchange, bool):
            yield from judge.settle(exchange)
        else:
            request, received = exchange
            yield from judge.judge(request, decoder.link.parse(received)).batches


def read_raw(path: str | Path, profile: VehicleProfile | None = None) -> tuple[Trace, Drive]:
    """The trace decoded from a raw log's bytes, and a drive file with its adapter. Raises InputError."""
    batches = list(replay_raw(path, profile))
    signals = {name for batch in batches for name in batch.values}
    names = in_order(signals)
    columns = {n: np.array([b.values.get(n, math.nan) for b in batches], dtype=float) for n in names}
    times_s = (
        np.maximum.accumulate(np.array([round(b.time_s, 6) for b in batches], dtype=float)) if batches else np.empty(0)
    )
    facts = next(content["stream"] for _, kind, content in _records(path) if kind == "!" and "stream" in content)
    digest = hashlib.sha256(Path(path).read_bytes()).hexdigest()
    trace = Trace(times_s, columns, {n: unit_of(n) for n in names}, Path(path).name, digest)
    return trace, Drive(started_at=facts["started_at"], adapter=facts["adapter"])


def _records(path: str | Path) -> Iterator[tuple[float, str, Any]]:
    try:
        with open(path, encoding="ascii") as file:
            if file.readline().rstrip("\n") != HEADING:
                raise error("no_raw_form", path)
            for line in file:
                if not line.endswith("\n"):
                    return  # cut off while it was written
                time_s, kind, content = line.split(" ", 2)
                yield float(time_s), kind, json.loads(content)
    except OSError as refused:
        raise InputError(refused.strerror or "cannot be read", file=path) from refused
    except ValueError as wrong:
        raise error("no_raw_form", path) from wrong


class _Decoder:
    def __init__(self, facts: dict[str, Any], profile: VehicleProfile | None):
        self.link = Link("")
        self.link.form = LineForm(facts["bus"], facts["check_sums"])
        self.link.protocol = PARSERS[facts["bus"]]([])
        self.link.others = frozenset(facts["others"])
        self.module, self.header = facts["module"], facts["header"]
        self.functional = self.header is None
        self.priority = 0x18
        groups = profile_groups(profile) if profile else {}
        misfires = {misfire_mid(n): n for n in range(1, MAX_CYLINDERS + 1)}
        self.items: dict[tuple[int, int, int | None], Item] = {}
        for service, key, size, header in facts["items"]:
            matching = [g for (s, h, i), g in groups.items() if (s, i) == (service, key) and h in (header, None)]
            matching = matching or [g for (s, _, i), g in groups.items() if (s, i) == (service, key)]
            if matching:
                item = definition_item(key, size, matching[0])
            elif service == SERVICE_MONITOR_TESTS:
                item = misfire_item(misfires[key])
            elif service == 1:
                item = pid_item(key)
            else:
                continue  # an item of a profile that was not given
            self.items[service, key, header] = item

    def exchanges(self, records: list[tuple[float, str, Any]]) -> Iterator[tuple[Request, Received] | bool]:
        """Each planned request with its reply until the end of the recording, and whether repeated replies were
        true."""
        request: Request | None = None
        sent_s, heard_s, used = 0.0, math.nan, True
        unasked: list[str] = []
        before: list[str] = []
        came = bytearray()
        for time_s, kind, content in [*records, (0.0, ">", "")]:
            if kind == "<":
                if PROMPT not in came:  # bytes after the prompt were discarded
                    came += content.encode("latin-1")
                    heard_s = time_s
            elif kind == "u":
                unasked = unasked_lines(content.encode("latin-1"))
            facts = content if kind == "!" else {}
            used = used and "unused" not in facts
            if kind == ">" or "closing" in facts or "repeats" in facts:
                if request is not None and used and PROMPT in came:
                    yield request, self._received(came, sent_s, heard_s, before)
                request = None
            if "closing" in facts:
                return
            if "repeats" in facts:
                yield facts["repeats"]
            if kind == ">":
                request, before = self._request(content.strip("\r")), unasked
                sent_s, unasked, used = time_s, [], True
                came.clear()

    def _received(self, came: bytearray, sent_s: float, heard_s: float, unasked: list[str]) -> Received:
        lines = unasked + answer_lines(bytes(came))
        listen_to = self.module if self.functional else response_id(self.header, self.link.form.is_29bit)
        return Received(lines, sent_s, heard_s, listen_to or None)

    def _request(self, text: str) -> Request | None:
        """The planned request for a line that was sent; None for any other line. Tracks the adapter's header."""
        if text.startswith("ATCP"):
            self.priority = int(text[4:], 16)
        elif text.startswith("ATSH"):
            value = int(text[4:], 16)
            value = self.priority << 24 | value if self.link.form.is_29bit else value
            self.functional = value in (FUNCTIONAL_11_BIT, FUNCTIONAL_29_BIT)
            self.header = None if self.functional else value
        if text.startswith("AT") or len(text) < 3:
            return None
        text = text[: len(text) // 2 * 2]  # without the response count
        service = int(text[:2], 16)
        width = 4 if service == 0x22 else 2
        keys = [int(text[at : at + width], 16) for at in range(2, len(text), width)]
        items = [self.items.get((service, key, self.header)) for key in keys]
        if None in items:
            return None
        return Request(service, tuple(i for i in items if i is not None), self.header)
