"""From a dashboard to its charts: each one drawn, for each cam it is asked for."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from camlog.analysis.findings import Findings
from camlog.oil_windows import OilWindow, window_word
from camlog.report.chart import Chart
from camlog.report.charts import angles, by_window, cold_start, drive, follow, misfires, oil, steps
from camlog.report.dashboard import KINDS, AskedChart, Dashboard
from camlog.report.words import cam_title, key_evidence

# Points of all lines over time together, in one report: what keeps an eight-hour drive within its size.
TIME_POINTS = 44_000
FEWEST_POINTS, MOST_POINTS = 1_200, 6_000
# The chart that shows a verdict best.
FIRST = {
    "healthy": "closeup",
    "sticking": "closeup",
    "slow": "steps",
    "stuck": "closeup",
    "unstable": "closeup",
    "offset": "rest",
    "sensor": "closeup",
    "insufficient_data": "closeup",
}


def windows_of(findings: Findings, words: tuple[str, ...] | None) -> tuple[OilWindow, ...]:
    """The oil windows that go by these words; all where None."""
    known = findings.conditions.windows.windows
    return tuple(w for w in known if words is None or window_word(w, findings.limits) in words)


def first_chart(findings: Findings, cam: str, dashboard: Dashboard) -> Chart:
    """The one chart that convinces, for the first screen."""
    found = findings.cams[cam]
    kind = dashboard.first
    if kind == "auto":
        kind = FIRST.get(found.verdict.condition, "closeup")
        key = key_evidence(found.verdict)
        if kind == "closeup" and key is not None and key.figure.name == "cold_start_flutter_deg":
            kind = "cold_start"
    if kind == "cold_start":
        chart = cold_start.chart(findings, cam, with_speed=False)
    else:
        chart = _one(findings, AskedChart(kind), cam, windows_of(findings, dashboard.windows), MOST_POINTS)
    if chart.empty and kind != "closeup":
        chart = _one(findings, AskedChart("closeup"), cam, windows_of(findings, None), MOST_POINTS)
    layout = chart.layout
    if chart.kind == "steps" and not chart.empty:
        # Too low a picture for two labels as close as 86 and 100 %.
        layout = layout | {"yaxis": layout["yaxis"] | {"tickvals": [0, 63, 100]}}
    # On a card the heading says which cam it is.
    return replace(chart, layout=layout, title=_without_cam(chart.title, cam))


def asked_charts(findings: Findings, dashboard: Dashboard, share: float = 1.0) -> list[Chart]:
    """All charts of a dashboard, in its order; `share` of the points, where two drives share a page."""
    budget = _budget(findings, dashboard, share)
    return [chart for asked in dashboard.charts for chart in _drawn(findings, dashboard, asked, budget)]


def _budget(findings: Findings, dashboard: Dashboard, share: float) -> int:
    lines = 0
    for asked in dashboard.charts:
        if asked.kind == "drive":
            lines += len(asked.signals or drive.USUAL)
        elif asked.kind == "angles":
            lines += 3 * len(list(_cams(findings, asked)))
    return int(min(max(share * TIME_POINTS / max(lines, 1), FEWEST_POINTS), MOST_POINTS))


def _cams(findings: Findings, asked: AskedChart) -> Iterable[str]:
    return [cam for cam in findings.cams if asked.cams is None or cam in asked.cams]


def _drawn(findings: Findings, dashboard: Dashboard, asked: AskedChart, budget: int) -> list[Chart]:
    windows = windows_of(findings, asked.windows or dashboard.windows)
    cams = _cams(findings, asked) if KINDS[asked.kind].per_cam else [""]
    return [_timed(_one(findings, asked, cam, windows, budget), asked) for cam in cams]


def _one(findings: Findings, asked: AskedChart, cam: str, windows: tuple[OilWindow, ...], budget: int) -> Chart:
    title = f"{cam_title(cam)}: {asked.title}" if asked.title and cam else asked.title
    match asked.kind:
        case "drive":
            return drive.chart(findings, budget, asked.signals or drive.USUAL, title)
        case "angles":
            return angles.chart(findings, cam, budget, title)
        case "closeup":
            return angles.closeup(findings, cam, title)
        case "follow":
            return follow.chart(findings, cam, windows, title)
        case "steps":
            return steps.chart(findings, cam, windows, title, asked.seconds)
        case "oil":
            return oil.chart(findings, cam, windows, title)
        case "error":
            return by_window.error_chart(findings, cam, windows, title)
        case "hold":
            return by_window.hold_chart(findings, cam, windows, title)
        case "rest":
            return by_window.rest_chart(findings, cam, windows, title)
        case "cold_start":
            return cold_start.chart(findings, cam, title, asked.seconds)
        case _:
            return misfires.chart(findings, title)


def _timed(chart: Chart, asked: AskedChart) -> Chart:
    if not chart.timed or (asked.from_s is None and asked.to_s is None):
        return chart
    axis = dict(chart.layout["xaxis"])
    low, high = axis["range"]
    axis["range"] = [
        asked.from_s if asked.from_s is not None else low,
        asked.to_s if asked.to_s is not None else high,
    ]
    return replace(chart, layout=chart.layout | {"xaxis": axis})


def _without_cam(title: str, cam: str) -> str:
    words = title.removeprefix(f"{cam_title(cam)}: ")
    return words[:1].upper() + words[1:]
