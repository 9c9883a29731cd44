"""`camlog job`: from the complaint to the handed-over car, in one record."""

from __future__ import annotations

import json as json_text
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from camlog.job.record import Job
    from camlog.job.shop import ShopFile
    from camlog.profile.model import Layout

app = typer.Typer(no_args_is_help=True, help="The job: complaint, checks, quote, work sheet, proof, in one record.")

JobOption = Annotated[
    Path | None, typer.Option("--job", help="The job file. Default: the only one in this folder.", metavar="FILE")
]
ShopOption = Annotated[
    Path | None, typer.Option("--shop", help="The shop's own figures (TOML). Default: shop.toml beside the job.", metavar="FILE")
]
VehicleOption = Annotated[
    str | None, typer.Option("--vehicle", help="Vehicle profile: layout and limits; 'demo'.", metavar="FILE")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON.")]
SHOWN = 5


@app.command()
def new(
    name: Annotated[str, typer.Argument(help="Name of the job: NAME.job.json is written.", metavar="NAME")],
    complaint: Annotated[str, typer.Option(help="The customer's words.", metavar="TEXT")] = "",
    recording: Annotated[
        list[Path] | None, typer.Option(help="Recording of before the repair (may be repeated).", metavar="TRACE")
    ] = None,
    vehicle: VehicleOption = None,
    plate: Annotated[str, typer.Option(help="Plate or number of the vehicle.", metavar="TEXT")] = "",
    mileage_km: Annotated[float | None, typer.Option(help="Mileage, km.", min=0.0, max=5e6)] = None,
    oil_date: Annotated[str, typer.Option(help="When the oil was changed.", metavar="TEXT")] = "",
    technician: Annotated[str, typer.Option(help="Who works on it.", metavar="TEXT")] = "",
    shop_name: Annotated[str, typer.Option("--shop-name", help="The shop.", metavar="TEXT")] = "",
    force: Annotated[bool, typer.Option("--force", help="Replace a job of that name.")] = False,
) -> None:
    """Begin a job. Everything but its name may come later, or never."""
    from camlog.analysis import analyze
    from camlog.cli.results import load
    from camlog.job.record import PEOPLE_KEYS, VEHICLE_KEYS, Job
    from camlog.job.work import add_recording, job_path, set_fields
    from camlog.profile import read_profile

    profile = read_profile(vehicle) if vehicle else None
    job = Job(job_path(name))
    job.note("begun")
    if complaint:
        job.put("complaint", complaint, "complaint")
    told = {"name": profile.name if profile else "", "plate": plate, "mileage_km": mileage_km, "oil_date": oil_date,
            "oil_grade": profile.oil_grade if profile else "", "profile": str(profile.file) if profile else ""}  # fmt: skip
    set_fields(job, "vehicle", told, (*VEHICLE_KEYS, "profile"))
    set_fields(job, "people", {"technician": technician, "shop": shop_name}, PEOPLE_KEYS)
    for path in recording or ():
        add_recording(job, analyze(*load(path), profile))
    job.save(replace=force)
    typer.echo(f"{job.path}: begun. Next: camlog job show --job {job.path}")


@app.command()
def show(
    job: JobOption = None,
    shop: ShopOption = None,
    vehicle: VehicleOption = None,
    json: JsonOption = False,
    out: Annotated[
        Path | None, typer.Option(help="Write the customer's page and the workshop file into this folder.", metavar="DIR")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace pages that are there.")] = False,
) -> None:
    """Where the job stands: causes, the next checks in order of worth, what was found, what is open."""
    found, shop_file, layout = _open(job, shop, vehicle)
    from camlog.job.work import next_steps

    steps = next_steps(found, shop_file, layout)
    if json:
        typer.echo(json_text.dumps(found.content | {"next": steps}, indent=1, ensure_ascii=False))
        return
    _show(found, steps)
    if out is not None:
        _pages(found, steps, out, force)


@app.command()
def found(
    text: Annotated[str, typer.Argument(help='What was found, as in "oil 1 l low" or "marks ok".', metavar="TEXT")],
    job: JobOption = None,
    check: Annotated[str | None, typer.Option(help="The check, where the words leave it open.", metavar="KEY")] = None,
    who: Annotated[str, typer.Option(help="Who found it.", metavar="TEXT")] = "",
    shop: ShopOption = None,
    vehicle: VehicleOption = None,
) -> None:
    """Note the outcome of a check: the causes and the next checks move at once."""
    from camlog.job.found import understand
    from camlog.job.work import add_found, next_steps

    record, shop_file, layout = _open(job, shop, vehicle)
    outcome = understand(text, check)
    add_found(record, outcome, text, who)
    record.save()
    typer.echo(f"Noted: {outcome}.")
    _show(record, next_steps(record, shop_file, layout))


@app.command()
def quote(
    job: JobOption = None,
    repair: Annotated[str | None, typer.Option(help="The repair to quote. Default: least expected cost.", metavar="KEY")] = None,
    shop: ShopOption = None,
    vehicle: VehicleOption = None,
    json: JsonOption = False,
) -> None:
    """What to quote: each choice, its chance to cure, its cost, and its cost with the car coming back."""
    from camlog.job.work import make_quote

    record, shop_file, layout = _open(job, shop, vehicle)
    made = make_quote(record, shop_file, layout, repair)
    record.save()
    if json:
        typer.echo(json_text.dumps(made, indent=1, ensure_ascii=False))
        return
    money = made["currency"] or "no currency set in shop.toml"
    typer.echo(f"{'cures':>7}{'labour':>8}{'parts':>7}{'back':>6}{'in the end':>12}   choice ({money})")
    for c in made["choices"]:
        mark = "*" if c["key"] == made["repair"] else " "
        figures = f"{c['cures']:>7.0%}{c['labour']:>8}{c['parts']:>7}{c['comes_back']:>6.0%}{c['expected_cost']:>12}"
        typer.echo(f"{figures} {mark} {c['key']}: {c['repair']}")
    if made["whole_set_from_km"] is not None:
        typer.echo(f"The whole timing set costs less in the end from {made['whole_set_from_km']:,.0f} km.")
    typer.echo("Parts: " + "; ".join(p["what"] for p in made["parts"]) + ".")


@app.command()
def sheet(
    job: JobOption = None,
    vehicle: VehicleOption = None,
    tick: Annotated[list[int] | None, typer.Option(help="Number of a line that is done (may be repeated).", metavar="N")] = None,
    who: Annotated[str, typer.Option(help="Who ticks.", metavar="TEXT")] = "",
) -> None:
    """The work sheet of what was quoted: marks, measurements, fasteners. Type values into the job file or the page."""
    from camlog.job.sheet import torque_words
    from camlog.job.work import make_sheet, use_measurements
    from camlog.stream import now

    record, _, layout = _open(job, None, vehicle)
    made = make_sheet(record, layout)
    rows = [row for part in ("before", "measurements", "fasteners", "after", "afterwards") for row in made.get(part, [])]
    for number in tick or ():
        if not 1 <= number <= len(rows):
            raise typer.BadParameter(f"there is no line {number}; they go from 1 to {len(rows)}", param_hint="--tick")
        rows[number - 1].update(done=now(), who=who)
        record.note(f"ticked: {rows[number - 1].get('text') or rows[number - 1].get('what')}", who=who)
    for line in use_measurements(record):
        typer.echo(f"Measured: {line}")
    record.save()
    for number, row in enumerate(rows, start=1):
        text = row.get("text") or row.get("what")
        if "torque" in row:
            text += f": {torque_words(row)}"
        elif "limit" in row:
            text += f" [{row['unit']}]: {'-' if row['value'] is None else row['value']}, limit {row['limit'] or 'to be typed in'}"
        typer.echo(f"{number:>3} {'[x]' if row.get('done') else '[ ]'} {text}")


@app.command()
def close(
    job: JobOption = None,
    done: Annotated[str, typer.Option(help="What was done, as the customer's page says it.", metavar="TEXT")] = "",
    after: Annotated[Path | None, typer.Option(help="The drive after the repair.", metavar="TRACE")] = None,
    before: Annotated[Path | None, typer.Option(help="The drive before it.", metavar="TRACE")] = None,
    shop: ShopOption = None,
    vehicle: VehicleOption = None,
    out: Annotated[Path | None, typer.Option(help="Folder for the pages. Default: beside the job.", metavar="DIR")] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace pages that are there.")] = False,
) -> None:
    """Close the job: with the proof where there is a drive after the repair; writes the customer's page and the workshop file."""
    from camlog.analysis import analyze
    from camlog.cli.results import load
    from camlog.job.sheet import open_boxes
    from camlog.job.work import add_recording, next_steps
    from camlog.job.work import close as close_job
    from camlog.profile import read_profile
    from camlog.verify import verify

    record, shop_file, layout = _open(job, shop, vehicle)
    profile_file = _profile(record, vehicle)
    profile = read_profile(profile_file) if profile_file else None
    proof = None
    if after is not None:
        second = analyze(*load(after), profile)
        first = None if before is None else analyze(*load(before), profile)
        proof = verify(second, first, job=record.get("complaint"))
        add_recording(record, second, "after")
    close_job(record, proof, done)
    record.save()
    for text in open_boxes(record.get("sheet")):
        typer.echo(f"Still open: {text}")
    typer.echo("Proof: " + (proof.headline if proof else "none; close again with --after TRACE --before TRACE."))
    _pages(record, next_steps(record, shop_file, layout), out or record.path.parent, force)


def _open(job: Path | None, shop: Path | None, vehicle: str | None) -> tuple[Job, ShopFile, Layout]:
    from camlog.job.record import find_job
    from camlog.job.shop import read_shop
    from camlog.profile import read_profile
    from camlog.profile.model import Layout

    record = find_job(job)
    profile = _profile(record, vehicle)
    return record, read_shop(shop, record.path.parent), read_profile(profile).layout if profile else Layout()


def _profile(record: Job, vehicle: str | None) -> str | None:
    """The profile named now, else the one the job began with where it still lies there."""
    kept = record.get("vehicle").get("profile")
    return vehicle or (kept if isinstance(kept, str) and Path(kept).exists() else None)


def _show(record: Job, steps: dict) -> None:
    for text in record.get("findings").get("do_not_run", ()):
        typer.echo(text)
    if record.get("complaint"):
        typer.echo(f"Complaint: {record.get('complaint')}")
    typer.echo("Causes, with what is known by now:")
    for cause in steps["causes"][:SHOWN]:
        typer.echo(f"  {cause['probability']:>4.0%}  {cause['cause']} ({cause['group']})")
    if steps["first"]:
        typer.echo(f"First: {steps['first']}")
    if steps["checks"]:
        typer.echo("Next, in this order, as long as each is in order:")
    for number, check in enumerate(steps["checks"], start=1):
        typer.echo(f"  {number}. {check['check']} ({check['minutes']:.0f} min, {check['cost']:.0f}) [{check['key']}]")
        typer.echo(f"     Shows: {' | '.join(check['outcomes'])}")
        for caution in check["cautions"]:
            typer.echo(f"     Careful: {caution}")
    money = steps["currency"] or f"at {steps['labour_per_hour']:g} an hour"
    typer.echo(
        f"Expected cost until the fault is found and mended, {money}: {steps['expected_cost']:.0f} in this order, "
        f"{steps['opening_first']:.0f} when the engine is opened first."
    )
    for check in record.get("checks"):
        at = check.get("at", "")[:16].replace("T", " ")
        typer.echo(f"Found {at}, {check.get('key')}: {check.get('note') or check.get('outcome')}")


def _pages(record: Job, steps: dict, folder: Path, force: bool) -> None:
    from camlog.job.pages import write_pages

    for path in write_pages(record, steps, folder, replace=force):
        typer.echo(f"Page: {path}")
