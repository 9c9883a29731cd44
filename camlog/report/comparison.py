"""The comparison page: two drives side by side, the same charts in pairs on common axes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from camlog.analysis.changes import Change, changes_between
from camlog.analysis.findings import Findings
from camlog.cams import title as cam_title
from camlog.page import render_page
from camlog.report import summary
from camlog.report.asked_charts import asked_charts, first_chart
from camlog.report.axes import common_axes
from camlog.report.changes import MetricChange, metric_changes
from camlog.report.chart import Chart
from camlog.report.charts.times import end_s
from camlog.report.dashboard import Dashboard, read_dashboard
from camlog.report.document import ChartBook, chart_scripts, facts
from camlog.report.records import records
from camlog.report.words import condition_word, say
from camlog.trust import simulated_words

FIRST_CHART_PX = 200
SENTENCES_SHOWN = 6
SHARE = 0.5  # of the points of one report, for each drive


def headline(before: Findings, after: Findings) -> str:
    """What became of each cam, in one line."""

    def word(findings: Findings, cam: str) -> str:
        return condition_word(findings.cams[cam].verdict) if cam in findings.cams else say("pair.not_recorded")

    cams = dict.fromkeys((*before.cams, *after.cams))
    pairs = [say("pair.cam", title=cam_title(cam), before=word(before, cam), after=word(after, cam)) for cam in cams]
    return " ".join(pairs) or say("pair.no_cams")


def both_cautions(before: Findings, after: Findings) -> list[str]:
    """The cautions of the present car first, then what else the first drive called for; not to run it is of now."""
    then = [c for c in before.cautions if c not in before.do_not_run]
    return list(dict.fromkeys((*after.cautions, *then)))


def doubts(before: Findings, after: Findings) -> list[str]:
    """Why the two drives may not be the same car, or not in this order."""
    names = [facts(f)["vehicle"] for f in (before, after)]
    profiles = [f.profile.sha256 if f.profile is not None else "" for f in (before, after)]
    drives = [f.drive for f in (before, after) if f.drive is not None]
    vins = [d.vehicle.get("vin_hash") for d in drives if d.vehicle.get("vin_hash")]
    starts = [datetime.fromisoformat(d.started_at).timestamp() for d in drives if d.started_at]
    doubtful = {
        "vehicles": names[0] != names[1],
        "profiles": profiles[0] != profiles[1],
        "vins": len(set(vins)) == 2,
        "order": len(starts) == 2 and starts[1] < starts[0],
        "same": bool(before.trace.sha256) and before.trace.sha256 == after.trace.sha256,
    }
    return [say(f"pair.doubts.{name}", names=names) for name, is_so in doubtful.items() if is_so]


def changed_sentences(before: Findings, after: Findings) -> list[str]:
    """What changed by more than chance, a sentence each: first what is worse, then what is better."""
    groups = grouped(changes_between(before, after))
    return [c.sentence for c in groups["worse"] + groups["better"]]


def grouped(changes: tuple[Change, ...]) -> dict[str, list[Change]]:
    """The like-for-like comparison: what is better, worse, the same and unknown."""
    groups: dict[str, list[Change]] = {"better": [], "worse": [], "same": [], "unknown": []}
    for change in changes:
        other = "same" if change.beyond_chance is False else "unknown"
        groups[{True: "better", False: "worse"}.get(change.better, other)].append(change)
    return groups


def counted(changes: dict[str, tuple[MetricChange, ...]]) -> str:
    """How many metrics went which way."""
    flat = [c for group in changes.values() for c in group]
    states = [tuple(row.state if row else "missing" for row in (c.before, c.after)) for c in flat]
    return say("pair.counted", count=len(flat), mended=states.count(("beyond", "within")),
               broken=states.count(("within", "beyond")), still=states.count(("beyond", "beyond")))  # fmt: skip


def render_comparison(before: Findings, after: Findings, dashboard: str | Path | None = None) -> str:
    """The comparison as one HTML text. Raises InputError for a dashboard that is not right."""
    board, book, changes = read_dashboard(dashboard), ChartBook(), metric_changes(before, after)
    cams = dict.fromkeys([*(c.cam for c in summary.cams_in_order(before)), *after.cams])
    cards = [_card(book, cam, before, after, board) for cam in cams]
    charts = [asked_charts(f, board, SHARE) for f in (before, after)]
    return render_page(
        "comparison.html",
        simulated=simulated_words(before.drive, after.drive),
        scripts=chart_scripts(),
        pairs=[(a.title, [book.add(c) for c in common_axes(a, b)]) for a, b in _paired(*charts)],
        charts={"end_s": max(end_s(before), end_s(after)), "charts": book.specs},
        headline=headline(before, after),
        facts=[facts(before), facts(after)],
        do_not_run=after.do_not_run,
        doubts=doubts(before, after),
        cards=cards,
        told=grouped(changes_between(before, after)),
        counted=counted(changes),
        changes=[(say("row.misfires") if cam == "misfire" else cam_title(cam), found) for cam, found in changes.items()],
        sides=[(say(f"pair.{word}"), records(f, board)) for word, f in (("before", before), ("after", after))],
        cautions=both_cautions(before, after),
    )


def _card(book: ChartBook, cam: str, before: Findings, after: Findings, board: Dashboard) -> dict[str, Any]:
    """One cam in both drives, with the chart that convinces of the fault."""
    charts, cards = [], []
    for findings in (before, after):
        recorded = cam in findings.cams
        charts.append(first_chart(findings, cam, board) if recorded else _not_recorded("closeup", cam))
        cards.append(summary.card(findings.cams[cam]) if recorded else None)
        if recorded:  # what showed the fault before shows best whether it is gone
            board = replace(board, first=charts[-1].kind)
    words = [say("pair.before"), say("pair.after")]
    drawn = [book.add(replace(c, title=word), height=FIRST_CHART_PX, first=True)
             for c, word in zip(common_axes(*charts), words, strict=True)]  # fmt: skip
    return {"cam": cam, "title": cam_title(cam), "state": (cards[1] or cards[0])["state"],
            "sides": list(zip(words, cards, drawn, strict=True))}  # fmt: skip


def _not_recorded(kind: str, cam: str, title: str = "") -> Chart:
    return Chart(kind, title, cam=cam, empty=say("pair.no_chart"))


def _paired(first: list[Chart], second: list[Chart]) -> Iterator[tuple[Chart, Chart]]:
    """Charts of both drives that answer the same question, in the order they come."""
    before, after = _by_place(first), _by_place(second)
    for key in dict.fromkeys((*before, *after)):
        known = before.get(key) or after[key]
        none = _not_recorded(known.kind, known.cam, known.title)
        yield before.get(key, none), after.get(key, none)


def _by_place(charts: list[Chart]) -> dict[tuple[str, str, int], Chart]:
    """By kind, cam, and the how manieth of these it is."""
    placed: dict[tuple[str, str, int], Chart] = {}
    for chart in charts:
        number = sum(key[:2] == (chart.kind, chart.cam) for key in placed)
        placed[chart.kind, chart.cam, number] = chart
    return placed
