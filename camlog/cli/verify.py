"""`camlog verify`: is the repair proven by the drive after it?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from camlog.verify.verification import Verification

NOT_VERIFIED = 1


def verify(
    after: Path, before: Path | None = None, vehicle: str | None = None, job: str = "",
    outside: list[str] | None = None, out: Path | None = None, maps: list[Path] | None = None,
    json: bool = False, force: bool = False,
) -> None:  # fmt: skip
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
    from camlog.analysis.findings import Findings
    from camlog.cli.results import findings_of, profile_of, result_path, say
    from camlog.drive import read_drive, trace_path
    from camlog.verify import verify as verify_repair
    from camlog.verify.page import write_verification
    from camlog.visible import visible_json

    page = None if json else result_path(after, ".verification.html", out, force)
    profile = profile_of(vehicle)
    second, first = findings_of(after, profile, maps), None
    if before is not None:
        # A drive file as `camlog clear` saves it may stand alone.
        trace = trace_path(before) if before.name.endswith(".drive.json") else before
        first = findings_of(trace, profile, maps, 1) if trace == before or trace.exists() else read_drive(before)
        if before.suffix == ".csv" and isinstance(first, Findings) and first.trace.sha256 == second.trace.sha256:
            raise say.error("verify_same", after)
    found = verify_repair(second, first, job=job, outside=outside or ())
    if page is None:
        typer.echo(visible_json(found.to_dict()))
    else:
        write_verification(found, page, replace=force)
        for line in lines(found):
            typer.echo(line)
        typer.echo(say("verify.page", path=page))
    raise typer.Exit(0 if found.verified else NOT_VERIFIED)


def lines(found: Verification) -> list[str]:
    """The verification for a terminal."""
    from camlog.cli.results import caution_lines, say, stop_lines, wrapped
    from camlog.verify.page import chosen_changes

    printed = [*stop_lines(found.after.do_not_run), *wrapped(found.headline)]
    for gate in found.gates:
        printed.append(f"{gate.words:>13}  {gate.title}")
        if gate.state != "passed":
            printed += wrapped(gate.evidence, 15)
    changes = [say("verdict.item", sentence=c.sentence) for c in chosen_changes(found)]
    todo = [say("verdict.check", number=n, check=text) for n, text in enumerate(found.todo, start=1)]
    for title, items in (("verify.changed", changes), ("verify.todo", todo)):
        if items:
            printed += [say(title), *(line for item in items for line in wrapped(item, 2))]
    if found.todo:
        printed += wrapped(say("verify.options"), 2)
    if found.todo_caution:
        printed += wrapped(say("verdict.careful", sentence=found.todo_caution), 2)
    return [*printed, *caution_lines(found.after.cautions, {*found.after.do_not_run, found.todo_caution})]
