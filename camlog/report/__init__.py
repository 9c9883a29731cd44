"""Reports: Findings to one HTML file that works without a network.

`dashboard` is everywhere the name of a shipped dashboard, the path of a file, or None for that of a test drive. All
raise InputError for a dashboard that is not right; those that write, also where something is there and `replace` is
not set, and OSError for the disk.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from camlog.analysis.findings import Findings

__all__ = ["render_comparison", "render_report", "write_comparison", "write_report"]


def render_report(findings: Findings, *, dashboard: str | Path | None = None) -> str:
    """The report as one HTML text."""
    from camlog.report.document import render_report as render

    return render(findings, dashboard)


def write_report(findings: Findings, path: str | Path, *, dashboard: str | Path | None = None, replace: bool = True) -> None:
    """Write the report to `path`, whole or not at all."""
    from camlog.new_files import write_text

    write_text(render_report(findings, dashboard=dashboard), path, replace=replace)


def render_comparison(before: Findings, after: Findings, *, dashboard: str | Path | None = None) -> str:
    """Two drives side by side as one HTML text."""
    from camlog.report.comparison import render_comparison as render

    return render(before, after, dashboard)


def write_comparison(
    before: Findings, after: Findings, path: str | Path, *, dashboard: str | Path | None = None, replace: bool = True
) -> None:
    """Write the comparison to `path`, whole or not at all."""
    from camlog.new_files import write_text

    write_text(render_comparison(before, after, dashboard=dashboard), path, replace=replace)
