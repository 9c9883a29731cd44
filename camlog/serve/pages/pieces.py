"""What pages about saved drives share: names, addresses, states with their signs, notices, progress."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence

from dash import ctx, dcc, html, no_update

from camlog.cams import title as cam_title
from camlog.report.words import CONDITION_WORDS
from camlog.serve.desk import Desk
from camlog.serve.jobs import Look
from camlog.unknown import UNKNOWN
from camlog.visible import visible

# A state has a sign of its own, so that its colour need not be seen.
SIGNS = {"good": "✓", "bad": "!", "unknown": UNKNOWN}
NO_PROFILE = ""


def shown(text: str, longest: int = 200) -> html.Bdi:
    """Somebody's text: hidden characters made visible, its direction kept to itself, cut where it is long."""
    cut = text if len(text) <= longest else text[:longest] + " …"
    return html.Bdi(visible(cut))


def state_of(condition: str) -> str:
    """`good`, `bad` or `unknown`, as in the reports."""
    return {"healthy": "good", "insufficient_data": "unknown"}.get(condition, "bad")


def sign(state: str) -> html.Span:
    """The sign of a state; the word beside it says the same."""
    return html.Span(SIGNS[state], className=f"sign {state}", **{"aria-hidden": "true"})


def verdicts(found: Mapping[str, str]) -> list:
    """Each cam with its verdict, the faulty first."""
    order = ("bad", "unknown", "good")
    ranked = sorted(found.items(), key=lambda item: order.index(state_of(item[1])))
    return [
        html.Span(
            [sign(state_of(condition)), html.B(CONDITION_WORDS[condition], className=state_of(condition)),
             f" {cam_title(cam)}"],
            className="cam-verdict",
        )
        for cam, condition in ranked
    ]  # fmt: skip


def size_text(size_bytes: int) -> str:
    """`820 kB`, `4.2 MB`."""
    if not size_bytes:
        return "empty"
    return f"{size_bytes / 1e6:.1f} MB" if size_bytes >= 1e6 else f"{max(1, round(size_bytes / 1e3))} kB"


def listed(texts: Iterable[str], most: int = 6) -> list:
    """Texts of a recording in a row, each once with its count, and how many more there are."""
    counted: dict[str, int] = {}
    for text in texts:
        counted[text] = counted.get(text, 0) + 1
    made: list = []
    for text, count in list(counted.items())[:most]:
        made += [", "] if made else []
        made += [shown(text or "(no text)", 80), f" ×{count}" if count > 1 else ""]
    if len(counted) > most:
        made.append(f" and {len(counted) - most} more")
    return made


def notice(text: str, bad: bool = True) -> html.P:
    """Something a person must see."""
    return html.P(
        shown(text, 2000), className="notice bad" if bad else "notice", role="alert" if bad else "status"
    )


def trouble(title: str, text: str) -> html.Main:
    """A page for what is not there."""
    return html.Main(
        [html.H1(title), notice(text), html.P(dcc.Link("To the recordings", href="/recordings"))]
    )


def lines(texts: Iterable[str]) -> list:
    """Sentences, one a paragraph, the first one large."""
    return [html.P(shown(t, 2000), className="headline" if i == 0 else None) for i, t in enumerate(texts)]


def working(look: Look) -> html.Div:
    """How far a job is."""
    word = "Waiting for another analysis" if look.state == "waiting" else f"Working, {look.seconds:.0f} s"
    return html.Div(
        [html.Span(word), html.Progress(**{"aria-label": look.title})], className="working", role="status"
    )


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
    found = desk.folder.profiles()
    made = []
    if desk.vehicle and desk.vehicle not in [p.file for p in found]:
        made.append({"label": f"{desk.vehicle} (given at the start)", "value": desk.vehicle})
    for profile in found:
        label = profile.title if profile.error is None else f"{profile.file}: {profile.error}"
        made.append({"label": visible(label), "value": profile.file, "disabled": profile.error is not None})
    return [*made, {"label": none, "value": NO_PROFILE}]


def profile_path(desk: Desk, chosen: str | None) -> str | None:
    """What the analysis calls a chosen profile. Raises InputError unless it is here or given at the start."""
    return chosen if chosen and chosen == desk.vehicle else desk.folder.profile_path(chosen)
