"""The jobs of the folder: begin one, note outcomes, quote, fill the work sheet, order parts, close with the proof."""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from markupsafe import Markup

from camlog.analysis.causes.checks import CHECKS, REPAIRS
from camlog.errors import InputError
from camlog.job import drives, work
from camlog.job.found import Outcome, understand
from camlog.job.record import Job, read_job
from camlog.job.sheet import FASTENED, MEASURED, fill, open_boxes, row_words, rows
from camlog.job.shop import ShopFile, read_shop
from camlog.profile import DEMO, read_profile
from camlog.profile.model import Layout, layout_of
from camlog.serve.desk import Desk
from camlog.serve.jobs import CANCELLED
from camlog.serve.names import JOB_ENDING, JOB_PAGE_ENDINGS, check_new_name, told
from camlog.serve.pages.template import PIECES, Pieces, Sent, Template
from camlog.serve.words import problem, sentence
from camlog.stream import now
from camlog.units import read_value

SHOWN, RECORDINGS_SHOWN, LONGEST = 50, 12, 300
FIELDS = (*MEASURED, *FASTENED)  # the fields of a row of the work sheet
OWN = ("part", "supplier")
NEW = ("name", "complaint", "vehicle", "plate", "mileage", "oil-date", "technician", "shop", "before")
T = TypeVar("T")
_PAGE = Template("jobs.html")
_STEPS: dict[
    Path, tuple[str, dict[str, Any]]
] = {}  # cached, because they take half a second and every refresh needs them
_LOCK = threading.Lock()  # only one thread at a time reads, changes and writes a job


def layout(desk: Desk, name: str = "") -> str:
    """The list of jobs, or the page of one."""
    try:
        if not name:
            usable = [p.file for p in desk.folder.profiles() if p.error is None]
            chosen = desk.vehicle if desk.vehicle in usable else usable[0] if len(usable) == 2 else ""
            profiles = desk.profile_choices(sentence("no_profile_limits"))
            return _PAGE.layout(_listed(desk), _recordings(desk), profiles, chosen, NEW)
        return _PAGE.job(_open(desk, name)[0], pieces(desk, name, {}))
    except InputError as error:
        return PIECES.trouble(sentence("no_such_job" if name else "jobs"), told(error))


def pieces(desk: Desk, name: str, sent: Sent) -> Pieces:
    """The parts of a job's page, with the progress of an analysis for it."""
    if not name:
        return {}
    try:
        opened = _open(desk, name)
    except InputError as error:
        return {"job-wrong": PIECES.notice(told(error))}
    look = desk.jobs.look(desk.jobs.latest(f"job {opened[0].path}"))
    shown = {f"job-{part}": getattr(_PAGE, part)(*values(desk, *opened)) for part, values in PARTS.items()}
    return shown | {"job-work": _PAGE.working(look, look is not None and look.error == CANCELLED)}


def _listed(desk: Desk) -> list[dict[str, Any]]:
    """The jobs of the folder, newest first: name, complaint, vehicle and state of each."""
    listed = []
    for name in desk.folder.jobs()[:SHOWN]:
        entry: dict[str, Any] = {"name": name, "title": name.removesuffix(JOB_ENDING)}
        try:
            job = read_job(desk.folder.existing(name))
            outcome = job.get("verification").get("outcome", "")
            likely = max(job.probabilities.items(), key=lambda p: p[1], default=("", 0.0))
            listed.append(entry | {"job": job, "outcome": outcome, "likely": likely})
        except InputError as error:
            listed.append(entry | {"problem": told(error)})
    return listed


def _recordings(desk: Desk) -> list[tuple[str, str, bool]]:
    """The choices of camlog's own recordings, newest first, and the choice of none."""
    recordings = [e for e in desk.folder.recordings() if e.kind == "trace"][:RECORDINGS_SHOWN]
    return [("", sentence("none_yet"), False), *((e.name, f"{e.name} ({e.when})", False) for e in recordings)]


