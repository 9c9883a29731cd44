"""The Convert page: somebody else's trace into one of camlog's, its questions asked one after another."""

from __future__ import annotations

import math
from typing import Any

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update

from camlog.convert import Question
from camlog.errors import InputError
from camlog.serve.converting import ConversionLook
from camlog.serve.desk import Desk
from camlog.serve.names import address, told
from camlog.serve.pages import pieces
from camlog.serve.pages.pieces import notice, shown

OPEN = "leave it open"  # cannot be an answer's value: none holds a space
COLUMNS_SHOWN = 300
_LOOK_MS = 500
_BECAME = {
    "signal": "Taken",
    "doubtful": "In doubt, and not judged",
    "own": "Under its own name, and not judged",
    "left_out": "Left out",
}


def layout(desk: Desk, name: str = "", *_: str) -> html.Main:
    """The page of a foreign trace of the folder; one that is being converted is shown as far as it is."""
    try:
        before = _before(desk, name)
        is_own = _is_own(desk, name)
    except InputError as error:
        return pieces.trouble("No such recording", told(error))
    heading = [
        html.P(dcc.Link("All recordings", href="/recordings"), className="where"),
        html.H1(["Convert ", shown(name)]),
    ]
    if is_own:
        link = dcc.Link("Everything about this recording", href=address("recording", name), className="main")
        return html.Main(
            [*heading, html.P("This is a camlog recording already."), html.P(link)], className="convert-page"
        )
    running = desk.conversions.running(name)
    return html.Main(
        [
            *heading,
            html.Section(before, id="convert-setup", hidden=running is not None),
            html.Div(id="convert-said", role="status", **{"aria-live": "polite"}),
            html.Section(_asking(), id="convert-asking", className="question", hidden=True),
            html.Div(
                html.Button("Cancel", id="convert-cancel", className="quiet"), id="convert-cancelling",
                hidden=running is None,
            ),
            html.Div(id="convert-result"),
            dcc.Interval(id="convert-look", interval=_LOOK_MS, disabled=running is None),
            dcc.Store(id="convert-name", data=name),
            dcc.Store(id="convert-id", data=running),
            dcc.Store(id="convert-number", data=0),
        ],
        className="convert-page",
    )  # fmt: skip


def _is_own(desk: Desk, name: str) -> bool:
    try:
        return desk.folder.entry(name).kind == "trace"
    except InputError:
        return False  # what is wrong with it, converting says


def _before(desk: Desk, name: str) -> list:
    """What there is to start from. Raises InputError for what is no trace of the folder."""
    converted, mapping = desk.conversions.converted(name), desk.conversions.mapping(name)
    made = [
        html.P(
            "camlog finds heading, units, time and missing values, and matches columns by meaning. What is "
            "certain is taken; what is not is asked here. Cam angles are never guessed from order alone."
        )
    ]
    if mapping is not None:
        made.append(html.P(["What ", shown(mapping), " says of its columns counts."]))
    if converted is None:
        return [*made, html.Button("Convert", id="convert-start", className="main")]
    link = dcc.Link(shown(converted), href=address("recording", converted))
    source = _source(desk, converted)
    other = f"A recording of that name was made from another file, {source}. " if source not in ("", name) else ""
    return [
        *made,
        html.P(
            [
                shown(other or "It was converted already. "),
                f"Converted{'' if other else ' again'}, that recording and its drive file are overwritten: ",
                link,
            ],
            className="notice",
        ),
        html.Button("Convert it again", id="convert-start", className="main"),
    ]


def _source(desk: Desk, trace: str) -> str:
    try:
        return desk.folder.entry(trace).converted_from
    except InputError:
        return ""


def _asking() -> list:
    """The form of a question; filled when there is one."""
    return [
        html.H2("", id="convert-heading"),
        html.P("", id="convert-text", className="next"),
        html.P("", id="convert-why", className="soft"),
        html.Fieldset(
            [html.Legend("Answer"), dcc.RadioItems(id="convert-choice", options=[], value=OPEN, className="choices")],
            id="convert-choices",
        ),
        html.Label(["Number ", dcc.Input(id="convert-figure", type="text", maxLength=60, n_submit=0)], id="convert-figures"),
        html.Div(
            [
                html.Button("Answer", id="convert-answer", className="main"),
                html.Button("Leave it open", id="convert-open", className="quiet"),
            ],
            className="row",
        ),
    ]  # fmt: skip


