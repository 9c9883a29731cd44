"""The drive file `NAME.drive.json`: what surrounds a trace (events, codes, adapter, vehicle)."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from camlog.errors import InputError, check_saved
from camlog.new_files import write_text
from camlog.signals import SIGNALS
from camlog.stream import EVENT_KINDS, CodeSnapshot, Event, MonitorTest, TroubleCode

SCHEMA = "camlog.drive/1"
# A hash over the file's content: it shows a change made afterwards by hand, not a forger's.
SEAL = "content_sha256"
# The same over a file that was made from another one. It is not called a seal, and never gives what a seal gives.
DERIVED_SEAL = "derived_content_sha256"
# Begins the version line of camlog's simulated adapter, and with it the adapter's name in a drive file.
SIMULATED_ADAPTER = "CAMSIM"
# The name of the adapter in drives that were simulated at once, without any.
SIMULATED_OFFLINE = "simulated, offline"
SIMULATED_REMARK = "the adapter is a simulated one: these are no readings of a vehicle and prove nothing."
READINESS_STATES = ("complete", "incomplete", "unsupported")
READINESS_MONITORS = (
    "misfire",
    "fuel_system",
    "components",
    "catalyst",
    "heated_catalyst",
    "evaporative_system",
    "secondary_air",
    "ac_refrigerant",
    "oxygen_sensor",
    "oxygen_sensor_heater",
    "egr_vvt_system",
)


@dataclass(frozen=True, slots=True)
class Ancestor:
    """A file that another was made from.

    `sha256` of its trace (None: not known) and its `file` name; `as_recorded`: True where its own drive file
    vouched for it, False where it contradicted it, None where there was none or it was no recording of camlog's;
    `simulated` where its readings came from a simulated adapter; `made` says how it became what stands after it.
    """

    sha256: str | None
    file: str = ""
    as_recorded: bool | None = None
    simulated: bool = False
    made: str = ""


@dataclass(frozen=True, slots=True)
class Drive:
    """A drive file's content, schema `camlog.drive/1`.

    `started_at` is an ISO 8601 time with zone or None; `vehicle` holds `name`
    and `vin` (None unless the VIN was asked for); `adapter` what the
    connection probe found. `ancestry` are the files it was made from, the first one first. `intact` says of a file that was read whether it is
    as camlog wrote it: False where it was changed afterwards, None where it has
    no seal, as no file made from another has.
    """

    started_at: str | None = None
    vehicle: Mapping[str, Any] = field(default_factory=lambda: {"name": None, "vin": None})
    adapter: Mapping[str, Any] = field(default_factory=dict)
    trace_sha256: str | None = None
    events: tuple[Event, ...] = ()
    code_snapshots: tuple[CodeSnapshot, ...] = ()
    ancestry: tuple[Ancestor, ...] = ()
    intact: bool | None = field(default=None, compare=False)

    @property
    def is_simulated(self) -> bool:
        """True where the readings came from a simulated adapter, or were made from such or played back by one: they
        prove nothing."""
        marked = bool(self.adapter.get("simulated")) or any(a.simulated for a in self.ancestry)
        return marked or is_simulated_adapter(str(self.adapter.get("name") or ""))

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of the drive file; a number that is not finite becomes null."""
        ancestry = {"ancestry": [dataclasses.asdict(a) for a in self.ancestry]} if self.ancestry else {}
        return {
            "schema": SCHEMA,
            **ancestry,
            "started_at": self.started_at,
            "vehicle": finite(self.vehicle),
            "adapter": finite(self.adapter),
            "trace_sha256": self.trace_sha256,
            "events": [dataclasses.asdict(event) for event in self.events],
            "code_snapshots": [snapshot_to_dict(s) for s in self.code_snapshots],
        }


def is_simulated_adapter(name: str) -> bool:
    """True for the version line of camlog's own simulated adapter, and for what stands in its place offline."""
    return name.upper().startswith((SIMULATED_ADAPTER, SIMULATED_OFFLINE.upper()))


def simulated_words(*drives: Drive | None) -> str:
    """What a page says first of drives of which one is simulated; empty where none is."""
    found = any(d is not None and d.is_simulated for d in drives)
    return SIMULATED_REMARK[0].upper() + SIMULATED_REMARK[1:] if found else ""


def drive_path(trace: str | Path) -> Path:
    """Where the drive file of a trace `NAME.csv` lies: `NAME.drive.json` beside it."""
    trace = Path(trace)
    stem = trace.name[: -len(".csv")] if trace.name.lower().endswith(".csv") else trace.name
    return trace.with_name((stem or trace.name) + ".drive.json")


def trace_path(drive: str | Path) -> Path:
    """The other way round: where the trace of a drive file `NAME.drive.json` lies."""
    drive = Path(drive)
    return drive.with_name(drive.name.removesuffix(".drive.json") + ".csv")


