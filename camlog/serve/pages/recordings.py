"""The list of recordings, newest first, with search, and the place where a saved trace is taken in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from dash import Dash, Input, Output, State, dcc, html, no_update

from camlog.errors import InputError
from camlog.serve import files
from camlog.serve.desk import Desk
from camlog.serve.entries import Entry
from camlog.serve.folder import UPLOAD_LIMIT_BYTES
from camlog.serve.names import TRACE_ENDINGS, address, told
from camlog.serve.pages.pieces import digest, listed, notice, shown, size_text, verdicts

SHOWN = 50
LONGEST_SEARCH = 200
_LOOK_MS = 4000


def layout(desk: Desk, *_: str) -> html.Main:
    """The page as the folder is at this moment."""
    content, state = _listing(desk, "")
    return html.Main(
        [
            html.H1("Recordings"),
            html.P(
                ["Folder: ", shown(desk.folder.root.name or str(desk.folder.root)), " · ",
                 html.A("take in a saved recording", href="#take-in")],
                className="where soft",
            ),
            html.Label(
                ["Search ", dcc.Input(id="recordings-search", type="search", debounce=0.15, maxLength=LONGEST_SEARCH,
                                      placeholder="date, vehicle, verdict, mark, code")],
                className="search",
            ),
            html.Div(content, id="recordings-list"),
            take_in(),
            dcc.Interval(id="recordings-look", interval=_LOOK_MS),
            dcc.Store(id="recordings-state", data=state),
        ],
        className="recordings-page",
    )  # fmt: skip


def take_in() -> html.Section:
    """Where a file is handed in; filled by `assets/upload.js`, as Dash has no field for large files."""
    return html.Section(
        [
            html.H2("Take in a saved recording"),
            html.P(
                "From this device into the folder: a recording of camlog or of any other make, its drive file, or "
                "a vehicle profile. Nothing is overwritten.",
                className="soft",
            ),
            html.Div(
                id="take-in", className="take-in",
                **{"data-limit": str(UPLOAD_LIMIT_BYTES), "data-accept": ",".join((*TRACE_ENDINGS, ".json", ".toml"))},
            ),
        ],
        className="taking-in",
    )  # fmt: skip


def register(app: Dash, desk: Desk) -> None:
    """Callbacks, and the addresses of files."""
    files.register(app.server, desk)

    @app.callback(
        Output("recordings-list", "children"), Output("recordings-state", "data"),
        Input("recordings-search", "value"), Input("recordings-look", "n_intervals"),
        State("recordings-state", "data"),
        prevent_initial_call=True,
    )  # fmt: skip
    def look(search, _, state):
        content, now = _listing(desk, search if isinstance(search, str) else "")
        return (no_update, no_update) if now == state else (content, now)


def _listing(desk: Desk, search: str) -> tuple[list, str]:
    """The list, and a word that changes when it does."""
    search = search[:LONGEST_SEARCH]
    try:
        found = desk.folder.recordings(search)
    except InputError as error:
        return [notice(told(error))], told(error)
    running = desk.recorder.status().recording
    # What grows while it is recorded is not shown: a list drawn anew takes the keyboard's place in it away.
    told_of = [replace(e, size_bytes=0, modified_s=0.0) if e.name == running else e for e in found[:SHOWN]]
    made = _made_of(desk, found)
    return listing(found, search, running, made), digest((search, len(found), running, told_of, made))


def _made_of(desk: Desk, found: list[Entry]) -> dict[str, str]:
    """Foreign traces that were converted, and the trace made of each, whatever the search hides."""
    if not any(e.kind == "foreign" for e in found):
        return {}
    return {e.converted_from: e.name for e in desk.folder.recordings() if e.converted_from}


def listing(
    found: list[Entry], search: str = "", running: str | None = None, made: Mapping[str, str] | None = None
) -> list:
    """The list of recordings; `running` is the one being recorded, `made` gives the traces that foreign ones were
    converted to."""
    if not found and search.strip():
        return [html.P("No recording has all of these words.", className="empty", role="status")]
    if not found:
        return [
            html.Div(
                [
                    html.P("No recordings in this folder yet."),
                    html.P(["To make one: ", dcc.Link("record a drive", href="/"), "."]),
                    html.P("To look at one you have: take it in below."),
                ],
                className="empty",
            )
        ]
    many = "1 recording" if len(found) == 1 else f"{len(found)} recordings"
    rest = f"; the newest {SHOWN} are shown, search finds the others" if len(found) > SHOWN else ""
    return [
        html.P(f"{many}{' found' if search.strip() else ''}{rest}", className="soft", role="status"),
        html.Ul(
            [_item(e, e.name == running, (made or {}).get(e.name)) for e in found[:SHOWN]], className="recordings plain"
        ),
    ]


def _item(entry: Entry, running: bool, made: str | None) -> html.Li:
    facts = [html.Time(entry.when), *([] if running else [size_text(entry.size_bytes)])]
    if entry.vehicle:
        facts.insert(1, shown(entry.vehicle, 80))
    if running:
        state = html.P(dcc.Link("Being recorded now", href="/"), className="verdicts")
    elif entry.kind == "foreign" and made is not None:
        link = dcc.Link(shown(made), href=address("recording", made))
        state = html.P(["Somebody else's recording, converted to ", link], className="soft")
    elif entry.kind == "foreign":
        words = "Cannot be read as a recording" if entry.problems else "Somebody else's recording, to be converted"
        state = html.P(words, className="verdicts soft")
    elif entry.verdicts:
        state = html.P(verdicts(entry.verdicts), className="verdicts")
    else:
        analysed = "findings" in entry.results and not entry.problems
        beside = next((w for w in ("verification", "comparison") if w in entry.results), None)
        words = "No cam angles" if analysed else f"No report yet; {beside} made" if beside else "Not analysed yet"
        state = html.P(words, className="verdicts soft")
    more = []
    if entry.markers:
        more.append(html.Span(["Marks: ", *listed(entry.markers, 3)], className="marks"))
    if entry.codes:
        more.append(html.Span(["Codes: ", *listed(entry.codes)], className="codes"))
    if entry.simulated:
        more.append(html.Span("Simulated: proves nothing"))
    if entry.ended_cleanly is False and not running:
        more.append(html.Span("Did not end cleanly", className="bad"))
    page = "convert" if entry.kind == "foreign" else "recording"
    return html.Li(
        [
            html.P(dcc.Link(shown(entry.name), href=address(page, entry.name), className="name"), className="name-row"),
            html.P([part for fact in facts for part in (" · ", fact)][1:], className="facts soft"),
            state,
            html.P([part for one in more for part in (" · ", one)][1:], className="more") if more else None,
            *(html.P(shown(problem, 300), className="problem bad") for problem in entry.problems),
        ],
        className="recording",
    )  # fmt: skip
