"""`camlog analyze`: from a recording to the verdict."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from camlog.analysis.findings import Findings
    from camlog.drive import Drive
    from camlog.trace import Trace


def analyze(
    trace: list[Path], vehicle: str | None = None, out: Path | None = None, maps: list[Path] | None = None,
    json: bool = False, dashboard: str | None = None, library: Path | None = None, why: bool = False,
    force: bool = False,
) -> None:  # fmt: skip
    """Say what each cam does with its command, and why.

    Writes NAME.report.html and NAME.findings.json and prints the verdict. Codes and events come from the drive file
    beside the recording, where there is one. With a vehicle profile the limits of this vehicle count.
    """
    from camlog.analysis import analyze as findings_of
    from camlog.analysis.findings import write_findings
    from camlog.cli import results
    from camlog.report import write_report
    from camlog.visible import visible_json

    profile = results.profile_of(vehicle)

    def examine(recording: tuple[Trace, Drive | None]) -> Findings:
        good = None if library is None else results.known_good_in(library, profile, recording[0].sha256)
        return findings_of(*recording, profile, known_good=good)

    if json:
        made = [examine(results.load(path, maps, place)).to_dict() for place, path in enumerate(trace)]
        typer.echo(visible_json(made[0] if len(made) == 1 else made))
        return
    # Everything that can be wrong with the names is said before the first analysis.
    endings = (".report.html", ".findings.json")
    places = [[results.result_path(path, ending, out, force) for ending in endings] for path in trace]
    results.check_dashboard(dashboard)
    for place, (path, (report, figures)) in enumerate(zip(trace, places, strict=True)):
        recording = results.load(path, maps, place)
        findings = examine(recording)
        write_report(findings, report, dashboard=dashboard, replace=force)
        write_findings(findings, figures, partial(examine, recording), replace=force)
        for line in results.verdict_lines(findings, why=why):
            typer.echo(line)
        typer.echo(results.say("analyze.report", path=report))
