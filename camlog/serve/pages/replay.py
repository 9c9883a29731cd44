"""The Replay page: a saved drive in the same gauges and strips, at any speed, with jumps to its worst moments."""

from __future__ import annotations

import math
from typing import Any

import flask

from camlog.errors import InputError
from camlog.serve.desk import Desk
from camlog.serve.names import told
from camlog.serve.pages.live import guide_list, live_update, next_line
from camlog.serve.pages.template import PIECES, Pieces, Sent, Template
from camlog.serve.playing import Player
from camlog.serve.words import problem, sentence
from camlog.sinks.words import clock_text

BEFORE_EVENT_S = 3.0  # a jump goes to this time before the event
STEP_S = 10.0
_PAGE = Template("replay.html")


def layout(desk: Desk, name: str = "") -> str:
    """The page with a new player, which plays at once from `?at=SECONDS` or from the beginning."""
    at = flask.request.args.get("at", "") if flask.has_request_context() else ""
    wrong = ""
    try:
        player = desk.players.open(name)
        entry = desk.folder.entry(name)
        if at:
            try:
                _jump(player, seconds_of(at))
            except InputError as error:
                wrong = told(error)
        player.play(1)
    except InputError as error:
        return PIECES.trouble(sentence("replay"), told(error))
    shown = pieces(desk, name, {"player": player.id})
    return _PAGE.layout(entry, player, list(sentence.table("speed").items()), shown, wrong)


def pieces(desk: Desk, name: str, sent: Sent) -> Pieces:
    """The changing parts of the page."""
    player = desk.players.get(sent.get("player", ""))
    if player is None:
        return {"replay-said": PIECES.said(sentence("replay_left"))}
    guide = player.guide
    stop = next_line(guide) if guide.do_not_run() else PIECES.said("")
    word = "again" if player.state.ended else "pause" if player.state.playing else "play"
    return {"play": PIECES.said(sentence(f"player.{word}")), "replay-stop": stop, "replay-guide": guide_list(guide)}


def act(desk: Desk, name: str, button: str, sent: Sent) -> Pieces:
    """Carry out a button, choice or typed value."""
    player = desk.players.get(sent.get("player", ""))
    try:
        if player is not None:
            _act(player, *button.partition(":")[::2], sent)
    except InputError as error:
        return {"replay-said": PIECES.notice(told(error))}
    return {} if player is None else {"replay-said": PIECES.said("")}


def _act(player: Player, what: str, value: str, sent: Sent) -> None:
    if what == "play" and player.state.playing and not player.state.ended:
        player.pause()
    elif what == "play":
        if player.state.ended:
            player.go_to(0.0)
        player.play()
    elif what in ("back", "on"):
        player.go_to(max(0.0, player.position_s + (STEP_S if what == "on" else -STEP_S)))
    elif what == "go-to" and sent.get("go-to"):
        player.go_to(seconds_of(sent["go-to"]))
    elif what == "seek":
        player.go_to(seconds_of(value))
    elif what == "jump":
        _jump(player, seconds_of(value))
    elif what == "speed":
        player.play(sent.get("speed", ""))


def _jump(player: Player, time_s: float) -> None:
    player.go_to(max(0.0, time_s - BEFORE_EVENT_S))


def seconds_of(text: str) -> float:
    """Seconds of `75`, `1:15` or `1:02:03`. Raises InputError for anything else."""
    try:
        seconds = 0.0
        for part in text.strip().split(":"):
            seconds = seconds * 60.0 + float(part)
    except ValueError:
        seconds = math.nan
    if not math.isfinite(seconds) or seconds < 0:
        raise problem("no_time", text=text[:20])
    return seconds


def register(app: flask.Flask, desk: Desk) -> None:
    """Add the route from which the page's script fills the live part."""

    @app.get("/live/<player_id>")
    def playing_now(player_id: str) -> dict[str, Any]:
        player = desk.players.get(player_id)
        if player is None:
            return {"id": None}
        status = {
            "state": "ended" if player.state.ended else "playing" if player.state.playing else "paused",
            "clock": sentence("place", at=clock_text(player.position_s), of=clock_text(player.duration_s)),
            "position_s": player.position_s,
        }
        return live_update(player.board, None) | {"status": status}
