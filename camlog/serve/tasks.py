"""Analyses for the page: the work of the commands on files of the folder, with their results as lines.

Arguments and results of each function can be sent to another process. Paths are absolute; `vehicle` is a profile's
path, `demo`, or None. Each function overwrites its earlier results. All raise InputError.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from camlog.messages import capital
from camlog.profile import VehicleProfile, read_profile
from camlog.serve.names import DRIVE_ENDING, FINDINGS_ENDING, RESULT_ENDINGS, stem_of
from camlog.serve.words import problem, sentence

if TYPE_CHECKING:
    from camlog.analysis.findings import Findings
    from camlog.drive import Drive

CHANGES_SHOWN = 8
REASONS_SHOWN = 2
MISSING_SHOWN = 3


def make_report(trace: str, vehicle: str | None) -> dict[str, Any]:
    """`camlog analyze`: writes NAME.report.html and NAME.findings.json.

    Gives `report` (file name), `headline`, `do_not_run` (what comes before all else) and `cautions`, all lines; `strip`
    for the template, `moments` (time in s, cam, words), `steps` (what to check next), `missing` (what to drive) and its
    caution.
    """
    from camlog.analysis.findings import write_findings
    from camlog.report import write_report
    from camlog.report.strip import strip_view
    from camlog.report.summary import next_steps
    from camlog.report.words import moment_words, told_moments

    profile = _profile(vehicle)
    findings, notes = _findings(Path(trace), profile)
    report = _write(trace, RESULT_ENDINGS["report"], lambda path: write_report(findings, path))

    def again() -> Findings:
        return _findings(Path(trace), profile)[0]

    _write(trace, FINDINGS_ENDING, lambda path: write_findings(findings, path, again))
    moments = [(m, cam) for cam, found in findings.cams.items() for m in told_moments(found)]
    steps = next_steps(findings)
    missing = () if findings.do_not_run else findings.coverage.missing[:MISSING_SHOWN]
    return {
        "report": report,
        "headline": _verdict_lines(findings),
        "strip": _as_sent(strip_view(findings)),
        "moments": [[m.start_s, cam, moment_words(m)] for m, cam in moments],
        "steps": _as_sent({key: steps[key] for key in ("title", "items", "caution")}),
        "missing": list(missing),
        "missing_caution": findings.coverage.caution,
        **_cautions(findings, notes, findings.cautions),
    }


def make_comparison(before: str, after: str, vehicle: str | None) -> dict[str, Any]:
    """`camlog compare`: writes NAME.comparison.html. Gives `comparison`, and lines as `make_report`."""
    from camlog.analysis.changes import changes_between
    from camlog.report import write_comparison
    from camlog.report.comparison import both_cautions, changed_sentences, doubts, headline

    profile = _profile(vehicle)
    old, old_notes = _findings(Path(before), profile)
    new, new_notes = _findings(Path(after), profile)
    changes = changes_between(old, new)
    changed = changed_sentences(changes)
    lines = [headline(old, new), *changed[:CHANGES_SHOWN]]
    if len(changed) > CHANGES_SHOWN:
        lines.append(sentence("more_changed", count=len(changed) - CHANGES_SHOWN))
    if not changed:
        lines.append(sentence("none_changed"))
    page = _write(after, RESULT_ENDINGS["comparison"], lambda path: write_comparison(old, new, path, changes=changes))
    notes = [*doubts(old, new), *_of(before, old_notes), *_of(after, new_notes)]
    return {"comparison": page, "headline": lines, **_cautions(new, notes, both_cautions(old, new))}


def make_verification(
    after: str, before: str | None, vehicle: str | None, job: str = "", outside: tuple[str, ...] = ()
) -> dict[str, Any]:
    """`camlog verify`: writes NAME.verification.html. `before` is a trace, or a drive file alone.

    Gives `page`, `verified`, `outcome`, `headline`, `gates` (state, words, title, evidence), `changes`,
    `todo`, `todo_caution`, `do_not_run` and `cautions`.
    """
    from camlog.drive import Drive
    from camlog.verify import verify
    from camlog.verify.page import chosen_changes, write_verification

    profile = _profile(vehicle)
    second, notes = _findings(Path(after), profile)
    notes = _of(after, notes)
    first: Findings | Drive | None = None
    if before is not None:
        first, first_notes = _first(Path(before), profile)
        notes += _of(before, first_notes)
        if not isinstance(first, Drive) and first.trace.sha256 == second.trace.sha256:
            raise problem("same_drive", after)
    proof = verify(second, first, job=job, outside=outside)
    page = _write(after, RESULT_ENDINGS["verification"], lambda path: write_verification(proof, path))
    gates = [{"state": g.state, "title": g.title, "evidence": g.evidence, "words": g.words} for g in proof.gates]
    return {
        "page": page,
        "verified": proof.verified,
        "outcome": proof.outcome,
        "headline": [proof.headline],
        "gates": gates,
        "changes": [change.sentence for change in chosen_changes(proof)],
        "todo": list(proof.todo),
        "todo_caution": proof.todo_caution,
        **_cautions(second, notes, second.cautions),
    }


def provisional(trace: str, vehicle: str | None) -> dict[str, Any]:
    """The verdict on a trace that is still being written. Writes nothing.

    Gives `cams` (condition, confidence, reason of each), `seconds`, how much of a drive it rests on, and `do_not_run`.
    """
    from camlog.analysis import analyze
    from camlog.drive import drive_beside
    from camlog.trace import read_trace

    saved = read_trace(trace)
    findings = analyze(saved, drive_beside(trace), _profile(vehicle))
    verdicts = {cam: judged.verdict for cam, judged in findings.cams.items()}
    cams = {
        cam: {"condition": v.condition, "confidence": round(v.confidence, 3), "reason": next(iter(v.reasons), "")}
        for cam, v in verdicts.items()
    }
    return {"cams": cams, "seconds": round(saved.duration_s, 3), "do_not_run": list(findings.do_not_run)}


def _as_sent(value: Any) -> Any:
    """The value converted to lists and dictionaries only."""
    return json.loads(json.dumps(value))


def _profile(vehicle: str | None) -> VehicleProfile | None:
    return read_profile(vehicle) if vehicle else None


def _write(trace: str, ending: str, write: Callable[[Path], object]) -> str:
    """Write a result beside a trace; returns its name."""
    path = Path(trace).with_name(stem_of(Path(trace).name) + ending)
    try:
        write(path)
    except OSError as error:
        raise problem("unwritten", path, why=error.strerror or error) from error
    return path.name


def _findings(path: Path, profile: VehicleProfile | None) -> tuple[Findings, list[str]]:
    """The findings on a trace, and remarks on its files."""
    from camlog.analysis import analyze
    from camlog.convert import read_any
    from camlog.drive import drive_path
    from camlog.trust import remarks

    trace, drive, conversion = read_any(path)
    notes = [] if conversion is None else [sentence("foreign_note")]
    notes += trace.warnings
    notes += [capital(note) for note in remarks(drive, trace.sha256, drive_path(path))]
    return analyze(trace, drive, profile), notes


def _first(path: Path, profile: VehicleProfile | None) -> tuple[Findings | Drive, list[str]]:
    """The first drive: a trace, or only a drive file as `camlog clear` saves it."""
    from camlog.drive import read_drive, trace_path

    if path.name.endswith(DRIVE_ENDING):
        if not trace_path(path).exists():
            return read_drive(path), []
        path = trace_path(path)
    return _findings(path, profile)


def _of(path: str, notes: list[str]) -> list[str]:
    return [f"{Path(path).name}: {note}" for note in notes]


def _cautions(findings: Findings, notes: list[str], cautions: Iterable[str]) -> dict[str, list[str]]:
    """The first lines, and the cautions that are not among them."""
    first = list(findings.do_not_run)
    return {"do_not_run": first, "cautions": [*notes, *(c for c in cautions if c not in first)]}


def _verdict_lines(findings: Findings) -> list[str]:
    """The verdict in a screenful: each cam, what to check next, and what was missing."""
    from camlog.report import summary
    from camlog.report.words import cause_words

    lines = [summary.headline(findings)]
    for cam in summary.cams_in_order(findings):
        card = summary.card(cam)
        sure = f", {card['sure']}" if card["sure"] else ""
        lines.append(f"{card['title']}: {card['means']}{sure}. {' '.join(card['reasons'][:REASONS_SHOWN])}".strip())
    if findings.misfire.pattern.kind not in ("none", "unknown"):
        lines.append(sentence("misfires", reason=findings.misfire.pattern.reason))
    if findings.codes.by_family:
        codes = [said.code for family in findings.codes.by_family.values() for said in family]
        lines.append(sentence("codes", codes=", ".join(codes)))
    for cause in summary.likely_causes(findings):
        if cause.cause != summary.NOTHING_WRONG:
            lines.append(sentence("likely", cause=cause_words(cause.cause), evidence=" ".join(cause.evidence_for)))
    return lines
