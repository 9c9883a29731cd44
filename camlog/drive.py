"""The drive file `NAME.drive.json`: events, codes, adapter and vehicle of a trace."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, Literal

from camlog.errors import InputError, saved_bytes
from camlog.messages import say
from camlog.new_files import write_text
from camlog.signals import SIGNALS
from camlog.stream import CodeSnapshot, Event, MonitorTest, TroubleCode

SCHEMA = "camlog.drive/1"
# Key of a hash over the file's content. It reveals a later change by hand, but not one by a forger.
SEAL = "content_sha256"
# Key of the same hash in a file made from another file. It is no seal and never makes a file count as recorded.
DERIVED_SEAL = "derived_content_sha256"
# Start of the version line of camlog's simulated adapter, and so of the adapter's name in a drive file.
SIMULATED_ADAPTER = "CAMSIM"
# The adapter name in drives that were simulated without an adapter.
SIMULATED_OFFLINE = "simulated, offline"
READINESS_MONITORS = (
    "misfire", "fuel_system", "components", "catalyst", "heated_catalyst", "evaporative_system", "secondary_air",
    "ac_refrigerant", "oxygen_sensor", "oxygen_sensor_heater", "egr_vvt_system",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Ancestor:
    """A file from which another was made.

    `sha256` is that of its trace (None: unknown), `file` its name. `as_recorded` is True if its own drive file
    confirmed it, False if that contradicted it, None if there was none or it was no recording of camlog. `simulated`:
    its readings came from a simulated adapter. `made` says how the next file was made from it."""

    sha256: str | None
    file: str = ""
    as_recorded: bool | None = None
    simulated: bool = False
    made: str = ""


@dataclass(frozen=True, slots=True)
class Drive:
    """A drive file's content, schema `camlog.drive/1`.

    `started_at` is an ISO 8601 time with zone or None; `vehicle` has `name` and `vin` (None unless the VIN was
    requested); `adapter` has the facts from the connection probe. `ancestry` are the files it was made from, the oldest
    first. `intact` says whether a file is as camlog wrote it: False if it was changed afterwards, None if it has no
    seal (as every file made from another)."""

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
        """True if the readings came from a simulated adapter, directly or through an earlier file: they prove
        nothing."""
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
    """True for the version line of camlog's simulated adapter, and for SIMULATED_OFFLINE."""
    return name.upper().startswith((SIMULATED_ADAPTER, SIMULATED_OFFLINE.upper()))


def drive_path(trace: str | Path) -> Path:
    """The path of the drive file of a trace `NAME.csv`: `NAME.drive.json` beside it."""
    trace = Path(trace)
    stem = trace.name[: -len(".csv")] if trace.name.lower().endswith(".csv") else trace.name
    return trace.with_name((stem or trace.name) + ".drive.json")


def trace_path(drive: str | Path) -> Path:
    """The path of the trace of a drive file `NAME.drive.json`: `NAME.csv` beside it."""
    drive = Path(drive)
    return drive.with_name(drive.name.removesuffix(".drive.json") + ".csv")


