"""`camlog clear`: save what the modules hold, then clear their codes."""

from __future__ import annotations

from pathlib import Path

import typer

ANSWER = "clear"


def clear(
    port: str | None = None, baud: int | None = None, save: Path | None = None, yes: bool = False,
    force: bool = False,
) -> None:  # fmt: skip
    """Clear the codes after a repair, with everything saved first.

    Ignition on, engine off. camlog reads all the modules hold, saves it, shows it, says what clearing takes
    away, and asks. Then it clears and reads back. Without a saved snapshot nothing is cleared.

    Where nothing is stored or pending, clearing would only erase readiness: then it is not asked for.

    Keep the snapshot: camlog verify --before takes it where there is no recording from before the repair.
    """
    import sys
    from datetime import datetime

    from camlog.capture.clear import LOST, PERMANENT_STAY, clear_codes
    from camlog.capture.connect import open_link
    from camlog.cautions import CLEAR_RULES, LEARNED, READINESS_ONLY, caution, sentences
    from camlog.cli.codes import code_table
    from camlog.cli.results import free_path, say
    from camlog.console import PlainConsole
    from camlog.verify.memory import code_words

    if not yes and not sys.stdin.isatty():
        raise say.error("clear_nobody")
    path = save or Path(datetime.now().strftime("codes-%Y%m%d-%H%M%S.drive.json"))
    if not path.name.endswith(".drive.json"):
        raise say.error("clear_name", path)
    free_path(path, force)

    def confirm(snapshot) -> bool:
        typer.echo(say("clear.saved", path=path))
        PlainConsole().print(code_table(snapshot))
        if snapshot.stored == () and snapshot.pending == ():
            typer.echo(caution(READINESS_ONLY))
            if not yes:
                typer.echo(say("clear.needless"))
                return False
        typer.echo(say("clear.takes_away"))
        for line in (*(f"  - {loss}" for loss in LOST), *sentences((LEARNED, CLEAR_RULES))):
            typer.echo(line)
        try:
            return yes or input(say("clear.ask", answer=ANSWER)).strip().lower() == ANSWER
        except EOFError:
            return False

    link = open_link(port, baud=baud, say=lambda text: typer.echo(text, err=True))
    try:
        done = clear_codes(link, path, confirm=confirm, force=force)
    finally:
        link.close()
    if done is None:
        typer.echo(say("clear.not_cleared"))
        return
    for module in done.refused:
        typer.echo(say("clear.refused", module=module))
    if done.remaining is None:
        raise say.error("clear_unread", port)
    typer.echo(say("clear.remaining", codes=code_words(done.remaining)) if done.remaining else say("clear.empty"))
    if done.permanent:
        typer.echo(say("clear.permanent", codes=code_words(done.permanent), why=PERMANENT_STAY))
    elif done.after.permanent is None:
        typer.echo(say("clear.permanent_unread"))
