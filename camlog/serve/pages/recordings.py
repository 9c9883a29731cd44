"""The list of recordings, newest first, with search and upload."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Any

from camlog.errors import InputError
from camlog.serve.desk import Desk
from camlog.serve.entries import Entry
from camlog.serve.folder import UPLOAD_LIMIT_BYTES
from camlog.serve.names import TRACE_ENDINGS, told
from camlog.serve.pages.template import PIECES, Pieces, Sent, Template
from camlog.serve.words import sentence
from camlog.units import SYSTEMS, remember_units, shown_units

SHOWN = 50
LONGEST_SEARCH = 200
LOOK_MS = 4000
UNITS = [("metric", "°C, kPa, km/h, g/s", False), ("us", "°F, psi, mph, lb/min", False)]
_PAGE = Template("recordings.html")
Row = dict[str, Any]  # of the library


def layout(desk: Desk, name: str = "") -> str:
    """The page for the current state of the folder; `assets/upload.js` uploads files."""
    folder, endings = desk.folder.root.name or str(desk.folder.root), (*TRACE_ENDINGS, ".json", ".toml")
    kinds: list[str] = []
    cars: list[str] = []
    with suppress(InputError), desk.library() as library:  # an error is shown above the list
        if library is not None:
            kinds, cars = library.named("kind"), library.named("vehicle")
    return _PAGE.layout(
        folder, pieces(desk, "", {}), UPLOAD_LIMIT_BYTES, endings, LOOK_MS, UNITS, shown_units(), kinds, cars
    )


def pieces(desk: Desk, name: str, sent: Sent) -> Pieces:
    """The list, filtered by search and choices."""
    search, *chosen = (sent.get(field, "")[:LONGEST_SEARCH] for field in ("search", "condition", "kind", "car"))
    wrong = ""
    try:
        listed = desk.folder.recordings()
        named = {e.name for e in desk.folder.recordings(search)} if search.strip() else {e.name for e in listed}
        converted = {e.converted_from: e.name for e in listed if e.converted_from}
    except InputError as error:
        return {"recordings-list": PIECES.notice(told(error))}
    try:
        kept, fits, others = _kept(desk, listed, search, *chosen)
    except InputError as error:
        kept, fits, others, wrong = {}, set(), [], told(error)
    condition, kind, car = chosen
    found = [
        e for e in listed
        if e.trace_sha256 in fits
        or e.name in named and not (kind or car) and (not condition or condition in e.verdicts.values())
    ]  # fmt: skip
    running = desk.recorder.status().recording
    # Values that grow during a recording are not shown, because redrawing the list would lose the keyboard focus.
    steady = [replace(e, size_bytes=0, modified_s=0.0) if e.name == running else e for e in found[:SHOWN]]
    waiting = _not_analysed(found, running)
    narrowed = any(word.strip() for word in (search, *chosen))
    return {
        "library-wrong": PIECES.notice(wrong) if wrong else PIECES.said(""),
        "recordings-list": _PAGE.listing(
            steady, len(found), search, narrowed, running, converted, kept, others[:SHOWN]
        ),
        "analyse": _PAGE.analyse(len(waiting), desk.jobs.waiting()),
    }


def _kept(
    desk: Desk, listed: Sequence[Entry], search: str, condition: str, kind: str, car: str
) -> tuple[dict[str, Row], set[str], list[Row]]:
    """From the library: the recordings of the folder by hash, the hashes of those that match, and with a search or
    choice also the matches that are not in the folder."""
    with desk.library() as library:
        if library is None:
            return {}, set(), []
        hashes = [e.trace_sha256 for e in listed if e.trace_sha256]
        kept = {row["sha256"]: row for row in library.recordings(sha256=hashes, most=len(hashes))} if hashes else {}
        if not (search.strip() or condition or kind or car):
            return kept, set(kept), []
        wanted = library.recordings(
            kind or None, car or None, condition=condition, search=search, most=SHOWN + len(hashes)
        )
        fits = kept.keys() & {row["sha256"] for row in wanted}
        return kept, fits, [row for row in wanted if row["sha256"] not in kept]


def _not_analysed(entries: Sequence[Entry], running: str | None) -> list[Entry]:
    return [e for e in entries if e.kind == "trace" and "findings" not in e.results and e.name != running]


def _decide(desk: Desk, number: int, good: bool, who: str, why: str) -> Pieces:
    try:
        with desk.library() as library:
            if library is not None:
                library.mark_good(number, who[:LONGEST_SEARCH], why[:LONGEST_SEARCH], good=good)
    except InputError as error:
        return {f"wrong-{number}": PIECES.notice(told(error))}
    return {}


def act(desk: Desk, name: str, button: str, sent: Sent) -> Pieces:
    """Change the units, mark a recording as known-good or not, or analyse all recordings not analysed yet, each with
    the profile of its recording."""
    what, _, number = button.partition(":")
    if number.isdecimal() and len(number) < 18:
        return _decide(
            desk, int(number), what == "good", *(sent.get(f"{name}-{number}", "") for name in ("who", "why"))
        )
    if button == "units":
        if (system := sent.get("units")) not in SYSTEMS or system == shown_units():
            return {}
        remember_units(system)
        return {"units-said": PIECES.said(sentence("units_shown"))}
    begun = 0
    try:
        entries = desk.folder.recordings() if button == "analyse" else ()
        for entry in _not_analysed(entries, desk.recorder.status().recording):
            desk.report(entry.name, desk.folder.profile_of(entry))
            begun += 1
    except InputError as error:  # too many at once; the others follow at the next press
        return {"said": PIECES.notice(told(error), False)}
    return {"said": PIECES.said(sentence("analysing", count=begun))}
