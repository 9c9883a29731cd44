"""Checks whether a recording is worth starting, each with a state and a sentence."""

from __future__ import annotations

from camlog.analysis.cam.standing import MOVED_DEG, UNMOVED_DEG
from camlog.cams import title
from camlog.serve.board import Board
from camlog.serve.words import sentence
from camlog.sinks.words import FIGURES, rate_text, value_text
from camlog.stream import CodeSnapshot

Check = tuple[str, str, str]


def checks(board: Board, slow: bool) -> list[Check]:
    """State (`good`, `bad`, `unknown`), title and finding of each check on the readings so far; `slow`: the cams are
    read too seldom."""
    snapshot, values = board.state.last_snapshot, board.update()["values"]
    found = [*_codes(snapshot)] if snapshot is not None else []
    shown = [
        f"{values[name]['word']} {values[name]['text']}"
        for name in FIGURES
        if name in values and not values[name]["stale"]
    ]
    found.append(_check("values", "good" if shown else "unknown", what=", ".join(shown)))
    rates = board.rates()
    read = "; ".join(sentence("preflight.rate", cam=title(cam), rate=rate_text(rate)) for cam, rate in rates.items())
    found.append(_check("cams", "bad" if not rates else "unknown" if slow else "good", what=read))
    return [*found, *(_moves(board, cam) for cam in rates)]


def _codes(snapshot: CodeSnapshot) -> list[Check]:
    known = [codes for codes in (snapshot.stored, snapshot.pending, snapshot.permanent) if codes is not None]
    codes = list(dict.fromkeys(c.code for group in known for c in group))
    frame = snapshot.freeze_frame
    lamp = {True: "bad", False: "good", None: "unknown"}[snapshot.mil]
    return [
        _check("lamp", lamp),
        _check("codes", "unknown" if not known else "bad" if codes else "good", what=", ".join(codes)),
        _check("frame", "unknown" if frame is None else "good", what="" if frame is None else _frame(frame)),
    ]


def _frame(frame) -> str:
    read = [(name, value) for name, value in frame.items() if isinstance(value, float | int)]
    values = [value_text(name, value, degree_sign=True) for name, value in read]
    return ", ".join([str(frame.get("code") or ""), *values[:4]]).strip(", ")


def _moves(board: Board, cam: str) -> Check:
    """The check whether the cam moves with its command."""
    command, went = board.travel(cam)
    state, name = "unknown", "partly"
    if command < MOVED_DEG:
        name = "not_yet"
    elif went > command / 2:
        state, name = "good", "moves"
    elif went <= UNMOVED_DEG:
        state, name = "bad", "stands"
    found = sentence(f"preflight.{name}", command=command, went=went)
    return state, sentence("preflight.with_command", cam=title(cam)), found


def _check(name: str, state: str, **values: object) -> Check:
    return state, sentence(f"preflight.{name}"), sentence(f"preflight.{name}_{state}", **values)
