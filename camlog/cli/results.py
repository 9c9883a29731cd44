"""What commands that work with saved drives share: reading them, where results go, and the verdict in a screenful."""

from __future__ import annotations

import os
import sys
import textwrap
from collections.abc import Collection, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from camlog.messages import Messages

if TYPE_CHECKING:
    from camlog.analysis.causes.checks import Sentence
    from camlog.analysis.causes.rank import Cause
    from camlog.analysis.findings import CamFindings, Findings
    from camlog.drive import Drive
    from camlog.library.known_good import KnownGood
    from camlog.profile import VehicleProfile
    from camlog.trace import Trace

WIDTH = 96
REASONS_SHOWN = CHECKS_SHOWN = MISSING_SHOWN = 3
CAUSES_SHOWN = 2
say, report_words = Messages("camlog.cli"), Messages("camlog.report")


def remark(text: str) -> None:
    """A line on stderr beside what a command prints."""
    typer.echo(f"camlog: {text}", err=True)


def load(path: Path, maps: Sequence[Path] | None = None, place: int = 0) -> tuple[Trace, Drive | None]:
    """A trace and the drive file beside it, where there is one; what was repaired goes to stderr.

    A trace that somebody else wrote is converted in memory, where what its columns mean is certain or a mapping says
    it: of several `maps` that at `place`, the last for all further recordings. A mapping is nothing to a trace of
    camlog's own.
    """
    from camlog.convert import read_any
    from camlog.convert.provenance import is_trace
    from camlog.drive import drive_path
    from camlog.trust import remarks

    if path.is_dir():
        raise say.error("folder", path)
    trace, drive, conversion = read_any(path, maps[min(place, len(maps) - 1)] if maps and not is_trace(path) else None)
    if conversion is not None:
        remark(say("not_camlogs_own", path=path))
    for note in (*trace.warnings, *remarks(drive, trace.sha256, drive_path(path))):
        remark(f"{path}: {note}")
    return trace, drive


def profile_of(vehicle: str | None) -> VehicleProfile | None:
    """The profile of --vehicle, None without it."""
    from camlog.profile import read_profile

    return read_profile(vehicle) if vehicle else None


def findings_of(
    path: Path, profile: VehicleProfile | None, maps: Sequence[Path] | None = None, place: int = 0
) -> Findings:
    """The findings of a saved recording; `maps` and `place` as in `load`."""
    from camlog.analysis import analyze

    return analyze(*load(path, maps, place), profile)


def known_good_in(library: Path, profile: VehicleProfile | None, without: str) -> KnownGood | None:
    """The known-good cars of the profile's kind in a library, but for the recording of the hash `without`."""
    from camlog.library.compare import known_good
    from camlog.library.store import Library

    if not library.exists():
        raise say.error("no_library", library)
    if profile is None or not profile.kind:
        raise say.error("no_kind", library)
    with Library(library) as kept:
        return known_good(kept, profile.kind, without)


def check_dashboard(which: str | None) -> None:
    """A slip in a dashboard is said before the analysis; so are remarks on it."""
    from camlog.report.dashboard import read_dashboard

    for text in read_dashboard(which).remarks:
        remark(f"{which}: {text}")


def free_path(path: Path, force: bool) -> Path:
    """`path`, for a file that may be written. Raises InputError where one is there, or the folder is not."""
    if os.path.lexists(path) and not force:
        raise say.error("there", path)
    if not path.parent.is_dir():
        raise say.error("no_folder", path.parent)
    return path


