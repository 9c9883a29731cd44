"""`camlog library`: what recordings were, and which cars are known-good."""

from __future__ import annotations

import json as json_text
from pathlib import Path
from typing import Annotated, Any

import typer

from camlog.cli.options import with_units

app = typer.Typer(no_args_is_help=True, help="The library: recordings kept with their figures; known-good cars of a kind.")

LibraryOption = Annotated[
    Path | None, typer.Option("--library", help="The library file. Default: this user's, or CAMLOG_LIBRARY.", metavar="FILE")
]
NumberArgument = Annotated[int, typer.Argument(help="Number of the recording, as `library list` shows it.", metavar="N")]


@app.command()
def add(
    trace: Annotated[list[Path], typer.Argument(help="Recordings to keep.", metavar="TRACE...")],
    vehicle: Annotated[str | None, typer.Option(help="Vehicle profile; 'demo'.", metavar="FILE")] = None,
    kind: Annotated[str, typer.Option(help="The shop's key of the engine kind; default: the profile's.", metavar="TEXT")] = "",
    car: Annotated[str, typer.Option(help="What tells this car from others of its kind (plate, number).", metavar="TEXT")] = "",
    mileage_km: Annotated[float | None, typer.Option(help="Mileage, km.", min=0.0)] = None,
    outcome: Annotated[str, typer.Option(help="What became of the job.", metavar="TEXT")] = "",
    good: Annotated[str, typer.Option("--known-good", help="It is known-good; says who.", metavar="WHO")] = "",
    why: Annotated[str, typer.Option(help="Why it is known-good.", metavar="TEXT")] = "",
    library: LibraryOption = None,
) -> None:
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
            entry = entry_of(analyze(*load(path), profile), kind=kind, vehicle=car, mileage_km=mileage_km, outcome=outcome)
            number = kept.add(entry)
            if good:
                kept.mark_good(number, good, why)
            typer.echo(say("library.added", number=number, path=path, good=good))


@app.command("list")
def list_(
    search: Annotated[str, typer.Argument(help="Words in file, vehicle, kind, outcome, codes or verdict.", metavar="TEXT")] = "",
    kind: Annotated[str | None, typer.Option(help="Only this engine kind.", metavar="TEXT")] = None,
    good: Annotated[bool, typer.Option("--known-good", help="Only known-good ones.")] = False,
    library: LibraryOption = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """The recordings kept, newest first; a known-good one that does not fit the others is marked."""
    from camlog.cli.results import say
    from camlog.library.compare import misfitting
    from camlog.library.store import Library

    with Library(library) as kept:
        rows = kept.recordings(kind, good=good, search=search)
        odd = {k: misfitting(kept, k) for k in {r["kind"] for r in rows if r["known_good"]}}
    if json:
        typer.echo(json_text.dumps(rows, indent=1, ensure_ascii=True))
        return
    for row in rows:
        misfit = row["sha256"] in odd.get(row["kind"], ())
        typer.echo(say("library.line", misfit=misfit, **row | {"cams": _cams(row)}))


def _cams(row: dict[str, Any]) -> list[dict[str, Any]]:
    """The cams of a recording with the words of their conditions."""
    from camlog.cams import short
    from camlog.report.words import CONDITION_WORDS

    return [{"cam": short(cam), "word": CONDITION_WORDS[c["condition"]], **c} for cam, c in row["cams"].items()]


@app.command()
@with_units
def show(number: NumberArgument, library: LibraryOption = None) -> None:
    """One recording: its figures beside those of known-good cars of its kind."""
    from camlog.cli.results import say
    from camlog.library.compare import places
    from camlog.library.store import Library

    with Library(library) as kept:
        row = kept.recording(number)
        found = places(kept, row)
    typer.echo(say("library.recording", **row))
    for cam in _cams(row):
        typer.echo(f"  {say('library.cam', **cam)}")
    for place in found:
        typer.echo(f"  {place}")
    if not row["kind"] or not found:
        typer.echo(say("library.no_good" if row["kind"] else "library.no_kind"))


@app.command()
def good(
    number: NumberArgument,
    who: Annotated[str, typer.Option(help="Who says so.", metavar="TEXT")],
    why: Annotated[str, typer.Option(help="Why.", metavar="TEXT")] = "",
    no: Annotated[bool, typer.Option("--no", help="It is known-good no longer.")] = False,
    library: LibraryOption = None,
) -> None:
    """Say that a recording is known-good, or no longer, with who says so."""
    from camlog.library.store import Library

    with Library(library) as kept:
        kept.mark_good(number, who, why, good=not no)


@app.command()
def remove(number: NumberArgument, library: LibraryOption = None) -> None:
    """Forget a recording; its files stay."""
    from camlog.library.store import Library

    with Library(library) as kept:
        kept.remove(number)


@app.command()
@with_units
def trend(
    car: Annotated[str, typer.Argument(help="The vehicle, as it was added.", metavar="CAR")],
    library: LibraryOption = None,
) -> None:
    """Each figure of one car over time: since when it changed, and when it would cross its limit."""
    from camlog.library.compare import trends
    from camlog.library.store import Library

    with Library(library) as kept:
        for line in trends(kept, car):
            typer.echo(line)
