"""The Record page: connect, drive with the list of what is still needed, mark, stop."""

from __future__ import annotations

from dash import ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from flask import current_app, jsonify, request

from camlog.capture.ports import CHECKLIST, likely_ports
from camlog.cautions import DRIVE, IDLE, OPERATE, PEDALS, sentences
from camlog.errors import InputError
from camlog.serve.desk import Desk
from camlog.serve.guard import is_loopback
from camlog.serve.names import address, told
from camlog.serve.pages import parts, pieces
from camlog.serve.pages.pieces import notice, shown
from camlog.serve.pages.recording_results import stop
from camlog.serve.pairing import Pairing
from camlog.serve.recording import GROWING, RecorderStatus
from camlog.sinks.words import clock_text

FIND = "find"  # port choices that are not a port
OTHER = "other"
RATTLE = "rattle heard"
_LOOK_MS, _NOW_AND_THEN_MS = 1000, 2000
_SECTIONS = {
    "setup": ("idle", "failed", "finished"),
    "connecting": ("connecting",),
    "ready": ("connected",),
    "driving": GROWING,
}


def layout(desk: Desk, *_: str) -> html.Main:
    """The page as it is at this moment; a page opened in mid-drive shows the drive."""
    now = desk.recorder.status()
    return html.Main(
        [
            html.P(" ".join(sentences((OPERATE, DRIVE, PEDALS, IDLE))), className="caution"),
            html.Div("", id="said", role="status", **{"aria-live": "polite"}),
            html.Div(_notices(now, desk), id="notices"),
            html.Section(_finished(now, desk), id="finished"),
            html.Section(_setup(desk), id="setup", hidden=now.state not in _SECTIONS["setup"]),
            html.Section(_connecting(), id="connecting", hidden=now.state not in _SECTIONS["connecting"]),
            html.Section(_ready(), id="ready", hidden=now.state not in _SECTIONS["ready"]),
            html.Section(_driving(), id="driving", hidden=now.state not in _SECTIONS["driving"]),
            html.Div(_lines(now), id="found"),
            _pairing(),
            dcc.Interval(id="look", interval=_LOOK_MS),
            dcc.Interval(id="look-now-and-then", interval=_NOW_AND_THEN_MS),
            dcc.Store(id="looked"),
            dcc.Store(id="strips-of"),
        ],
        className="record",
    )


def _setup(desk: Desk) -> list:
    return [
        html.H1("Record a drive"),
        *_newest(desk),
        html.Fieldset(
            [
                html.Legend("Adapter"),
                dcc.RadioItems(id="port", options=_port_options(desk), value=desk.adapter or FIND, className="choices"),
                html.Label(["Another port: ", dcc.Input(id="other-port", type="text", n_submit=0, placeholder="/dev/rfcomm0 or socket://192.168.0.10:35000")]),
                html.Button("Look for ports again", id="look-ports", className="quiet"),
            ]
        ),
        html.Fieldset(
            [
                html.Legend("Vehicle profile"),
                dcc.RadioItems(id="vehicle", options=_vehicle_options(desk), value=_first_vehicle(desk), className="choices"),
                html.P(
                    "It says where this vehicle keeps its cam angles, and comes from its service information. Profiles lie "
                    "in the working folder; without one the phaser cannot be judged.",
                    className="soft small",
                ),
                dcc.Checklist(id="vin", options=[{"label": "Store the vehicle identification number", "value": "vin"}], value=[], className="choices"),
            ]
        ),
        html.Button("Connect", id="connect", className="main"),
        html.Details(
            [
                html.Summary("Before you connect"),
                html.Ol([html.Li(text[0].upper() + text[1:]) for text in CHECKLIST]),
                html.P(
                    "For a cold-start rattle: connect with the ignition on and the engine off, start the recording, then "
                    "start the engine."
                ),
            ]
        ),
    ]  # fmt: skip


def _newest(desk: Desk) -> list:
    """The newest recording: also one that ended with a server that was killed."""
    try:
        newest = next((e for e in desk.folder.recordings() if e.kind == "trace"), None)
    except InputError:  # the list of recordings says it
        return []
    if newest is None:
        return []
    link = dcc.Link(shown(newest.name), href=address("recording", newest.name))
    return [html.P(["Newest recording here: ", link, f", {newest.when}"], className="soft")]


def _connecting() -> list:
    return [
        html.H1("Connecting"),
        html.P("A few seconds: the adapter is reset and the vehicle asked what it supports."),
    ]


def _ready() -> list:
    return [
        html.H1("Connected"),
        html.Label(["Name of the recording (optional): ", dcc.Input(id="name", type="text", placeholder="drive-DATE-TIME")]),
        html.Div(
            [
                html.Button("Start recording", id="start", className="main"),
                html.Button("Disconnect", id="disconnect", className="quiet"),
            ],
            className="row",
        ),
    ]  # fmt: skip