def made_folder(folder: Path) -> Path:
    """`folder`, made where it is not there. Raises InputError where it cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise say.error("not_made", folder, reason=error.strerror) from error
    return folder


def result_path(trace: Path, ending: str, out: Path | None, force: bool) -> Path:
    """The result of a trace in `out` or beside it. Raises InputError where one is in the way."""
    path = (trace.parent if out is None else out) / (trace.name.removesuffix(".csv") + ending)
    if os.path.lexists(path) and not force:
        raise say.error("there", path)
    if out is not None:
        made_folder(out)
    return path


def _checks(findings: Findings, cause: Cause) -> Sequence[Sentence]:
    """The checks to show: in the order that costs least; all those of the cause where the engine may not be run."""
    if findings.do_not_run:
        return cause.next_checks
    return findings.diagnosis.checks(cause)[:CHECKS_SHOWN]


def verdict_lines(findings: Findings) -> Iterator[str]:
    """The verdict in a screenful: each cam, misfires, causes with the next checks, and what was missing."""
    from camlog.analysis.do_not_run import leading
    from camlog.report.strip import strip_lines
    from camlog.report.summary import WORTH_SAYING
    from camlog.report.words import cause_words, evidence_words

    yield from stop_lines(findings.do_not_run)
    yield say("verdict.drive", name=findings.trace.name, minutes=findings.trace.duration_s / 60)
    source = findings.conditions.windows.source
    if findings.cams and source != "oil_temp":
        yield say("verdict.no_oil", source=source)
    if not findings.cams:
        yield say("verdict.no_cams")
    for cam in findings.cams.values():
        yield from _cam_lines(cam)
    yield from strip_lines(findings, blocks=_has_blocks())
    if findings.misfire.pattern.kind not in ("none", "unknown"):
        yield from wrapped(say("verdict.misfires", reason=findings.misfire.pattern.reason))
    if codes := [seen.code for group in findings.codes.by_family.values() for seen in group]:
        yield say("verdict.codes", codes=", ".join(codes))
    likely = ([c for c in findings.causes if c.support >= WORTH_SAYING] or list(leading(findings.causes)))[:CAUSES_SHOWN]
    for c in likely:
        evidence = " ".join(c.evidence_for)
        yield from wrapped(say("verdict.cause", cause=cause_words(c.cause), strength=evidence_words(c.support), evidence=evidence))
    shown = set(findings.do_not_run)
    for cause in (likely or findings.causes)[:1] if likely or findings.do_not_run else ():
        for number, check in enumerate(_checks(findings, cause), start=1):
            yield from wrapped(say("verdict.check", number=number, check=check), 2, 3)
            for sentence in check.cautions:
                if sentence not in shown:
                    yield from wrapped(say("verdict.careful", sentence=sentence), 5, 0)
            shown.update(check.cautions)
    missing = findings.coverage.missing[:MISSING_SHOWN]
    if missing and findings.do_not_run:
        for sentence in missing:
            yield from wrapped(sentence, 2)
    elif missing:
        yield say("verdict.still_to_drive")
        shown.add(findings.coverage.caution)
        yield from wrapped(say("verdict.careful", sentence=findings.coverage.caution), 2)
        for sentence in missing:
            yield from wrapped(say("verdict.item", sentence=sentence), 2)
    yield say("verdict.limits")
    yield from caution_lines(findings.cautions, shown)


def _has_blocks() -> bool:
    """Whether what is printed can hold the block characters of a strip."""
    try:
        "".join(report_words.table("strip.block").values()).encode(sys.stdout.encoding or "ascii")
    except (LookupError, UnicodeEncodeError):
        return False
    return True


def stop_lines(lines: Sequence[str]) -> Iterator[str]:
    """The first lines of a result where the engine may not be run; nothing where it may."""
    for number, line in enumerate(lines):
        yield from wrapped(line if number else line.upper(), 2 if number else 0, 2 if number else 4)
    if lines:
        yield ""


def caution_lines(cautions: Iterable[str], shown: Collection[str] = ()) -> Iterator[str]:
    """Every caution that applies, but for those that stand above already."""
    left = [c for c in cautions if c not in shown]
    if left:
        yield say("verdict.cautions")
    for sentence in left:
        yield from wrapped(say("verdict.item", sentence=sentence), 2)


def _cam_lines(found: CamFindings) -> Iterator[str]:
    from camlog.cams import cam_words
    from camlog.report.told import worst_moment
    from camlog.report.words import condition_word, sureness

    verdict = found.verdict
    sure = "" if verdict.condition == "insufficient_data" else sureness(verdict.confidence)
    yield say("verdict.cam", cam=cam_words(found.cam), word=condition_word(verdict), sure=sure,
              means=say(f"verdict.means.{verdict.condition}"))  # fmt: skip
    for reason in verdict.reasons[:REASONS_SHOWN]:
        yield from wrapped(reason, 2)
    if worst := worst_moment(found):
        yield from wrapped(worst, 2)


def wrapped(text: str, indent: int = 0, hang: int = 2) -> list[str]:
    """`text` in lines of WIDTH, `indent` spaces before the first and `hang` more before the others."""
    first = " " * indent
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=first + " " * hang) or [""]
