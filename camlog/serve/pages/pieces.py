"""What pages share beside their templates: choices of a profile, what changed since the last look, who pressed."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence

from dash import ctx, no_update

from camlog.serve.desk import Desk
from camlog.serve.pages.template import Template
from camlog.visible import visible

PIECES = Template("pieces.html")
NO_PROFILE = ""


def notice(text: str, bad: bool = True) -> list:
    """Something a person must see."""
    return PIECES.notice(text, bad)


def digest(shown: object) -> str:
    """A word that changes when what is shown does."""
    return hashlib.sha256(repr(shown).encode("utf-8", "replace")).hexdigest()


def only_changed(shown: Sequence, before: Sequence[str] | None) -> tuple[list, list[str]]:
    """Outputs of a callback that runs every second, without those that stand in the page already; and their digests,
    to be given back as `before`. A page that draws itself anew for nothing costs what its strips could use."""
    now = [digest(one) for one in shown]
    old = before if before and len(before) == len(now) else [""] * len(now)
    return [no_update if a == b else one for one, a, b in zip(shown, now, old, strict=True)], now


def pressed() -> bool:
    """Whether a callback runs because somebody pressed something, not because a page was built."""
    return bool(ctx.triggered) and bool(ctx.triggered[0]["value"])


def profile_options(desk: Desk, none: str = "None: common limits only") -> list[dict]:
    """The profiles to choose from, by what distinguishes them; `none` is how going without one is called."""
    known = desk.folder.profiles()
    options = []
    if desk.vehicle and desk.vehicle not in [p.file for p in known]:
        options.append({"label": f"{desk.vehicle} (given at the start)", "value": desk.vehicle})
    for profile in known:
        label = profile.title if profile.error is None else f"{profile.file}: {profile.error}"
        options.append({"label": visible(label), "value": profile.file, "disabled": profile.error is not None})
    return [*options, {"label": none, "value": NO_PROFILE}]


def profile_path(desk: Desk, chosen: str | None) -> str | None:
    """What the analysis calls a chosen profile. Raises InputError unless it is here or given at the start."""
    return chosen if chosen and chosen == desk.vehicle else desk.folder.profile_path(chosen)


def outcome(kind: str, result: dict) -> list:
    """A finished job's result: headline, checks, what is to do, cautions, link to the page."""
    return PIECES.outcome(kind, result, [on_a_page(text) for text in result.get("todo", ())])


def on_a_page(text: str) -> str:
    """What is to do, with the fields of this page in place of a command's options."""
    return re.sub(r"--outside (?=\S)", "", re.sub(r"(?<=\w|,) with --before\b", " above", text))
