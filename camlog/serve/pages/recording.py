"""One recording: what is known of it, its report, and how it stands against the drive before the repair."""

from __future__ import annotations

import re
from typing import Any

from dash import Dash, Input, Output, State, ctx, no_update

from camlog.drive import Drive, drive_path, read_drive
from camlog.errors import InputError
from camlog.serve import jobs
from camlog.serve.desk import Desk
from camlog.serve.entries import Entry
from camlog.serve.jobs import Look
from camlog.serve.names import DRIVE_ENDING, told
from camlog.serve.pages.pieces import (
    NO_PROFILE,
    PIECES,
    notice,
    outcome,
    pressed,
    profile_options,
    profile_path,
)
from camlog.serve.pages.template import Template
from camlog.sinks.lines import codes_text
from camlog.visible import visible

EVENTS_SHOWN = 200
OTHERS_SHOWN = 8
NONE = ""  # no drive before
MORE = "\0more"  # a line that cannot be chosen
LONGEST_JOB = 300
KINDS = ("report", "comparison", "verification")
_PAGE = Template("recording.html")


def layout(desk: Desk, name: str = "", *_: str):
    """The page of a recording of the folder."""
    try:
        entry = desk.folder.entry(name)
    except InputError as error:
        return PIECES.trouble("No such recording", told(error))[0]
    drive = _drive(desk, entry)
    events, codes = ((), ()) if drive is None else (drive.events, drive.code_snapshots)
    own = entry.kind != "foreign"
    return _PAGE.layout(
        entry, own and desk.recorder.status().recording == name,
        {kind: id_ for kind in KINDS if (id_ := desk.jobs.latest(_key(desk, kind, name))) is not None},
        _profiles(desk, entry) if own else None, others(desk, name, "", None) if own else None,
        events[:EVENTS_SHOWN], len(events) - EVENTS_SHOWN,
        [(s.time_s, codes_text(s)) for s in codes[: 1 if len(codes) == 1 else None : max(1, len(codes) - 1)]],
    )[0]  # fmt: skip


def _drive(desk: Desk, entry: Entry) -> Drive | None:
    try:
        return read_drive(desk.folder.existing(drive_path(entry.name).name)) if "drive" in entry.results else None
    except InputError:
        return None  # said among the entry's problems


def _profiles(desk: Desk, entry: Entry) -> dict[str, Any]:
    """The profiles to choose from and the chosen one: that of the recording, or the only one of the vehicle's name."""
    made_with = desk.folder.profile_of(entry)
    same = [p.file for p in desk.folder.profiles() if p.error is None and p.name == entry.vehicle]
    chosen = made_with or (same[0] if len(same) == 1 else NO_PROFILE)
    return {"options": profile_options(desk), "chosen": chosen, "by_name": made_with is None and chosen != NO_PROFILE,
            "lost": made_with is None and entry.profile_sha256 is not None}  # fmt: skip


def others(desk: Desk, name: str, search: str, chosen: str | None) -> tuple[list[dict], str]:
    """Drives to choose from as the one before, and the chosen one: earlier ones first, saved codes last."""
    own, words = desk.folder.entry(name), search.casefold().split()
    found = [e for e in desk.folder.recordings(search) if e.kind == "trace" and e.name != name]
    ranked = sorted(found, key=lambda e: (e.began_s > own.began_s, e.began_s <= own.began_s and e.vehicle != own.vehicle))
    alone = [n for n in desk.folder.snapshots() if all(w in n.casefold() for w in words)]
    labels = {e.name: f"{e.name} ({e.when}{', ' + e.vehicle[:80] if e.vehicle else ''})" for e in ranked[:OTHERS_SHOWN]}
    labels |= {n: f"{n} (codes saved before clearing)" for n in alone[:OTHERS_SHOWN]}
    if chosen and chosen not in labels:
        labels = {chosen: chosen} | labels
    options = [{"label": visible(label), "value": value} for value, label in labels.items()]
    more = max(0, len(ranked) - OTHERS_SHOWN) + max(0, len(alone) - OTHERS_SHOWN)
    if more:
        options.append({"label": f"{more} more are not shown: search for them", "value": MORE, "disabled": True})
    none = {"label": "None: then nothing can be compared, and nothing verified", "value": NONE}
    return [*options, none], chosen or NONE