def _open(desk: Desk, name: str) -> tuple[Job, ShopFile, Layout]:
    job = read_job(desk.folder.existing(name if name.endswith(JOB_ENDING) else name + JOB_ENDING))
    profile = _profile(desk, job)
    return job, read_shop(None, desk.folder.root), layout_of(read_profile(profile) if profile else None)


def _profile(desk: Desk, job: Job) -> str | None:
    """The job's profile, if it is the demo's, one of the folder, or the one given at the start; else none is read."""
    kept = job.get("vehicle").get("profile")
    path = Path(kept) if isinstance(kept, str) and kept else None
    if path is None or path == DEMO:
        return None if path is None else str(DEMO)
    try:
        return desk.profile_path(kept if kept == desk.vehicle else path.name)
    except InputError:
        return None


# ---------------------------------------------------------------- what the parts of the page are made with


def _state(desk: Desk, job: Job, shop: ShopFile, layout: Layout) -> tuple:
    key = repr((job.content, shop, layout))
    if _STEPS.get(job.path, ("",))[0] != key:
        _STEPS[job.path] = key, work.next_steps(job, shop, layout)
    steps = _STEPS[job.path][1]
    made = [
        (c.get("at", ""), c.get("check") or c.get("key", ""), c.get("note") or c.get("outcome", ""), c.get("who", ""))
        for c in job.get("checks")
    ]
    return job, steps, made, _recordings(desk), desk.profile_choices(sentence("no_profile_limits"))


def _quote(desk: Desk, job: Job, shop: ShopFile, layout: Layout) -> tuple:
    return job.get("quote"), [r.key for r in REPAIRS], work.WORTH_SHOWING


def _sheet(desk: Desk, job: Job, shop: ShopFile, layout: Layout) -> tuple:
    sheet = job.get("sheet")
    return sheet, [(row_words(r), r, FASTENED if "torque" in r else MEASURED) for r in rows(sheet)]


def _closing(desk: Desk, job: Job, shop: ShopFile, layout: Layout) -> tuple:
    stem = job.path.name.removesuffix(JOB_ENDING)
    pages = [stem + ending for ending in JOB_PAGE_ENDINGS if (job.path.parent / (stem + ending)).is_file()]
    return job, _recordings(desk), pages, open_boxes(job.get("sheet"))


PARTS = {"state": _state, "quote": _quote, "sheet": _sheet, "closing": _closing}


# ---------------------------------------------------------------- what is done


def act(desk: Desk, name: str, button: str, sent: Sent) -> Pieces:
    """Carry out a button with the fields of the page; returns the parts with the result."""
    what, *places = button.split(":")
    try:
        if not name:
            typed = {k: sent.get(f"job-new-{k}", "").strip()[:LONGEST] for k in NEW}
            return {"goto": PIECES.said(f"/jobs/{_begin(desk, typed)}")}
        with _LOCK:
            opened = _open(desk, name)
            said = _act(desk, *opened, what, places, sent)
            opened[0].save()
    except InputError as error:
        return {"job-wrong" if name else "job-new-said": PIECES.notice(told(error))}
    return {"job-wrong": Markup().join(PIECES.notice(line, False) for line in said)}


def _at(sequence: Sequence[T], places: Sequence[str], which: int = 0) -> T:
    """An item of a sequence by its number from the page. Raises InputError if there is none."""
    place = places[which] if len(places) > which else ""
    if not (place.isascii() and place.isdecimal() and len(place) < 6 and int(place) < len(sequence)):
        raise problem("not_there_now")
    return sequence[int(place)]


def _number(text: str, what: str) -> float:
    try:
        figure = float(text.replace(",", "").replace(" ", ""))
    except ValueError:
        figure = math.nan
    if not math.isfinite(figure):
        raise problem("no_number", what=what, value=text[:20])
    return figure


