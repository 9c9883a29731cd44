"""One recording as a list shows it, read from the files beside it; what is broken is said, not hidden."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from camlog.cams import title as cam_title
from camlog.convert.provenance import is_trace
from camlog.drive import Drive, read_drive
from camlog.errors import InputError
from camlog.report.words import CONDITION_WORDS
from camlog.serve.names import told
from camlog.signals import CAM_IDS
from camlog.trust import simulated_words

FINDINGS_SCHEMA = "camlog.findings/1"
# Far more than a drive of days has; reading a list must not fill the memory.
MOST_COMPANION_BYTES = 32_000_000
_SNIFF_BYTES = 16_384
_ANALYSED_AGAIN = "make the report again"


@dataclass(frozen=True)
class Entry:
    """A recording. `kind` is `trace` for camlog's own and `foreign` for somebody else's.

    `started_at` is None where nothing says it, `modified_s` the file's time. `verdicts` maps a cam to its
    condition, empty while not analysed; `codes` are all that were read in the drive. `ended_cleanly` is None
    where nothing says it. `results` maps `report`, `comparison`, `verification`, `findings` and `drive` to
    the files that are there.
    `problems` are sentences on what is wrong with its files; `simulated` says of a simulated drive that it is one.
    """

    name: str
    kind: str
    started_at: datetime | None = None
    modified_s: float = 0.0
    size_bytes: int = 0
    vehicle: str = ""
    verdicts: Mapping[str, str] = field(default_factory=dict)
    markers: tuple[str, ...] = ()
    codes: tuple[str, ...] = ()
    ended_cleanly: bool | None = None
    results: Mapping[str, str] = field(default_factory=dict)
    problems: tuple[str, ...] = ()
    profile_sha256: str | None = None
    trace_sha256: str | None = None
    converted_from: str = ""
    simulated: str = ""

    @property
    def began_s(self) -> float:
        """When it began, seconds of the Unix epoch; the file's own time where nothing says it."""
        return self.modified_s if self.started_at is None else self.started_at.timestamp()

    @property
    def when(self) -> str:
        """Date and time as the clock showed them where it was recorded, `2024-05-14 08:00`."""
        began = datetime.fromtimestamp(self.modified_s) if self.started_at is None else self.started_at
        return began.strftime("%Y-%m-%d %H:%M")

    @property
    def haystack(self) -> str:
        """All that a search looks in."""
        verdicts = [
            f"{cam_title(c)} {CONDITION_WORDS[v]} {v.replace('_', ' ')}" for c, v in self.verdicts.items()
        ]
        ended = {True: "ended cleanly", False: "did not end cleanly", None: ""}[self.ended_cleanly]
        kind = "somebody else's foreign" if self.kind == "foreign" else ""
        analysed = "" if self.verdicts or self.kind == "foreign" else "not analysed"
        parts = (
            self.name,
            self.when,
            self.vehicle,
            *verdicts,
            *self.markers,
            *self.codes,
            ended,
            kind,
            analysed,
        )
        return "\n".join((*parts, *self.problems)).casefold()


def read_entry(
    trace: Path, stat: os.stat_result, companions: Mapping[str, Path], results: Mapping[str, str]
) -> Entry | None:
    """The entry of a trace; None for a file that is no table, unless it is called `.csv`.

    `companions` gives the paths of its `drive` and `findings` files, where they are there.
    """
    problems: list[str] = []
    kind = "foreign"
    try:
        if is_trace(trace):
            kind = "trace"
        elif trace.name.lower().endswith(".csv"):
            _is_text(trace)
        elif not _looks_like_a_table(trace):
            return None
    except InputError as error:
        problems.append(told(error))
    drive = _drive(companions.get("drive"), problems)
    verdicts = _verdicts(companions.get("findings"), drive, problems)
    facts: dict[str, Any] = {} if drive is None else _facts(drive)
    return Entry(
        trace.name, kind, modified_s=stat.st_mtime, size_bytes=stat.st_size, verdicts=verdicts,
        results=dict(results), problems=tuple(problems), **facts,
    )  # fmt: skip


