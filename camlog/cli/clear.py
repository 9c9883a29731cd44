"""`camlog clear`: save what the modules hold, then clear their codes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

ANSWER = "clear"


def clear(
    port: Annotated[
        str | None,
        typer.Option(
            help="Where the adapter is, as for record; without it the likely ports are tried.", metavar="PORT"
        ),
    ] = None,
    baud: Annotated[int | None, typer.Option(help="Serial speed of the adapter.", metavar="N")] = None,
    save: Annotated[
        Path | None,
        typer.Option(
            help="Where the snapshot goes that is taken first. Default: codes-DATE-TIME.drive.json in this "
            "folder.",
            metavar="NAME.drive.json",
        ),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask (for scripts).")] = False,
    force: Annotated[bool, typer.Option("--force", help="Overwrite a snapshot of that name.")] = False,
) -> None:
    """Clear the codes after a repair, with everything saved first.

    Ignition on, engine off. camlog reads all the modules hold, saves it, shows it, says what clearing takes
    away, and asks. Then it clears and reads back. Without a saved snapshot nothing is cleared.

    Where nothing is stored or pending, clearing would only erase readiness: then it is not asked for.

    Keep the snapshot: camlog verify --before takes it where there is no recording from before the repair.
    """
    import os
    import sys
    from datetime import datetime

    from camlog.capture.clear import LOST, PERMANENT_STAY, clear_codes
    from camlog.capture.connect import open_link
    from camlog.cautions import CLEAR_RULES, LEARNED, READINESS_ONLY, caution, sentences
    from camlog.cli.codes import code_table
    from camlog.console import PlainConsole
    from camlog.errors import InputError
    from camlog.verify.memory import code_words

    if not yes and not sys.stdin.isatty():
        raise InputError("nobody is there to confirm", remedy="Run it in a terminal, or add --yes.")
    path = save or Path(datetime.now().strftime("codes-%Y%m%d-%H%M%S.drive.json"))
    if not path.name.endswith(".drive.json"):
        raise InputError(
            "the snapshot's name must end in .drive.json", file=path, remedy="As in: before.drive.json"
        )
    if os.path.lexists(path) and not force:
        raise InputError(
            "is there already", file=path, remedy="Choose another name, or add --force to overwrite it."
        )
    if not path.parent.is_dir():
        raise InputError("there is no such folder", file=path.parent, remedy="Create it, or choose another.")
    console = PlainConsole()

    def confirm(snapshot) -> bool:
        typer.echo(f"Saved all the modules hold: {path}")
        console.print(code_table(snapshot))
        if snapshot.stored == () and snapshot.pending == ():
            typer.echo(caution(READINESS_ONLY))
            if not yes:
                typer.echo("There is nothing to clear. Where monitors are to run anew all the same, add --yes.")
                return False
        typer.echo("Clearing takes away for good:")
        for loss in LOST:
            typer.echo(f"  - {loss}")
        for sentence in sentences((LEARNED, CLEAR_RULES)):
            typer.echo(sentence)
        if yes:
            return True
        try:
            answer = input(f"Type {ANSWER} to go on, anything else to leave the car as it is: ")
        except EOFError:
            return False
        return answer.strip().lower() == ANSWER

    link = open_link(port, baud=baud, say=lambda text: typer.echo(text, err=True))
    try:
        done = clear_codes(link, path, confirm=confirm, force=force)
    finally:
        link.close()
    if done is None:
        typer.echo("Nothing was cleared.")
        return
    for module in done.refused:
        typer.echo(f"Module {module} refused to clear.")
    if done.remaining is None:
        raise InputError(
            "the codes could not be read back after clearing",
            file=port,
            remedy="Read them again: camlog codes.",
        )
    if done.remaining:
        typer.echo(
            f"Still held after clearing: {code_words(done.remaining)}. A fault that is there sets its "
            "code again at once."
        )
    else:
        typer.echo(
            "Read back: no stored and no pending codes. Whether the repair holds, only a drive can show."
        )
    if done.permanent:
        typer.echo(f"Permanent: {code_words(done.permanent)}. {PERMANENT_STAY}")
    elif done.after.permanent is None:
        typer.echo("Permanent codes: not answered by this car.")
