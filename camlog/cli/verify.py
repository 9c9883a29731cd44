"""`camlog verify`: is the repair proven by the drive after it?"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from camlog.analysis.findings import Findings
    from camlog.drive import Drive
    from camlog.profile import VehicleProfile

NOT_VERIFIED = 1
STATE_WORDS = {"passed": "passed", "failed": "FAILED", "not_shown": "not yet shown", "not_applicable": "not applicable"}


def verify(
    after: Annotated[
        Path, typer.Argument(help="The drive after the repair, as in after.csv.", metavar="AFTER")
    ],
    before: Annotated[
        Path | None,
        typer.Option(
            help="The drive before the repair (its recording), or the snapshot that camlog clear saved "
            "(NAME.drive.json). Without it the conditions of the fault are not known, and nothing can be "
            "verified.",
            metavar="BEFORE",
        ),
    ] = None,
    vehicle: Annotated[
        str | None,
        typer.Option(help="Vehicle profile of this car: its limits and geometry; 'demo'.", metavar="FILE"),
    ] = None,
    job: Annotated[
        str, typer.Option(help="What was done, for the record: order number, parts.", metavar="TEXT")
    ] = "",
    outside: Annotated[
        list[str] | None,
        typer.Option(
            help="A code that has nothing to do with this job (may be repeated); the page says so.",
            metavar="CODE",
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for the page. Default: beside the drive.", metavar="DIR")
    ] = None,
    json: Annotated[
        bool, typer.Option("--json", help="Print the verification as JSON and write no page.")
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Overwrite a page that is there already.")] = False,
) -> None:
    """Prove a repair: no codes, monitors run again, fault conditions met, every cam healthy, misfires gone.

    Every check is passed, failed, not yet shown or not applicable, each with its evidence and what is still to do.
    Verified only where every check passed or is not applicable; then the exit status is 0, else 1. Recordings of a
    simulated adapter prove nothing, whatever the checks say.

    Where codes are stored, clear them after the repair (camlog clear). Start the recording before the cold engine,
    drive ten minutes with five of them above 40 km/h, let it idle for half a minute, drive as the customer does when it
    shows, and leave the ignition on for some seconds with the engine off before you end the recording. Drive only where
    traffic, law and the state of the car allow; the driver drives, someone else operates.

    Writes NAME.verification.html, one side to print and sign.
    """
    from camlog.errors import InputError
    from camlog.profile import read_profile
    from camlog.verify import verify as verify_repair
    from camlog.visible import visible_json

    page = None if json else _page_path(after, out, force)
    profile = read_profile(vehicle) if vehicle else None
    second = _findings(after, profile)
    first = None if before is None else _first(before, profile)
    if before is not None and before.suffix == ".csv" and first.trace.sha256 == second.trace.sha256:
        raise InputError(
            "is the same recording as the one given with --before", file=after, remedy="Name the drive after the repair."
        )
    found = verify_repair(
        second,
        first,
        job=job,
        outside=outside or (),
    )
    if json:
        typer.echo(visible_json(found.to_dict()))
    else:
        from camlog.verify.page import write_verification

        write_verification(found, page, replace=force)
        for line in lines(found):
            typer.echo(line)
        typer.echo(f"Page: {page}")
    raise typer.Exit(0 if found.verified else NOT_VERIFIED)


def _page_path(after: Path, out: Path | None, force: bool) -> Path:
    from camlog.errors import InputError

    path = (after.parent if out is None else out) / f"{after.name.removesuffix('.csv')}.verification.html"
    if os.path.lexists(path) and not force:
        raise InputError(
            "is there already", file=path, remedy="Add --force to overwrite it, or choose --out DIR."
        )
    if out is not None:
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"cannot be made ({error.strerror})", file=out, remedy="Choose another folder with --out."
            ) from error
    return path


def _findings(path: Path, profile: VehicleProfile | None) -> Findings:
    from camlog.analysis import analyze
    from camlog.cli.results import load

    return analyze(*load(path), profile)


def _first(path: Path, profile: VehicleProfile | None) -> Findings | Drive:
    """The first drive: a trace, or only a drive file as `camlog clear` saves it."""
    if not path.name.endswith(".drive.json"):
        return _findings(path, profile)
    from camlog.drive import read_drive, trace_path

    trace = trace_path(path)
    return _findings(trace, profile) if trace.exists() else read_drive(path)


def lines(found) -> list[str]:
    """The verification for a terminal."""
    import textwrap

    from camlog.cli.results import WIDTH, caution_lines, stop_lines
    from camlog.verify.page import chosen_changes

    def wrapped(text: str, indent: str) -> list[str]:
        return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ") or [""]

    made = [*stop_lines(found.after.do_not_run), *wrapped(found.headline, "")]
    for gate in found.gates:
        made += wrapped(f"{STATE_WORDS[gate.state]:>13}  {gate.title}", "")
        if gate.state != "passed":
            made += wrapped(gate.evidence, " " * 15)
    told = chosen_changes(found)
    if told:
        made.append("What has changed between the two drives, by more than chance:")
        for change in told:
            made += wrapped(f"- {change.sentence}", "  ")
    if found.todo:
        made.append("To do:")
        for number, text in enumerate(found.todo, start=1):
            made += wrapped(f"{number}. {text}", "  ")
    said = {*found.after.do_not_run, found.todo_caution}
    if found.todo_caution:
        made += wrapped(f"Careful: {found.todo_caution}", "  ")
    return [*made, *caution_lines(found.after.cautions, said)]
