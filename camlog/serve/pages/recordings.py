"""The list of recordings, newest first, with search, and the place where a saved recording is taken in."""

from __future__ import annotations

from dataclasses import replace

from camlog.errors import InputError
from camlog.serve.desk import Desk
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

def layout(desk: Desk, name: str = "") -> str:
    """The page as the folder is at this moment. The place for files is filled by `assets/upload.js`."""
    folder, endings = desk.folder.root.name or str(desk.folder.root), (*TRACE_ENDINGS, ".json", ".toml")
    return _PAGE.layout(folder, pieces(desk, "", {}), UPLOAD_LIMIT_BYTES, endings, LOOK_MS, UNITS, shown_units())

def pieces(desk: Desk, name: str, sent: Sent) -> Pieces:
    """The list, narrowed to what is searched for."""
    search = sent.get("search", "")[:LONGEST_SEARCH]
    try:
        found = desk.folder.recordings(search)
        foreign = any(e.kind == "foreign" for e in found)
        made = {e.converted_from: e.name for e in (desk.folder.recordings() if foreign else ()) if e.converted_from}
    except InputError as error:
        return {"recordings-list": PIECES.notice(told(error))}
    running = desk.recorder.status().recording
    # What grows while it is recorded is not shown: a list drawn anew takes the keyboard's place in it away.
    steady = [replace(e, size_bytes=0, modified_s=0.0) if e.name == running else e for e in found[:SHOWN]]
    waiting = [e for e in found if e.kind == "trace" and "findings" not in e.results and e.name != running]
    return {
        "recordings-list": _PAGE.listing(steady, len(found), search, running, made),
        "analyse": _PAGE.analyse(len(waiting), desk.jobs.waiting()),
    }

def act(desk: Desk, name: str, button: str, sent: Sent) -> Pieces:
    """Change the units shown, or analyse all that was not analysed yet, each with the profile it was recorded with."""
    if button == "units":
        if (system := sent.get("units")) not in SYSTEMS or system == shown_units():
            return {}
        remember_units(system)
        return {"units-said": PIECES.said(sentence("units_shown"))}
    begun = 0
    try:
        for entry in desk.folder.recordings() if button == "analyse" else ():
            if entry.kind == "trace" and "findings" not in entry.results and entry.name != desk.recorder.status().recording:
                desk.report(entry.name, desk.folder.profile_of(entry))
                begun += 1
    except InputError as error:  # too many at once: the others at the next press
        return {"said": PIECES.notice(told(error), False)}
    return {"said": PIECES.said(sentence("analysing", count=begun))}