def _seal(content: Mapping[str, Any]) -> str:
    """SHA-256 over the content of a drive file, independent of spacing and order of keys."""
    unsealed = {k: v for k, v in content.items() if k not in (SEAL, DERIVED_SEAL)}
    text = json.dumps(unsealed, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8", errors="replace")).hexdigest()


def finite(value: Any) -> Any:
    """The same value for JSON, which has no NaN: numbers that are not finite become None."""
    if isinstance(value, Mapping):
        return {str(k): finite(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [finite(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def snapshot_to_dict(snapshot: CodeSnapshot) -> dict[str, Any]:
    """A code snapshot as the JSON object of a drive file."""
    # A test without a finite value is left out, because it is no result.
    tests = [finite(dataclasses.asdict(t)) for t in snapshot.monitor_tests if math.isfinite(t.value)]
    return finite(dataclasses.asdict(snapshot)) | {"time_s": snapshot.time_s, "monitor_tests": tests}


def write_drive(drive: Drive, path: str | Path, *, replace: bool = True) -> None:
    """Write a drive file such that a reader sees the old or the new one, never half of it.

    Raises InputError if it exists and `replace` is not set, OSError if the disk fails, ValueError or TypeError if the
    time of an event or snapshot is not finite or a value cannot be JSON; an existing file is then unchanged."""
    content = drive.to_dict()
    seal = DERIVED_SEAL if drive.ancestry else SEAL
    text = json.dumps(content | {seal: _seal(content)}, indent=1, ensure_ascii=False, allow_nan=False)
    # Text that was typed or sent by an adapter may contain lone surrogates, which UTF-8 cannot encode.
    write_text(text + "\n", path, replace=replace)


def read_drive(path: str | Path) -> Drive:
    """Read a drive file.

    Raises InputError, naming the key, where the file is not JSON of schema `camlog.drive/1`."""
    path = Path(path)
    content = saved_bytes(path)
    try:
        raw = json.loads(content.decode("utf-8-sig"), parse_constant=_finite_number, parse_float=_finite_number)
    except UnicodeDecodeError as error:
        raise say.error("not_utf8_drive", path) from error
    except (ValueError, RecursionError) as error:
        # ValueError: not JSON, a NaN, or a number with thousands of digits.
        line = getattr(error, "lineno", None)
        detail = "" if line or isinstance(error, RecursionError) else f" ({str(error)[:60]})"
        raise say.error("not_json", path, line=line, why=detail) from error
    try:
        return _drive(raw, path)
    except RecursionError as error:
        raise say.error("too_deep", path) from error


def drive_beside(trace: str | Path) -> Drive | None:
    """The drive file of a trace, None where it has none. Raises InputError as `read_drive` does."""
    path = drive_path(trace)
    return read_drive(path) if path.exists() else None


def _finite_number(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text[:20]} is no finite number")
    return number


_VEHICLE_TEXTS = ("name", "vin", "vin_hash", "profile_sha256")  # what camlog itself writes of a vehicle as text


@dataclass(frozen=True, kw_only=True)
class _File(Drive):
    """The keys of a drive file that pydantic checks; others are ignored."""

    schema: Literal["camlog.drive/1"]
    content_sha256: str | None = None
    derived_content_sha256: str | None = None


@cache
def _adapter() -> Any:
    """The pydantic adapter that checks a drive file; cached, because building it takes longer than reading a file."""
    import pydantic

    for table in (_File, Event, CodeSnapshot, TroubleCode, MonitorTest, Ancestor):
        table.__pydantic_config__ = pydantic.ConfigDict(strict=True, extra="ignore", allow_inf_nan=False)  # type: ignore[union-attr]
    return pydantic.TypeAdapter(_File)


def _drive(raw: Any, path: Path) -> Drive:
    """The drive of a JSON object. Raises InputError with the wrong key."""
    import pydantic

    def fault(key: str, expected: str) -> InputError:
        return say.error("drive_key", path, key=key, expected=expected)

    try:
        read = _adapter().validate_json(json.dumps(_without_nulls(raw)), strict=True)
    except pydantic.ValidationError as error:
        first = error.errors(include_url=False)[0]
        expected = first["msg"].removeprefix("Input should be ")
        raise fault(_key(first["loc"]), "there" if first["type"] == "missing" else expected) from error
    for key, value in read.vehicle.items():
        if key in _VEHICLE_TEXTS and not isinstance(value, str | None):
            raise fault(f"vehicle.{key}", "text or null")
    if read.started_at is not None and not _is_start(read.started_at):
        raise fault("started_at", "an ISO 8601 time with zone, such as 2024-05-01T09:30:00+02:00, or null")
    for index, snapshot in enumerate(read.code_snapshots):
        for name, value in (snapshot.freeze_frame or {}).items():
            text = value is None or isinstance(value, str)
            number = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e308
            if not text if name == "code" else not number and (name in SIGNALS and value is not None or not text):
                raise fault(f"code_snapshots[{index}].freeze_frame.{name[:40]!a}", "a finite number, or text")
    shared = {f.name: getattr(read, f.name) for f in dataclasses.fields(Drive) if f.name != "intact"}
    return Drive(**shared | {"vehicle": {"name": None, "vin": None} | read.vehicle}, intact=_intact(raw, read))


def _without_nulls(value: Any) -> Any:
    """The same without null keys, which stand for the default; values from the vehicle keep their nulls."""
    if isinstance(value, dict):
        kept = ("vehicle", "adapter", "freeze_frame", "since_clear")
        return {k: v if k in kept else _without_nulls(v) for k, v in value.items() if v is not None}
    return [_without_nulls(v) for v in value] if isinstance(value, list) else value


def _key(where: tuple[str | int, ...]) -> str:
    """A place in the file in words: `events[0].time_s`."""
    text = ""
    for depth, part in enumerate(where):
        free = depth and where[depth - 1] in ("readiness", "since_clear")  # keys that a vehicle or a person chose
        text += f"[{part}]" if isinstance(part, int) else f".{part[:40]!a}" if free else f".{part}"
    return text.lstrip(".") or "the file"


def _is_start(text: str) -> bool:
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        return False
    # A year near the ends of the calendar cannot be converted to another zone.
    return time.tzinfo is not None and 1900 <= time.year < 3000


def _intact(raw: dict[str, Any], read: _File) -> bool | None:
    seals = (read.content_sha256, read.derived_content_sha256)
    if any(seal is not None and seal != _seal(raw) for seal in seals):
        return False
    # Either sign that the file was made from another is enough to ignore the seal.
    return True if seals[0] and not seals[1] and not read.ancestry else None
