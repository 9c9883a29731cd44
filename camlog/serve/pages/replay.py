"""The Replay page: a saved drive through the same figures and strips, at any speed, with jumps to its events."""

from __future__ import annotations

import math
from urllib.parse import parse_qs

from dash import ALL, Dash, Input, Output, State, ctx, no_update
from flask import jsonify

from camlog.errors import InputError
from camlog.serve.desk import Desk
from camlog.serve.names import told
from camlog.serve.pages import parts
from camlog.serve.pages.pieces import PIECES, notice
from camlog.serve.pages.template import Template
from camlog.serve.sent import number
from camlog.sinks.words import clock_text

SPEEDS = {"0.5": "half", "1": "as recorded", "2": "2×", "4": "4×", "10": "10×", "30": "30×", "max": "as fast as it goes"}
BEFORE_EVENT_S = 3.0  # a jump lands this long before the event, so that it can be seen coming
STEP_S = 10.0
_PAGE = Template("replay.html")


def layout(desk: Desk, name: str = "", *_: str):
    """A new player for the recording; it plays at once."""
    try:
        player = desk.players.open(name)
    except InputError as error:
        return PIECES.trouble("Replay", told(error))[0]
    player.play(1)
    speeds = [{"label": word, "value": speed} for speed, word in SPEEDS.items()]
    return _PAGE.layout(name, desk.folder.entry(name).simulated, player, speeds, parts.LIVE)[0]


def register(app: Dash, desk: Desk) -> None:
    """Callbacks, and the address from which the page's script fills the live part."""

    @app.server.get("/live/<player_id>")
    def playing_now(player_id: str):
        player = desk.players.get(player_id)
        if player is None:
            return jsonify({"id": None})
        status = {
            "state": "ended" if player.ended else "playing" if player.playing else "paused",
            "clock": f"{clock_text(player.position_s)} of {clock_text(player.duration_s)}",
            "position_s": player.position_s,
        }
        return jsonify(parts.live_update(player.board) | {"status": status})

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
        try:
            message = _act(player, ctx.triggered_id, go_to, speed, jumped)
        except InputError as error:
            message = notice(told(error))
        return message, "From the start" if player.ended else "Pause" if player.playing else "Play"

    @app.callback(
        Output("replay-said", "children", allow_duplicate=True), Input("player", "data"), State("place", "search"),
        prevent_initial_call="initial_duplicate",
    )  # fmt: skip
    def begin_there(player_id, search):
        """A link to a moment, `?at=SECONDS`, begins a little before it."""
        player = desk.players.get(player_id)
        at = parse_qs((search or "").lstrip("?")).get("at", [""])[0]
        try:
            if player is not None and at:
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
        guide = [*PIECES.stop(player.guide.do_not_run()), *parts.guide_list(player.guide)]
        return guide, *parts.strips_of(player.board, drawn)


def _act(player, what, go_to: str | None, speed: str, jumped: list) -> object:
    """Do what was pressed or written; what is said of it. Raises InputError."""
    if what == "play" and player.playing and not player.ended:
        player.pause()
    elif what == "play":
        if player.ended:
            player.go_to(0.0)
        player.play()
    elif what in ("back", "on"):
        player.go_to(max(0.0, player.position_s + (STEP_S if what == "on" else -STEP_S)))
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
