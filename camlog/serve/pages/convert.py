"""The Convert page: converts a foreign trace and asks the questions one after another."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from camlog.convert import Question
from camlog.convert.asking import numbers_in
from camlog.convert.model import ColumnLook
from camlog.convert.summary import in_words
from camlog.convert.words import say
from camlog.errors import InputError
from camlog.serve.converting import ConversionLook
from camlog.serve.desk import Desk
from camlog.serve.names import told
from camlog.serve.pages.template import PIECES, Pieces, Sent, Template
from camlog.serve.words import problem, sentence

COLUMNS_SHOWN = 300
_PAGE = Template("convert.html")


def layout(desk: Desk, name: str = "") -> str:
    """The page of a foreign trace of the folder, with the progress of a running conversion."""
    try:
        shown = pieces(desk, name, {})
    except InputError as error:
        return PIECES.trouble(sentence("no_such_recording"), told(error))
    try:
        is_own = desk.folder.entry(name).kind == "trace"
    except InputError:
        is_own = False  # a conversion will report what is wrong
    return _PAGE.layout(name, is_own, shown)


def pieces(desk: Desk, name: str, sent: Sent) -> Pieces:
    """The progress of the newest conversion of this file. Raises InputError if it is no trace of the folder."""
    look = desk.conversions.newest(name)
    over, question = look is None or look.over, None if look is None else look.question
    return {
        "convert-setup": _PAGE.before(**_before(desk, name)) if over else PIECES.said(""),
        "convert-state": _PAGE.said(look),
        "convert-asking": _PAGE.question(look, question and say("question_of", place=question.place, of=question.of)),
        "convert-columns": columns_view(question) if question is not None else PIECES.said(""),
        "convert-result": result_view(look),
    }


def _before(desk: Desk, name: str) -> dict[str, Any]:
    """The part before a conversion starts. Raises InputError if the file is no trace of the folder."""
    converted, mapping = desk.conversions.converted(name), desk.conversions.mapping(name)
    source = ""
    if converted is not None:
        try:
            source = desk.folder.entry(converted).converted_from
        except InputError:
            pass  # its origin is then unknown
    return {"mapping": mapping, "converted": converted, "other": source if source != name else ""}


def act(desk: Desk, name: str, button: str, sent: Sent) -> Pieces:
    """Start, answer, leave open or cancel; an error in an answer is shown beside it."""
    conversions = desk.conversions
    try:
        look = conversions.newest(name)
        if button == "start":
            target = conversions.converted(name)
            if target is not None and target == desk.recorder.status().recording:
                raise problem("recorded_now", target)
            conversions.start(name, again=target is not None)
        elif look is not None and button == "cancel":
            conversions.cancel(look.id)
        # By now the question may be another one.
        elif look is not None and look.question is not None and sent.get("number") == str(look.question_number):
            answer = None if button == "open" else answer_of(look.question, sent.get("choice"), sent.get("figure"))
            conversions.answer(look.id, look.question_number, answer)
    except InputError as error:
        return {"convert-wrong": PIECES.notice(told(error))}
    return {"convert-wrong": PIECES.said("")}


def answer_of(question: Question, choice: str | None, figure: str | None) -> str | None:
    """The answer: one of the choices, or one or two numbers; None for nothing. Raises InputError."""
    if question.choices:
        return choice if choice in [value for value, _ in question.choices] else None
    text = " ".join((figure or "").replace(",", ".").split())
    if text and not numbers_in(text):
        raise problem("no_figure", text=text[:40])
    return text or None


def columns_view(question: Question) -> Any:
    """All columns that need an answer on one screen: values, line over the likely partner, and meaning of the
    answers."""
    shown = {q.look.index: (q, q.look) for q in reversed(question.waiting) if q.look is not None}
    in_order = sorted(shown.values(), key=lambda one: one[0].place)
    return _PAGE.columns([(q, lines_of(look), in_words(look)) for q, look in in_order])


def lines_of(look: ColumnLook) -> list[Markup]:
    """A column's line over the drive and its likely partner's in the same scale, as points of a drawing of 320 by
    80."""
    (x0, x1), (y0, y1) = ((min(axis), max(axis)) for axis in zip(*look.line, *look.partner_line, strict=True))
    across, down = 312 / ((x1 - x0) or 1.0), 72 / ((y1 - y0) or 1.0)
    lines = [
        [f"{4 + across * (x - x0):.1f},{76 - down * (y - y0):.1f}" for x, y in of]
        for of in (look.line, look.partner_line)
    ]
    return [Markup(" ".join(points)) for points in lines]  # only figures, and longer than texts may be


def result_view(look: ConversionLook | None) -> Any:
    """The result of a conversion; empty unless it has succeeded."""
    done = look is not None and look.state == "done"
    return _PAGE.result(look.result, COLUMNS_SHOWN) if look is not None and done else PIECES.said("")
