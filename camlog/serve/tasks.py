"""What the page has analysed: the commands' work on files of the folder, with what it says as lines.

Each function takes and gives only what can be sent to another process. Paths are whole; `vehicle` is a
profile's path, `demo`, or None. Each overwrites what it wrote before. All raise InputError.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from camlog.errors import InputError
from camlog.serve.names import DRIVE_ENDING, FINDINGS_ENDING, RESULT_ENDINGS, stem_of

if TYPE_CHECKING:
    from camlog.analysis.findings import Findings
    from camlog.drive import Drive
    from camlog.profile import VehicleProfile
    from camlog.trace import Trace

CHANGES_SHOWN = 8
REASONS_SHOWN = 2


def make_report(trace: str, vehicle: str | None) -> dict[str, Any]:
    """`camlog analyze`: writes NAME.report.html and NAME.findings.json.

    Gives `report` (file name), `headline`, `do_not_run` (what comes before all else) and `cautions`, all lines.
    """
    from camlog.analysis.findings import write_findings
    from camlog.report import write_report

    path = Path(trace)
    findings, notes = _findings(path, _profile(vehicle))
    report, figures = _result(path, RESULT_ENDINGS["report"]), _result(path, FINDINGS_ENDING)
    _written(report, lambda: write_report(findings, report))
    _written(figures, lambda: write_findings(findings, figures))
    return {
        "report": report.name,
        "headline": _verdict_lines(findings),
        "do_not_run": list(findings.do_not_run),
        "cautions": [*notes, *_others(findings.cautions, findings)],
    }


def make_comparison(before: str, after: str, vehicle: str | None) -> dict[str, Any]:
    """`camlog compare`: writes NAME.comparison.html. Gives `comparison`, and lines as `make_report`."""
    from camlog.report import write_comparison
    from camlog.report.comparison import both_cautions, changed_sentences, doubts, headline

    profile = _profile(vehicle)
    old, old_notes = _findings(Path(before), profile)
    new, new_notes = _findings(Path(after), profile)
    changed = changed_sentences(old, new)
    lines = [headline(old, new), *changed[:CHANGES_SHOWN]]
    if len(changed) > CHANGES_SHOWN:
        lines.append(f"And {len(changed) - CHANGES_SHOWN} more figures changed.")
    if not changed:
        lines.append("No figure changed by more than chance over conditions that both drives share.")
    page = _result(Path(after), RESULT_ENDINGS["comparison"])
    _written(page, lambda: write_comparison(old, new, page))
    notes = [*doubts(old, new), *_of(Path(before), old_notes), *_of(Path(after), new_notes)]
    return {
        "comparison": page.name, "headline": lines, "do_not_run": list(new.do_not_run),
        "cautions": [*notes, *_others(both_cautions(old, new), new)],
    }  # fmt: skip


def make_verification(
    after: str, before: str | None, vehicle: str | None, job: str = "", outside: tuple[str, ...] = ()
) -> dict[str, Any]:
    """`camlog verify`: writes NAME.verification.html. `before` is a trace, or a drive file alone.

    Gives `page`, `verified`, `outcome`, `headline`, `gates` (state, words, title, evidence), `changes`,
    `todo`, `todo_caution`, `do_not_run` and `cautions`.
    """
    from camlog.verify import verify
    from camlog.verify.page import chosen_changes, write_verification

    profile = _profile(vehicle)
    second, notes = _findings(Path(after), profile)
    notes = _of(Path(after), notes)
    first: Findings | Drive | None = None
    if before is not None:
        first, first_notes = _first(Path(before), profile)
        notes += _of(Path(before), first_notes)
        if getattr(first, "trace", None) is not None and first.trace.sha256 == second.trace.sha256:
            raise InputError(
                "is the same recording as the drive before the repair", file=after,
                remedy="Choose the drive before the repair.",
            )  # fmt: skip
    found = verify(second, first, job=job, outside=outside)
    page = _result(Path(after), RESULT_ENDINGS["verification"])
    _written(page, lambda: write_verification(found, page))
    gates = [
        {
            "state": g.state, "title": g.title, "evidence": g.evidence,
            "words": g.words,
        }
        for g in found.gates
    ]  # fmt: skip
    return {
        "page": page.name, "verified": found.verified, "outcome": found.outcome, "headline": [found.headline],
        "gates": gates, "changes": [c.sentence for c in chosen_changes(found)], "todo": list(found.todo),
        "todo_caution": found.todo_caution, "do_not_run": list(second.do_not_run),
        "cautions": [*notes, *_others(second.cautions, second)],
    }  # fmt: skip


def provisional(trace: str, vehicle: str | None) -> dict[str, Any]:
    """The verdict on a trace that is still being written. Writes nothing.

    Gives `cams` (condition, confidence, reason of each), `seconds`, how much of a drive it rests on, and `do_not_run`.
    """
    from camlog.analysis import analyze
    from camlog.drive import drive_path, read_drive
    from camlog.trace import read_trace

    saved = read_trace(trace)
    beside = drive_path(trace)
    findings = analyze(saved, read_drive(beside) if beside.exists() else None, _profile(vehicle))
    cams = {
        cam: {
            "condition": found.verdict.condition, "confidence": round(found.verdict.confidence, 3),
            "reason": next(iter(found.verdict.reasons), ""),
        }
        for cam, found in findings.cams.items()
    }  # fmt: skip
    return {"cams": cams, "seconds": round(saved.duration_s, 3), "do_not_run": list(findings.do_not_run)}


def _others(cautions: Iterable[str], findings: Findings) -> list[str]:
    """The cautions that do not stand first already."""
    return [c for c in cautions if c not in findings.do_not_run]


# ---------------------------------------------------------------- inside


def _profile(vehicle: str | None) -> VehicleProfile | None:
    from camlog.profile import read_profile

    return read_profile(vehicle) if vehicle else None


def _result(trace: Path, ending: str) -> Path:
    return trace.with_name(stem_of(trace.name) + ending)


def _written(path: Path, write) -> None:
    try:
        write()
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror or error})",
            file=path,
            remedy="Check space and rights of the folder.",
        ) from error


def _findings(path: Path, profile: VehicleProfile | None) -> tuple[Findings, list[str]]:
    from camlog.analysis import analyze

    trace, drive, notes = _loaded(path)
    return analyze(trace, drive, profile), notes


def _loaded(path: Path) -> tuple[Trace, Drive | None, list[str]]:
    """A trace with its drive file, and what one should know of them."""
    from camlog.convert import read_any
    from camlog.drive import drive_path
    from camlog.trust import remarks

    trace, drive, conversion = read_any(path)
    notes = (
        []
        if conversion is None
        else ["This recording was not written by camlog; its columns were understood with certainty."]
    )
    notes += trace.warnings
    notes += [note[0].upper() + note[1:] for note in remarks(drive, trace.sha256, drive_path(path))]
    return trace, drive, notes


def _first(path: Path, profile: VehicleProfile | None) -> tuple[Findings | Drive, list[str]]:
    """The first drive: a trace, or only a drive file as `camlog clear` saves it."""
    from camlog.drive import read_drive, trace_path

    if not path.name.endswith(DRIVE_ENDING):
        return _findings(path, profile)
    trace = trace_path(path)
    return _findings(trace, profile) if trace.exists() else (read_drive(path), [])


def _of(path: Path, notes: list[str]) -> list[str]:
    return [f"{path.name}: {note}" for note in notes]


def _verdict_lines(findings: Findings) -> list[str]:
    """The verdict in a screenful: each cam, what to check next, and what was missing."""
    from camlog.report import summary
    from camlog.report.words import cause_words

    lines = [summary.headline(findings)]
    for found in summary.cams_in_order(findings):
        card = summary.card(found)
        sure = f", {card['sure']}" if card["sure"] else ""
        lines.append(
            f"{card['title']}: {card['means']}{sure}. {' '.join(card['reasons'][:REASONS_SHOWN])}".strip()
        )
    if findings.misfire.pattern.kind not in ("none", "unknown"):
        lines.append(f"Misfires: {findings.misfire.pattern.reason}")
    if findings.codes.by_family:
        lines.append(
            "Codes: " + ", ".join(s.code for group in findings.codes.by_family.values() for s in group)
        )
    for cause in summary.likely_causes(findings):
        if cause.cause == "nothing wrong":
            continue
        lines.append(f"Likely {cause_words(cause.cause)}: {' '.join(cause.evidence_for)}")
    if findings.coverage.missing and not findings.do_not_run:
        lines.append(f"Still to drive: {' '.join(findings.coverage.missing[:3])} {findings.coverage.caution}")
    return lines