def register(app: Dash, desk: Desk) -> None:
    """Callbacks."""

    @app.callback(
        Output("recording-jobs", "data"), Output("recording-told", "data"),
        *(Input(f"recording-{kind}", "n_clicks") for kind in KINDS),
        State("recording-name", "data"), State("recording-vehicle", "value"), State("recording-other", "value"),
        State("recording-job", "value"), State("recording-outside", "value"), State("recording-jobs", "data"),
        prevent_initial_call=True,
    )  # fmt: skip
    def act(*values):
        if not pressed():
            return no_update, no_update
        kind = str(ctx.triggered_id).removeprefix("recording-")
        try:
            return {**(values[-1] or {}), kind: begin(desk, kind, *values[-6:-1])}, {}
        except InputError as error:
            return no_update, {kind: told(error)}

    @app.callback(
        *(Output(f"recording-{kind}-said", "children") for kind in KINDS),
        *(Output(f"recording-{kind}-kept", "children") for kind in KINDS),
        *(Output(f"recording-{kind}-cancel", "hidden") for kind in KINDS),
        Output("recording-verdict", "children"), Output("recording-look", "disabled"),
        Input("recording-look", "n_intervals"), Input("recording-jobs", "data"), Input("recording-told", "data"),
        State("recording-name", "data"),
    )  # fmt: skip
    def follow(_, begun, problems, name):
        looks = {kind: desk.jobs.look(id_) for kind, id_ in (begun or {}).items() if kind in KINDS}
        try:
            entry = desk.folder.entry(name)
        except InputError as error:
            return (notice(told(error)), *(no_update,) * (3 * len(KINDS)), True)
        running = {kind: look is not None and not look.over for kind, look in looks.items()}
        done = [kind for kind, look in looks.items() if look is not None and look.state == "done"]
        return (
            *(becoming(kind, looks, problems or {}) for kind in KINDS),
            *([] if kind in done else _PAGE.kept(entry, kind) for kind in KINDS),
            *(not running.get(kind) for kind in KINDS),
            _PAGE.verdict(entry), not any(running.values()),
        )  # fmt: skip

    @app.callback(
        *(Input(f"recording-{kind}-cancel", "n_clicks") for kind in KINDS), State("recording-jobs", "data"),
        prevent_initial_call=True,
    )  # fmt: skip
    def give_up(*values):
        if pressed():
            kind = str(ctx.triggered_id).removeprefix("recording-").removesuffix("-cancel")
            desk.jobs.cancel((values[-1] or {}).get(kind))

    @app.callback(
        Output("recording-other", "options"), Output("recording-other", "value"),
        Input("recording-other-search", "value"), State("recording-name", "data"), State("recording-other", "value"),
        prevent_initial_call=True,
    )  # fmt: skip
    def look_for(search, name, chosen):
        try:
            return others(desk, name, search if isinstance(search, str) else "", chosen)
        except InputError:
            return no_update, no_update


def begin(desk: Desk, kind: str, name: str, vehicle, other, job, outside) -> str:
    """Submit what a button asks for; gives the job's id. Raises InputError for what cannot be."""
    trace, profile = str(desk.folder.existing(name)), profile_path(desk, vehicle)
    before = str(desk.folder.existing(other)) if other and kind != "report" else None
    if kind == "report":
        function, arguments = jobs.make_report, (trace, profile)
    elif kind == "comparison" and before is None:
        raise InputError("no drive before is chosen", remedy="Choose one above.")
    elif kind == "comparison" and before.endswith(DRIVE_ENDING):
        raise InputError("has codes only, and nothing to compare", file=other, remedy="Choose a recording.")
    elif kind == "comparison":
        function, arguments = jobs.make_comparison, (before, trace, profile)
    elif kind == "verification":
        codes = tuple(c.upper() for c in re.split(r"[\s,;]+", outside or "") if c)
        function, arguments = jobs.make_verification, (trace, before, profile, (job or "").strip()[:LONGEST_JOB], codes)
    else:
        raise InputError("that is nothing to do with a recording", remedy="Load the page again.")
    key = f"{_key(desk, kind, name)}\n{arguments!r}"
    return desk.jobs.submit(f"{kind.capitalize()} of {name}", function, *arguments, key=key)


def _key(desk: Desk, kind: str, name: str) -> str:
    return f"{kind} {desk.folder.path(name)}"


def becoming(kind: str, looks: dict[str, Look | None], problems: dict[str, str]) -> list:
    """How far a result is that was asked for here, and what came of it."""
    look = looks.get(kind)
    problem, is_bad = problems.get(kind), True
    if problem is None and look is not None and look.state == "done":
        return outcome(kind, look.result)
    if problem is None and look is not None and look.state == "failed":
        problem, is_bad = look.error, look.error != jobs.CANCELLED
    return _PAGE.becoming(problem, is_bad, look, kind in looks and look is None)
