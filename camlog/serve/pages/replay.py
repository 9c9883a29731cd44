"""The Replay page: a saved drive through the same figures and strips, at any speed, with jumps to its events."""

from __future__ import annotations

import math
from urllib.parse import parse_qs

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from flask import jsonify

from camlog.errors import InputError
from camlog.serve.desk import Desk
from camlog.serve.names import address, told
from camlog.serve.pages import parts, pieces
from camlog.serve.pages.pieces import notice
from camlog.serve.pages.recording_results import stop
from camlog.serve.sent import number
from camlog.sinks.words import clock_text, kind_text
from camlog.stream import Event

SPEEDS = (
    (0.5, "half"),
    (1, "as recorded"),
    (2, "2×"),
    (4, "4×"),
    (10, "10×"),
    (30, "30×"),
    ("max", "as fast as it goes"),
)
BEFORE_EVENT_S = 3.0  # a jump lands this long before the event, so that it can be seen coming
_LOOK_MS = 1000


def layout(desk: Desk, name: str = "", *_: str) -> html.Main:
    """A new player for the recording; it plays at once."""
    try:
        player = desk.players.open(name)
    except InputError as error:
        return pieces.trouble("Replay", told(error))
    player.play(1)
    return html.Main(
        [
            html.P(dcc.Link("All about this recording", href=address("recording", name)), className="where"),
            html.H1(f"Replay of {name}"),
            *([html.P(simulated, className="caution")] if (simulated := desk.folder.entry(name).simulated) else []),
            html.Div("", id="replay-said", role="status"),
            html.Div(
                [
                    html.Button("Pause", id="play", className="main"),
                    html.Button("Back 10 s", id="back", className="quiet"),
                    html.Button("On 10 s", id="on", className="quiet"),
                    html.Label(["Go to (min:s) ", dcc.Input(id="go-to", type="text", debounce=True, className="short", n_submit=0)]),
                    html.Span("", id="position", className="clock"),
                ],
                className="row",
            ),
            html.Progress(id="progress", max=f"{player.duration_s:.1f}", value="0", **{"aria-label": "Position in the drive"}),
            html.Div(
                [
                    html.Span("Speed", id="speed-label"),
                    dcc.RadioItems(id="speed", options=[{"label": w, "value": str(v)} for v, w in SPEEDS], value="1", inline=True, className="choices"),
                ],
                className="row", role="group", **{"aria-labelledby": "speed-label"},
            ),
            html.Div(
                [
                    html.Div(parts.live(f"/live/{player.id}"), className="see"),
                    html.Aside(
                        [
                            html.H2("Jump to"),
                            html.Div(_jumps(player.events), className="jumps"),
                            html.H2("Codes"),
                            html.P("", id="codes"),
                            html.H2("What this drive had, up to here"),
                            html.Div(parts.guide_list(None), id="replay-guide"),
                        ]
                    ),
                ],
                className="drive",
            ),
            dcc.Interval(id="replay-look", interval=_LOOK_MS),
            dcc.Store(id="player", data=player.id),
            dcc.Store(id="replay-strips-of"),
        ],
        className="replay",
    )  # fmt: skip


def _jumps(events: tuple[Event, ...]) -> list:
    if not events:
        return [html.P("No marks and no events in this drive.", className="soft")]
    return [
        html.Button(
            f"{clock_text(e.time_s)}  {kind_text(e.kind)}{': ' + e.text if e.text else ''}",
            id={"jump": i, "time_s": round(e.time_s, 3)}, className="quiet", n_clicks=0,
        )
        for i, e in enumerate(events[:200])
    ]  # fmt: skip


def register(app: Dash, desk: Desk) -> None:
    """Callbacks, and the address from which the page's script fills the live part."""

    @app.server.get("/live/<player_id>")
    def playing_now(player_id: str):
        player = desk.players.get(player_id)
        if player is None:
            return jsonify({"id": None})
        found = parts.live_update(player.board)
        found["status"] = {
            "state": "ended" if player.ended else "playing" if player.playing else "paused",
            "clock": f"{clock_text(player.position_s)} of {clock_text(player.duration_s)}",
            "position_s": player.position_s,
        }
        return jsonify(found)

    @app.callback(
        Output("replay-said", "children"), Output("play", "children"),
        Input("play", "n_clicks"), Input("back", "n_clicks"), Input("on", "n_clicks"), Input("go-to", "value"),
        Input("speed", "value"), Input({"jump": ALL, "time_s": ALL}, "n_clicks"),
        Input("replay-look", "n_intervals"),
        State("player", "data"),
    )  # fmt: skip
    def act(_play, _back, _on, go_to, speed, jumped, _look, player_id):
        player = desk.players.get(player_id)
        if player is None:
            return "This page was left for a while; load it again to go on.", no_update
        said = no_update
        try:
            said = _acted(player, ctx.triggered_id, go_to, speed, jumped)
        except InputError as error:
            said = notice(told(error))
        return said, "From the start" if player.ended else "Pause" if player.playing else "Play"

    @app.callback(
        Output("replay-said", "children", allow_duplicate=True), Input("player", "data"), State("place", "search"),
        prevent_initial_call="initial_duplicate",
    )  # fmt: skip
    def begin_there(player_id, search):
        """A link to a moment, `?at=SECONDS`, begins a little before it."""
        player = desk.players.get(player_id)
        at = parse_qs((search or "").lstrip("?")).get("at", [""])[0]
        if player is not None and at:
            try:
                player.go_to(max(0.0, seconds_of(at) - BEFORE_EVENT_S))
            except InputError as error:
                return notice(told(error))
        return no_update

    @app.callback(
        Output("replay-guide", "children"), Output("strips", "children", allow_duplicate=True),
        Output("replay-strips-of", "data"),
        Input("replay-look", "n_intervals"), State("player", "data"), State("replay-strips-of", "data"),
        prevent_initial_call=True,
    )  # fmt: skip
    def look(_, player_id, drawn):
        player = desk.players.get(player_id)
        if player is None:
            return no_update, no_update, no_update
        guide = player.guide
        return [*stop(guide.do_not_run()), *parts.guide_list(guide)], *parts.strips_of(player.board, drawn)


def _acted(player, what, go_to: str | None, speed: str, jumped: list) -> object:
    if what == "play":
        if player.ended:
            player.go_to(0.0)
            player.play()
        elif player.playing:
            player.pause()
        else:
            player.play()
    elif what in ("back", "on"):
        player.go_to(max(0.0, player.position_s + (10.0 if what == "on" else -10.0)))
    elif what == "go-to" and go_to:
        player.go_to(seconds_of(go_to))
    elif what == "speed":
        player.play("max" if speed == "max" else number(speed, "the speed"))
    elif isinstance(what, dict) and any(jumped):
        player.go_to(max(0.0, what["time_s"] - BEFORE_EVENT_S))
    return no_update if what in (None, "replay-look") else ""


def seconds_of(text: str) -> float:
    """Seconds of `75`, `1:15` or `1:02:03`. Raises InputError for anything else."""
    try:
        seconds = 0.0
        for part in text.strip().split(":"):
            seconds = seconds * 60.0 + float(part)
    except ValueError:
        seconds = math.nan
    if not math.isfinite(seconds) or seconds < 0:
        raise InputError(f"{text[:20]!r} is no time", remedy="Write minutes and seconds, as in 1:15.")
    return seconds
