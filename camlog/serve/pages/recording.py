"""One recording: what is known of it, its report, and how it stands against the drive before the repair."""

from __future__ import annotations

import re

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update

from camlog.drive import Drive, drive_path, read_drive
from camlog.errors import InputError
from camlog.numbers import duration
from camlog.serve import jobs
from camlog.serve.desk import Desk
from camlog.serve.entries import Entry
from camlog.serve.jobs import Look
from camlog.serve.names import DRIVE_ENDING, address, told
from camlog.serve.pages import pieces
from camlog.serve.pages.pieces import notice, shown
from camlog.serve.pages.recording_results import RESULT_WORDS, outcome
from camlog.sinks.lines import codes_text
from camlog.sinks.words import clock_text, kind_text

EVENTS_SHOWN = 200
OTHERS_SHOWN = 8
NONE = ""  # no drive before
MORE = "\0more"  # a line that cannot be chosen
LONGEST_JOB = 300
_LOOK_MS = 700
KINDS = tuple(RESULT_WORDS)  # report, comparison, verification


def layout(desk: Desk, name: str = "", *_: str) -> html.Main:
    """The page of a recording of the folder."""
    try:
        entry = desk.folder.entry(name)
    except InputError as error:
        return pieces.trouble("No such recording", told(error))
    heading = [
        html.P(dcc.Link("All recordings", href="/recordings"), className="where"),
        html.H1(shown(name)),
    ]
    if entry.kind == "foreign":
        return html.Main([*heading, *_foreign(entry)], className="recording-page")
    drive = _drive(desk, entry)
    if desk.recorder.status().recording == name:
        heading.append(
            html.P(
                ["This drive is being recorded now. ", dcc.Link("See it live", href="/")], className="notice"
            )
        )
    begun = {kind: id_ for kind in KINDS if (id_ := desk.jobs.latest(_key(desk, kind, name))) is not None}
    return html.Main(
        [
            *heading,
            *(notice(problem) for problem in entry.problems),
            html.P(_verdict(entry), id="recording-verdict", className="verdicts"),
            _facts(entry),
            html.Div(
                [
                    dcc.Link("Replay", href=address("replay", name), className="main"),
                    html.A("Download the recording", href=address("files", name), className="quiet"),
                    *_download(entry, "drive", "Download the drive file"),
                    *_download(entry, "findings", "Download the findings"),
                ],
                className="row",
            ),
            _profile_choice(desk, entry),
            _report(entry),
            _pair(desk, entry),
            *_events(name, drive),
            *_codes(drive),
            dcc.Interval(id="recording-look", interval=_LOOK_MS),
            dcc.Store(id="recording-name", data=name),
            dcc.Store(id="recording-jobs", data=begun),
            dcc.Store(id="recording-told", data={}),
        ],
        className="recording-page",
    )


# ---------------------------------------------------------------- parts of the page


def _verdict(entry: Entry) -> list | str:
    if entry.verdicts:
        return pieces.verdicts(entry.verdicts)
    return "No cam angles" if "findings" in entry.results and not entry.problems else "Not analysed yet"


def _foreign(entry: Entry) -> list:
    return [
        *(notice(problem) for problem in entry.problems),
        html.P("This recording was not written by camlog. Converted, it can be analysed and replayed."),
        html.Div(
            [
                dcc.Link("Convert it", href=address("convert", entry.name), className="main"),
                html.A("Download it", href=address("files", entry.name), className="quiet"),
            ],
            className="row",
        ),
    ]


def _drive(desk: Desk, entry: Entry) -> Drive | None:
    if "drive" not in entry.results:
        return None
    try:
        return read_drive(desk.folder.existing(drive_path(entry.name).name))
    except InputError:
        return None  # said among the entry's problems


