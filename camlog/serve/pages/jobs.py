"""The jobs of the folder: begin one, tick what was found, quote, fill the work sheet, order parts, close with the proof."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from dash import ALL, Dash, Input, Output, State, ctx, no_update

from camlog.analysis.causes.checks import CHECKS, REPAIRS
from camlog.errors import InputError
from camlog.job import work
from camlog.job.found import Outcome, understand
from camlog.job.record import Job, read_job
from camlog.job.sheet import FASTENED, MEASURED, fill, open_boxes, row_words, rows
from camlog.job.shop import ShopFile, read_shop
from camlog.profile import DEMO, read_profile
from camlog.profile.model import Layout
from camlog.serve.desk import Desk
from camlog.serve.jobs import CANCELLED
from camlog.serve.names import JOB_ENDING, JOB_PAGE_ENDINGS, check_new_name, told
from camlog.serve.pages.pieces import NO_PROFILE, PIECES, notice, pressed, profile_options, profile_path
from camlog.serve.pages.template import Template
from camlog.serve.sent import number
from camlog.serve.words import problem
from camlog.stream import now
from camlog.visible import visible

SHOWN, RECORDINGS_SHOWN, LONGEST = 50, 12, 300
# What the page's buttons do and its fields say, by their numbers; what is typed into rows and parts, the same way.
DO = ("found", "quote", "save", "take", "close")
SAY = ("found", "who", "before", "vehicle", "after", "done")
TYPED, OWN = (*MEASURED, *FASTENED), ("part", "supplier")
NEW = ("name", "complaint", "vehicle", "plate", "mileage", "oil-date", "technician", "shop", "before")
T = TypeVar("T")
_PAGE = Template("jobs.html")
_LOCK = threading.Lock()  # a job is read, changed and written by one at a time


def layout(desk: Desk, name: str = "", *_: str) -> Any:
    """The list of jobs, or the page of one."""
    try:
        if not name:
            usable = [p.file for p in desk.folder.profiles() if p.error is None]
            return _PAGE.layout(_listed(desk), _recordings(desk), profile_options(desk), usable[0] if len(usable) == 2 else NO_PROFILE, NEW)[0]
        job, shop, layout = _open(desk, name)
        return _PAGE.job(job, {p: values(desk, job, shop, layout) for p, values in PARTS.items()}, _running(desk, job.path) or "")[0]
    except InputError as error:
        return PIECES.trouble("No such job" if name else "Jobs", told(error))[0]


def _listed(desk: Desk) -> list[dict[str, Any]]:
    """The jobs of the folder, newest first: name, complaint, vehicle and where each stands."""
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


def _recordings(desk: Desk) -> list[dict[str, Any]]:
    """camlog's own recordings to choose from, newest first, and none of them."""
    found = [e for e in desk.folder.recordings() if e.kind == "trace"][:RECORDINGS_SHOWN]
    options = [{"label": visible(f"{e.name} ({e.when})"), "value": e.name} for e in found]
    return [{"label": "None yet", "value": ""}, *options]


def _open(desk: Desk, name: str) -> tuple[Job, ShopFile, Layout]:
    job = read_job(desk.folder.existing(name if name.endswith(JOB_ENDING) else name + JOB_ENDING))
    profile = _profile(desk, job)
    return job, read_shop(None, desk.folder.root), read_profile(profile).layout if profile else Layout()


def _profile(desk: Desk, job: Job) -> str | None:
    """The profile the job was begun with: the demo's, one of the folder, or the one given at the start; no other file."""
    kept = job.get("vehicle").get("profile")
    path = Path(kept) if isinstance(kept, str) and kept else None
    if path is None or path == DEMO:
        return None if path is None else str(DEMO)
    try:
        return profile_path(desk, kept if kept == desk.vehicle else path.name)
    except InputError:
        return None


# ---------------------------------------------------------------- what the parts of the page are made with


def _state(desk: Desk, job: Job, shop: ShopFile, layout: Layout) -> tuple:
    steps = work.next_steps(job, shop, layout)
    numbers = {c.key: i for i, c in enumerate(CHECKS)}
    made = [(c.get("at", ""), c.get("check") or c.get("key", ""), c.get("note") or c.get("outcome", ""), c.get("who", "")) for c in job.get("checks")]
    return job, steps, numbers, made, _recordings(desk), profile_options(desk), SAY


def _quote(desk: Desk, job: Job, shop: ShopFile, layout: Layout) -> tuple:
    return job.get("quote"), {r.key: i for i, r in enumerate(REPAIRS)}, work.WORTH_SHOWING


