"""What several pages share: strip charts, the figures above them, the things still to drive, marks and events."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import plotly.graph_objects as go
from dash import dcc, html, no_update
from flask import request

from camlog.cautions import DRIVE, caution
from camlog.report.palette import ACTUAL, COMMAND, ERROR, Role
from camlog.serve.board import Board
from camlog.serve.guide import Guide, GuideItem
from camlog.serve.pages.pieces import state_of
from camlog.serve.sent import whole_number
from camlog.signals import SIGNALS, actual, commanded
from camlog.sinks.words import cam_text, clock_text

# Seconds a strip shows, and how that is called.
SPANS = ((30, "30 s"), (60, "1 min"), (600, "10 min"))
USUAL_SPAN_S = 60
STRIP_HEIGHT_PX = 165
CATCH_UP_POINTS = 2400  # a signal, for a page that is opened in mid-drive

# Signals whose figures stand large above the charts, with the word for each; the first that is there of a pair.
FIGURES = (
    ("engine_speed", "Engine"),
    ("vehicle_speed", "Road"),
    ("oil_temp", "Oil"),
    ("coolant_temp", "Coolant"),
)
# Needs of the recording itself, not of the driving.
READING = ("cam_angles", "pair", "engine_speed", "oil_temperature", "sampling")
MARKED = "marked"
# How a key is drawn beside a strip's title: drawn and empty pixels in turn. Keys stand in the page because a chart
# that draws them itself takes a third longer for every strip.
_DASHES = {"solid": (1, 0), "dash": (9, 5), "dot": (3, 4), "dashdot": (9, 4, 3, 4)}
_SINGLE = Role("@third")


def strips(cams: Sequence[str], oil: str = "oil_temp") -> list[html.Figure]:
    """Strip charts: each cam's angles, the error of all cams, engine speed and oil temperature."""
    made = [
        _strip(
            f"{cam_text(cam)[0].upper()}{cam_text(cam)[1:]}: angle", "deg",
            [(commanded(cam), "commanded", COMMAND), (actual(cam), "actual", ACTUAL)],
        )
        for cam in cams
    ]  # fmt: skip
    if cams:
        roles = (ERROR, Role("@actual", "dash"), Role("@third", "dot"), Role("@fourth", "dashdot"))
        lines = [(f"cam_{cam}_error", cam_text(cam), role) for cam, role in zip(cams, roles, strict=False)]
        made.append(_strip("Error: actual minus commanded", "deg", lines, least=5.0))
    made.append(_strip("Engine speed", "rpm", [("engine_speed", "engine speed", _SINGLE)], least=500.0))
    title = SIGNALS[oil].title if oil in SIGNALS else oil
    made.append(_strip(title[0].upper() + title[1:], "°C", [(oil, title, Role("@hot"))], least=5.0))
    return made


def _strip(title: str, unit: str, lines: Sequence[tuple[str, str, Role]], least: float = 10.0) -> html.Figure:
    """One strip. The page's script fills it: `meta` says which signal and colour a line has. The last line stands
    where the driver marked something."""
    data = [
        go.Scatter(
            x=[], y=[], name=name, mode="lines", line={"width": width, "dash": role.dash}, hoverinfo="skip",
            meta={"signal": signal, "color": role.color.removeprefix("@")},
        )
        for signal, name, role, width in [*((*line, 2.5) for line in lines), ("@marks", MARKED, Role("@ink", "dot"), 1.5)]
    ]  # fmt: skip
    layout = go.Layout(
        height=STRIP_HEIGHT_PX, margin={"l": 56, "r": 8, "t": 6, "b": 26}, showlegend=False,
        xaxis={"range": [-USUAL_SPAN_S, 0], "fixedrange": True, "zeroline": False},
        yaxis={"fixedrange": True, "zeroline": False, "nticks": 5},
        paper_bgcolor="rgba(0,0,0,0)", plot_bgcolor="rgba(0,0,0,0)", meta={"least": least},
        font={"size": 14},
    )  # fmt: skip
    graph = dcc.Graph(
        figure=go.Figure(data, layout),
        config={"staticPlot": True, "responsive": True},
        className="strip",
        style={"height": f"{STRIP_HEIGHT_PX}px"},
    )
    keys = [html.Div([_key(name, role) for _, name, role in lines], className="keys")] if len(lines) > 1 else []
    return html.Figure([html.Figcaption([f"{title} [{unit}]", *keys]), graph])


def _key(name: str, role: Role) -> html.Span:
    """How a line looks, and its name."""
    at, stops = 0, []
    for color, width in zip(itertools.cycle((f"var(--{role.color.removeprefix('@')})", "transparent")), _DASHES[role.dash], strict=False):
        stops.append(f"{color} {at}px {at + width}px")
        at += width
    line = {"backgroundImage": f"repeating-linear-gradient(90deg, {', '.join(stops)})"}
    return html.Span([html.I(className="key", style=line), name])


