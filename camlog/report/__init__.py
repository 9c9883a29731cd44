"""Reports: Findings to one HTML file that works without a network."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from camlog.analysis.findings import Findings

__all__ = ["render_comparison", "render_report", "write_comparison", "write_report"]


def render_report(findings: Findings, *, dashboard: str | Path | None = None) -> str:
    """The report as one HTML text; `dashboard` is a shipped one's name or a file (default: test drive).

    Raises InputError for a dashboard that is not right.
    """
    from camlog.report.document import render_report as render

    return render(findings, dashboard=dashboard)


def write_report(
    findings: Findings, path: str | Path, *, dashboard: str | Path | None = None, replace: bool = True
) -> None:
    """Write the report to `path`, whole or not at all.

    Raises InputError for the dashboard, and where something is there and `replace` is not set; OSError for the disk.
    """
    from camlog.page import write_page

    write_page(render_report(findings, dashboard=dashboard), path, replace=replace)


def render_comparison(before: Findings, after: Findings, *, dashboard: str | Path | None = None) -> str:
    """Two drives side by side as one HTML text. Raises InputError for a dashboard that is not right."""
    from camlog.report.comparison import render_comparison as render

    return render(before, after, dashboard=dashboard)


def write_comparison(
    before: Findings,
    after: Findings,
    path: str | Path,
    *,
    dashboard: str | Path | None = None,
    replace: bool = True,
) -> None:
    """Write the comparison to `path`, whole or not at all. Raises as `write_report` does."""
    from camlog.page import write_page

    write_page(render_comparison(before, after, dashboard=dashboard), path, replace=replace)
