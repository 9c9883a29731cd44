"""What came of an analysis, on the page: headline, checks, what is to do, cautions, link to the result."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from dash import html

from camlog.serve.names import address
from camlog.serve.pages.pieces import lines, shown, sign

# Kind of a result, the key under which its file is named, and what it is called.
RESULT_WORDS = {
    "report": ("report", "Open the report"),
    "comparison": ("comparison", "Open the comparison"),
    "verification": ("page", "Open the page to print and sign"),
}
_GATE_STATES = {"passed": "good", "failed": "bad", "not_shown": "unknown", "not_applicable": "unknown"}
_OUTCOME_STATES = {"verified": "good", "fault_still_there": "bad"}


def outcome(kind: str, result: dict[str, Any]) -> list:
    """A finished job's result."""
    key, word = RESULT_WORDS[kind]
    made = lines(result["headline"])
    if kind == "verification":
        state = _OUTCOME_STATES.get(result["outcome"], "unknown")
        made = [
            html.P([sign(state), html.B(shown(result["headline"][0], 2000))], className=f"headline {state}")
        ]
        made += _listed("To do", [on_a_page(text) for text in result["todo"]], html.Ol)
        made += [html.P(result["todo_caution"], className="caution")] if result["todo_caution"] else []
        made.append(_gates(result["gates"]))
        made += _listed(
            "What has changed between the two drives, by more than chance", result["changes"], html.Ul
        )
    link = html.A(
        word, href=address("results", result[key]), target="_blank", rel="noopener", className="main"
    )
    return [*stop(result["do_not_run"]), *made, html.P(link), cautions(result["cautions"])]


def stop(texts: Sequence[str]) -> list:
    """What comes before all else where the engine may not be run; nothing where it may."""
    if not texts:
        return []
    return [
        html.Div(
            [
                html.P([sign("bad"), html.B(shown(texts[0], 1000))], className="first"),
                html.Ul([html.Li(shown(t, 2000)) for t in texts[1:]]),
            ],
            className="do-not-run", role="alert",
        )
    ]  # fmt: skip


def on_a_page(text: str) -> str:
    """What is to do, with the fields of this page in place of a command's options."""
    return re.sub(r"--outside (?=\S)", "", re.sub(r"(?<=\w|,) with --before\b", " above", text))


def _gates(gates: list[dict[str, str]]) -> html.Div:
    rows = [
        html.Tr(
            [
                html.Td([sign(_GATE_STATES[g["state"]]), g["words"]], className=_GATE_STATES[g["state"]]),
                html.Th(g["title"], scope="row"),
                html.Td(shown(g["evidence"], 1000)),
            ]
        )
        for g in gates
    ]
    return html.Div(
        html.Table([html.Caption("Checks"), html.Tbody(rows)], className="gates"), className="table"
    )


def _listed(title: str, texts: list[str], kind: type) -> list:
    if not texts:
        return []
    return [html.P(html.B(title)), kind([html.Li(shown(t, 1000)) for t in texts])]


def cautions(texts: list[str]) -> html.Div:
    """The library's own cautions, in full."""
    return html.Div(
        [html.P(html.B("Careful")), html.Ul([html.Li(shown(t, 1000)) for t in texts])], className="cautions"
    )