def _begin(desk: Desk, said: Mapping[str, str]) -> str:
    """Begin a job with the fields of the form; returns its name."""
    path = desk.folder.path(check_new_name(said["name"] + JOB_ENDING))
    mileage = read_value(_number(said["mileage"], sentence("the_mileage")), "km") if said["mileage"] else None
    chosen = desk.profile_path(said["vehicle"])
    profile = read_profile(chosen) if chosen else None
    with _LOCK:
        job = Job(path)
        vehicle = {"plate": said["plate"], "mileage_km": mileage, "oil_date": said["oil-date"]}
        people = {"technician": said["technician"], "shop": said["shop"]}
        work.begin(job, said["complaint"], vehicle, people, profile)
        job.save(replace=False)
    if said["before"]:
        _submit(desk, job, drives.take_drive, str(desk.folder.existing(said["before"])), chosen)
    return path.name.removesuffix(JOB_ENDING)


def _submit(desk: Desk, job: Job, function: Any, *arguments: Any) -> str:
    return desk.jobs.submit(f"Job {job.path.name}", function, str(job.path), *arguments, key=f"job {job.path}")


def _act(
    desk: Desk, job: Job, shop: ShopFile, layout: Layout, what: str, places: Sequence[str], sent: Sent
) -> list[str]:
    """Carry out a button; returns sentences on the result."""
    who, found = sent.get("who", "").strip()[:LONGEST], sent.get("found", "").strip()[:LONGEST]
    if what == "check":
        check = _at(CHECKS, [str(i) for i, c in enumerate(CHECKS) if places[:1] == [c.key]])
        work.add_found(job, Outcome(check, _at(check.outcomes, places, 1)), "", who)
    elif what == "found":
        outcome = understand(found)
        work.add_found(job, outcome, found, who)
        return [str(outcome)]
    elif what in ("quote", "repair"):
        work.make_quote(job, shop, layout, _at(REPAIRS, places).key if what == "repair" else None)
        work.make_sheet(job, layout)
    elif what in ("tick", "arrived", "save"):
        return _save(job, what, places, sent, who)
    else:
        _submit_drive(desk, job, what, sent)
    return []


def _save(job: Job, what: str, places: Sequence[str], sent: Sent, who: str) -> list[str]:
    """Save the typed values and tick the pressed row; returns sentences on the measurements."""
    numbered, parts = rows(job.get("sheet")), job.get("quote").get("parts", [])
    for number, row in enumerate(numbered):
        typed = {f: sent[f"row.{number}.{f}"] for f in FIELDS if f"row.{number}.{f}" in sent}
        for field, text in typed.items():
            before = row.get(field)
            fill(row, {field: text})
            if row.get(field) != before:
                job.note(f"typed in: {row_words(row)}", who=who)
    for number, part in enumerate(parts):
        part |= {f: sent[f"part.{number}.{f}"][:LONGEST] for f in OWN if f"part.{number}.{f}" in sent}
    if what == "tick":
        work.tick_row(job, _at(numbered, places), who)
    if what == "arrived":
        part = _at(parts, places)
        check = _at(list(part["arrived"]), places, 1)
        part["arrived"][check] = None if part["arrived"][check] else now()
        job.note(f"arrived: {part.get('what')}, {check}", who=who)
    return work.use_measurements(job)


def _submit_drive(desk: Desk, job: Job, what: str, sent: Sent) -> None:
    """Start to add the drive before the repair, or to close the job with the one after it."""
    profile = _profile(desk, job)
    if what == "take":
        chosen = desk.profile_path(sent.get("vehicle"))
        work.set_fields(job, "vehicle", work.profile_fields(read_profile(chosen) if chosen else None))
        _submit(desk, job, drives.take_drive, str(desk.folder.existing(sent.get("before", ""))), chosen or profile)
    elif what == "close":
        after = str(desk.folder.existing(sent["after"])) if sent.get("after") else None
        _submit(desk, job, drives.finish, after, profile, sent.get("done", "").strip()[:LONGEST])