def _facts(entry: Entry) -> html.Dl:
    ended = {True: "yes", False: "no: what was recorded until it broke off is here", None: "not known"}
    rows = [
        (
            "Recorded",
            entry.when if entry.started_at is not None else f"not known; the file is of {entry.when}",
        ),
        ("Vehicle", shown(entry.vehicle) if entry.vehicle else "not named"),
        ("Ended cleanly", ended[entry.ended_cleanly]),
        ("Size", pieces.size_text(entry.size_bytes)),
    ]
    if entry.simulated:
        rows.append(("Simulated", entry.simulated))
    if entry.converted_from:
        rows.append(("Converted from", shown(entry.converted_from)))
    if entry.markers:
        rows.append(("Marks", pieces.listed(entry.markers)))
    return html.Dl(
        [part for word, said in rows for part in (html.Dt(word), html.Dd(said))], className="known"
    )


def _download(entry: Entry, what: str, word: str) -> list:
    name = entry.results.get(what)
    return [html.A(word, href=address("files", name), className="quiet")] if name else []


def _profile_choice(desk: Desk, entry: Entry) -> html.Fieldset:
    made_with = desk.folder.profile_of(entry)
    said = "Its limits, geometry and oil grade count in report, comparison and verification."
    same = [p.file for p in desk.folder.profiles() if p.error is None and p.name == entry.vehicle]
    chosen = made_with or (same[0] if len(same) == 1 else pieces.NO_PROFILE)
    if entry.profile_sha256 is not None and made_with is None:
        said += " The profile this drive was recorded with is not in the folder, or was changed since."
    if made_with is None and chosen != pieces.NO_PROFILE:
        said += " Chosen is the one for a vehicle of the same name: look whether it is this one."
    return html.Fieldset(
        [
            html.Legend("Vehicle profile"),
            dcc.RadioItems(
                id="recording-vehicle", options=pieces.profile_options(desk),
                value=chosen, className="choices",
            ),
            html.P(said, className="soft small"),
        ]
    )  # fmt: skip


def _report(entry: Entry) -> html.Section:
    return html.Section(
        [
            html.H2("Report"),
            html.Div(_kept(entry, "report"), id="recording-report-kept", className="kept"),
            html.Button("Make the report", id="recording-report", className="main"),
            *_becoming("report"),
        ]
    )


def _pair(desk: Desk, entry: Entry) -> html.Section:
    options, first = _others(desk, entry.name, "", None)
    return html.Section(
        [
            html.H2("Against the drive before the repair"),
            html.P(["This recording, ", html.B(shown(entry.name)), ", is the drive ", html.B("after"), " the repair."]),
            html.Fieldset(
                [
                    html.Legend("The drive before the repair"),
                    html.Label(["Search ", dcc.Input(id="recording-other-search", type="search", debounce=0.15, maxLength=200)]),
                    dcc.RadioItems(id="recording-other", options=options, value=first, className="choices"),
                ]
            ),
            html.H3("Compare"),
            html.P("The same charts in pairs, and each figure before, after and its change.", className="soft"),
            html.Div(_kept(entry, "comparison"), id="recording-comparison-kept", className="kept"),
            html.Button("Compare the two", id="recording-comparison", className="main"),
            *_becoming("comparison"),
            html.H3("Verify the repair"),
            html.P(
                "Is the repair proven by this drive? A list of checks, each passed, failed, not yet shown or not applicable, on "
                "one page to print and sign.",
                className="soft",
            ),
            _field("What was done ", "recording-job", LONGEST_JOB, "order number, parts"),
            _field("Codes that have nothing to do with it ", "recording-outside", 200, "such as P0442"),
            html.Div(_kept(entry, "verification"), id="recording-verification-kept", className="kept"),
            html.Button("Verify", id="recording-verification", className="main"),
            *_becoming("verification"),
        ]
    )  # fmt: skip


def _becoming(kind: str) -> tuple[html.Div, html.Button]:
    """Place of what is said while a result is made and once it is, and the button that gives it up."""
    said = html.Div(id=f"recording-{kind}-said", className="result", **{"aria-live": "polite"})
    return said, html.Button(f"Cancel the {kind}", id=f"recording-{kind}-cancel", className="quiet", hidden=True)


def _field(word: str, id_: str, longest: int, example: str) -> html.Label:
    return html.Label([word, dcc.Input(id=id_, type="text", maxLength=longest, placeholder=example)])