def _facts(drive: Drive) -> dict[str, Any]:
    snapshots = drive.code_snapshots
    codes = [c.code for s in snapshots for group in (s.stored, s.pending, s.permanent) for c in group or ()]
    sha256 = drive.vehicle.get("profile_sha256")
    source = drive.adapter.get("source_file")
    return {
        "started_at": None if drive.started_at is None else datetime.fromisoformat(drive.started_at),
        "vehicle": drive.vehicle.get("name") or "",
        "markers": tuple(e.text for e in drive.events if e.kind == "marker"),
        "codes": tuple(dict.fromkeys(codes)),
        "ended_cleanly": True if drive.trace_sha256 is not None else False if drive.adapter else None,
        "profile_sha256": sha256 if isinstance(sha256, str) else None,
        "trace_sha256": drive.trace_sha256,
        "simulated": simulated_words(drive),
        "converted_from": source if isinstance(source, str) else "",
    }


def _drive(path: Path | None, problems: list[str]) -> Drive | None:
    if path is None:
        return None
    try:
        _not_too_large(path)
        drive = read_drive(path)
        if drive.started_at is not None:
            datetime.fromisoformat(drive.started_at).timestamp()
    except InputError as error:
        problems.append(told(error))
        return None
    except (OSError, OverflowError, ValueError) as error:
        problems.append(f"{path.name} cannot be read ({type(error).__name__}).")
        return None
    if drive.intact is False:
        problems.append(f"{path.name} was changed after camlog wrote it.")
    return drive


def _verdicts(path: Path | None, drive: Drive | None, problems: list[str]) -> dict[str, str]:
    if path is None:
        return {}
    try:
        _not_too_large(path)
        found = json.loads(path.read_bytes())
    except InputError as error:
        problems.append(told(error))
        return {}
    except (OSError, ValueError, RecursionError, MemoryError):
        problems.append(f"{path.name} cannot be read: {_ANALYSED_AGAIN}.")
        return {}
    if not isinstance(found, dict) or found.get("schema") != FINDINGS_SCHEMA:
        problems.append(f"{path.name} is of another version of camlog: {_ANALYSED_AGAIN}.")
        return {}
    verdicts = _conditions(found.get("cams"))
    if verdicts is None:
        problems.append(f"{path.name} is not as camlog writes it: {_ANALYSED_AGAIN}.")
        return {}
    of = found.get("trace")
    sha256 = of.get("sha256") if isinstance(of, dict) else None
    if drive is not None and drive.trace_sha256 is not None and sha256 != drive.trace_sha256:
        problems.append(f"{path.name} is of another state of the recording: {_ANALYSED_AGAIN}.")
    return verdicts


def _conditions(cams: Any) -> dict[str, str] | None:
    if not isinstance(cams, dict):
        return None
    found = {}
    for cam, said in cams.items():
        condition = said.get("condition") if isinstance(said, dict) else None
        if cam not in CAM_IDS or not isinstance(condition, str) or condition not in CONDITION_WORDS:
            return None
        found[cam] = condition
    return found


def _not_too_large(path: Path) -> None:
    size = path.stat().st_size
    if size > MOST_COMPANION_BYTES:
        raise InputError(
            f"is too large to be read ({size >> 20} MB)", file=path, remedy="Look at what it is."
        )


def _is_text(path: Path) -> None:
    """Raises InputError for what is no text whatever its name says, such as a picture, and for an empty file."""
    from camlog.convert.source import open_source

    with open_source(path):
        pass


def _looks_like_a_table(path: Path) -> bool:
    """Whether a text file's lines have cells and figures, as a note or a program's log has not."""
    from camlog.convert.source import open_source

    head = bytearray()
    try:
        with open_source(path) as source:
            while len(head) < _SNIFF_BYTES and (part := source.read(_SNIFF_BYTES - len(head))):
                head += part
    except InputError:
        return False  # an archive of something else
    encoding = "utf-16" if head[:2] in (b"\xff\xfe", b"\xfe\xff") else "latin-1"
    lines = [line for line in head.decode(encoding, errors="replace").splitlines() if line.strip()]
    for separator in "\t;,|":
        cells = [line.count(separator) for line in lines if re.search(r"\d", line)]
        if (
            len(cells) >= 2
            and sum(count == max(cells) for count in cells) * 2 >= len(cells)
            and max(cells) > 0
        ):
            return True
    return False
