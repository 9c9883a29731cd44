"""Parts of the two pages that show a drive: the live part, and what is still to drive."""

from __future__ import annotations

from typing import Any

import flask
from markupsafe import Markup

from camlog.cautions import DRIVE, caution
from camlog.report.words import CONDITION_WORDS, state_of, sureness
from camlog.serve.board import Board
from camlog.serve.guide import Guide, GuideItem
from camlog.serve.pages.template import PIECES, SIGNS
from camlog.serve.words import sentence

# Needs of the recording, not of the driving; shown only while they are not met.
READING = ("cam_angles", "pair", "engine_speed", "oil_temperature", "sampling")


def live_update(board: Board | None, guide: Guide | None) -> dict[str, Any]:
    """The news since the cursor from the page's script, with the verdict so far."""
    if board is None:
        return {"id": None}
    cursor = flask.request.args.get("cursor", 0, int) if flask.request.args.get("id") == board.id else 0
    verdict = guide.verdict() if guide is not None else None
    verdicts = {cam: _verdict_so_far(*values) for cam, values in (verdict.cams if verdict is not None else {}).items()}
    done = guide is not None and guide.can_stop()
    update = board.update(max(0, cursor))
    if update["gap"]:
        update["gap"]["text"] = sentence("gap_then" if guide is None else "gap_now", **update["gap"])
    return update | {"verdicts": verdicts, "done": done}


def _verdict_so_far(condition: str, confidence: float, reason: str) -> dict[str, str]:
    """A cam's verdict so far; it has the shape and colour of a verdict only if a condition is named."""
    named = CONDITION_WORDS.get(condition, "")
    state = state_of(condition) if named else "unknown"
    sure = sureness(confidence) if named and state != "unknown" else ""
    word = sentence("so_far", word=named or sentence(f"not_settled.{condition}"), sure=sure)
    return {"sign": SIGNS[state], "state": state, "reason": reason, "word": word}


def next_line(guide: Guide | None) -> Markup:
    """The one thing to do now and its progress; if the engine must not be run, that instead."""
    return PIECES.next(guide, guide.next_item() if guide is not None else None)


def guide_list(guide: Guide | None) -> Markup:
    """What is still to drive; items that are done or impossible in this drive are folded."""
    items = (
        [] if guide is None or guide.do_not_run() else [i for i in guide.items() if not (i.met and i.name in READING)]
    )
    return PIECES.guide(guide, [(item, _so_far(item)) for item in items], caution(DRIVE))


def _so_far(item: GuideItem) -> str:
    if item.unit not in ("s", "count") or item.have is None or item.want <= 1 or item.name in READING:
        return ""
    return sentence(f"so_far_{item.unit}", have=min(item.have, item.want), want=item.want)
