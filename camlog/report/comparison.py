"""The comparison page: two drives side by side, the same charts in pairs on common axes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from camlog.analysis.findings import Findings
from camlog.page import render_page
from camlog.report import records, summary
from camlog.report.asked_charts import asked_charts, first_chart
from camlog.report.axes import common_axes
from camlog.report.changes import MetricChange, metric_changes
from camlog.report.chart import Chart, nothing
from camlog.report.dashboard import Dashboard, read_dashboard
from camlog.report.document import ChartBook, chart_scripts, facts
from camlog.report.words import cam_title, condition_word
from camlog.trust import simulated_words
from camlog.verify.changes import Change, changes_between

FIRST_CHART_PX = 200
SENTENCES_SHOWN = 6


def headline(before: Findings, after: Findings) -> str:
    """What became of each cam, in one line."""
    cams = list(dict.fromkeys((*before.cams, *after.cams)))
    if not cams:
        return "Neither drive holds cam angles, so the cams cannot be compared."
    return " ".join(
        f"{cam_title(cam)}: {_was(before, cam)} before, {_was(after, cam)} after." for cam in cams
    )


def both_cautions(before: Findings, after: Findings) -> list[str]:
    """The cautions of the present car first, then what else the first drive called for; not to run it is of now."""
    then = [c for c in before.cautions if c not in before.do_not_run]
    return list(dict.fromkeys((*after.cautions, *then)))


def _was(findings: Findings, cam: str) -> str:
    found = findings.cams.get(cam)
    return "not recorded" if found is None else condition_word(found.verdict).lower()


def doubts(before: Findings, after: Findings) -> list[str]:
    """Why the two drives may not be the same car, or not in this order."""
    said = []
    names = [facts(f)["vehicle"] for f in (before, after)]
    if names[0] != names[1]:
        said.append(f"The two recordings name different vehicles: {names[0]}, then {names[1]}.")
    hashes = [f.profile.sha256 if f.profile is not None else "" for f in (before, after)]
    if hashes[0] != hashes[1]:
        said.append("The two drives were judged with different vehicle profiles.")
    vins = [f.drive.vehicle.get("vin_hash") if f.drive is not None else None for f in (before, after)]
    if all(vins) and vins[0] != vins[1]:
        said.append("The two recordings come from vehicles with different identification numbers.")
    starts = [f.drive.started_at if f.drive is not None else None for f in (before, after)]
    if all(starts) and _moment(starts[1]) < _moment(starts[0]):
        said.append("The second drive was recorded before the first.")
    if before.trace.sha256 and before.trace.sha256 == after.trace.sha256:
        said.append("Both are the same recording.")
    return said


def _moment(started_at: str) -> float:
    from datetime import datetime

    return datetime.fromisoformat(started_at).timestamp()


def changed_sentences(before: Findings, after: Findings) -> list[str]:
    """What changed by more than chance, a sentence each: first what is worse, then what is better."""
    groups = told(changes_between(before, after))
    return groups["worse"] + groups["better"]


def told(changes: tuple[Change, ...]) -> dict[str, list[str]]:
    """Sentences of the like-for-like comparison: what is better, worse, and the same."""
    groups: dict[str, list[str]] = {"better": [], "worse": [], "same": [], "unknown": []}
    for change in changes:
        kind = {True: "better", False: "worse"}.get(
            change.better, "same" if change.beyond_chance is False else "unknown"
        )
        groups[kind].append(change.sentence)
    return groups


def counted(changes: dict[str, tuple[MetricChange, ...]]) -> str:
    """How many metrics went which way."""
    flat = [c for group in changes.values() for c in group]
    mended = sum(_state(c.before) == "beyond" and _state(c.after) == "within" for c in flat)
    broken = sum(_state(c.before) == "within" and _state(c.after) == "beyond" for c in flat)
    still = sum(_state(c.before) == _state(c.after) == "beyond" for c in flat)
    return (
        f"Of {len(flat)} metrics {mended} went from beyond their limit to within it, {broken} the other way, and {still} "
        f"{'is' if still == 1 else 'are'} still beyond."
    )


def _state(row: Any) -> str:
    return "missing" if row is None else row.state


def render_comparison(
    before: Findings, after: Findings, *, dashboard: str | Path | Dashboard | None = None
) -> str:
    """The comparison as one HTML text. Raises InputError for a dashboard that is not right."""
    from camlog import __version__

    if not isinstance(dashboard, Dashboard):
        dashboard = read_dashboard(dashboard)
    book = ChartBook()
    cams = [c.cam for c in summary.cams_in_order(before)] + [
        cam for cam in after.cams if cam not in before.cams
    ]
    cards = [_card(book, cam, before, after, dashboard) for cam in cams]
    pairs = [
        {"title": a.title, "charts": [book.add(c) for c in common_axes(a, b)]}
        for a, b in _paired(asked_charts(before, dashboard, 0.5), asked_charts(after, dashboard, 0.5))
    ]
    changes = metric_changes(before, after)
    sides = [
        (word, f, records.recording(f, dashboard, __version__))
        for word, f in (("Before", before), ("After", after))
    ]
    return render_page(
        "comparison.html",
        simulated=simulated_words(before.drive, after.drive),
        scripts=chart_scripts(),
        charts={"end_s": max(_end_s(before), _end_s(after)), "charts": book.specs},
        headline=headline(before, after),
        facts=[facts(before), facts(after)],
        do_not_run=after.do_not_run,
        doubts=doubts(before, after),
        cards=cards,
        told=told(changes_between(before, after)),
        shown=SENTENCES_SHOWN,
        counted=counted(changes),
        pairs=pairs,
        changes=[("Misfires" if cam == "misfire" else cam_title(cam), rows) for cam, rows in changes.items()],
        dashboard=dashboard,
        sides=[{"word": word, "recording": r, "codes": records.codes(f), "covered": summary.coverage_words(f)}
               for word, f, r in sides],
        cautions=both_cautions(before, after),
    )  # fmt: skip


def _card(
    book: ChartBook, cam: str, before: Findings, after: Findings, dashboard: Dashboard
) -> dict[str, Any]:
    """One cam in both drives, with the chart that convinces of the worse of the two."""
    sides = []
    charts = []
    # What showed the fault before shows best whether it is gone.
    kind = None
    for findings in (before, after):
        found = findings.cams.get(cam)
        if found is None:
            chart = nothing("closeup", "", "Not recorded in this drive.", cam)
        else:
            chart = first_chart(findings, cam, dashboard if kind is None else replace(dashboard, first=kind))
            kind = kind or chart.kind
        charts.append(chart)
        sides.append(None if found is None else summary.card(found))
    charts = list(common_axes(*charts))
    made = [book.add(replace(c, title=word), height=FIRST_CHART_PX, first=True)
            for c, word in zip(charts, ("Before", "After"), strict=True)]  # fmt: skip
    state = next((s["state"] for s in reversed(sides) if s is not None), "unknown")
    return {
        "cam": cam,
        "title": cam_title(cam),
        "state": state,
        "sides": list(zip(("Before", "After"), sides, made, strict=True)),
    }


def _paired(first: list[Chart], second: list[Chart]) -> list[tuple[Chart, Chart]]:
    """Charts of both drives that answer the same question, in the order they come."""
    keyed = [_keyed(charts) for charts in (first, second)]
    pairs = []
    for key in dict.fromkeys((*keyed[0], *keyed[1])):
        a, b = (side.get(key) for side in keyed)
        known = a or b
        none = nothing(known.kind, known.title, "Not recorded in this drive.", known.cam)
        pairs.append((a or none, b or none))
    return pairs


def _keyed(charts: list[Chart]) -> dict[tuple[str, str, int], Chart]:
    found: dict[tuple[str, str, int], Chart] = {}
    for chart in charts:
        number = sum(key[:2] == (chart.kind, chart.cam) for key in found)
        found[chart.kind, chart.cam, number] = chart
    return found


def _end_s(findings: Findings) -> float:
    return float(findings.trace.time_s[-1]) if len(findings.trace.time_s) else 0.0
