"""`camlog compare`: two drives side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from camlog.cli.options import Dashboard, Force, Maps, Out, Vehicle

SENTENCES_SHOWN = 8


def compare(
    before: Annotated[Path, typer.Argument(help="The drive before the repair.", metavar="BEFORE")],
    after: Annotated[Path, typer.Argument(help="The drive after it.", metavar="AFTER")],
    vehicle: Vehicle = None,
    out: Out = None,
    maps: Maps = None,
    dashboard: Dashboard = None,
    force: Force = False,
) -> None:
    """Set two drives side by side: the same charts in pairs, and each metric before, after and changed.

    Writes NAME.comparison.html beside AFTER. Whether a repair is proven is for `camlog verify` to say.
    """
    from camlog.analysis.changes import changes_between
    from camlog.cli.results import (
        caution_lines,
        check_dashboard,
        findings_of,
        profile_of,
        result_path,
        say,
        stop_lines,
    )
    from camlog.report import write_comparison
    from camlog.report.comparison import both_cautions, changed_sentences, doubts, headline

    page = result_path(after, ".comparison.html", out, force)
    check_dashboard(dashboard)
    profile = profile_of(vehicle)
    old, new = (findings_of(path, profile, maps, place) for place, path in enumerate((before, after)))
    changes = changes_between(old, new)
    changed = changed_sentences(changes)
    shown = changed[:SENTENCES_SHOWN] or [say("compare.nothing")]
    if len(changed) > SENTENCES_SHOWN:
        shown.append(say("compare.more", count=len(changed) - SENTENCES_SHOWN))
    for line in (
        *stop_lines(new.do_not_run), headline(old, new), *(say("verdict.careful", sentence=s) for s in doubts(old, new)),
        *(f"  {s}" for s in shown), *caution_lines(both_cautions(old, new), new.do_not_run),
    ):  # fmt: skip
        typer.echo(line)
    write_comparison(old, new, page, dashboard=dashboard, replace=force, changes=changes)
    typer.echo(say("compare.page", path=page))