def _kept(entry: Entry, kind: str) -> list:
    """The result that is there already."""
    name = entry.results.get(kind)
    if name is None:
        return []
    link = html.A(
        f"Open the {kind}", href=address("results", name), target="_blank", rel="noopener", className="main"
    )
    return [link, html.Span(" Made anew, it is overwritten.", className="soft")]


def _others(desk: Desk, name: str, search: str, chosen: str | None) -> tuple[list[dict], str]:
    """Drives to choose from as the one before, and the chosen one: earlier ones first, saved codes last."""
    own = desk.folder.entry(name)
    found = [e for e in desk.folder.recordings(search) if e.kind == "trace" and e.name != name]
    earlier = [e for e in found if e.began_s <= own.began_s]
    ranked = sorted(earlier, key=lambda e: e.vehicle != own.vehicle) + [
        e for e in found if e.began_s > own.began_s
    ]
    options = [
        {"label": f"{e.name} ({e.when}{', ' + e.vehicle[:80] if e.vehicle else ''})", "value": e.name}
        for e in ranked[:OTHERS_SHOWN]
    ]
    words = search.casefold().split()
    alone = [n for n in desk.folder.snapshots() if all(w in n.casefold() for w in words)]
    options += [{"label": f"{n} (codes saved before clearing)", "value": n} for n in alone[:OTHERS_SHOWN]]
    if chosen and chosen not in [o["value"] for o in options]:
        options.insert(0, {"label": chosen, "value": chosen})
    options = [{"label": pieces.visible(o["label"]), "value": o["value"]} for o in options]
    more = max(0, len(ranked) - OTHERS_SHOWN) + max(0, len(alone) - OTHERS_SHOWN)
    if more:
        options.append({"label": f"{more} more are not shown: search for them", "value": MORE, "disabled": True})
    none = {"label": "None: then nothing can be compared, and nothing verified", "value": NONE}
    return [*options, none], chosen or NONE


def _events(name: str, drive: Drive | None) -> list:
    found = () if drive is None else drive.events
    items = [
        html.Li(
            [
                dcc.Link(clock_text(e.time_s), href=f"{address('replay', name)}?at={max(0.0, e.time_s):.1f}"),
                html.Span([f" {kind_text(e.kind)}", *([": ", shown(e.text)] if e.text else [])]),
            ],
            className=f"event {e.kind}",
        )
        for e in found[:EVENTS_SHOWN]
    ]
    more = [html.P(f"And {len(found) - EVENTS_SHOWN} more.")] if len(found) > EVENTS_SHOWN else []
    none = [] if items else [html.P("None in this drive.", className="soft")]
    return [
        html.H2("Marks and events"),
        html.Ul(items, className="plain events") if items else None,
        *more,
        *none,
    ]


def _codes(drive: Drive | None) -> list:
    taken = () if drive is None else drive.code_snapshots
    shown_ = taken if len(taken) <= 2 else (taken[0], taken[-1])  # at the start and at the end
    items = [
        html.Li([html.B(f"At {duration(max(0.0, s.time_s))}: "), shown(codes_text(s), 2000)]) for s in shown_
    ]
    none = html.P("Not read in this drive.", className="soft")
    return [html.H2("Codes"), html.Ul(items, className="plain codes") if items else none]


# ---------------------------------------------------------------- what the buttons do