def remarks(drive: Drive | None, trace_sha256: str | None, beside: Path) -> list[str]:
    """What one should know of a trace and the drive file `beside` it before judging them, a sentence each."""
    if drive is None:
        return []
    found = [SIMULATED_REMARK] if drive.is_simulated else []
    converted = drive.adapter.get("name") == "converted"  # in memory: there is no trace file to know the hash of
    if drive.trace_sha256 is None and drive.adapter and not converted:
        found.append("the recording did not end cleanly; what was saved until then is here.")
    elif drive.trace_sha256 not in (None, trace_sha256):
        found.append(f"the file was changed after the recording, or {beside.name} belongs to another.")
    return found


@dataclass(frozen=True, slots=True)
class Trust:
    """`as_recorded`: True where trace and drive file are as camlog recorded them, False where they contradict that,
    None where it cannot be told; `reasons` for what is not True, a sentence each. It never exceeds that of what the
    file was made from, and a file that was made from another is never True."""

    as_recorded: bool | None
    reasons: tuple[str, ...] = ()


def trust(drive: Drive | None, trace_sha256: str | None, *, codes_alone: bool = False) -> Trust:
    """How far a recording is trusted to be as camlog wrote it, and why not; whether it came from a vehicle is for
    `Drive.is_simulated` to say.

    `trace_sha256` is that of the trace as it lies there, None or empty where there is none; with `codes_alone` none is
    asked for, as beside the codes that were saved before clearing. What it rests on shows
    a change made by hand afterwards; a forger who knows the file format could still make a file that passes.
    """
    if drive is None:
        return Trust(None, ("there is no drive file beside the trace.",))
    wrong, unknown = [], []
    if drive.intact is False:
        wrong.append("its drive file was changed after it was written.")
    if drive.trace_sha256 and trace_sha256 and drive.trace_sha256 != trace_sha256:
        wrong.append("its trace is not the one the drive file was written for.")
    for ancestor in drive.ancestry:
        source = f"{ancestor.made or 'made'} from {ancestor.file or 'another file'}"
        if ancestor.as_recorded is False:
            wrong.append(f"it was {source}, which had been changed after the recording.")
        else:
            unknown.append(f"it was {source}; only the recording itself can be trusted.")
    if drive.intact is None and not drive.ancestry:
        unknown.append("its drive file carries no seal, so a change would not show.")
    if not codes_alone and not (drive.trace_sha256 and trace_sha256):
        unknown.append("the drive file does not hold the trace's hash: the recording was not ended.")
    return Trust(False if wrong else None if unknown else True, tuple(dict.fromkeys((*wrong, *unknown))))


def descent(drive: Drive | None, trace_sha256: str | None, file: str, made: str) -> tuple[Ancestor, ...]:
    """The ancestry of a file that is `made` ("cut", "converted") from the trace `file` and its drive file."""
    earlier = drive.ancestry if drive is not None else ()
    simulated = drive is not None and drive.is_simulated
    known = trust(drive, trace_sha256).as_recorded
    return (*earlier, Ancestor(trace_sha256 or None, file, known, simulated, made))


def vin_hash(vin: str) -> str:
    """What stands for a vehicle identification number where it is not stored: 4 hexadecimal digits.

    Enough to tell two cars apart (once in 65,536 it does not), far too little to find out which car it was.
    """
    return hashlib.sha256(vin.encode("utf-8")).hexdigest()[:4]