def _sheet(desk: Desk, job: Job, shop: ShopFile, layout: Layout) -> tuple:
    return job.get("sheet"), [(row_words(r), r, FASTENED if "torque" in r else MEASURED) for r in rows(job.get("sheet"))], TYPED


def _closing(desk: Desk, job: Job, shop: ShopFile, layout: Layout) -> tuple:
    stem = job.path.name.removesuffix(JOB_ENDING)
    pages = [stem + ending for ending in JOB_PAGE_ENDINGS if (job.path.parent / (stem + ending)).is_file()]
    return job, _recordings(desk), pages, open_boxes(job.get("sheet")), SAY


PARTS = {"state": _state, "quote": _quote, "sheet": _sheet, "closing": _closing}


def _shows(part: str, *what: Any) -> list:
    return getattr(_PAGE, part)(*PARTS[part](*what))


# ---------------------------------------------------------------- what is done


def register(app: Dash, desk: Desk) -> None:
    """Callbacks."""

    @app.callback(
        Output("place", "pathname"), Output("job-new-said", "children"),
        Input("job-begin", "n_clicks"), *(State(f"job-new-{key}", "value") for key in NEW), prevent_initial_call=True,
    )  # fmt: skip
    def begin(_, *values):
        if not pressed():
            return no_update, no_update
        try:
            return f"/jobs/{_begin(desk, {k: (v or '').strip()[:LONGEST] for k, v in zip(NEW, values, strict=True)})}", ""
        except InputError as error:
            return no_update, notice(told(error))

    @app.callback(
        *(Output(f"job-{part}", "children") for part in PARTS), Output("job-said", "children"), Output("job-work", "data"),
        Output("job-look", "disabled"),
        Input({"do": ALL}, "n_clicks"), Input({"check": ALL, "outcome": ALL}, "n_clicks"), Input({"repair": ALL}, "n_clicks"),
        Input({"tick": ALL}, "n_clicks"), Input({"part": ALL, "arrived": ALL}, "n_clicks"), Input("job-look", "n_intervals"),
        State("job-name", "data"), State("job-work", "data"), State({"say": ALL}, "value"),
        State({"row": ALL, "field": ALL}, "value"), State({"part": ALL, "own": ALL}, "value"),
        prevent_initial_call=True,
    )  # fmt: skip
    def act(*_):
        what, (name, working, *given) = ctx.triggered_id, ctx.states_list
        working, same = working.get("value") or "", (no_update,) * len(PARTS)
        if what == "job-look":
            return _followed(desk, name["value"], working)
        if not pressed():
            return (*same, no_update, no_update, no_update)
        try:
            with _LOCK:
                opened = _open(desk, name["value"])
                changed, said, begun = _act(desk, *opened, what, _Given(*given))
                opened[0].save()
                shown = [_shows(p, desk, *opened) if p in changed else no_update for p in PARTS]
        except InputError as error:
            return (*same, notice(told(error)), no_update, no_update)
        return (*shown, [_PAGE.note(line)[0] for line in said], begun or working, not (begun or working))


class _Given:
    """What stands in the fields of the page: `say` by name, what was typed into rows and parts by (number, field)."""

    def __init__(self, say: Sequence[Mapping[str, Any]], typed: Sequence[Mapping[str, Any]], own: Sequence[Mapping[str, Any]]):
        self.say = {_at(SAY, s["id"]["say"]): (s.get("value") or "").strip()[:LONGEST] for s in say}
        self.rows = [(t["id"]["row"], _at(TYPED, t["id"]["field"]), t.get("value") or "") for t in typed]
        self.parts = [(o["id"]["part"], _at(OWN, o["id"]["own"]), (o.get("value") or "")[:LONGEST]) for o in own]


def _at(sequence: Sequence[T], place: Any) -> T:
    """One of a sequence by a number that the page sends. Raises InputError where there is none."""
    if not isinstance(place, int) or not 0 <= place < len(sequence):
        raise problem("not_there_now")
    return sequence[place]


