"""The list of recordings, newest first, with search, and the place where a saved recording is taken in."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from dash import Dash, Input, Output, State, no_update

from camlog.errors import InputError
from camlog.serve import files
from camlog.serve.desk import Desk
from camlog.serve.folder import UPLOAD_LIMIT_BYTES
from camlog.serve.names import TRACE_ENDINGS, told
from camlog.serve.pages.pieces import digest
from camlog.serve.pages.template import Template
from camlog.serve.words import sentence
from camlog.units import SYSTEMS, remember_units, shown_units

SHOWN = 50
UNITS = [{"label": "°C, kPa, km/h, g/s", "value": "metric"}, {"label": "°F, psi, mph, lb/min", "value": "us"}]
LONGEST_SEARCH = 200
LOOK_MS = 4000
_PAGE = Template("recordings.html")


def layout(desk: Desk, *_: str):
    """The page as the folder is at this moment. The place for files is filled by `assets/upload.js`, as Dash has no
    field for large files."""
    shows, state = _look(desk, "")
    folder, endings = desk.folder.root.name or str(desk.folder.root), (*TRACE_ENDINGS, ".json", ".toml")
    return _PAGE.layout(folder, shows, state, UPLOAD_LIMIT_BYTES, endings, LOOK_MS, UNITS, shown_units())[0]


def register(app: Dash, desk: Desk) -> None:
    """Callbacks, and the addresses of files."""
    files.register(app.server, desk)

    @app.callback(Output("units-said", "children"), Input("units", "value"), prevent_initial_call=True)
    def units(system):
        if system not in SYSTEMS or system == shown_units():
            return no_update
        remember_units(system)
        return sentence("units_shown")

    @app.callback(
        Output("recordings-list", "children"), Output("recordings-state", "data"),
        Input("recordings-search", "value"), Input("recordings-look", "n_intervals"),
        State("recordings-state", "data"),
        prevent_initial_call=True,
    )  # fmt: skip
    def look(search, _, state):
        shows, now = _look(desk, search if isinstance(search, str) else "")
        return (no_update, no_update) if now == state else (_PAGE.listing(**shows), now)


def _look(desk: Desk, search: str) -> tuple[dict[str, Any], str]:
    """What the list shows, and a word that changes when it does."""
    search = search[:LONGEST_SEARCH]
    try:
        found = desk.folder.recordings(search)
        foreign = any(e.kind == "foreign" for e in found)
        made = {e.converted_from: e.name for e in (desk.folder.recordings() if foreign else ()) if e.converted_from}
    except InputError as error:
        return {"found": [], "problem": told(error)}, told(error)
    running = desk.recorder.status().recording
    # What grows while it is recorded is not shown: a list drawn anew takes the keyboard's place in it away.
    steady = [replace(e, size_bytes=0, modified_s=0.0) if e.name == running else e for e in found[:SHOWN]]
    shows = {"found": found, "search": search, "running": running, "made": made, "most": SHOWN}
    return shows, digest((search, len(found), running, steady, made))
