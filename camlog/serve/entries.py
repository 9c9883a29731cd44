"""A recording in a list, read from the files beside it, with sentences on damaged ones."""

from __future__ import annotations

import io
import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from camlog.analysis.cam.strip import Strip
from camlog.cams import title as cam_title
from camlog.convert.provenance import is_trace
from camlog.drive import Drive, read_drive
from camlog.errors import InputError
from camlog.report.strip import saved_view
from camlog.report.words import CONDITION_WORDS, moment_words, telling
from camlog.serve.names import told
from camlog.serve.words import problem, sentence
from camlog.signals import CAM_IDS
from camlog.trust import simulated_words

FINDINGS_SCHEMA = "camlog.findings/1"
# Far more than a drive of days needs; a limit, so that reading a list cannot fill the memory.
MOST_COMPANION_BYTES = 32_000_000
_SNIFF_BYTES = 16_384


@dataclass(frozen=True)
class Entry:
    """A recording. `kind` is `trace` for camlog's own and `foreign` for others.

    `started_at` is None if unknown, `modified_s` the time of the file. `verdicts` maps a cam to its condition, empty
    while not analysed; `codes` are all codes of the drive. `ended_cleanly` is None if unknown. `results` maps `report`,
    `comparison`, `verification`, `findings` and `drive` to the existing files. `problems` are sentences on faults of
    its files; `simulated` is the remark on a simulated drive. `strip` is for the template `strips`, `moments` are the
    worst ones (`start_s`, `cam`, `words`); both are empty while not analysed.
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
    strip: Mapping[str, Any] | None = None
    moments: tuple[Mapping[str, Any], ...] = ()

    @property
    def began_s(self) -> float:
        """The start in seconds of the Unix epoch; the time of the file if unknown."""
        return self.modified_s if self.started_at is None else self.started_at.timestamp()

    @property
    def when(self) -> str:
        """Local date and time at the place of recording, `2024-05-14 08:00`."""
        began = datetime.fromtimestamp(self.modified_s) if self.started_at is None else self.started_at
        return began.strftime("%Y-%m-%d %H:%M")

    @property
    def haystack(self) -> str:
        """The text for searches."""
        verdicts = [f"{cam_title(c)} {CONDITION_WORDS[v]} {v.replace('_', ' ')}" for c, v in self.verdicts.items()]
        ended = {True: "ended cleanly", False: "did not end cleanly", None: ""}[self.ended_cleanly]
        state = "somebody else's foreign" if self.kind == "foreign" else "" if self.verdicts else "not analysed"
        texts = (*verdicts, *self.markers, *self.codes, ended, state, *self.problems)
        return "\n".join((self.name, self.when, self.vehicle, *texts)).casefold()


def read_entry(
    trace: Path, stat: os.stat_result, companions: Mapping[str, Path], results: Mapping[str, str]
) -> Entry | None:
    """The entry of a trace; None if the file is no table, unless its name ends in `.csv`.

    `companions` are the paths of its `drive` and `findings` files, if they exist.
    """
    problems: list[str] = []
    kind = "foreign"
    try:
        if is_trace(trace):
            kind = "trace"
        elif trace.name.lower().endswith(".csv"):
            _head_of(trace)
        elif not _looks_like_a_table(trace):
            return None
    except InputError as error:
        problems.append(told(error))
    drive = _drive(companions["drive"], problems) if "drive" in companions else None
    facts: dict[str, Any] = {} if drive is None else _facts(drive)
    if "findings" in companions:
        facts |= _found(companions["findings"], drive, problems)
    facts |= {"modified_s": stat.st_mtime, "size_bytes": stat.st_size}
    return Entry(trace.name, kind, results=dict(results), problems=tuple(problems), **facts)


def _facts(drive: Drive) -> dict[str, Any]:
    snapshots = drive.code_snapshots
    codes = [c.code for s in snapshots for group in (s.stored, s.pending, s.permanent) for c in group or ()]
    sha256, source = drive.vehicle.get("profile_sha256"), drive.adapter.get("source_file")
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


def _drive(path: Path, problems: list[str]) -> Drive | None:
    try:
        _check_size(path)
        drive = read_drive(path)
        if drive.started_at is not None:
            datetime.fromisoformat(drive.started_at).timestamp()
    except InputError as error:
        problems.append(told(error))
        return None
    except (OSError, ValueError, OverflowError, RecursionError, MemoryError):
        problems.append(sentence("drive_unreadable", file=path.name))
        return None
    if drive.intact is False:
        problems.append(sentence("drive_changed", file=path.name))
    return drive


def _found(path: Path, drive: Drive | None, problems: list[str]) -> dict[str, Any]:
    """The findings beside a trace on each cam; empty if they cannot be used."""
    problem_name = "findings_unreadable"
    try:
        _check_size(path)
        findings = json.loads(path.read_bytes())
        problem_name = "findings_other"
        if findings["schema"] != FINDINGS_SCHEMA:
            raise ValueError
        problem_name = "findings_odd"
        verdicts = {cam: cams["condition"] for cam, cams in findings["cams"].items()}
        sha256 = findings["trace"]["sha256"]
        if not all(cam in CAM_IDS and condition in CONDITION_WORDS for cam, condition in verdicts.items()):
            raise ValueError
    except InputError as error:
        problems.append(told(error))
        return {}
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError, MemoryError):
        problems.append(sentence(problem_name, file=path.name))
        return {}
    if drive is not None and drive.trace_sha256 not in (None, sha256):
        problems.append(sentence("findings_of_other_state", file=path.name))
    return {"verdicts": verdicts, "trace_sha256": drive and drive.trace_sha256 or sha256, **_strip(findings, verdicts)}


def _strip(findings: dict[str, Any], verdicts: dict[str, str]) -> dict[str, Any]:
    """The strip and its worst moments, if the findings have them."""
    try:
        strips = {cam: (Strip.from_dict(findings["cams"][cam]["strip"]), verdict) for cam, verdict in verdicts.items()}
        moments = [
            {"start_s": m.start_s, "cam": cam, "words": moment_words(m)}
            for cam, (strip, verdict) in strips.items() for m in telling(strip, verdict)
        ]  # fmt: skip
        return {"strip": saved_view(strips, float(findings["trace"]["duration_s"])), "moments": tuple(moments)}
    except (KeyError, TypeError, ValueError, AttributeError):
        return {}  # made by an earlier camlog


def _check_size(path: Path) -> None:
    size = path.stat().st_size
    if size > MOST_COMPANION_BYTES:
        raise problem("huge_companion", path, size=size >> 20)


def _head_of(path: Path) -> bytes:
    """The beginning of a text file. Raises InputError if it is no text or empty."""
    from camlog.convert.source import open_source

    with open_source(path) as source:
        return io.BufferedReader(source).read(_SNIFF_BYTES)


def _looks_like_a_table(path: Path) -> bool:
    """True if the lines of a text file have cells and figures, unlike those of a note or a program's log."""
    try:
        head = _head_of(path)
    except InputError:
        return False  # an archive of something else
    encoding = "utf-16" if head[:2] in (b"\xff\xfe", b"\xfe\xff") else "latin-1"
    lines = [line for line in head.decode(encoding, errors="replace").splitlines() if re.search(r"\d", line)]
    counts = [[line.count(separator) for line in lines] for separator in "\t;,|"]
    return any(len(c) >= 2 and max(c) > 0 and c.count(max(c)) * 2 >= len(c) for c in counts)
