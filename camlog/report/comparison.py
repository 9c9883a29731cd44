"""The comparison page: two drives side by side, the changes under equal conditions, and each metric of both drives.

Differences and their intervals come from `camlog.analysis.changes` (MOVER; Zou & Donner 2008), corrected for the number
of comparisons.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from camlog.analysis.changes import Change, changes_between
from camlog.analysis.changes.change import Compared, change_of, corrected
from camlog.analysis.estimate import Estimate
from camlog.analysis.findings import Findings
from camlog.cams import title as cam_title
from camlog.new_files import write_text
from camlog.page import render_page
from camlog.report import summary
from camlog.report.chart import Chart
from camlog.report.charts.steps import overlaid_steps
from camlog.report.charts.times import end_s
from camlog.report.dashboard import Dashboard, asked_charts, first_chart, read_dashboard
from camlog.report.document import ChartBook, chart_scripts, facts, records
from camlog.report.strip import strip_view
from camlog.report.tables import Row, misfire_rows, rows
from camlog.report.words import condition_word, say
from camlog.trust import simulated_words

FIRST_CHART_PX, OVERLAID_PX = 200, 260
SHARE = 0.5  # of the points of one report, for each drive
MARGIN = 0.05  # of an axis, beyond the drawn values


class Pair(NamedTuple):
    """One metric: its row in each drive (None if that drive has none) and the change."""

    before: Row | None
    after: Row | None
    change: Change


def headline(before: Findings, after: Findings) -> str:
    """One line with the condition of each cam before and after."""

    def word(findings: Findings, cam: str) -> str:
        return condition_word(findings.cams[cam].verdict) if cam in findings.cams else say("pair.not_recorded")

    cams = dict.fromkeys((*before.cams, *after.cams))
    pairs = [say("pair.cam", title=cam_title(cam), before=word(before, cam), after=word(after, cam)) for cam in cams]
    return " ".join(pairs) or say("pair.no_cams")


def both_cautions(before: Findings, after: Findings) -> list[str]:
    """The cautions of the second drive, then further ones of the first. "Do not run" counts only from the second."""
    earlier = [c for c in before.cautions if c not in before.do_not_run]
    return list(dict.fromkeys((*after.cautions, *earlier)))


def doubts(before: Findings, after: Findings) -> list[str]:
    """Sentences on why the two drives may be of different cars, or in the wrong order."""
    names = [facts(f)["vehicle"] for f in (before, after)]
    profiles = [f.profile.sha256 if f.profile is not None else "" for f in (before, after)]
    drives = [f.drive for f in (before, after) if f.drive is not None]
    vins = [d.vehicle.get("vin_hash") for d in drives if d.vehicle.get("vin_hash")]
    starts = [datetime.fromisoformat(d.started_at).timestamp() for d in drives if d.started_at]
    doubtful = {
        "vehicles": names[0] != names[1], "profiles": profiles[0] != profiles[1], "vins": len(set(vins)) == 2,
        "order": len(starts) == 2 and starts[1] < starts[0],
        "same": bool(before.trace.sha256) and before.trace.sha256 == after.trace.sha256,
    }  # fmt: skip
    return [say(f"pair.doubts.{name}", names=names) for name, is_so in doubtful.items() if is_so]


# ---------------------------------------------------------------- figures


def changed_sentences(changes: Iterable[Change]) -> list[str]:
    """A sentence on each change beyond chance: first what is worse, then what is better."""
    groups = grouped(changes)
    return [c.sentence for c in groups["worse"] + groups["better"]]


def grouped(changes: Iterable[Change]) -> dict[str, list[Change]]:
    """The comparison under equal conditions: what is better, worse, the same and unknown."""
    groups: dict[str, list[Change]] = {"better": [], "worse": [], "same": [], "unknown": []}
    for change in changes:
        other = "same" if change.beyond_chance is False else "unknown"
        groups["better" if change.better else other if change.better is None else "worse"].append(change)
    return groups


def metric_changes(before: Findings, after: Findings) -> dict[str, tuple[Pair, ...]]:
    """Changes of every metric over the whole of each drive, by cam; those of misfires under `misfire`."""
    cams = dict.fromkeys((*before.cams, *after.cams))
    changes = {cam: _pairs(cam, *(rows(f, cam) if cam in f.cams else () for f in (before, after))) for cam in cams}
    cylinders = _pairs(None, misfire_rows(before), misfire_rows(after))
    return changes | ({"misfire": cylinders} if cylinders else {})


def _pairs(cam: str | None, before: Sequence[Row], after: Sequence[Row]) -> tuple[Pair, ...]:
    old, new = ({(r.group, r.metric, r.oil): r for r in side} for side in (before, after))
    pairs = [(old.get(key), new.get(key)) for key in dict.fromkeys((*old, *new))]
    changes = corrected([change_of(_compared(cam, *pair)) for pair in pairs])
    return tuple(Pair(*pair, change) for pair, change in zip(pairs, changes, strict=True))


def _compared(cam: str | None, before: Row | None, after: Row | None) -> Compared:
    row = after or before
    assert row is not None
    title = say("pair.metric", metric=row.metric, oil=row.oil) if row.oil else row.metric
    return Compared("", title, row.unit, _sized(before), _sized(after), cam=cam, limit=row.limit.value if row.limit else None,
                    least=row.least, more_is_better=not row.above)  # fmt: skip


def _sized(row: Row | None) -> Estimate:
    """The figure as compared with its limit: without its sign if the limit is for both directions."""
    if row is None:
        return Estimate(None, reason=say("pair.not_there"))
    e, ends = row.figure, row.figure.interval
    if not row.size or e.value is None:
        return e
    if ends is None:
        return replace(e, value=abs(e.value))
    low, high = sorted(map(abs, ends))
    return replace(e, value=abs(e.value), low=0.0 if ends[0] < 0.0 < ends[1] else low, high=high)


def counted(changes: dict[str, tuple[Pair, ...]]) -> str:
    """A sentence on how many metrics changed in which direction."""
    states = [
        tuple(row.state if row else "missing" for row in pair[:2]) for group in changes.values() for pair in group
    ]
    return say("pair.counted", count=len(states), mended=states.count(("beyond", "within")),
               broken=states.count(("within", "beyond")), still=states.count(("beyond", "beyond")))  # fmt: skip


# ---------------------------------------------------------------- the page


def render_comparison(
    before: Findings, after: Findings, dashboard: str | Path | None = None, changes: Sequence[Change] | None = None
) -> str:
    """The comparison as one HTML text; `changes` are those of `changes_between`, if already known. Raises InputError
    for a wrong dashboard."""
    board, book, metrics = read_dashboard(dashboard), ChartBook(), metric_changes(before, after)
    like_for_like = changes_between(before, after) if changes is None else changes
    cams = dict.fromkeys([*(c.cam for c in summary.cams_in_order(before)), *after.cams])
    cards = [_card(book, cam, before, after, board, like_for_like) for cam in cams]
    charts = [asked_charts(f, board, SHARE) for f in (before, after)]
    words = [say("pair.before"), say("pair.after")]
    return render_page(
        "comparison.html",
        simulated=simulated_words(before.drive, after.drive),
        scripts=chart_scripts(),
        pairs=[(a.title, [book.add(c) for c in common_axes(a, b)]) for a, b in _paired(*charts)],
        charts={"end_s": max(end_s(before), end_s(after)), "charts": book.specs},
        headline=headline(before, after),
        facts=[facts(before), facts(after)],
        strips=[(word, strip_view(f)) for word, f in zip(words, (before, after), strict=True)],
        do_not_run=after.do_not_run,
        doubts=doubts(before, after),
        cards=cards,
        told=grouped(like_for_like),
        counted=counted(metrics),
        changes=[
            (say("row.misfires") if cam == "misfire" else cam_title(cam), [p.change for p in pairs])
            for cam, pairs in metrics.items()
        ],
        sides=[(word, records(f, board)) for word, f in zip(words, (before, after), strict=True)],
        cautions=both_cautions(before, after),
    )


def write_comparison(
    before: Findings, after: Findings, path: str | Path, *, dashboard: str | Path | None = None, replace: bool = True,
    changes: Sequence[Change] | None = None,
) -> None:  # fmt: skip
    """Write the comparison to `path`, whole or not at all."""
    write_text(render_comparison(before, after, dashboard, changes), path, replace=replace)


def _card(
    book: ChartBook, cam: str, before: Findings, after: Findings, board: Dashboard, changes: Iterable[Change]
) -> dict[str, Any]:
    """One cam in both drives, with its steps over each other and the chart that shows the fault best."""
    charts, cards = [], []
    for findings in (before, after):
        recorded = cam in findings.cams
        charts.append(first_chart(findings, cam, board) if recorded else _not_recorded("closeup", cam))
        cards.append(summary.card(findings.cams[cam]) if recorded else None)
        if recorded:  # the chart that showed the fault best also shows best whether it is gone
            board = replace(board, first=charts[-1].kind)
    words = [say("pair.before"), say("pair.after")]
    times = [c for c in changes if c.figure.cam == cam and c.figure.name.startswith("t63") and c.known]
    steps = overlaid_steps(before, after, cam, [c.sentence for c in sorted(times, key=lambda c: c.p_value or 0.0)])
    # The steps are enough for a cam that was slow, and for one that had no fault.
    fault = bool(steps.empty) or (charts[0].kind != "steps" and cards[0] is not None and cards[0]["state"] != "good")
    drawn = [book.add(replace(c, title=word), height=FIRST_CHART_PX, first=True)
             for c, word in zip(common_axes(*charts), words, strict=True)] if fault else [None, None]  # fmt: skip
    return {"cam": cam, "title": cam_title(cam), "state": (cards[1] or cards[0] or {})["state"],
            "steps": book.add(steps, height=OVERLAID_PX, first=True), "sides": list(zip(words, cards, drawn, strict=True))}  # fmt: skip


def _not_recorded(kind: str, cam: str, title: str = "") -> Chart:
    return Chart(kind, title, cam=cam, empty=say("pair.no_chart"))


def _paired(*sides: list[Chart]) -> Iterator[tuple[Chart, Chart]]:
    """Pairs of charts of both drives on the same question, in their order."""
    before, after = ({(c.kind, c.cam, c.title): c for c in side} for side in sides)
    for key in dict.fromkeys((*before, *after)):
        yield before.get(key, _not_recorded(*key)), after.get(key, _not_recorded(*key))


def common_axes(first: Chart, second: Chart) -> tuple[Chart, Chart]:
    """Both charts with the same range on every axis of numbers, except the time axis of a close look."""
    ranges = {}
    for key in () if first.empty or second.empty else first.layout.keys() & second.layout.keys():
        if "axis" not in key or any(c.layout[key].get("type") == "category" for c in (first, second)):
            continue
        ends = [] if first.clock and key == "xaxis" else [e for c in (first, second) for e in _ends(c, key)]
        if ends:
            ranges[key] = [min(ends), max(ends)]
    one, two = (
        replace(c, layout=c.layout | {k: c.layout[k] | {"range": r} for k, r in ranges.items()})
        for c in (first, second)
    )
    return one, two


def _ends(chart: Chart, key: str) -> list[float]:
    """The ends of an axis: as set, or from the drawn values."""
    if "range" in chart.layout[key]:
        return [float(end) for end in chart.layout[key]["range"]]
    letter = key[0]
    drawn: list[float] = []
    for values in (t.get(letter) or () for t in chart.traces if t.get(f"{letter}axis", letter) == letter + key[5:]):
        if isinstance(values, dict):
            values = np.frombuffer(base64.b64decode(values["bdata"]), "<f4").tolist()
        drawn += [float(v) for v in values if isinstance(v, int | float) and np.isfinite(v)]
    room = MARGIN * ((max(drawn) - min(drawn)) or 1.0) if drawn else 0.0
    return [min(drawn) - room, max(drawn) + room] if drawn else []
