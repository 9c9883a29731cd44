"""The report page: Findings and a dashboard to one HTML text."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from camlog.analysis.findings import Findings
from camlog.analysis.verdict.weigh import table
from camlog.page import render_page, shipped_text
from camlog.report import records, summary
from camlog.report.asked_charts import asked_charts, first_chart
from camlog.report.chart import Chart
from camlog.report.dashboard import Dashboard, read_dashboard
from camlog.report.figures_table import Row, grouped, misfire_rows, rows
from camlog.report.weighing import weighing
from camlog.report.words import cam_title, cause_words, duration, evidence_words
from camlog.trust import simulated_words

FIRST_CHART_PX = 210


@lru_cache(maxsize=1)
def plotly_script() -> str:
    """plotly.js as the plotly package ships it, to stand inside the page."""
    from plotly.offline import get_plotlyjs

    return get_plotlyjs()


def chart_scripts() -> list[str]:
    """The scripts of a page with charts, in order."""
    return [plotly_script(), shipped_text("charts.js")]


class ChartBook:
    """The charts of one page: gives each its id and collects what the page's script draws."""

    def __init__(self) -> None:
        self.specs: dict[str, Any] = {}

    def add(self, chart: Chart, *, height: int | None = None, first: bool = False) -> dict[str, Any]:
        """Register a chart; returns what the template needs of it."""
        number = len(self.specs) + 1
        name = f"chart-{number}"
        if not chart.empty:
            spec = chart.spec() | {
                "first": first,
                "title": chart.title,
                "file": f"{chart.kind}-{chart.cam}".strip("-"),
            }
            if height:
                spec["height"] = height
            self.specs[name] = spec
        return {
            "id": name, "title": chart.title, "answer": chart.answer, "note": chart.note, "empty": chart.empty,
            "height": height or chart.height, "timed": chart.timed, "summary": chart.summary, "drawn": not chart.empty,
            "kind": chart.kind, "cam": chart.cam, "wide": chart.timed or not chart.cam,
        }  # fmt: skip


def facts(findings: Findings) -> dict[str, str]:
    """Vehicle, file, day and length of a drive, for headings."""
    drive, profile = findings.drive, findings.profile
    name = (drive.vehicle.get("name") if drive is not None else None) or (
        profile.name if profile is not None else None
    )
    started = drive.started_at if drive is not None and drive.started_at else ""
    return {
        "vehicle": str(name or "Vehicle not named"),
        "file": findings.trace.name or "recording",
        "started": started.replace("T", " ")[:16],
        "duration": duration(findings.conditions.duration_s),
    }


def figure_tables(findings: Findings) -> list[dict[str, Any]]:
    """One table a cam, and one of misfires."""
    tables = [_figure_table(cam_title(cam), rows(findings, cam)) for cam in findings.cams]
    cylinders = misfire_rows(findings)
    return tables + ([_figure_table("Misfires", cylinders)] if cylinders else [])


def _figure_table(title: str, all_rows: Sequence[Row]) -> dict[str, Any]:
    beyond = sum(row.state == "beyond" for row in all_rows)
    return {"title": title, "groups": grouped(all_rows), "count": len(all_rows), "beyond": beyond}


def render_report(findings: Findings, *, dashboard: str | Path | Dashboard | None = None) -> str:
    """The report as one HTML text.

    `dashboard` is the name of a shipped dashboard, the path of a file, or one already read. Raises InputError
    for a dashboard that is not right.
    """
    from camlog import __version__

    if not isinstance(dashboard, Dashboard):
        dashboard = read_dashboard(dashboard)
    book = ChartBook()
    cards = []
    for found in summary.cams_in_order(findings):
        chart = book.add(first_chart(findings, found.cam, dashboard), height=FIRST_CHART_PX, first=True)
        cards.append(summary.card(found) | {"chart": chart, "weighing": weighing(found)})
    evidence: Sequence[dict[str, Any]] = [book.add(chart) for chart in asked_charts(findings, dashboard)]
    return render_page(
        "report.html",
        simulated=simulated_words(findings.drive),
        scripts=chart_scripts(),
        charts={"end_s": _end_s(findings), "charts": book.specs},
        facts=facts(findings),
        headline=summary.headline(findings),
        do_not_run=findings.do_not_run,
        owner=summary.owner_paragraph(findings),
        cards=cards,
        steps=summary.next_steps(findings),
        covered=summary.coverage_words(findings),
        evidence=evidence,
        dashboard=dashboard,
        tables=dashboard.tables,
        causes=records.causes(findings),
        unlikely=records.unlikely_causes(findings),
        figures=figure_tables(findings),
        codes=records.codes(findings),
        coverage=records.coverage(findings),
        recording=records.recording(findings, dashboard, __version__),
        cautions=findings.cautions,
        cam_title=cam_title,
        tested=table().tested,
        cause_words=cause_words,
        evidence_words=evidence_words,
    )


def _end_s(findings: Findings) -> float:
    return float(findings.trace.time_s[-1]) if len(findings.trace.time_s) else 0.0