def span_choice() -> html.Div:
    """How many seconds the strips show."""
    return html.Div(
        [
            html.Span("Strips show", id="span-label"),
            dcc.RadioItems(
                id="span", options=[{"label": word, "value": value} for value, word in SPANS],
                value=USUAL_SPAN_S, inline=True, className="choices",
            ),
        ],
        className="row", role="group", **{"aria-labelledby": "span-label"},
    )  # fmt: skip


def live(source: str) -> html.Div:
    """The part of a page its script fills from `source`: figures, gap notice, strips, events."""
    figures = [
        html.Div([html.Span(word), html.B("", **{"data-value": signal})], className="figure", hidden=True,
                 **{"data-figure": signal})
        for signal, word in FIGURES
    ]  # fmt: skip
    return html.Div(
        [
            html.P("", id="no-link", className="notice bad", hidden=True, role="alert"),
            html.P("", id="gap-notice", className="notice bad", hidden=True, role="alert"),
            html.Div(figures, className="numbers"),
            html.Div(id="cam-figures", className="numbers cams"),
            span_choice(),
            html.Div(id="strips", className="strips"),
            html.Div(
                [html.P("", id="rates", className="soft"), html.P("", id="gaps", className="soft")],
                className="below",
            ),
        ],
        id="live",
        **{"data-source": source},
    )


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
    asked = request.args
    cursor = whole_number(asked.get("cursor")) if asked.get("id") == board.id else None
    span = whole_number(asked.get("span")) or USUAL_SPAN_S
    return board.update(cursor or 0, min(max(float(span), 1.0), 600.0), CATCH_UP_POINTS)


def guide_list(guide: Guide | None) -> list:
    """What is still to drive: every item with its tick."""
    if guide is None:
        return [html.P("What to drive appears here when the drive begins.", className="soft")]
    # That something is read at all is worth a line only where it is not.
    if guide.do_not_run():
        return [html.P("Nothing is to be driven with this engine: the checks come first.", className="next bad")]
    items = [item for item in guide.items() if not (item.met and item.name in READING)]
    met = sum(item.met for item in items)
    return [
        html.P(f"{met} of {len(items)} done", className="soft"),
        html.P(caution(DRIVE), className="caution"),
        html.Ol([_item(i) for i in items], className="guide"),
    ]


def next_line(guide: Guide | None) -> list:
    """The one thing to do now."""
    if guide is None or guide.do_not_run():
        return []  # what is to be done then stands at the top of the page
    if guide.can_stop():
        return [
            html.P([html.B("You can stop now. "), "There is enough for a verdict."], className="next good")
        ]
    return [html.P([html.B("Next: "), guide.next_instruction()], className="next")]


def _item(item: GuideItem) -> html.Li:
    kind, mark = ("met", "✓") if item.met else ("unmet", "○") if item.possible else ("late", "×")
    so_far = ""
    if item.unit in ("s", "count") and item.have is not None and item.want > 1 and item.name not in READING:
        so_far = f"{min(item.have, item.want):.0f} of {item.want:.0f}{' s counted' if item.unit == 's' else ''}"
    text = [
        html.Span(mark, className="tick", **{"aria-hidden": "true"}),
        html.Span([html.B(item.title), " ", html.Span("done" if item.met else so_far, className="soft")]),
    ]
    if not item.met:
        text.append(html.Span(item.instruction, className="instruction"))
    if not item.met and item.possible and so_far:
        text.append(
            html.Progress(value=f"{item.share:.2f}", max="1", **{"aria-label": f"{item.title}: done so far"})
        )
    return html.Li(text, className=kind)


def provisional(guide: Guide | None) -> list:
    """The verdict so far."""
    found = guide.verdict() if guide is not None else None
    if found is None:
        return [html.P("No verdict yet: the first look follows a minute of driving.", className="soft")]
    lines = []
    for cam, (condition, confidence, reason) in found.cams.items():
        words = condition.replace("_", " ")
        sure = "" if condition == "insufficient_data" else f", confidence {confidence:.2f}"
        lines.append(
            html.Li(
                [
                    html.B(f"{cam_text(cam)}: {words}", className=state_of(condition)),
                    f"{sure}. ",
                    html.Span(reason, className="soft"),
                ]
            )
        )
    state = "the last two looks agree" if found.settled else "may still change"
    return [html.P(f"Provisional, as of {clock_text(found.at_s)}; {state}.", className="soft"), html.Ul(lines, className="plain")]
