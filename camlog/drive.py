"""The drive file `NAME.drive.json`: what surrounds a trace (events, codes, adapter, vehicle)."""

from __future__ import annotations

import dataclasses
import json
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from camlog.errors import InputError
from camlog.stream import EVENT_KINDS, CodeSnapshot, Event, MonitorTest, TroubleCode

SCHEMA = "camlog.drive/1"
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
class Drive:
    """A drive file's content; see design section 4.

    `started_at` is an ISO 8601 time with zone or None; `vehicle` holds `name`
    and `vin` (None unless the VIN was asked for); `adapter` what the
    connection probe found.
    """

    started_at: str | None = None
    vehicle: Mapping[str, Any] = field(default_factory=lambda: {"name": None, "vin": None})
    adapter: Mapping[str, Any] = field(default_factory=dict)
    trace_sha256: str | None = None
    events: tuple[Event, ...] = ()
    code_snapshots: tuple[CodeSnapshot, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of the drive file."""
        return {
            "schema": SCHEMA,
            "started_at": self.started_at,
            "vehicle": dict(self.vehicle),
            "adapter": dict(self.adapter),
            "trace_sha256": self.trace_sha256,
            "events": [dataclasses.asdict(event) for event in self.events],
            "code_snapshots": [snapshot_to_dict(s) for s in self.code_snapshots],
        }


def drive_path(trace: str | Path) -> Path:
    """Where the drive file of a trace `NAME.csv` lies: `NAME.drive.json` beside it."""
    trace = Path(trace)
    return trace.with_name((trace.name.removesuffix(".csv") or trace.name) + ".drive.json")


def snapshot_to_dict(snapshot: CodeSnapshot) -> dict[str, Any]:
    """A code snapshot as the JSON object of design section 4."""

    def codes(found: tuple[TroubleCode, ...] | None) -> list[dict[str, str]] | None:
        return None if found is None else [{"code": c.code, "ecu": c.ecu} for c in found]

    return {
        "time_s": snapshot.time_s,
        "mil": snapshot.mil,
        "stored": codes(snapshot.stored),
        "pending": codes(snapshot.pending),
        "permanent": codes(snapshot.permanent),
        "readiness": dict(snapshot.readiness),
        "freeze_frame": None if snapshot.freeze_frame is None else dict(snapshot.freeze_frame),
        "since_clear": None if snapshot.since_clear is None else dict(snapshot.since_clear),
        "monitor_tests": [dataclasses.asdict(t) for t in snapshot.monitor_tests],
    }


def write_drive(drive: Drive, path: str | Path) -> None:
    """Write a drive file so that a reader sees the old or the new one, never half of it."""
    path = Path(path)
    partial = path.with_name(path.name + ".partial")
    try:
        with open(partial, "w", encoding="utf-8") as out:
            json.dump(drive.to_dict(), out, indent=1, ensure_ascii=False, allow_nan=False)
            out.write("\n")
            out.flush()
            os.fsync(out.fileno())
        os.replace(partial, path)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise


def read_drive(path: str | Path) -> Drive:
    """Read a drive file.

    Raises InputError, naming the key, where the file is not JSON of schema `camlog.drive/1`.
    """
    path = Path(path)
    try:
        raw = json.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", file=path, remedy="Check the path.") from error
    except UnicodeDecodeError as error:
        raise InputError("is not UTF-8 text", file=path, remedy="Move it away to go on without it.") from error
    except (json.JSONDecodeError, RecursionError) as error:
        line = getattr(error, "lineno", None)
        raise InputError(
            "is not JSON", file=path, line=line, remedy="Move it away to go on without it, or restore it."
        ) from error
    return _DriveReader(path).drive(raw)


class _DriveReader:
    def __init__(self, path: Path):
        self.path = path

    def fail(self, key: str, expected: str) -> InputError:
        return InputError(
            f"{key} should be {expected}", file=self.path, column=None, remedy="Correct it, or move the file away."
        )

    def check(self, value: Any, key: str, kind: type | tuple[type, ...], expected: str) -> Any:
        if isinstance(value, bool) and bool not in (kind if isinstance(kind, tuple) else (kind,)):
            raise self.fail(key, expected)
        if not isinstance(value, kind):
            raise self.fail(key, expected)
        return value

    def number(self, value: Any, key: str) -> float:
        number = float(self.check(value, key, (int, float), "a number"))
        if not math.isfinite(number):
            raise self.fail(key, "a finite number")
        return number

    def optional(self, value: Any, key: str, kind: type, expected: str) -> Any:
        return None if value is None else self.check(value, key, kind, expected + " or null")

    def drive(self, raw: Any) -> Drive:
        self.check(raw, "the file", dict, "a JSON object")
        if raw.get("schema") != SCHEMA:
            raise self.fail("schema", f'"{SCHEMA}" (found {raw.get("schema")!r})')
        vehicle = self.check(raw.get("vehicle") or {}, "vehicle", dict, "an object")
        return Drive(
            started_at=self.optional(raw.get("started_at"), "started_at", str, "text"),
            vehicle={"name": None, "vin": None} | vehicle,
            adapter=self.check(raw.get("adapter") or {}, "adapter", dict, "an object"),
            trace_sha256=self.optional(raw.get("trace_sha256"), "trace_sha256", str, "text"),
            events=tuple(self.event(e, f"events[{i}]") for i, e in enumerate(self.list(raw, "events"))),
            code_snapshots=tuple(
                self.snapshot(s, f"code_snapshots[{i}]") for i, s in enumerate(self.list(raw, "code_snapshots"))
            ),
        )

    def list(self, raw: dict, key: str, prefix: str = "") -> list:
        return self.check(raw.get(key) or [], prefix + key, list, "a list")

    def event(self, raw: Any, key: str) -> Event:
        self.check(raw, key, dict, "an object")
        kind = raw.get("kind")
        if kind not in EVENT_KINDS:
            raise self.fail(f"{key}.kind", "one of " + ", ".join(EVENT_KINDS))
        return Event(
            self.number(raw.get("time_s"), f"{key}.time_s"),
            kind,
            self.check(raw.get("text") or "", f"{key}.text", str, "text"),
        )

    def codes(self, raw: dict, name: str, key: str) -> tuple[TroubleCode, ...] | None:
        if raw.get(name) is None:
            return None
        found = []
        for i, item in enumerate(self.check(raw[name], f"{key}.{name}", list, "a list or null")):
            where = f"{key}.{name}[{i}]"
            self.check(item, where, dict, "an object")
            code = self.check(item.get("code"), f"{where}.code", str, "text")
            found.append(TroubleCode(code, self.check(item.get("ecu") or "", f"{where}.ecu", str, "text")))
        return tuple(found)

    def snapshot(self, raw: Any, key: str) -> CodeSnapshot:
        self.check(raw, key, dict, "an object")
        readiness = self.check(raw.get("readiness") or {}, f"{key}.readiness", dict, "an object")
        for monitor, state in readiness.items():
            if state not in READINESS_STATES:
                raise self.fail(f"{key}.readiness.{monitor}", "one of " + ", ".join(READINESS_STATES))
        since = raw.get("since_clear")
        if since is not None:
            self.check(since, f"{key}.since_clear", dict, "an object or null")
            since = {k: None if v is None else self.number(v, f"{key}.since_clear.{k}") for k, v in since.items()}
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
                    self.check(item.get("unit") or "", f"{where}.unit", str, "text"),
                )
            )
        return CodeSnapshot(
            time_s=self.number(raw.get("time_s"), f"{key}.time_s"),
            mil=self.optional(raw.get("mil"), f"{key}.mil", bool, "true or false"),
            stored=self.codes(raw, "stored", key),
            pending=self.codes(raw, "pending", key),
            permanent=self.codes(raw, "permanent", key),
            readiness=readiness,
            freeze_frame=self.optional(raw.get("freeze_frame"), f"{key}.freeze_frame", dict, "an object"),
            since_clear=since,
            monitor_tests=tuple(tests),
        )