def register(app: Dash, desk: Desk) -> None:
    """Callbacks."""

    @app.callback(
        Output("convert-id", "data"), Output("convert-look", "disabled"), Output("convert-said", "children"),
        Input("convert-start", "n_clicks"), Input("convert-cancel", "n_clicks"), Input("convert-answer", "n_clicks"),
        Input("convert-open", "n_clicks"), Input("convert-figure", "n_submit"),
        State("convert-name", "data"), State("convert-id", "data"), State("convert-number", "data"),
        State("convert-choice", "value"), State("convert-figure", "value"),
        prevent_initial_call=True,
    )  # fmt: skip
    def act(*given):
        name, id_, number, choice, figure = given[-5:]
        if not pieces.pressed():
            return no_update, no_update, no_update
        try:
            done = acted(desk, str(ctx.triggered_id), name, id_, number, choice, figure)
        except InputError as error:
            return no_update, no_update, notice(told(error))
        return done, False, no_update

    @app.callback(
        Output("convert-setup", "hidden"), Output("convert-asking", "hidden"), Output("convert-cancelling", "hidden"),
        Output("convert-heading", "children"), Output("convert-text", "children"), Output("convert-why", "children"),
        Output("convert-choices", "hidden"), Output("convert-choice", "options"), Output("convert-choice", "value"),
        Output("convert-figures", "hidden"), Output("convert-figure", "value"),
        Output("convert-number", "data"), Output("convert-result", "children"), Output("convert-setup", "children"),
        Output("convert-said", "children", allow_duplicate=True),
        Output("convert-look", "disabled", allow_duplicate=True),
        Input("convert-look", "n_intervals"), Input("convert-id", "data"),
        State("convert-name", "data"), State("convert-number", "data"),
        prevent_initial_call="initial_duplicate",
    )  # fmt: skip
    def follow(_, id_, name, number):
        look = desk.conversions.look(id_)
        if look is None:
            return (*(no_update,) * 15, True)
        asked = look.question
        form = (no_update,) * 9
        if asked is not None and look.question_number != number:
            form = form_of(asked, look.question_number, look.earlier)
        over = look.state in ("done", "failed", "cancelled")
        setup = no_update
        if over:
            form = (*(no_update,) * 8, 0)  # the next conversion's first question is a new one
            try:
                setup = _before(desk, name)
            except InputError:
                pass
        said = no_update if asked is not None and look.question_number == number else _said(look)
        return (not over, asked is None, over, *form, _result(look), setup, said, over)


def acted(
    desk: Desk, what: str, name: str, id_: str | None, number: int, choice: Any, figure: Any
) -> str | None:
    """Do what a button asks for; gives the conversion's id. Raises InputError for what cannot be."""
    conversions = desk.conversions
    if what == "convert-start":
        target = conversions.converted(name)
        if target is not None and target == desk.recorder.status().recording:
            raise InputError("is being recorded now", file=target, remedy="Wait until the drive has ended.")
        return conversions.start(name, again=target is not None)
    if id_ is None:
        return None
    if what == "convert-cancel":
        conversions.cancel(id_)
        return id_
    look = conversions.look(id_)
    if look is None or look.question is None or look.question_number != number:
        return id_  # answered already
    answer = None
    if what != "convert-open":
        answer = _answer(look.question, choice, figure)
    conversions.answer(id_, number, answer)
    return id_


def _answer(question: Question, choice: Any, figure: Any) -> str | None:
    if question.choices:
        return choice if choice in [value for value, _ in question.choices] else None
    text = str(figure or "").replace(",", ".").strip()
    if not text:
        return None
    parts = text.split()
    try:
        numbers = [float(part) for part in parts]
    except ValueError:
        numbers = []
    if not 1 <= len(numbers) <= 2 or not all(map(math.isfinite, numbers)):
        raise InputError(
            f"{text[:40]!r} is no number", remedy="Write a number, such as 0.5, or leave it open."
        )
    return " ".join(parts)


