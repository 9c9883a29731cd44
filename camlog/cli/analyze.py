"""`camlog analyze`: from a recording to the verdict."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from camlog.cli.options import Dashboard, Force, Json, Maps, Out, Vehicle

if TYPE_CHECKING:
    from camlog.analysis.findings import Findings
    from camlog.drive import Drive
    from camlog.trace import Trace


def analyze(
    trace: Annotated[list[Path], typer.Argument(help="One or more saved recordings, as in drive.csv.", metavar="TRACE...")],
    vehicle: Vehicle = None,
    out: Out = None,
    maps: Maps = None,
    json: Json = False,
    dashboard: Dashboard = None,
    library: Annotated[
        Path | None,
        typer.Option("--library", metavar="FILE", help="Library whose known-good cars of the profile's kind join the evidence."),
    ] = None,
    why: Annotated[bool, typer.Option("--why", help="Print further reasons and checks, all that is still to drive and all cautions too.")] = False,
    force: Force = False,
) -> None:
    """Say what each cam does with its command, and why.

    Writes NAME.report.html and NAME.findings.json and prints the verdict. Codes and events come from the drive file
    beside the recording, where there is one. With a vehicle profile the limits of this vehicle count.
    """
    from camlog.analysis import analyze as findings_of
    from camlog.analysis.findings import write_findings
    from camlog.cli.results import (
        check_dashboard,
        known_good_in,
        load,
        profile_of,
        result_path,
        say,
        verdict_lines,
    )
    from camlog.report import write_report
    from camlog.visible import visible_json

    profile = profile_of(vehicle)

    def examine(recording: tuple[Trace, Drive | None]) -> Findings:
        good = None if library is None else known_good_in(library, profile, recording[0].sha256)
        return findings_of(*recording, profile, known_good=good)

    if json:
        made = [examine(load(path, maps, place)).to_dict() for place, path in enumerate(trace)]
        typer.echo(visible_json(made[0] if len(made) == 1 else made))
        return
    # Everything that can be wrong with the names is said before the first analysis.
    places = [[result_path(path, ending, out, force) for ending in (".report.html", ".findings.json")] for path in trace]
    check_dashboard(dashboard)
    for place, (path, (report, figures)) in enumerate(zip(trace, places, strict=True)):
        recording = load(path, maps, place)
        findings = examine(recording)
        write_report(findings, report, dashboard=dashboard, replace=force)
        write_findings(findings, figures, partial(examine, recording), replace=force)
        for line in verdict_lines(findings, why=why):
            typer.echo(line)
        typer.echo(say("analyze.report", path=report))