def register(app: Dash, desk: Desk) -> None:
    """Callbacks."""

    @app.callback(
        Output("recording-jobs", "data"), Output("recording-told", "data"),
        *(Input(f"recording-{kind}", "n_clicks") for kind in KINDS),
        State("recording-name", "data"), State("recording-vehicle", "value"), State("recording-other", "value"),
        State("recording-job", "value"), State("recording-outside", "value"), State("recording-jobs", "data"),
        prevent_initial_call=True,
    )  # fmt: skip
    def act(*given):
        *_, name, vehicle, other, job, outside, running = given
        if not pieces.pressed():
            return no_update, no_update
        kind = str(ctx.triggered_id).removeprefix("recording-")
        try:
            id_ = begin(desk, kind, name, vehicle, other, job, outside)
        except InputError as error:
            return no_update, {kind: told(error)}
        return {**(running or {}), kind: id_}, {}

    @app.callback(
        *(Output(f"recording-{kind}-said", "children") for kind in KINDS),
        *(Output(f"recording-{kind}-kept", "children") for kind in KINDS),
        *(Output(f"recording-{kind}-cancel", "hidden") for kind in KINDS),
        Output("recording-verdict", "children"), Output("recording-look", "disabled"),
        Input("recording-look", "n_intervals"), Input("recording-jobs", "data"), Input("recording-told", "data"),
        State("recording-name", "data"),
    )  # fmt: skip
    def follow(_, begun, said, name):
        looks = {kind: desk.jobs.look(id_) for kind, id_ in (begun or {}).items() if kind in KINDS}
        try:
            entry = desk.folder.entry(name)
        except InputError as error:
            return (notice(told(error)), *(no_update,) * (3 * len(KINDS)), True)
        views = [_view(kind, looks, said or {}) for kind in KINDS]
        kept = [[] if _done(looks.get(kind)) else _kept(entry, kind) for kind in KINDS]
        running = [_running(looks.get(kind)) for kind in KINDS]
        return (*views, *kept, *(not one for one in running), _verdict(entry), not any(running))

    @app.callback(
        *(Input(f"recording-{kind}-cancel", "n_clicks") for kind in KINDS), State("recording-jobs", "data"),
        prevent_initial_call=True,
    )  # fmt: skip
    def give_up(*given):
        if pieces.pressed():
            kind = str(ctx.triggered_id).removeprefix("recording-").removesuffix("-cancel")
            desk.jobs.cancel((given[-1] or {}).get(kind))

    @app.callback(
        Output("recording-other", "options"), Output("recording-other", "value"),
        Input("recording-other-search", "value"), State("recording-name", "data"), State("recording-other", "value"),
        prevent_initial_call=True,
    )  # fmt: skip
    def look_for(search, name, chosen):
        try:
            return _others(desk, name, search if isinstance(search, str) else "", chosen)
        except InputError:
            return no_update, no_update


def begin(desk: Desk, kind: str, name: str, vehicle, other, job, outside) -> str:
    """Submit what a button asks for; gives the job's id. Raises InputError for what cannot be."""
    trace = str(desk.folder.existing(name))
    profile = pieces.profile_path(desk, vehicle)
    if kind == "report":
        return _submit(desk, kind, name, (profile,), jobs.make_report, trace, profile)
    if kind not in KINDS:
        raise InputError("that is nothing to do with a recording", remedy="Load the page again.")
    before = str(desk.folder.existing(other)) if other else None
    if kind == "comparison":
        if before is None:
            raise InputError("no drive before is chosen", remedy="Choose one above.")
        if before.endswith(DRIVE_ENDING):
            raise InputError(
                "has codes only, and nothing to compare", file=other, remedy="Choose a recording."
            )
        return _submit(desk, kind, name, (before, profile), jobs.make_comparison, before, trace, profile)
    job = (job or "").strip()[:LONGEST_JOB]
    codes = tuple(c.upper() for c in re.split(r"[\s,;]+", outside or "") if c)
    given = (before, profile, job, codes)
    return _submit(desk, kind, name, given, jobs.make_verification, trace, *given)


def _key(desk: Desk, kind: str, name: str) -> str:
    return f"{kind} {desk.folder.path(name)}"


def _submit(desk: Desk, kind: str, name: str, given: tuple, function, *args) -> str:
    key = f"{_key(desk, kind, name)}\n{given!r}"
    return desk.jobs.submit(f"{kind.capitalize()} of {name}", function, *args, key=key)


def _running(look: Look | None) -> bool:
    return look is not None and not look.over


def _done(look: Look | None) -> bool:
    return look is not None and look.state == "done"


def _view(kind: str, looks: dict[str, Look | None], said: dict[str, str]) -> list:
    if kind in said:
        return [notice(said[kind])]
    if kind not in looks:
        return []
    look = looks[kind]
    if look is None:
        return [notice("This was done too long ago to be told; open the result.", bad=False)]
    if not look.over:
        return [pieces.working(look)]
    if look.state == "failed":
        return [notice(look.error, bad=look.error != jobs.CANCELLED)]
    return outcome(kind, look.result)
