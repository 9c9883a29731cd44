"""The page of one recording: its facts, its report, and the comparison with the drive before the repair."""

from __future__ import annotations

import re
from typing import Any

from markupsafe import Markup

from camlog.drive import Drive, drive_path, read_drive
from camlog.errors import InputError
from camlog.serve.desk import Desk
from camlog.serve.entries import Entry
from camlog.serve.jobs import CANCELLED, Look
from camlog.serve.names import DRIVE_ENDING, told
from camlog.serve.pages.template import PIECES, Pieces, Sent, Template
from camlog.serve.tasks import make_comparison, make_verification
from camlog.serve.words import problem, sentence
from camlog.sinks.lines import codes_text

EVENTS_SHOWN = 200
OTHERS_SHOWN = 8
LONGEST_JOB, LONGEST_SEARCH = 300, 200
KINDS = ("report", "comparison", "verification")
_PAGE = Template("recording.html")


def layout(desk: Desk, name: str = "") -> str:
    """The page of a recording of the folder."""
    try:
        entry = desk.folder.entry(name)
    except InputError as error:
        return PIECES.trouble(sentence("no_such_recording"), told(error))
    drive = _drive(desk, entry)
    events, codes = ((), ()) if drive is None else (drive.events, drive.code_snapshots)
    own = entry.kind != "foreign"
    return _PAGE.layout(
        entry, own and desk.recorder.status().recording == name, pieces(desk, name, {}) if own else {},
        _profiles(desk, entry) if own else None, events[:EVENTS_SHOWN], len(events) - EVENTS_SHOWN,
        [(s.time_s, codes_text(s)) for s in codes[: 1 if len(codes) == 1 else None : max(1, len(codes) - 1)]],
    )  # fmt: skip


def _drive(desk: Desk, entry: Entry) -> Drive | None:
    try:
        return read_drive(desk.folder.existing(drive_path(entry.name).name)) if "drive" in entry.results else None
    except InputError:
        return None  # it is among the entry's problems


def _profiles(desk: Desk, entry: Entry) -> dict[str, Any]:
    """The profiles to choose from and the chosen one: that of the recording, or the only one with the vehicle's
    name."""
    made_with = desk.folder.profile_of(entry)
    same = [p.file for p in desk.folder.profiles() if p.error is None and p.name == entry.vehicle]
    chosen = made_with or (same[0] if len(same) == 1 else "")
    return {"options": desk.profile_choices(sentence("no_profile_limits")), "chosen": chosen,
            "by_name": made_with is None and chosen != "", "lost": made_with is None and entry.profile_sha256 is not None}  # fmt: skip


def others(desk: Desk, name: str, search: str, chosen: str) -> list[tuple[str, str, bool]]:
    """Choices for the drive before, as (value, label, closed): earlier drives first, saved codes last."""
    own, words = desk.folder.entry(name), search.casefold().split()
    recordings = [e for e in desk.folder.recordings(search) if e.kind == "trace" and e.name != name]
    earlier, later = ([e for e in recordings if (e.began_s > own.began_s) is after] for after in (False, True))
    ranked = sorted(earlier, key=lambda e: e.vehicle != own.vehicle) + later
    alone = [n for n in desk.folder.snapshots() if all(w in n.casefold() for w in words)]
    labels = {e.name: sentence("drive_before", e=e, vehicle=e.vehicle[:80]) for e in ranked[:OTHERS_SHOWN]}
    labels |= {n: sentence("codes_before", name=n) for n in alone[:OTHERS_SHOWN]}
    if chosen and chosen not in labels:
        labels = {chosen: chosen} | labels
    more = max(0, len(ranked) - OTHERS_SHOWN) + max(0, len(alone) - OTHERS_SHOWN)
    options = [*((value, label, False) for value, label in labels.items()), ("", sentence("no_drive_before"), False)]
    return [*options[:-1], ("more", sentence("more_drives", count=more), True), options[-1]] if more else options


def pieces(desk: Desk, name: str, sent: Sent) -> Pieces:
    """The progress of each result, and the drives to choose from."""
    try:
        entry = desk.folder.entry(name)
        chosen = sent.get("recording-other", "")
        choices = others(desk, name, sent.get("recording-other-search", "")[:LONGEST_SEARCH], chosen)
    except InputError as error:
        return {"recording-verdict": PIECES.notice(told(error))}
    shown = {"recording-verdict": _PAGE.verdict(entry), "recording-other": _PAGE.others(choices, chosen)}
    for kind in KINDS:
        look = desk.jobs.look(desk.jobs.latest(_key(desk, kind, name)))
        done = look is not None and look.state == "done"
        shown[f"recording-{kind}-done"] = becoming(kind, look, name)
        shown[f"recording-{kind}-kept"] = Markup() if done else _PAGE.kept(entry, kind)
    return shown


def act(desk: Desk, name: str, button: str, sent: Sent) -> Pieces:
    """Start or cancel the work of a button; an error is shown beside the button."""
    kind, _, give_up = button.partition(":")
    if kind not in KINDS:
        return {}
    try:
        if give_up:
            desk.jobs.cancel(desk.jobs.latest(_key(desk, kind, name)))
        else:
            begin(desk, kind, name, *(sent.get(f"recording-{f}", "") for f in ("vehicle", "other", "job", "outside")))
    except InputError as error:
        return {f"recording-{kind}-wrong": PIECES.notice(told(error))}
    return {f"recording-{kind}-wrong": Markup()}


def begin(desk: Desk, kind: str, name: str, vehicle: str, other: str, job: str, outside: str) -> str:
    """Submit the work of a button; returns the job's id. Raises InputError if it is impossible."""
    trace, profile = str(desk.folder.existing(name)), desk.profile_path(vehicle)
    if kind == "report":
        return desk.report(name, vehicle)
    before = str(desk.folder.existing(other)) if other else None
    codes = tuple(c.upper() for c in re.split(r"[\s,;]+", outside) if c)
    work: tuple[Any, ...] = (make_verification, trace, before, profile, job.strip()[:LONGEST_JOB], codes)
    if kind == "comparison":
        if before is None or before.endswith(DRIVE_ENDING):
            raise problem("codes_only", other) if before else problem("none_before")
        work = (make_comparison, before, trace, profile)
    return desk.jobs.submit(sentence(f"{kind}_of", file=name), *work, key=f"{_key(desk, kind, name)}\n{work[1:]!r}")


def _key(desk: Desk, kind: str, name: str) -> str:
    return f"{kind} {desk.folder.path(name)}"


def becoming(kind: str, look: Look | None, name: str) -> Markup:
    """The progress or the outcome of a result."""
    if look is not None and look.state == "done":
        return PIECES.outcome(kind, look.result, name)
    return _PAGE.becoming(kind, look, look is not None and look.error == CANCELLED)
