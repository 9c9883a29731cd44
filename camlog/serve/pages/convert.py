"""The Convert page: somebody else's trace into one of camlog's, its questions asked one after another."""

from __future__ import annotations

import math
from base64 import b64encode
from collections.abc import Sequence
from typing import Any

from dash import Dash, Input, Output, State, ctx, no_update
from markupsafe import Markup

from camlog.convert import Question
from camlog.convert.model import ColumnLook
from camlog.convert.summary import in_words
from camlog.convert.words import say
from camlog.errors import InputError
from camlog.serve.converting import ConversionLook
from camlog.serve.desk import Desk
from camlog.serve.names import told
from camlog.serve.pages.pieces import PIECES, notice, pressed
from camlog.serve.pages.template import Template
from camlog.visible import visible

OPEN = "leave it open"  # cannot be an answer's value: none holds a space
COLUMNS_SHOWN = 300
_OVER = ("done", "failed", "cancelled")
_PAGE = Template("convert.html")


def layout(desk: Desk, name: str = "", *_: str):
    """The page of a foreign trace of the folder; one that is being converted is shown as far as it is."""
    try:
        shows = _before(desk, name)
    except InputError as error:
        return PIECES.trouble("No such recording", told(error))[0]
    try:
        is_own = desk.folder.entry(name).kind == "trace"
    except InputError:
        is_own = False  # what is wrong with it, converting says
    return _PAGE.layout(name, is_own, desk.conversions.running(name), shows)[0]


def _before(desk: Desk, name: str) -> dict[str, Any]:
    """What there is to start from. Raises InputError for what is no trace of the folder."""
    converted, mapping = desk.conversions.converted(name), desk.conversions.mapping(name)
    source = ""
    if converted is not None:
        try:
            source = desk.folder.entry(converted).converted_from
        except InputError:
            pass  # then nothing says what it was made from
    return {"mapping": mapping, "converted": converted, "other": source if source != name else ""}


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
    def act(*values):
        if not pressed():
            return no_update, no_update, no_update
        try:
            return _act(desk, str(ctx.triggered_id), *values[-5:]), False, no_update
        except InputError as error:
            return no_update, no_update, notice(told(error))

    @app.callback(
        Output("convert-setup", "hidden"), Output("convert-asking", "hidden"), Output("convert-cancelling", "hidden"),
        Output("convert-heading", "children"), Output("convert-text", "children"), Output("convert-why", "children"),
        Output("convert-choices", "hidden"), Output("convert-choice", "options"), Output("convert-choice", "value"),
        Output("convert-figures", "hidden"), Output("convert-figure", "value"),
        Output("convert-number", "data"), Output("convert-columns", "children"), Output("convert-result", "children"), Output("convert-setup", "children"),
        Output("convert-said", "children", allow_duplicate=True),
        Output("convert-look", "disabled", allow_duplicate=True),
        Input("convert-look", "n_intervals"), Input("convert-id", "data"),
        State("convert-name", "data"), State("convert-number", "data"),
        prevent_initial_call="initial_duplicate",
    )  # fmt: skip
    def follow(_, id_, name, number):
        look = desk.conversions.look(id_)
        if look is None:
            return (*(no_update,) * 16, True)
        question, over = look.question, look.state in _OVER
        same = question is not None and look.question_number == number
        form = (no_update,) * 10
        if question is not None and not same:
            form = (*form_of(question, look.question_number, look.earlier), columns_view(question))
        setup = no_update
        if over:
            form = (*(no_update,) * 8, 0, [])  # the next conversion's first question is a new one
            try:
                setup = _PAGE.before(**_before(desk, name))
            except InputError:
                pass
        said = no_update if same else _PAGE.said(look)
        return (not over, question is None, over, *form, result_view(look), setup, said, over)


def _act(desk: Desk, button: str, name: str, id_: str | None, number: int, choice: Any, figure: Any) -> str | None:
    """Do what a button asks for; gives the conversion's id. Raises InputError for what cannot be."""
    conversions = desk.conversions
    if button == "convert-start":
        target = conversions.converted(name)
        if target is not None and target == desk.recorder.status().recording:
            raise InputError("is being recorded now", file=target, remedy="Wait until the drive has ended.")
        return conversions.start(name, again=target is not None)
    look = conversions.look(id_) if id_ is not None else None
    if id_ is not None and button == "convert-cancel":
        conversions.cancel(id_)
    elif look is not None and look.question is not None and look.question_number == number:  # else answered already
        conversions.answer(id_, number, None if button == "convert-open" else answer_of(look.question, choice, figure))
    return id_


def answer_of(question: Question, choice: Any, figure: Any) -> str | None:
    """What was answered: one of the choices, or one or two numbers; None for nothing. Raises InputError."""
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
        raise InputError(f"{text[:40]!r} is no number", remedy="Write a number, such as 0.5, or leave it open.")
    return " ".join(parts)


def form_of(question: Question, number: int, earlier: str | None = None) -> tuple:
    """What fills the form: heading, text, reason, choices (hidden, options, value), figure (hidden, value), number.

    Nothing is preselected but "leave it open", as Enter leaves it open on a terminal, unless somebody answered it
    before when this file was converted.
    """
    options = [{"label": visible(meaning or value), "value": value} for value, meaning in question.choices]
    options.append({"label": "Leave it open", "value": OPEN})
    chosen = earlier if earlier in [value for value, _ in question.choices] else OPEN
    return (
        say("question_of", place=question.place, of=question.of), _PAGE.text(question.text), _PAGE.text(question.why), not question.choices, options, chosen,
        bool(question.choices), (earlier or "") if not question.choices else "", number,
    )  # fmt: skip


def columns_view(question: Question) -> list:
    """Every column that waits for an answer on one screen: its values, its line over its likely partner, what it would mean."""
    # Markup: nothing of it is anybody's text, and a picture is longer than text that is shown.
    asked = {q.look.index: (q, Markup(drawn(q.look)), in_words(q.look)) for q in reversed(question.waiting) if q.look is not None}
    return _PAGE.columns(sorted(asked.values(), key=lambda one: one[0].place))


def drawn(look: ColumnLook) -> str:
    """A column's line over the drive as an SVG image's address, its likely partner's dashed over it in the same scale."""
    points = [*look.line, *look.partner_line]
    (x0, x1), (y0, y1) = ((min(axis), max(axis)) for axis in zip(*points, strict=True))

    def path(line: Sequence[tuple[float, float]], stroke: str) -> str:
        at = (f"{4 + 312 * (x - x0) / ((x1 - x0) or 1.0):.1f},{76 - 72 * (y - y0) / ((y1 - y0) or 1.0):.1f}" for x, y in line)
        return f'<polyline fill="none" stroke-width="1.6" {stroke} points="{" ".join(at)}"/>'

    lines = path(look.line, 'stroke="#14507a"') + path(look.partner_line, 'stroke="#d9722b" stroke-dasharray="4 4"')
    ground = '<rect width="320" height="80" rx="4" fill="#fff" stroke="#999"/>'
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" width="320" height="80" viewBox="0 0 320 80">{ground}{lines}</svg>'
    return "data:image/svg+xml;base64," + b64encode(svg.encode()).decode()


def result_view(look: ConversionLook) -> list:
    """What came of a conversion; empty while it has not ended well."""
    return _PAGE.result(look.result, COLUMNS_SHOWN) if look.state == "done" else []
