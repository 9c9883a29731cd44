"""`camlog library`: what recordings were, and which cars are known-good."""

from __future__ import annotations

import json as json_text
from pathlib import Path
from typing import Any

import typer

from camlog.cli.options import group


def add(
    trace: list[Path], vehicle: str | None = None, kind: str = "", car: str = "",
    mileage_km: float | None = None, outcome: str = "", good: str = "", why: str = "",
    library: Path | None = None,
) -> None:  # fmt: skip
    """Keep what recordings were: engine kind, figures with intervals, verdict. The files stay where they are.

    Known-good is a decision, never a guess: a verified repair, or said by a person, with --known-good WHO.
    """
    from camlog.analysis import analyze
    from camlog.cli.results import load, profile_of, say
    from camlog.library.entry import entry_of
    from camlog.library.store import Library

    profile = profile_of(vehicle)
    with Library(library) as kept:
        for path in trace:
            entry = entry_of(analyze(*load(path), profile))
            number = kept.add(entry, kind=kind, vehicle=car, mileage_km=mileage_km, outcome=outcome)
            if good:
                kept.mark_good(number, good, why)
            typer.echo(say("library.added", number=number, path=path, good=good))


def list_(
    search: str = "", kind: str | None = None, good: bool = False, library: Path | None = None,
    json: bool = False,
) -> None:  # fmt: skip
    """The recordings kept, newest first; a known-good one that does not fit the others is marked."""
    from camlog.cli.results import remark, say
    from camlog.library.compare import misfitting
    from camlog.library.store import Library

    with Library(library, new=False) as kept:
        if kind:
            kept.must_have("kind", kind)
        rows = kept.recordings(kind, good=good, search=search)
        odd = {k: misfitting(kept, k) for k in {r["kind"] for r in rows if r["known_good"]}}
    if json:
        typer.echo(json_text.dumps(rows, indent=1, ensure_ascii=True))
        return
    if not rows:
        remark(say("library.none"))
    for row in rows:
        misfit = row["sha256"] in odd.get(row["kind"], ())
        typer.echo(say("library.line", misfit=misfit, **row | {"cams": _cams(row)}))


def _cams(row: dict[str, Any]) -> list[dict[str, Any]]:
    """The cams of a recording with the words of their conditions."""
    from camlog.cams import short
    from camlog.report.words import CONDITION_WORDS

    return [{"cam": short(cam), "word": CONDITION_WORDS[c["condition"]], **c} for cam, c in row["cams"].items()]


def show(number: int, library: Path | None = None) -> None:
    """One recording: its figures beside those of known-good cars of its kind."""
    from camlog.cli.results import say
    from camlog.library.compare import places
    from camlog.library.store import Library

    with Library(library, new=False) as kept:
        row = kept.recording(number)
        found = places(kept, row)
    typer.echo(say("library.recording", **row))
    for cam in _cams(row):
        typer.echo(f"  {say('library.cam', **cam)}")
    for place in found:
        typer.echo(f"  {place}")
    if not row["kind"] or not found:
        typer.echo(say("library.no_good" if row["kind"] else "library.no_kind"))


def good(number: int, who: str, why: str = "", no: bool = False, library: Path | None = None) -> None:
    """Say that a recording is known-good, or no longer, with who says so."""
    from camlog.library.store import Library

    with Library(library, new=False) as kept:
        kept.mark_good(number, who, why, good=not no)


def remove(number: int, library: Path | None = None) -> None:
    """Forget a recording; its files stay."""
    from camlog.library.store import Library

    with Library(library, new=False) as kept:
        kept.remove(number)


def trend(car: str, library: Path | None = None) -> None:
    """Each figure of one car over time: since when it changed, and when it would cross its limit."""
    from camlog.library.compare import trends
    from camlog.library.store import Library

    with Library(library, new=False) as kept:
        for line in trends(kept, car):
            typer.echo(line)


app = group("library", add, list_, show, good, remove, trend)
