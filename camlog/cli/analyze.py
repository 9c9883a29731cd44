"""`camlog analyze`: from a recording to the verdict."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer


def analyze(
    trace: Annotated[list[Path], typer.Argument(help="One or more saved recordings, as in drive.csv.", metavar="TRACE...")],
    vehicle: Annotated[
        Optional[str],
        typer.Option(help="Vehicle profile: engine geometry, oil grade and limits of this vehicle; 'demo'.", metavar="FILE"),
    ] = None,
    out: Annotated[
        Optional[Path], typer.Option(help="Folder for the results. Default: beside each recording.", metavar="DIR")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the findings as JSON and write no files.")] = False,
    dashboard: Annotated[
        Optional[str],
        typer.Option(
            help="Which charts the report shows: test_drive, cold_start, repair_check, or a file of your own.",
            metavar="FILE",
        ),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite results that are there already.")] = False,
) -> None:
    """Say what each cam does with its command, and why.

    Writes NAME.report.html and NAME.findings.json and prints the verdict. Codes and events come from the drive file
    beside the recording, where there is one. With a vehicle profile the limits of this vehicle count.
    """
    from camlog.analysis import analyze as analyze_trace
    from camlog.cli.results import load, results_paths, verdict_lines
    from camlog.profile import read_profile

    profile = read_profile(vehicle) if vehicle else None
    # Everything that can be wrong with the names is said before the first analysis.
    places = {} if json else {path: results_paths(path, out, force) for path in trace}
    if not json:
        from camlog.report.dashboard import read_dashboard

        for remark in read_dashboard(dashboard).remarks:
            typer.echo(f"camlog: {dashboard}: {remark}", err=True)
    found = []
    for path in trace:
        saved, drive = load(path)
        findings = analyze_trace(saved, drive, profile)
        found.append(findings)
        if json:
            continue
        _write(findings, *places[path], dashboard, force)
        for line in verdict_lines(findings):
            typer.echo(line)
        typer.echo(f"Report: {places[path][0]}")
    if json:
        _print_json(found)


def _write(findings, report: Path, figures: Path, dashboard: str | None, force: bool) -> None:
    from camlog.analysis.findings import write_findings
    from camlog.report import write_report

    write_report(findings, report, dashboard=dashboard, replace=force)
    write_findings(findings, figures, replace=force)


def _print_json(found: list) -> None:
    """One trace: its findings; several: a list of them."""
    from camlog.visible import visible_json

    content = found[0].to_dict() if len(found) == 1 else [f.to_dict() for f in found]
    typer.echo(visible_json(content))