def _begin(desk: Desk, said: Mapping[str, str]) -> str:
    """Begin a job as the form says; gives its name."""
    path = desk.folder.path(check_new_name(said["name"] + JOB_ENDING))
    mileage = number(said["mileage"].replace(",", "").replace(" ", ""), "the mileage") if said["mileage"] else None
    chosen = profile_path(desk, said["vehicle"])
    profile = read_profile(chosen) if chosen else None
    with _LOCK:
        job = Job(path)
        job.note("begun")
        if said["complaint"]:
            job.put("complaint", said["complaint"], "complaint")
        vehicle = {"plate": said["plate"], "mileage_km": mileage, "oil_date": said["oil-date"], **work.profile_fields(profile)}
        work.set_fields(job, "vehicle", vehicle)
        work.set_fields(job, "people", {"technician": said["technician"], "shop": said["shop"]})
        job.save(replace=False)
    if said["before"]:
        _submit(desk, job, work.take_drive, str(desk.folder.existing(said["before"])), chosen)
    return path.name.removesuffix(JOB_ENDING)


def _submit(desk: Desk, job: Job, function: Any, *arguments: Any) -> str:
    return desk.jobs.submit(f"Job {job.path.name}", function, str(job.path), *arguments, key=f"job {job.path}")


def _running(desk: Desk, path: Path) -> str | None:
    """The id of an analysis for this job that is not over yet."""
    look = desk.jobs.look(desk.jobs.latest(f"job {path}"))
    return None if look is None or look.over else look.id


def _act(desk: Desk, job: Job, shop: ShopFile, layout: Layout, what: dict, given: _Given) -> tuple[Sequence[str], list[str], str]:
    """Do what was pressed; which parts of the page change, what is said, the id of an analysis that was begun."""
    who = given.say.get("who", "")
    if "outcome" in what:
        check = _at(CHECKS, what["check"])
        work.add_found(job, Outcome(check, _at(check.outcomes, what["outcome"])), "", who)
        return ("state",), [], ""
    if "repair" in what:
        work.make_quote(job, shop, layout, _at(REPAIRS, what["repair"]).key)
        work.make_sheet(job, layout)
        return ("quote", "sheet"), [], ""
    if "tick" in what or "arrived" in what or what == {"do": DO.index("save")}:
        return ("state", "quote", "sheet"), _save(job, what, given, who), ""
    return _do(desk, job, shop, layout, _at(DO, what["do"]), given)


def _save(job: Job, what: dict, given: _Given, who: str) -> list[str]:
    """Keep what was typed, and tick what was pressed; what the measurements say."""
    numbered, parts = rows(job.get("sheet")), job.get("quote").get("parts", [])
    for place, field, text in given.rows:
        row = _at(numbered, place)
        before = row.get(field)
        fill(row, {field: text})
        if row.get(field) != before:
            job.note(f"typed in: {row_words(row)}", who=who)
    for place, field, text in given.parts:
        _at(parts, place)[field] = text
    if "tick" in what:
        work.tick_row(job, _at(numbered, what["tick"]), who)
    if "arrived" in what:
        arrived = _at(parts, what["part"])["arrived"]
        check = _at(list(arrived), what["arrived"])
        arrived[check] = None if arrived[check] else now()
        job.note(f"arrived: {parts[what['part']].get('what')}, {check}", who=who)
    return work.use_measurements(job)


def _do(desk: Desk, job: Job, shop: ShopFile, layout: Layout, what: str, given: _Given) -> tuple[Sequence[str], list[str], str]:
    said, profile = given.say, _profile(desk, job)
    if what == "found":
        outcome = understand(said.get("found", ""))
        work.add_found(job, outcome, said.get("found", ""), said.get("who", ""))
        return ("state",), [str(outcome)], ""
    if what == "quote":
        work.make_quote(job, shop, layout)
        work.make_sheet(job, layout)
        return ("quote", "sheet", "closing"), [], ""
    if what == "take":
        chosen = profile_path(desk, said.get("vehicle"))
        work.set_fields(job, "vehicle", work.profile_fields(read_profile(chosen) if chosen else None))
        return (), [], _submit(desk, job, work.take_drive, str(desk.folder.existing(said.get("before", ""))), chosen or profile)
    after = str(desk.folder.existing(said["after"])) if said.get("after") else None
    return (), [], _submit(desk, job, work.finish, after, profile, said.get("done", ""))


def _followed(desk: Desk, name: str, working: str) -> tuple:
    """How far the analysis of a job is; the whole page anew when it is done."""
    look, same = desk.jobs.look(working), (no_update,) * len(PARTS)
    if look is not None and not look.over:
        return (*same, PIECES.working(look), no_update, False)
    try:
        opened = _open(desk, name)
    except InputError as error:
        return (*same, notice(told(error)), "", True)
    said = notice(look.error, look.error != CANCELLED) if look is not None and look.error else ""
    return (*(_shows(p, desk, *opened) for p in PARTS), said, "", True)
