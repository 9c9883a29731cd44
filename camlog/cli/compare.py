"""`camlog compare`: two drives side by side."""

from __future__ import annotations

from pathlib import Path

import typer

SENTENCES_SHOWN = 8


def compare(
    before: Path, after: Path, vehicle: str | None = None, out: Path | None = None,
    maps: list[Path] | None = None, dashboard: str | None = None, force: bool = False,
) -> None:  # fmt: skip
    """Set two drives side by side: the same charts in pairs, and each metric before, after and changed.

    Writes NAME.comparison.html beside AFTER. Whether a repair is proven is for `camlog verify` to say.
    """
    from camlog.analysis.changes import changes_between
    from camlog.cli import results
    from camlog.report import write_comparison
    from camlog.report.comparison import both_cautions, changed_sentences, doubts, headline

    page = results.result_path(after, ".comparison.html", out, force)
    results.check_dashboard(dashboard)
    profile = results.profile_of(vehicle)
    old, new = (results.findings_of(path, profile, maps, place) for place, path in enumerate((before, after)))
    changes = changes_between(old, new)
    changed = changed_sentences(changes)
    shown = changed[:SENTENCES_SHOWN] or [results.say("compare.nothing")]
    if len(changed) > SENTENCES_SHOWN:
        shown.append(results.say("compare.more", count=len(changed) - SENTENCES_SHOWN))
    for line in (
        *results.stop_lines(new.do_not_run), headline(old, new), *(results.say("verdict.careful", sentence=s) for s in doubts(old, new)),
        *(f"  {s}" for s in shown), *results.caution_lines(both_cautions(old, new), new.do_not_run),
    ):  # fmt: skip
        typer.echo(line)
    write_comparison(old, new, page, dashboard=dashboard, replace=force, changes=changes)
    typer.echo(results.say("compare.page", path=page))
