"""What the two pages with a drive on them share: strip charts, and the pieces that follow a drive."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import plotly.graph_objects as go
from dash import dcc, html, no_update
from flask import request

from camlog.cams import actual, commanded, short
from camlog.cautions import DRIVE, caution
from camlog.messages import capital
from camlog.numbers import unit_words
from camlog.report.palette import ACTUAL, COMMAND, ERROR, Role
from camlog.serve.board import Board
from camlog.serve.guide import Guide
from camlog.serve.pages.pieces import PIECES
from camlog.serve.sent import whole_number
from camlog.signals import SIGNALS

# Seconds a strip shows, and how that is called.
SPANS = ({"value": 30, "label": "30 s"}, {"value": 60, "label": "1 min"}, {"value": 600, "label": "10 min"})
USUAL_SPAN_S, LONGEST_SPAN_S = 60, 600
STRIP_HEIGHT_PX = 165
CATCH_UP_POINTS = 2400  # a signal, for a page that is opened in mid-drive
# Signals whose figures stand large above the charts, with the word for each.
FIGURES = {"engine_speed": "Engine", "vehicle_speed": "Road", "oil_temp": "Oil", "coolant_temp": "Coolant"}
LIVE = {"figures": FIGURES, "spans": SPANS, "usual": USUAL_SPAN_S}  # what the live part of a page is made with
# Needs of the recording itself, not of the driving: worth a line only where they are not met.
READING = ("cam_angles", "pair", "engine_speed", "oil_temperature", "sampling")
# How a key is drawn beside a strip's title: drawn and empty pixels in turn. Keys stand in the page because a chart
# that draws them itself takes a third longer for every strip.
_DASHES = {"solid": (1, 0), "dash": (9, 5), "dot": (3, 4), "dashdot": (9, 4, 3, 4)}
_SINGLE, _MARKS = Role("@third"), Role("@ink", "dot")
_ERRORS = (ERROR, Role("@actual", "dash"), Role("@third", "dot"), Role("@fourth", "dashdot"))


def strips(cams: Sequence[str], oil: str = "oil_temp") -> list[html.Figure]:
    """Strip charts: each cam's angles, the error of all cams, engine speed and oil temperature."""
    title = SIGNALS[oil].title
    errors = [(f"cam_{cam}_error", short(cam), role) for cam, role in zip(cams, itertools.cycle(_ERRORS), strict=False)]
    wanted = [
        *((f"{capital(short(cam))}: angle", "deg", 10.0,
           [(commanded(cam), "commanded", COMMAND), (actual(cam), "actual", ACTUAL)]) for cam in cams),
        *([("Error: actual minus commanded", "deg", 5.0, errors)] if cams else []),
        ("Engine speed", "rpm", 500.0, [("engine_speed", "engine speed", _SINGLE)]),
        (capital(title), unit_words("degC"), 5.0, [(oil, title, Role("@hot"))]),
    ]  # fmt: skip
    return [_strip(*strip) for strip in wanted]


def _strip(title: str, unit: str, least: float, lines: Sequence[tuple[str, str, Role]]) -> html.Figure:
    """One strip, at least `least` high. The page's script fills it: `meta` says which signal and colour a line has. The
    last line stands where the driver marked something."""
    data = [
        go.Scatter(
            x=[], y=[], name=name, mode="lines", line={"width": width, "dash": role.dash}, hoverinfo="skip",
            meta={"signal": signal, "color": role.color.removeprefix("@")},
        )
        for signal, name, role, width in [*((*line, 2.5) for line in lines), ("@marks", "marked", _MARKS, 1.5)]
    ]  # fmt: skip
    layout = go.Layout(
        height=STRIP_HEIGHT_PX, margin={"l": 56, "r": 8, "t": 6, "b": 26}, showlegend=False, font={"size": 14},
        xaxis={"range": [-USUAL_SPAN_S, 0], "fixedrange": True, "zeroline": False}, meta={"least": least},
        yaxis={"fixedrange": True, "zeroline": False, "nticks": 5}, paper_bgcolor="rgba(0,0,0,0)", plot_bgcolor="rgba(0,0,0,0)",
    )  # fmt: skip
    graph = dcc.Graph(figure=go.Figure(data, layout), config={"staticPlot": True, "responsive": True}, className="strip",
                      style={"height": f"{STRIP_HEIGHT_PX}px"})  # fmt: skip
    keys = [html.Div([_key(name, role) for _, name, role in lines], className="keys")] if len(lines) > 1 else []
    return html.Figure([html.Figcaption([f"{title} [{unit}]", *keys]), graph])


def _key(name: str, role: Role) -> html.Span:
    """How a line looks, and its name."""
    ends = list(itertools.accumulate(_DASHES[role.dash], initial=0))
    colors = itertools.cycle((f"var(--{role.color.removeprefix('@')})", "transparent"))
    stops = ", ".join(f"{color} {a}px {b}px" for color, (a, b) in zip(colors, itertools.pairwise(ends), strict=False))
    return html.Span([html.I(className="key", style={"backgroundImage": f"repeating-linear-gradient(90deg, {stops})"}), name])


def strips_of(board: Board | None, drawn: list[str] | None) -> tuple:
    """Strips for the cams a board has seen and for oil temperature (coolant where only that is read), and of what
    they are; no update where there is no drive yet, or `drawn` says that they are there."""
    if board is None or not board.state.batches:
        return no_update, no_update
    seen = board.signals()
    oil = "coolant_temp" if "oil_temp" not in seen and "coolant_temp" in seen else "oil_temp"
    wanted = [*board.cams(), oil]
    return (no_update, no_update) if wanted == drawn else (strips(wanted[:-1], oil), wanted)


def live_update(board: Board | None) -> dict:
    """What is new since the cursor the page's script sends."""
    if board is None:
        return {"id": None}
    cursor = whole_number(request.args.get("cursor")) if request.args.get("id") == board.id else None
    span = whole_number(request.args.get("span")) or USUAL_SPAN_S
    return board.update(cursor or 0, min(max(float(span), 1.0), float(LONGEST_SPAN_S)), CATCH_UP_POINTS)


def guide_list(guide: Guide | None) -> list:
    """What is still to drive: every item with its tick."""
    items = [] if guide is None or guide.do_not_run() else [i for i in guide.items() if not (i.met and i.name in READING)]
    return PIECES.guide(guide, [(item, _so_far(item)) for item in items], caution(DRIVE))


def _so_far(item) -> str:
    if item.unit not in ("s", "count") or item.have is None or item.want <= 1 or item.name in READING:
        return ""
    return f"{min(item.have, item.want):.0f} of {item.want:.0f}{' s counted' if item.unit == 's' else ''}"


def next_line(guide: Guide | None) -> list:
    """The one thing to do now."""
    return PIECES.next(guide)


def provisional(guide: Guide | None) -> list:
    """The verdict so far."""
    return PIECES.provisional(None if guide is None else guide.verdict())
