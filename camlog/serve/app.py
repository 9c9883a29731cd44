"""The Dash application: one shell around the pages, everything loaded from this computer."""

from __future__ import annotations

import re
from pathlib import Path
from types import ModuleType
from urllib.parse import unquote

# plotly asks whether these two are loaded, without waiting for a thread that is just loading them: the first
# analysis or conversion would otherwise fail a page that is answered meanwhile.
import numpy  # noqa: F401
import pandas  # noqa: F401
from dash import ClientsideFunction, Dash, Input, Output, dcc, html

from camlog.page import shipped_text
from camlog.serve.desk import Desk
from camlog.serve.pages import convert, jobs, record, recording, recordings, replay
from camlog.serve.sent import check_sent

# Path of each page, and the page. The first part of a path is the page, the second what it is about.
PAGES: dict[str, ModuleType] = {
    "": record,
    "recordings": recordings,
    "recording": recording,
    "replay": replay,
    "convert": convert,
    "jobs": jobs,
}
_NAVIGATION = (("/", "Record"), ("/recordings", "Recordings"), ("/jobs", "Jobs"))

_INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{%title%}</title>
{%favicon%}{%css%}
</head>
<body>
{%app_entry%}
{%config%}{%scripts%}{%renderer%}
</body>
</html>"""


def make_app(desk: Desk) -> Dash:
    """The application over `desk`; its `server` is a Flask application without any guard in front of it."""
    app = Dash(
        "camlog.serve",
        assets_folder=str(Path(__file__).with_name("assets")),
        title="camlog",
        update_title=None,
        index_string=_INDEX,
        serve_locally=True,
        suppress_callback_exceptions=True,
        add_log_handler=False,
        enable_mcp=False,
    )
    app.layout = _shell()

    @app.callback(Output("page", "children"), Input("place", "pathname"))
    def show(pathname: str | None):
        return page_for(desk, pathname or "/")

    for page in PAGES.values():
        page.register(app, desk)
    # In assets/live.js; how long the strips are is each page's own choice.
    app.clientside_callback(
        ClientsideFunction(namespace="live", function_name="span"),
        Output("span-label", "title"),
        Input("span", "value"),
    )

    check_sent(app)

    @app.server.get("/style.css")
    def style():
        return app.server.response_class(style_sheet(), mimetype="text/css")

    return app


def page_for(desk: Desk, pathname: str):
    """Layout of the page at a path."""
    parts = [unquote(p) for p in pathname.strip("/").split("/")]
    page = PAGES.get(parts[0])
    if page is None or len(parts) > 2:
        return html.Main(
            [html.H1("There is no such page"), dcc.Link("To the recordings", href="/recordings")]
        )
    return page.layout(desk, *parts[1:])


def _shell() -> html.Div:
    links = [dcc.Link(word, href=path, className="place") for path, word in _NAVIGATION]
    return html.Div(
        [
            dcc.Location(id="place"),
            html.Link(rel="stylesheet", href="/style.css"),
            html.Header(
                [html.Nav(links), html.Button("Day or night", id="day-or-night", className="quiet")],
                className="top",
            ),
            html.Div(id="page"),
        ]
    )


def style_sheet() -> str:
    """The reports' colours and type, day and night also by choice, for the pages."""
    shipped = shipped_text("style.css")
    day = re.search(r":root \{(.*?)\}", shipped, re.S)
    night = re.search(r":root:not\(\.paper\) \{(.*?)\}", shipped, re.S)
    if day is None or night is None:
        return shipped
    return f"{shipped}\n:root.day {{{day[1]}}}\n:root.night:not(.paper) {{{night[1]}}}\n"
