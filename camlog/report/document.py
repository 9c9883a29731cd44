"""The report page: one HTML text from Findings and a dashboard."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from camlog.analysis.findings import Findings
from camlog.analysis.verdict.weigh import table
from camlog.cams import title as cam_title
from camlog.drive import READINESS_MONITORS
from camlog.new_files import write_text
from camlog.numbers import number, with_unit
from camlog.page import render_page, shipped_text
from camlog.report import summary
from camlog.report.chart import Chart
from camlog.report.charts.angles import moment_charts
from camlog.report.charts.times import end_s
from camlog.report.dashboard import AUTO, Dashboard, asked_charts, first_chart, read_dashboard, windows_of
from camlog.report.strip import strip_view
from camlog.report.summary import checks, coverage_words
from camlog.report.tables import associations, figure_tables, grids, weighing
from camlog.report.words import cause_words, driven_words, evidence_words, say, since_words
from camlog.signals import unit_of
from camlog.trust import simulated_words

LISTS = ("stored", "pending", "permanent")
# Units of values in freeze frames and counters that are no signals, by the end of their names.
_ENDINGS = {"_km": "km", "_min": "min", "_s": "s", "_deg": "deg"}
MOST_TESTS = 60
SEPARATE_BELOW = 0.05  # support below which causes are listed in one line


def records(findings: Findings, dashboard: Dashboard) -> dict[str, Any]:
    """The values that templates need in addition to the findings."""
    codes, limits = findings.codes, findings.limits
    likely = [c for c in findings.causes if c.support >= SEPARATE_BELOW or c.evidence_for]
    overridden = findings.profile.limits if findings.profile is not None else {}
    return {
        "findings": findings, "dashboard": dashboard, "covered": coverage_words(findings),
        "causes": [(c, checks(c.next_checks)) for c in likely],
        "unlikely": ", ".join(c.cause for c in findings.causes if c not in likely),
        "unread": [name for name in LISTS if name not in codes.known],
        "readiness": [(m.replace("_", " "), codes.readiness[m]) for m in READINESS_MONITORS if m in codes.readiness],
        "freeze_frame": [reading(*item) for item in (codes.freeze_frame or {}).items() if isinstance(item[1], int | float)],
        "since_clear": [reading(*item) for item in (codes.since_clear or {}).items()],
        "tests": sorted(codes.tests, key=lambda t: t.over is None)[:MOST_TESTS],
        "overridden": [(limits[n].title, with_unit(v, limits[n].unit), n) for n, v in overridden.items() if n in limits],
        "signals": [_signal(findings, name) for name in findings.trace.signals],
    }  # fmt: skip


def reading(key: str, value: Any) -> tuple[str, str | None]:
    """Name and value with unit of an item in a freeze frame or a counter; None if it was not read."""
    ending = next((e for e in _ENDINGS if key.endswith(e)), "")
    name = key.removesuffix(ending).replace("_", " ")
    if not isinstance(value, int | float):
        return name, value
    return name, with_unit(float(value), unit_of(key) or _ENDINGS.get(ending, ""))


def _signal(findings: Findings, name: str) -> tuple[str, str, int, str]:
    """Name, unit, number and rate (per second) of a signal's readings."""
    t, _ = findings.trace.samples(name)
    rate = "" if len(t) < 2 or t[-1] <= t[0] else number((len(t) - 1) / (t[-1] - t[0]))
    return name, findings.trace.units.get(name, ""), len(t), rate


FIRST_CHART_PX = 250


@lru_cache(maxsize=1)
def chart_scripts() -> list[str]:
    """The scripts of a page with charts, in order; the first is plotly.js as the plotly package ships it."""
    from plotly.offline import get_plotlyjs

    return [get_plotlyjs(), shipped_text("charts.js")]


class ChartBook:
    """The charts of one page: assigns their ids and collects the values for the page's script."""

    def __init__(self) -> None:
        self.specs: dict[str, Any] = {}

    def add(self, chart: Chart, *, height: int | None = None, first: bool = False) -> dict[str, Any]:
        """Register a chart; returns the values for the template."""
        name = f"chart-{len(self.specs) + 1}"
        height = height or chart.height
        if not chart.empty:
            about = {"first": first, "title": chart.title, "file": f"{chart.kind}-{chart.cam}".strip("-")}
            self.specs[name] = chart.spec() | about | {"height": height}
        return {"id": name, "height": height, "chart": chart}


def facts(findings: Findings) -> dict[str, Any]:
    """Vehicle, file, day and length of a drive, for headings."""
    drive, profile = findings.drive, findings.profile
    named = drive.vehicle.get("name") if drive is not None else None
    return {
        "vehicle": str(named or (profile.name if profile is not None else "") or say("recording.no_vehicle")),
        "file": findings.trace.name or say("recording.no_file"),
        "started": (drive.started_at or "").replace("T", " ")[:16] if drive is not None else "",
        "seconds": findings.conditions.duration_s,
    }


def _shown(findings: Findings, cam: str, board: Dashboard) -> list[Chart]:
    """The charts that show the verdict of a cam: its worst moments, else the first chart of the dashboard. None for a
    healthy cam if another is faulty."""
    moments = moment_charts(findings, cam) if board.first == AUTO else []
    healthy = findings.cams[cam].verdict.condition == "healthy"
    if moments or (healthy and board.first == AUTO and summary.faulty(findings)):
        return moments
    return [replace(first_chart(findings, cam, board), height=FIRST_CHART_PX)]


def render_report(findings: Findings, dashboard: str | Path | None = None) -> str:
    """The report as one HTML text. Raises InputError for a wrong dashboard."""
    board, book = read_dashboard(dashboard), ChartBook()
    cards = [
        summary.card(found)
        | {"weighing": weighing(found.verdict), "since": since_words(findings, found) or driven_words(found)}
        for found in summary.cams_in_order(findings)
    ]
    cards_with_charts = [
        (card, [book.add(c, first=True) for c in _shown(findings, card["cam"], board)]) for card in cards
    ]
    charts = asked_charts(findings, board)
    return render_page(
        "report.html",
        simulated=simulated_words(findings.drive),
        scripts=chart_scripts(),
        charts={"end_s": end_s(findings), "charts": book.specs},
        facts=facts(findings),
        complaint=summary.complaint(findings),
        headline=summary.headline(findings),
        owner=summary.owner_paragraph(findings),
        cards=cards,
        strip=strip_view(findings),
        shown=[(card, charts) for card, charts in cards_with_charts if charts],
        steps=summary.next_steps(findings),
        evidence=[book.add(chart) for chart in charts if not chart.empty],
        paper_name=re.sub(r"[^A-Za-z0-9 ._-]", " ", facts(findings)["file"])[:60],
        not_drawn=[chart for chart in charts if chart.empty],
        grids=grids(findings, windows_of(findings, board.windows)),
        associations=associations(findings),
        figures=figure_tables(findings),
        cam_title=cam_title,
        tested=table().tested,
        cause_words=cause_words,
        evidence_words=evidence_words,
        **records(findings, board),
    )


def write_report(
    findings: Findings, path: str | Path, *, dashboard: str | Path | None = None, replace: bool = True
) -> None:
    """Write the report to `path`, whole or not at all."""
    write_text(render_report(findings, dashboard), path, replace=replace)
