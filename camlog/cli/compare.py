"""`camlog compare`: two drives side by side."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Optional

import typer

SENTENCES_SHOWN = 8


def compare(
    before: Annotated[Path, typer.Argument(help="The drive before the repair.", metavar="BEFORE")],
    after: Annotated[Path, typer.Argument(help="The drive after it.", metavar="AFTER")],
    vehicle: Annotated[
        Optional[str],
        typer.Option(
            help="Vehicle profile: engine geometry, oil grade and limits of this vehicle; 'demo'.",
            metavar="FILE",
        ),
    ] = None,
    out: Annotated[
        Optional[Path], typer.Option(help="Folder for the page. Default: beside AFTER.", metavar="DIR")
    ] = None,
    dashboard: Annotated[
        Optional[str],
        typer.Option(
            help="Dashboard definition (TOML), or test_drive, cold_start, repair_check.", metavar="FILE"
        ),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite a page that is there already.")] = False,
) -> None:
    """Set two drives side by side: the same charts in pairs, and each metric before, after and changed.

    Writes NAME.comparison.html beside AFTER. Whether a repair is proven is for `camlog verify` to say.
    """
    from camlog.analysis import analyze
    from camlog.cli.results import caution_lines, load, stop_lines
    from camlog.profile import read_profile
    from camlog.report import write_comparison
    from camlog.report.comparison import both_cautions, changed_sentences, doubts, headline
    from camlog.report.dashboard import read_dashboard

    page = page_path(after, out, force)
    for remark in read_dashboard(dashboard).remarks:  # a slip in it is said before the analysis
        typer.echo(f"camlog: {dashboard}: {remark}", err=True)
    profile = read_profile(vehicle) if vehicle else None
    old, new = (analyze(*load(path), profile) for path in (before, after))
    for line in stop_lines(new.do_not_run):
        typer.echo(line)
    typer.echo(headline(old, new))
    for sentence in doubts(old, new):
        typer.echo(f"Careful: {sentence}")
    changed = changed_sentences(old, new)
    for sentence in changed[:SENTENCES_SHOWN]:
        typer.echo(f"  {sentence}")
    if len(changed) > SENTENCES_SHOWN:
        typer.echo(f"  and {len(changed) - SENTENCES_SHOWN} more")
    if not changed:
        typer.echo("  No figure changed by more than chance over conditions that both drives share.")
    for line in caution_lines(both_cautions(old, new), new.do_not_run):
        typer.echo(line)
    write_comparison(old, new, page, dashboard=dashboard, replace=force)
    typer.echo(f"Comparison: {page}")


def page_path(after: Path, out: Path | None, force: bool) -> Path:
    """Where the page goes: beside AFTER or in `out`. Raises InputError where something is in the way."""
    from camlog.errors import InputError

    folder = after.parent if out is None else out
    path = folder / f"{after.name.removesuffix('.csv')}.comparison.html"
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
