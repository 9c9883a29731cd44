"""What commands that work with saved drives share: reading them, where results go, and the verdict in a screenful."""

from __future__ import annotations

import os
import sys
import textwrap
from collections.abc import Collection, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from camlog.cautions import ADVICE, caution
from camlog.messages import Messages
from camlog.numbers import duration

if TYPE_CHECKING:
    from camlog.analysis.causes.rank import Cause
    from camlog.analysis.findings import CamFindings, Findings
    from camlog.drive import Drive
    from camlog.library.known_good import KnownGood
    from camlog.profile import VehicleProfile
    from camlog.trace import Trace

WIDTH = 96
REASONS_SHOWN = 3
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
    from camlog.drive import drive_path, trace_path
    from camlog.trust import remarks

    if path.is_dir():
        raise say.error("folder", path)
    if drive_path(trace_path(path)) == path:
        raise say.error("drive_file", path, trace=trace_path(path).name, there=trace_path(path).exists())
    trace, drive, conversion = read_any(path, maps[min(place, len(maps) - 1)] if maps and not is_trace(path) else None)
    if conversion is not None:
        remark(say("not_camlogs_own", path=path))
    for note in (*trace.warnings, *remarks(drive, trace.sha256, drive_path(path))):
        remark(f"{path}: {note}")
    return trace, drive


def profile_of(vehicle: str | None) -> VehicleProfile | None:
    """The profile of --vehicle, None without it."""
    from camlog.profile import read_profile

    return None if vehicle is None else read_profile(vehicle)


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

    if profile is None or not profile.kind:
        raise say.error("no_kind", library)
    with Library(library, new=False) as kept:
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


def verdict_lines(findings: Findings, *, why: bool = False) -> Iterator[str]:
    """The verdict in a screenful: each cam with its worst moment, the strip, misfires, the cause with the first check,
    and what was missing. `why` adds further reasons and checks, what speaks for a cause, all that is still to drive
    and all cautions."""
    from camlog.report.strip import strip_lines
    from camlog.report.summary import next_steps
    from camlog.report.words import misfires_since

    shown = set(findings.do_not_run)
    yield from stop_lines(findings.do_not_run)
    yield say("verdict.drive", name=findings.trace.name, length=duration(findings.trace.duration_s))
    source = findings.conditions.windows.source
    if findings.cams and source != "oil_temp":
        yield say("verdict.no_oil", source=source)
    if not findings.cams:
        yield say("verdict.no_cams")
    for cam in findings.cams.values():
        yield from _cam_lines(findings, cam, why)
    yield from strip_lines(findings, blocks=_has_blocks())
    do_not_run = " ".join(findings.do_not_run)
    if findings.misfire.pattern.kind not in ("none", "unknown") and findings.misfire.pattern.reason not in do_not_run:
        yield from wrapped(
            say("verdict.misfires", reason=f"{findings.misfire.pattern.reason} {misfires_since(findings)}")
        )
    if codes := [seen.code for group in findings.codes.by_family.values() for seen in group]:
        yield say("verdict.codes", codes=", ".join(codes))
    steps = next_steps(findings)
    yield from _cause_lines(steps["causes"], why)
    if findings.do_not_run:
        items = [item for item in steps["items"] if why or item["text"] in do_not_run]
        yield from _careful([c for item in items for c in item["cautions"]], shown)
    checks = steps["items"] if why else [] if findings.do_not_run else steps["items"][:1]
    for number, item in enumerate(checks, start=1):
        name = "verdict.check" if why else "verdict.next"
        yield from wrapped(say(name, number=number, title=steps["title"], check=item["text"]), 2, 3)
        yield from _careful(item["cautions"], shown)
    yield from _missing_lines(findings, [item["text"] for item in checks], shown, why)
    if why:
        yield say("verdict.limits")
        yield from caution_lines(findings.cautions, shown)
    else:
        yield from wrapped(say("verdict.more", advice=caution(ADVICE)))


def _cause_lines(causes: Sequence[Cause], why: bool) -> Iterator[str]:
    """The likeliest cause, and those that the data cannot tell from it."""
    from camlog.report.words import cause_words, evidence_words

    in_words = [(cause_words(c.cause), evidence_words(c.support)) for c in causes]
    if in_words and not why:
        yield from wrapped(say("verdict.causes", causes=in_words))
    for c, (cause, strength) in zip(causes, in_words, strict=True) if why else ():
        yield from wrapped(say("verdict.cause", cause=cause, strength=strength, evidence=" ".join(c.evidence_for)))


def _missing_lines(findings: Findings, said: Sequence[str], shown: set[str], why: bool) -> Iterator[str]:
    """What the drive did not contain, but for what is said already."""
    unsaid = [m for m in findings.coverage.missing if m not in said]
    missing = unsaid if why else unsaid[:1]
    if missing and not findings.do_not_run:
        yield say("verdict.still_to_drive", more=len(unsaid) - len(missing))
    for sentence in missing if why or not findings.do_not_run else ():
        yield from wrapped(say("verdict.item", sentence=sentence), 2)
    if (missing or said) and findings.coverage.caution:
        yield from _careful([findings.coverage.caution], shown)


def _careful(cautions: Sequence[str], shown: set[str]) -> Iterator[str]:
    """Cautions that do not stand above already, in one paragraph."""
    new = [c for c in cautions if c not in shown]
    shown.update(new)
    if new:
        yield from wrapped(say("verdict.careful", sentence=" ".join(new)), 2)


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
    new = [c for c in cautions if c not in shown]
    if new:
        yield say("verdict.cautions")
    for sentence in new:
        yield from wrapped(say("verdict.item", sentence=sentence), 2)


def _cam_lines(findings: Findings, found: CamFindings, why: bool) -> Iterator[str]:
    from camlog.cams import cam_words
    from camlog.report.summary import card
    from camlog.report.words import since_words, worst_moment

    values, healthy = card(found), found.verdict.condition == "healthy"
    words = {key: values[key] for key in ("word", "sure", "means", "state")}
    yield say("verdict.cam", cam=cam_words(found.cam), **words)
    for reason in found.verdict.reasons[: REASONS_SHOWN if why else 0 if healthy or findings.do_not_run else 1]:
        yield from wrapped(reason, 2)
    if seen := [w for w in (since_words(findings, found), worst_moment(found)) if w]:
        yield from wrapped(" ".join(seen), 2)


def wrapped(text: str, indent: int = 0, hang: int = 2) -> list[str]:
    """`text` in lines of WIDTH, `indent` spaces before the first and `hang` more before the others."""
    first = " " * indent
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=first + " " * hang) or [""]
