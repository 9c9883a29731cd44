"""`camlog job`: from the complaint to the handed-over car, in one record."""

from __future__ import annotations

import json as json_text
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from camlog.cli.options import group
from camlog.messages import text_template

if TYPE_CHECKING:
    from camlog.job.record import Job
    from camlog.job.shop import ShopFile
    from camlog.profile import VehicleProfile
    from camlog.profile.model import Layout

SHOWN = 5


def new(
    name: str, complaint: str = "", recording: list[Path] | None = None, vehicle: str | None = None,
    plate: str = "", mileage_km: float | None = None, oil_date: str = "", technician: str = "",
    shop_name: str = "", force: bool = False,
) -> None:  # fmt: skip
    """Begin a job. Everything but its name may come later, or never."""
    from camlog.cli.results import findings_of, profile_of
    from camlog.job.record import Job
    from camlog.job.work import add_recording, begin, job_path

    profile = profile_of(vehicle)
    job = Job(job_path(name))
    known = {"plate": plate, "mileage_km": mileage_km, "oil_date": oil_date}
    begin(job, complaint, known, {"technician": technician, "shop": shop_name}, profile)
    for path in recording or ():
        add_recording(job, findings_of(path, profile))
    job.save(replace=force)
    typer.echo(f"{job.path}: begun. Next: camlog job show --job {job.path}")


def show(
    job: Path | None = None, shop: Path | None = None, vehicle: str | None = None, json: bool = False,
    out: Path | None = None, force: bool = False,
) -> None:  # fmt: skip
    """Where the job stands: causes, the next checks in order of worth, what was found, what is open."""
    found, shop_file, layout, _ = _open(job, shop, vehicle)
    from camlog.job.work import next_steps

    steps = next_steps(found, shop_file, layout)
    if json:
        typer.echo(json_text.dumps(found.content | {"next": steps}, indent=1, ensure_ascii=False))
        return
    typer.echo(_template().show(found, steps, SHOWN), nl=False)
    if out is not None:
        _pages(found, steps, out, force)


def found(
    text: str = "", job: Path | None = None, check: str | None = None, who: str = "",
    recording: Path | None = None, shop: Path | None = None, vehicle: str | None = None,
) -> None:  # fmt: skip
    """Note the outcome of a check, or take in a recording: the causes and the next checks move at once."""
    from camlog.cli.results import findings_of
    from camlog.job.found import understand
    from camlog.job.work import add_found, add_recording, next_steps

    record, shop_file, layout, profile = _open(job, shop, vehicle)
    if recording is not None:
        add_recording(record, findings_of(recording, profile))
        typer.echo(f"Taken in: {recording.name}.")
    if text or recording is None:
        outcome = understand(text, check)
        add_found(record, outcome, text, who)
        typer.echo(f"Noted: {outcome}.")
    record.save()
    typer.echo(_template().show(record, next_steps(record, shop_file, layout), SHOWN), nl=False)


def quote(
    job: Path | None = None, repair: str | None = None, shop: Path | None = None,
    vehicle: str | None = None, json: bool = False,
) -> None:  # fmt: skip
    """What to quote: each choice, its chance to cure, its cost, and its cost with the car coming back."""
    from camlog.job.work import WORTH_SHOWING, make_quote

    record, shop_file, layout, _ = _open(job, shop, vehicle)
    made = make_quote(record, shop_file, layout, repair)
    record.save()
    if json:
        typer.echo(json_text.dumps(made, indent=1, ensure_ascii=False))
        return
    typer.echo(_template().quote(made, WORTH_SHOWING), nl=False)


def sheet(
    job: Path | None = None, vehicle: str | None = None, entered: list[str] | None = None,
    tick: list[int] | None = None, who: str = "",
) -> None:  # fmt: skip
    """The work sheet of what was quoted: marks, measurements, fasteners. What is measured moves the causes."""
    from camlog.job.sheet import enter, row_words, rows
    from camlog.job.work import make_sheet, tick_row, use_measurements

    record, _, layout, _ = _open(job, None, vehicle)
    numbered = rows(make_sheet(record, layout))
    for number in tick or ():
        if not 1 <= number <= len(numbered) or "done" not in numbered[number - 1]:
            raise typer.BadParameter(f"line {number} has nothing to tick", param_hint="--tick")
    for text in entered or ():
        record.note(f"typed in: {row_words(enter(record.get('sheet'), text))}", who=who)
    for number in tick or ():
        tick_row(record, numbered[number - 1], who)
    for line in use_measurements(record):
        typer.echo(line)
    record.save()
    for number, row in enumerate(numbered, start=1):
        box = ("[x]" if row["done"] else "[ ]") if "done" in row else "   "
        typer.echo(f"{number:>3} {box} {row_words(row)}")


def close(
    job: Path | None = None, done: str = "", after: Path | None = None, before: Path | None = None,
    shop: Path | None = None, vehicle: str | None = None, out: Path | None = None, force: bool = False,
) -> None:  # fmt: skip
    """Close the job: with the proof where there is a drive after the repair; writes the customer's page and the workshop file."""
    from camlog.cli.results import findings_of
    from camlog.job.sheet import open_boxes
    from camlog.job.work import close as close_job
    from camlog.job.work import drive_before, next_steps

    record, shop_file, layout, profile = _open(job, shop, vehicle)
    before = (before or drive_before(record)) if after else None
    second, first = (None if path is None else findings_of(path, profile) for path in (after, before))
    proof = close_job(record, done, second, first)
    record.save()
    for text in open_boxes(record.get("sheet")):
        typer.echo(f"Still open: {text}")
    typer.echo("Proof: " + (proof.headline if proof else "none; close again with --after TRACE --before TRACE."))
    _pages(record, next_steps(record, shop_file, layout), out or record.path.parent, force)


def _open(
    job: Path | None, shop: Path | None, vehicle: str | None
) -> tuple[Job, ShopFile, Layout, VehicleProfile | None]:
    from camlog.cli.results import profile_of
    from camlog.job.record import find_job
    from camlog.job.shop import read_shop
    from camlog.profile.model import layout_of

    record = find_job(job)
    kept = record.get("vehicle").get("profile")
    # The profile named now, else the one the job began with where it still lies there.
    profile = profile_of(vehicle or (kept if isinstance(kept, str) and Path(kept).exists() else None))
    return record, read_shop(shop, record.path.parent), layout_of(profile), profile


def _template() -> Any:
    return text_template(__package__, "job.txt.j2").module


def _pages(record: Job, steps: dict, folder: Path, force: bool) -> None:
    from camlog.job.pages import write_pages

    for path in write_pages(record, steps, folder, replace=force):
        typer.echo(f"Page: {path}")


app = group("job", new, show, found, quote, sheet, close)