def _driving() -> list:
    return [
        html.Div(
            [
                html.Div([html.B("Recording", id="state-word"), " ", html.Span("", id="clock", className="clock")], className="lamp"),
                html.Span("", id="rows", className="soft"),
                html.Button("Stop", id="stop", className="stop"),
            ],
            className="topline",
        ),
        html.Div(id="next-now"),  # on a phone the list is far below
        html.Div(
            [
                html.Div(parts.live("/live"), className="see"),
                html.Aside(
                    [
                        html.H2("Still to drive"),
                        html.Div(parts.guide_list(None), id="guide"),
                        html.H2("Verdict so far"),
                        html.Div(parts.provisional(None), id="provisional"),
                        html.H2("Codes"),
                        html.P("", id="codes"),
                        html.H2("Marks and events"),
                        html.Ul(id="events", className="plain"),
                    ]
                ),
            ],
            className="drive",
        ),
        html.Div(
            [
                html.Button([html.B("Rattle heard"), html.Span([" marks this moment", html.Span(" (key M)", className="by-key")])], id="mark", className="mark-now"),
                html.Div(
                    [
                        dcc.Input(id="note", type="text", placeholder="Other note", maxLength=200, n_submit=0),
                        html.Button("Mark note", id="mark-note", className="quiet"),
                    ],
                    className="row",
                ),
                html.Span("", id="marks", role="status"),
            ],
            className="marking",
        ),
    ]  # fmt: skip


def _port_options(desk: Desk) -> list[dict]:
    named = [{"label": f"{desk.adapter} (given at the start)", "value": desk.adapter}] if desk.adapter else []
    found = [
        {
            "label": f"{port.device}: {port.description}" + (f" ({port.remark})" if port.remark else ""),
            "value": port.device,
        }
        for port in likely_ports()
        if port.device != desk.adapter
    ]
    return [
        *named,
        {"label": "Find it: try the likely ports", "value": FIND},
        *found,
        {"label": "Another port, written below", "value": OTHER},
    ]


def _vehicle_options(desk: Desk) -> list[dict]:
    return pieces.profile_options(desk, "None: standard signals only")


def _first_vehicle(desk: Desk) -> str:
    if desk.vehicle:
        return desk.vehicle
    usable = [p.file for p in desk.folder.profiles() if p.error is None and p.file != "demo"]
    return usable[0] if len(usable) == 1 else ""


def _lines(now: RecorderStatus) -> list:
    """What connecting said, or the probe found; out of the way while driving."""
    if not now.lines or now.state in ("idle", "finished"):
        return []
    found = html.Ul([html.Li(line) for line in now.lines], className="plain probe")
    if now.recording is not None:
        return [html.Details([html.Summary("What the adapter and the vehicle offer"), found])]
    return [found]


def _notices(now: RecorderStatus, desk: Desk) -> list:
    """First whether the engine is to be stopped, then what went wrong with the recording."""
    guide = desk.recorder.guide if now.state in GROWING else None
    return [*stop(guide.do_not_run() if guide is not None else ()), *([notice(now.error)] if now.error else []), *(notice(text, bad=False) for text in now.warnings)]


def _own_pairing() -> Pairing | None:
    """The pairing of other devices, where this computer itself asks; None for another device."""
    guard = current_app.extensions.get("camlog-guard")
    return guard.pairing if guard is not None and is_loopback(request.remote_addr or "") else None


def _pairing() -> html.Div:
    """For the page on this computer: how another device is let in. Hidden from the other devices."""
    return html.Div(
        [
            html.P(pairing_code(), id="pairing", className="soft"),
            html.Button("New code", id="new-code", className="quiet"),
        ],
        hidden=_own_pairing() is None,
    )


def pairing_code() -> list:
    """The present code, or what to do where there is none; nothing for the other devices."""
    pairing = _own_pairing()
    if pairing is None:
        return []
    if not pairing.code:
        return ["Too many wrong codes were tried by other devices. Press \"New code\" to let one in."]
    return [
        "Another device is let in once by this code: ", html.B(pairing.code, className="clock"),
        ". It opens the address that stands in the terminal. A new code lets a device try again that has to wait.",
    ]  # fmt: skip


def _finished(now: RecorderStatus, desk: Desk) -> list:
    if now.state not in ("finished", "failed") or not now.rows:
        return []
    made = [
        html.H1("Recorded"),
        html.P([html.B(now.name), f": {now.rows} rows in {clock_text(now.elapsed_s)}."]),
    ]
    look = desk.jobs.look(now.report_job) if now.report_job else None
    links = [dcc.Link("Everything about this recording", href=address("recording", now.name))]
    if look is None or not look.over:
        made.append(html.P("The report is being made ...", role="status"))
    elif look.state == "failed":
        made.append(notice(look.error))
    else:
        made[:0] = stop(look.result["do_not_run"])
        made += [html.P(line) for line in look.result["headline"][:6]]
        links.insert(
            0,
            html.A(
                "Open the report",
                href=address("results", look.result["report"]),
                target="_blank",
                className="main",
            ),
        )
    made.append(html.Div(links, className="row"))
    return made


