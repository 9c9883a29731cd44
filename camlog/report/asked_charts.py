"""From a dashboard to its charts: each one drawn, for each cam it is asked for."""

from __future__ import annotations

from dataclasses import replace

from camlog.analysis.findings import Findings
from camlog.oil_windows import OilWindow, window_word
from camlog.report.chart import MOST_POINTS, Chart, Request
from camlog.report.charts.drive import USUAL
from camlog.report.dashboard import KINDS, AskedChart, Dashboard
from camlog.report.words import CONDITION_WORDS, key_evidence

# Points of all lines over time together, in one report: what keeps an eight-hour drive within its size.
TIME_POINTS = 44_000
FEWEST_POINTS = 1_200
# The chart that shows a verdict best.
FIRST = dict.fromkeys(CONDITION_WORDS, "closeup") | {"slow": "steps"}


def windows_of(findings: Findings, words: tuple[str, ...] | None) -> tuple[OilWindow, ...]:
    """The oil windows that go by these words; all where None."""
    known = findings.conditions.windows.windows
    return tuple(w for w in known if words is None or window_word(w, findings.limits) in words)


def first_chart(findings: Findings, cam: str, dashboard: Dashboard) -> Chart:
    """The one chart that convinces, for the first screen."""
    kind, verdict = dashboard.first, findings.cams[cam].verdict
    if kind == "auto":
        kind, key = FIRST[verdict.condition], key_evidence(verdict)
        if kind == "closeup" and key is not None and key.figure.name == "cold_start_flutter_deg":
            kind = "cold_start"
    request = Request(kind, findings, cam, windows_of(findings, dashboard.windows), small=True)
    chart = KINDS[kind].draw(request)
    return KINDS["closeup"].draw(replace(request, kind="closeup")) if chart.empty else chart


def asked_charts(findings: Findings, dashboard: Dashboard, share: float = 1.0) -> list[Chart]:
    """All charts of a dashboard, in its order; `share` of the points, where two drives share a page."""
    lines = 0
    for asked in dashboard.charts:
        if asked.kind == "drive":
            lines += len(asked.signals or USUAL)
        elif asked.kind == "angles":
            lines += 3 * len(_cams(findings, asked))
    points = int(min(max(share * TIME_POINTS / max(lines, 1), FEWEST_POINTS), MOST_POINTS))
    return [
        _shown_from_to(KINDS[asked.kind].draw(Request(
            asked.kind, findings, cam, windows_of(findings, asked.windows or dashboard.windows), points, asked.title or "",
            asked.signals, asked.seconds,
        )), asked)
        for asked in dashboard.charts
        for cam in _cams(findings, asked)
    ]  # fmt: skip


def _cams(findings: Findings, asked: AskedChart) -> list[str]:
    """The cams of a chart; one empty name for a chart of the whole engine."""
    return [c for c in findings.cams if asked.cams is None or c in asked.cams] if KINDS[asked.kind].per_cam else [""]


def _shown_from_to(chart: Chart, asked: AskedChart) -> Chart:
    """A chart over time with the stretch first shown that was asked for."""
    if not chart.timed:
        return chart
    ends = zip((asked.from_s, asked.to_s), chart.layout["xaxis"]["range"], strict=True)
    axis = chart.layout["xaxis"] | {"range": [usual if end is None else end for end, usual in ends]}
    return replace(chart, layout=chart.layout | {"xaxis": axis})
