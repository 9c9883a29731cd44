"""The Flask application: one shell around the pages, with everything loaded from this computer.

A page is a module of `pages/`. `layout(desk, name)` returns the whole page, `pieces(desk, name, sent)` its changing
parts by id; `act(desk, name, button, sent)` carries out a button and returns parts with the result. The script
(`assets/page.js`) sends all fields of the page about once a second and with each button, and gets the changed parts.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from types import ModuleType
from urllib.parse import unquote

import flask

from camlog.page import shipped_text
from camlog.serve import files
from camlog.serve.desk import Desk
from camlog.serve.pages import convert, jobs, record, recording, recordings, replay, trend
from camlog.serve.pages.template import PIECES, digest
from camlog.serve.words import sentence

# The first part of a path is the page, the second its subject.
PAGES: dict[str, ModuleType] = {
    "": record,
    "recordings": recordings,
    "recording": recording,
    "replay": replay,
    "convert": convert,
    "jobs": jobs,
    "trend": trend,
}


def make_app(desk: Desk) -> flask.Flask:
    """The application over `desk`, without a guard."""
    app = flask.Flask("camlog.serve", static_folder=str(Path(__file__).with_name("assets")), static_url_path="/assets")
    # Figures keep the order of their table.
    app.json.sort_keys = False  # type: ignore[attr-defined]
    files.register(app, desk)
    for page in (record, replay):
        page.register(app, desk)
    app.add_url_rule("/style.css", "style", lambda: flask.Response(style_sheet(), mimetype="text/css"))

    @app.get("/", defaults={"path": ""})
    @app.get("/<path:path>")
    def show(path: str) -> str:
        # The path as requested, so that an encoded slash in a name does not divide the path.
        return page_for(desk, flask.request.environ["REQUEST_URI"].partition("?")[0])

    @app.post("/ask")
    def ask() -> flask.Response:
        sent = flask.request.form
        page = PAGES.get(sent.get("page", "none"))
        seen = _seen(sent.get("seen", ""))
        if page is None or seen is None:
            return flask.Response(sentence("not_sent_by_page") + "\n", 400, mimetype="text/plain")
        name, button = sent.get("about", ""), sent.get("button", "")
        shown = page.act(desk, name, button, sent) if button else {}
        shown |= {id_: text for id_, text in page.pieces(desk, name, sent).items() if id_ not in shown}
        new = {id_: (now, text) for id_, text in shown.items() if seen.get(id_) != (now := digest(text))}
        return flask.jsonify(new)

    return app


def page_for(desk: Desk, path: str) -> str:
    """The page at a path, given as in an address. Raises NotFound if there is none."""
    first, *rest = [unquote(part) for part in path.strip("/").split("/")]
    if first not in PAGES or len(rest) > 1:
        flask.abort(404)
    page, name = PAGES[first], "".join(rest)
    return PIECES.shell(first, name, page.layout(desk, name))


def _seen(text: str) -> dict[str, str] | None:
    """The digest of each part in the page, by id; None if the text is malformed."""
    try:
        digests = json.loads(text or "{}")
    except (ValueError, RecursionError):
        return None
    return digests if isinstance(digests, dict) else None


def style_sheet() -> str:
    """The style sheet of the reports for the pages, with a choice of day and night."""
    shipped = shipped_text("style.css")
    day = re.search(r":root \{(.*?)\}", shipped, re.S)
    night = re.search(r":root:not\(\.paper\) \{(.*?)\}", shipped, re.S)
    if day is None or night is None:
        return shipped
    return f"{shipped}\n:root.day {{{day[1]}}}\n:root.night:not(.paper) {{{night[1]}}}\n"