def register(app: Dash, desk: Desk) -> None:
    """Callbacks, and the address from which the page's script fills the live part."""

    @app.server.get("/live")
    def recording_now():
        board = desk.recorder.board
        return jsonify({**parts.live_update(board), "status": _status(desk.recorder.status())})

    @app.callback(
        Output("said", "children"),
        Input("connect", "n_clicks"), Input("start", "n_clicks"), Input("mark", "n_clicks"),
        Input("mark-note", "n_clicks"), Input("note", "n_submit"), Input("stop", "n_clicks"),
        Input("disconnect", "n_clicks"), Input("other-port", "n_submit"),
        State("port", "value"), State("other-port", "value"), State("vehicle", "value"), State("vin", "value"),
        State("name", "value"), State("note", "value"),
        prevent_initial_call=True,
    )  # fmt: skip
    def act(*given):
        port, other, vehicle, vin, name, note = given[-6:]
        if not any(given[:-6]):
            return no_update  # the page was just built
        try:
            return _acted(desk, ctx.triggered_id, port, other, vehicle, bool(vin), name, note)
        except InputError as error:
            return notice(told(error))

    app.clientside_callback(
        ClientsideFunction("live", "written"), Output("port", "value"), Input("other-port", "value"),
        prevent_initial_call=True,
    )  # fmt: skip

    @app.callback(
        Output("note", "value"), Input("said", "children"), State("note", "value"), prevent_initial_call=True
    )
    def note_used(said, note):
        return "" if note and isinstance(said, str) and said.startswith("Marked") else no_update

    @app.callback(
        Output("port", "options"),
        Output("vehicle", "options"),
        Input("look-ports", "n_clicks"),
        prevent_initial_call=True,
    )
    def look_again(_):
        return _port_options(desk), _vehicle_options(desk)

    @app.callback(
        *(Output(section, "hidden") for section in _SECTIONS),
        Output("notices", "children"), Output("found", "children"), Output("finished", "children"),
        Output("guide", "children"), Output("provisional", "children"), Output("next-now", "children"),
        Output("looked", "data"),
        Input("look", "n_intervals"), Input("said", "children"), State("looked", "data"),
    )  # fmt: skip
    def look(_, _said, before):
        now = desk.recorder.status()
        driving = now.state in _SECTIONS["driving"]
        guide = desk.recorder.guide if driving else None
        next_ = parts.next_line(guide)
        shown = [
            *(now.state not in states for states in _SECTIONS.values()),
            _notices(now, desk), _lines(now), _finished(now, desk),
            [*next_, *parts.guide_list(guide)], parts.provisional(guide), next_,
        ]  # fmt: skip
        changed, digests = pieces.only_changed(shown, before)
        return (*changed, digests)

    @app.callback(
        Output("pairing", "children"), Input("look-now-and-then", "n_intervals"), Input("new-code", "n_clicks")
    )
    def code(_, asked):
        pairing = _own_pairing()
        if pairing is not None and asked and ctx.triggered_id == "new-code":
            pairing.renew()
        return pairing_code() or no_update

    @app.callback(
        Output("strips", "children"), Output("strips-of", "data"),
        Input("look-now-and-then", "n_intervals"), Input("driving", "hidden"), State("strips-of", "data"),
    )  # fmt: skip
    def draw(_, _driving, drawn):
        return parts.strips_of(desk.recorder.board, drawn)


def _acted(desk: Desk, what: str, port, other, vehicle, vin: bool, name, note) -> object:
    recorder = desk.recorder
    if what in ("connect", "other-port"):
        if port == OTHER and not (other or "").strip():
            raise InputError(
                "no port is written", remedy="Write the adapter's port, or choose one from the list."
            )
        chosen = None if port == FIND else (other or "").strip() if port == OTHER else port
        recorder.connect(chosen, vehicle or None, store_vin=vin)
        return ""
    if what == "start":
        recorder.start(name or "")
        return ""
    if what == "mark":
        recorder.mark(RATTLE)
        return f"Marked: {RATTLE}"
    if what in ("mark-note", "note"):
        if not (note or "").strip():
            return no_update
        recorder.mark(note.strip())
        return f"Marked: {note.strip()}"
    if what == "stop":
        recorder.stop()
        return ""  # the page's first line says that it is ending
    recorder.disconnect()
    return ""


def _status(now: RecorderStatus) -> dict:
    word = {"ending": "Ending: reading the codes once more"}.get(now.state, "Recording")
    return {
        "state": now.state,
        "word": word,
        "clock": clock_text(now.elapsed_s),
        "rows": f"{now.rows} rows in {now.name}" if now.name else "",
    }