def form_of(question: Question, number: int, earlier: str | None = None) -> tuple:
    """What fills the form: heading, text, reason, choices (hidden, options, value), figure (hidden, value), number.

    Nothing is preselected but "leave it open", as Enter leaves it open on a terminal, unless somebody answered it
    before when this file was converted.
    """
    options = [
        {"label": pieces.visible(meaning or value), "value": value} for value, meaning in question.choices
    ]
    options.append({"label": "Leave it open", "value": OPEN})
    chosen = earlier if earlier in [value for value, _ in question.choices] else OPEN
    figure = (earlier or "") if not question.choices else ""
    return (
        f"Question {number}", shown(question.text, 2000), shown(question.why, 2000), not question.choices, options, chosen,
        bool(question.choices), figure, number,
    )  # fmt: skip


def _said(look: ConversionLook) -> Any:
    if look.state == "failed":
        return notice(look.error)
    if look.state == "cancelled":
        return notice("Cancelled; nothing was written.", bad=False)
    if look.state == "done":
        return html.P([pieces.sign("good"), html.B("Converted")], className="headline good")
    bar = html.Progress(value=f"{look.share:.2f}", max="1", **{"aria-label": "Converted so far"})
    return html.Div(
        [html.Span("Converting" if look.state == "working" else "Waiting for an answer"), bar],
        className="working",
    )


def _result(look: ConversionLook) -> list:
    if look.state != "done":
        return []
    found = look.result
    taken = sum(c["kind"] == "signal" and c["signal"] != "time" for c in found["columns"])
    made = [
        html.P(
            [
                f"{found['rows']} rows, {taken} signal{'' if taken == 1 else 's'} in ",
                html.B(shown(found["trace"])),
            ]
        ),
        html.P(dcc.Link("Go to the recording", href=address("recording", found["trace"]), className="main")),
    ]
    if not found["cam_angles"]:
        made.append(
            notice(
                "No cam angles: the phaser cannot be judged from this recording, only conditions, codes and "
                "misfires. Log commanded and actual angle of each cam next time.",
            )
        )
    doubtful = [c for c in found["columns"] if c["kind"] == "doubtful"]
    if doubtful:
        made.append(html.H2("Still in doubt"))
        made.append(html.Ul([_doubt(c) for c in doubtful]))
        made.append(html.P("Convert it again to answer what was left open; your other answers are chosen already."))
        if found["mapping"]:
            link = html.A(shown(found["mapping"]), href=address("files", found["mapping"]))
            made.append(html.P(["Or say it in the mapping file: ", link, ", which lies ready beside it."]))
    if found["notes"]:
        made += [html.H2("Notes"), html.Ul([html.Li(shown(n, 1000)) for n in found["notes"]])]
    return [*made, html.H2("What became of each column"), _columns(found["columns"])]


def _doubt(column: dict[str, Any]) -> html.Li:
    what = f" as {column['title'] or column['signal']}: "
    return html.Li([html.B(shown(column["heading"])), what, shown(column["reason"], 500)])


def _columns(columns: list[dict[str, Any]]) -> html.Div:
    head = html.Tr([html.Th(w, scope="col") for w in ("Column", "Became", "Unit in the file", "Why")])
    rows = [
        html.Tr(
            [
                html.Th(shown(c["heading"], 80), scope="row"),
                html.Td([html.B(_BECAME[c["kind"]]), *([f": {c['title'] or c['signal']}"] if c["signal"] else []),
                         *([": ", shown(c["written_as"], 80)] if c["kind"] == "own" else [])]),
                html.Td(shown(c["unit"], 40)),
                html.Td(shown(c["reason"], 300)),
            ]
        )
        for c in columns[:COLUMNS_SHOWN]
    ]  # fmt: skip
    more = [html.P(f"And {len(columns) - COLUMNS_SHOWN} more.")] if len(columns) > COLUMNS_SHOWN else []
    return html.Div(
        [html.Table([html.Thead(head), html.Tbody(rows)], className="columns"), *more], className="table"
    )
