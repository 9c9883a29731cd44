"""What commands that judge saved drives share: reading them, where results go, and the verdict in a screenful."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Collection, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from camlog.errors import InputError

if TYPE_CHECKING:
    from camlog.analysis.findings import CamFindings, Findings
    from camlog.drive import Drive
    from camlog.trace import Trace

COMMON_PRACTICE = "common practice, no source"
WIDTH = 96
REASONS_SHOWN = 3
CAUSES_SHOWN = 2
CHECKS_SHOWN = 3
MISSING_SHOWN = 3
WORTH_SAYING = 0.3

_WORDS = {
    "healthy": "follows its command",
    "sticking": "sticks, then jumps",
    "slow": "is slow",
    "stuck": "does not move",
    "unstable": "does not hold still",
    "offset": "stands off its rest position",
    "sensor": "cannot be judged: its sensor reading is wrong",
    "insufficient_data": "not enough data for a verdict",
}


def load(path: Path) -> tuple[Trace, Drive | None]:
    """A trace and the drive file beside it, where there is one; what was repaired goes to stderr.

    A trace that somebody else wrote is converted in memory, where what its columns mean is certain.
    """
    from camlog.convert import read_any
    from camlog.drive import drive_path
    from camlog.trust import remarks

    if path.is_dir():
        raise InputError("is a folder, not a recording", file=path, remedy="Name a recording in it, as in drive.csv.")
    trace, drive, conversion = read_any(path)
    if conversion is not None:
        typer.echo(f"camlog: {path}: not a camlog recording; read as `camlog convert` would.", err=True)
    for note in (*trace.warnings, *remarks(drive, trace.sha256, drive_path(path))):
        typer.echo(f"camlog: {path}: {note}", err=True)
    return trace, drive


def results_paths(trace: Path, out: Path | None, force: bool) -> tuple[Path, Path]:
    """Report and findings of a trace, in `out` or beside it. Raises InputError where one is in the way."""
    folder = trace.parent if out is None else out
    stem = trace.name.removesuffix(".csv")
    paths = folder / f"{stem}.report.html", folder / f"{stem}.findings.json"
    for path in paths:
        if os.path.lexists(path) and not force:
            raise InputError("is there already", file=path, remedy="Add --force to overwrite it, or choose --out DIR.")
    if out is not None:
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"cannot be made ({error.strerror})", file=out, remedy="Choose another folder with --out."
            ) from error
    return paths


def verdict_lines(findings: Findings) -> Iterator[str]:
    """The verdict in a screenful: each cam, misfires, causes with the next checks, and what was missing."""
    from camlog.report.words import cause_words, evidence_words

    yield from stop_lines(findings.do_not_run)
    yield f"{findings.trace.name}: {findings.trace.duration_s / 60:.1f} minutes"
    source = findings.conditions.windows.source
    if findings.cams and source != "oil_temp":
        stand_in = "coolant temperature stands in for it" if source else "figures are not split by temperature"
        yield f"No oil temperature in this recording: {stand_in}."
    if not findings.cams:
        yield "No cam angles in this recording: the phaser cannot be judged from it."
    for cam in findings.cams.values():
        yield from _cam_lines(cam)
    if findings.misfire.pattern.kind not in ("none", "unknown"):
        yield from _wrapped(f"Misfires: {findings.misfire.pattern.reason}", "  ")
    families = findings.codes.by_family
    if families:
        yield "Codes: " + ", ".join(seen.code for group in families.values() for seen in group)
    from camlog.analysis.do_not_run import leading

    likely = [c for c in findings.causes if c.support >= WORTH_SAYING] or list(leading(findings.causes))
    likely = likely[:CAUSES_SHOWN]
    for cause in likely:
        yield from _wrapped(f"Likely {cause_words(cause.cause)} ({evidence_words(cause.support)}): {' '.join(cause.evidence_for)}", "  ")
    said = set(findings.do_not_run)
    leading = likely or (findings.causes[:1] if findings.do_not_run else ())
    if leading:
        checks = leading[0].next_checks if findings.do_not_run else leading[0].next_checks[:CHECKS_SHOWN]
        for number, check in enumerate(checks, start=1):
            yield from _wrapped(f"  {number}. {check}", "     ")
            for sentence in check.cautions:
                if sentence not in said:
                    yield from _wrapped(f"     Careful: {sentence}", "     ")
            said.update(check.cautions)
    missing = findings.coverage.missing[:MISSING_SHOWN]
    if missing and findings.do_not_run:
        for sentence in missing:
            yield from _wrapped(f"  {sentence}", "    ")
    elif missing:
        yield "Still to drive:"
        said.add(findings.coverage.caution)
        yield from _wrapped(f"  Careful: {findings.coverage.caution}", "    ")
        for sentence in missing:
            yield from _wrapped(f"  - {sentence}", "    ")
    yield f"Limits are {COMMON_PRACTICE}, unless one names another; a vehicle profile's [limits] win."
    yield from caution_lines(findings.cautions, said)


def stop_lines(lines: Sequence[str]) -> Iterator[str]:
    """The first lines of a result where the engine may not be run; nothing where it may."""
    for number, line in enumerate(lines):
        yield from _wrapped(line.upper() if number == 0 else f"  {line}", "    ")
    if lines:
        yield ""


def caution_lines(cautions: Iterable[str], said: Collection[str] = ()) -> Iterator[str]:
    """Every caution that applies, but for those that stand above already."""
    left = [c for c in cautions if c not in said]
    if left:
        yield "Careful:"
    for sentence in left:
        yield from _wrapped(f"  - {sentence}", "    ")


def _cam_lines(found: CamFindings) -> Iterator[str]:
    from camlog.cams import cam_words
    from camlog.report.words import condition_word, sureness

    verdict = found.verdict
    name = cam_words(found.cam)
    sure = "" if verdict.condition == "insufficient_data" else f", {sureness(verdict.confidence)}"
    yield f"{name[0].upper()}{name[1:]}: {condition_word(verdict).lower()} ({_WORDS[verdict.condition]}{sure})"
    for reason in verdict.reasons[:REASONS_SHOWN]:
        # Said once, at the end, instead of in every line.
        short = reason.replace(f"; {COMMON_PRACTICE})", ")").replace(f" ({COMMON_PRACTICE})", "")
        yield from _wrapped(f"  {short}", "    ")


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=indent) or [""]