def _seal(content: Mapping[str, Any]) -> str:
    """SHA-256 over what a drive file says, whatever its spacing and order of keys."""
    said = {k: v for k, v in content.items() if k not in (SEAL, DERIVED_SEAL)}
    text = json.dumps(said, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8", errors="replace")).hexdigest()


def finite(value: Any) -> Any:
    """The same value for JSON, which has no NaN: what could not be measured is null."""
    if isinstance(value, Mapping):
        return {str(k): finite(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [finite(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def snapshot_to_dict(snapshot: CodeSnapshot) -> dict[str, Any]:
    """A code snapshot as the JSON object of a drive file."""

    def codes(found: tuple[TroubleCode, ...] | None) -> list[dict[str, str]] | None:
        return None if found is None else [{"code": c.code, "ecu": c.ecu} for c in found]

    return {
        "time_s": snapshot.time_s,
        "mil": snapshot.mil,
        "stored": codes(snapshot.stored),
        "pending": codes(snapshot.pending),
        "permanent": codes(snapshot.permanent),
        "readiness": dict(snapshot.readiness),
        "freeze_frame": finite(snapshot.freeze_frame),
        "since_clear": finite(snapshot.since_clear),
        # A test without a value is no result, and there is no other way to write one.
        "monitor_tests": [
            finite(dataclasses.asdict(t)) for t in snapshot.monitor_tests if math.isfinite(t.value)
        ],
    }


def write_drive(drive: Drive, path: str | Path, *, replace: bool = True) -> None:
    """Write a drive file so that a reader sees the old or the new one, never half of it.

    Raises InputError where one is there and `replace` is not set, OSError where the disk refuses, ValueError or
    TypeError where an event's or a snapshot's time is not finite or a value is nothing JSON can carry; the file
    that was there is then untouched.
    """
    content = drive.to_dict()
    seal = DERIVED_SEAL if drive.ancestry else SEAL
    text = json.dumps(content | {seal: _seal(content)}, indent=1, ensure_ascii=False, allow_nan=False)
    # Text typed or sent by an adapter may hold half characters, which UTF-8 has no bytes for.
    write_text(text + "\n", path, replace=replace)


def read_drive(path: str | Path) -> Drive:
    """Read a drive file.

    Raises InputError, naming the key, where the file is not JSON of schema `camlog.drive/1`.
    """
    path = Path(path)
    check_saved(path)
    try:
        raw = json.loads(path.read_bytes().decode("utf-8-sig"), **_STRICT)
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", file=path, remedy="Check the path.") from error
    except UnicodeDecodeError as error:
        raise InputError(
            "is not UTF-8 text", file=path, remedy="Move it away to go on without it."
        ) from error
    except (ValueError, RecursionError) as error:
        # ValueError: not JSON, a NaN, or a number of thousands of digits.
        line = getattr(error, "lineno", None)
        what = (
            "is not JSON" if line or isinstance(error, RecursionError) else f"is not JSON ({str(error)[:60]})"
        )
        remedy = "Move it away to go on without it, or restore it."
        raise InputError(what, file=path, line=line, remedy=remedy) from error
    try:
        return _DriveReader(path).drive(raw)
    except RecursionError as error:
        raise InputError(
            "is nested too deep to be a drive file", file=path, remedy="Move it away to go on without it."
        ) from error


def _refuse_constant(name: str) -> None:
    raise ValueError(f"JSON has no {name}")


def _finite_number(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError("a number is too large")
    return number


_STRICT = {"parse_constant": _refuse_constant, "parse_float": _finite_number}


class _DriveReader:
    def __init__(self, path: Path):
        self.path = path

    def fail(self, key: str, expected: str) -> InputError:
        return InputError(
            f"{key} should be {expected}",
            file=self.path,
            remedy="Correct it, or move the file away to go on without.",
        )

    def check(self, value: Any, key: str, kind: type | tuple[type, ...], expected: str) -> Any:
        if isinstance(value, bool) and bool not in (kind if isinstance(kind, tuple) else (kind,)):
            raise self.fail(key, expected)
        if not isinstance(value, kind):
            raise self.fail(key, expected)
        return value

    def number(self, value: Any, key: str) -> float:
        try:
            number = float(self.check(value, key, (int, float), "a number"))
        except OverflowError:  # a whole number beyond what a float can hold
            number = math.inf
        if not math.isfinite(number):
            raise self.fail(key, "a finite number")
        return number

    def optional(self, value: Any, key: str, kind: type, expected: str) -> Any:
        return None if value is None else self.check(value, key, kind, expected + " or null")

    def drive(self, raw: Any) -> Drive:
        self.check(raw, "the file", dict, "a JSON object")
        if raw.get("schema") != SCHEMA:
            raise self.fail("schema", f'"{SCHEMA}" (found {str(raw.get("schema"))[:40]!a})')
        vehicle = {"name": None, "vin": None} | self.object(raw, "vehicle")
        for key in ("name", "vin"):
            self.optional(vehicle[key], f"vehicle.{key}", str, "text")
        return Drive(
            started_at=self.started_at(raw.get("started_at")),
            vehicle=vehicle,
            adapter=self.object(raw, "adapter"),
            trace_sha256=self.optional(raw.get("trace_sha256"), "trace_sha256", str, "text"),
            events=tuple(self.event(e, f"events[{i}]") for i, e in enumerate(self.list(raw, "events"))),
            code_snapshots=tuple(
                self.snapshot(s, f"code_snapshots[{i}]")
                for i, s in enumerate(self.list(raw, "code_snapshots"))
            ),
            ancestry=tuple(self.ancestor(a, f"ancestry[{i}]") for i, a in enumerate(self.list(raw, "ancestry"))),
            intact=self.intact(raw),
        )

    def intact(self, raw: dict) -> bool | None:
        seals = {key: self.optional(raw.get(key), key, str, "text") for key in (SEAL, DERIVED_SEAL)}
        if any(seal is not None and seal != _seal(raw) for seal in seals.values()):
            return False
        # Either mark of having been made from another file is enough to take the seal's word away.
        return True if seals[SEAL] and not seals[DERIVED_SEAL] and not raw.get("ancestry") else None

    def ancestor(self, raw: Any, key: str) -> Ancestor:
        self.check(raw, key, dict, "an object")
        return Ancestor(
            self.optional(raw.get("sha256"), f"{key}.sha256", str, "text"),
            self.text(raw, "file", key),
            self.optional(raw.get("as_recorded"), f"{key}.as_recorded", bool, "true or false"),
            self.optional(raw.get("simulated"), f"{key}.simulated", bool, "true or false") is True,
            self.text(raw, "made", key),
        )

    def list(self, raw: dict, key: str, prefix: str = "") -> list:
        return self.check([] if raw.get(key) is None else raw[key], prefix + key, list, "a list")

    def object(self, raw: dict, key: str, prefix: str = "") -> dict:
        return self.check({} if raw.get(key) is None else raw[key], prefix + key, dict, "an object")

    def text(self, raw: dict, key: str, where: str) -> str:
        return self.check("" if raw.get(key) is None else raw[key], f"{where}.{key}", str, "text")

    def started_at(self, value: Any) -> str | None:
        if value is None:
            return None
        expected = "an ISO 8601 time with zone, such as 2024-05-01T09:30:00+02:00, or null"
        try:
            when = datetime.fromisoformat(self.check(value, "started_at", str, expected))
        except ValueError:
            raise self.fail("started_at", expected) from None
        # A year near the calendar's ends cannot be moved to another zone.
        if when.tzinfo is None or not 1900 <= when.year < 3000:
            raise self.fail("started_at", expected)
        return value

    def event(self, raw: Any, key: str) -> Event:
        self.check(raw, key, dict, "an object")
        kind = raw.get("kind")
        if kind not in EVENT_KINDS:
            raise self.fail(f"{key}.kind", "one of " + ", ".join(EVENT_KINDS))
        return Event(
            self.number(raw.get("time_s"), f"{key}.time_s"),
            kind,
            self.text(raw, "text", key),
        )

    def codes(self, raw: dict, name: str, key: str) -> tuple[TroubleCode, ...] | None:
        if raw.get(name) is None:
            return None
        found = []
        for i, item in enumerate(self.check(raw[name], f"{key}.{name}", list, "a list or null")):
            where = f"{key}.{name}[{i}]"
            self.check(item, where, dict, "an object")
            code = self.check(item.get("code"), f"{where}.code", str, "text")
            found.append(TroubleCode(code, self.text(item, "ecu", where)))
        return tuple(found)

    def freeze_frame(self, raw: Any, key: str) -> dict[str, Any] | None:
        if raw is None:
            return None
        for name, value in self.check(raw, key, dict, "an object or null").items():
            where = f"{key}.{name[:40]!a}"
            if name == "code":
                self.optional(value, where, str, "text")
            elif value is not None and (name in SIGNALS or not isinstance(value, str)):
                self.number(value, where)
        return raw

    def snapshot(self, raw: Any, key: str) -> CodeSnapshot:
        self.check(raw, key, dict, "an object")
        readiness = self.object(raw, "readiness", f"{key}.")
        for monitor, state in readiness.items():
            if state not in READINESS_STATES:
                raise self.fail(f"{key}.readiness.{monitor[:40]!a}", "one of " + ", ".join(READINESS_STATES))
        since = raw.get("since_clear")
        if since is not None:
            self.check(since, f"{key}.since_clear", dict, "an object or null")
            since = {
                k: None if v is None else self.number(v, f"{key}.since_clear.{k[:40]!a}")
                for k, v in since.items()
            }
        tests = []
        for i, item in enumerate(self.list(raw, "monitor_tests", f"{key}.")):
            where = f"{key}.monitor_tests[{i}]"
            self.check(item, where, dict, "an object")
            limits = {
                side: None if item.get(side) is None else self.number(item[side], f"{where}.{side}")
                for side in ("min", "max")
            }
            tests.append(
                MonitorTest(
                    self.check(item.get("mid"), f"{where}.mid", str, "text"),
                    self.check(item.get("tid"), f"{where}.tid", str, "text"),
                    self.number(item.get("value"), f"{where}.value"),
                    limits["min"],
                    limits["max"],
                    self.text(item, "unit", where),
                )
            )
        return CodeSnapshot(
            time_s=self.number(raw.get("time_s"), f"{key}.time_s"),
            mil=self.optional(raw.get("mil"), f"{key}.mil", bool, "true or false"),
            stored=self.codes(raw, "stored", key),
            pending=self.codes(raw, "pending", key),
            permanent=self.codes(raw, "permanent", key),
            readiness=readiness,
            freeze_frame=self.freeze_frame(raw.get("freeze_frame"), f"{key}.freeze_frame"),
            since_clear=since,
            monitor_tests=tuple(tests),
        )
