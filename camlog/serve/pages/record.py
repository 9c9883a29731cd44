"""The Record page: connect, check whether the recording is worth starting, drive, mark, stop."""

from __future__ import annotations

from typing import Any

import flask

from camlog.capture.ports import CHECKLIST, likely_ports
from camlog.capture.too_slow import Expected
from camlog.cautions import DRIVE, IDLE, PEDALS, caution, sentences
from camlog.errors import InputError
from camlog.serve.board import RATE_S, Board
from camlog.serve.desk import Desk
from camlog.serve.entries import Entry
from camlog.serve.guard import is_loopback
from camlog.serve.names import told
from camlog.serve.pages.live import guide_list, live_update, next_line
from camlog.serve.pages.template import PIECES, Pieces, Sent, Template
from camlog.serve.pairing import Pairing
from camlog.serve.preflight import checks
from camlog.serve.recorder_status import GROWING, RecorderStatus
from camlog.serve.words import problem, sentence
from camlog.sinks.words import clock_text

FIND, OTHER = "find", "other"  # port choices that are not a port
LOG = "log."  # begins the name of the field of a signal to log
_PAGE = Template("record.html")


def layout(desk: Desk, name: str = "") -> str:
    """The current page; if opened during a drive, it shows the drive."""
    usable = [p.file for p in desk.folder.profiles() if p.error is None and p.file != "demo"]
    vehicle = desk.vehicle or (usable[0] if len(usable) == 1 else "")
    setting = {
        "newest": _newest(desk), "checklist": CHECKLIST, "vehicle": vehicle,
        "vehicles": desk.profile_choices(sentence("no_profile_standard")), "marks": sentence.templates["marks"],
    }  # fmt: skip
    shown = pieces(desk, "", {"vehicle": vehicle, "port": desk.adapter or FIND})
    care = " ".join(sentences((DRIVE, PEDALS, IDLE)))
    return _PAGE.layout(desk.recorder.status(), shown, care, setting, _own_pairing() is not None)


def pieces(desk: Desk, name: str, sent: Sent) -> Pieces:
    """The changing parts of the page."""
    now, board, pairing = desk.recorder.status(), desk.recorder.board, _own_pairing()
    guide = desk.recorder.guide if now.state in GROWING else None
    do_not_run = guide.do_not_run() if guide is not None else ()
    look, slow = desk.jobs.look(now.report_job), _too_slow(now, board)
    return {
        "state": _PAGE.plain(now.state), "title": _PAGE.title(now), "notices": _PAGE.notices(now, do_not_run),
        "result": _PAGE.finished(now, look), "busy": _PAGE.busy(now, caution(IDLE)), "found": _PAGE.found(now),
        "preflight": _PAGE.preflight(checks(board, slow is not None) if board is not None and now.state == "connected" else []),
        "too-slow": _PAGE.too_slow(slow, True), "too-slow-now": _PAGE.too_slow(slow, False),
        "log": _PAGE.log(now.offered, now.signals),
        "next-now": next_line(guide), "guide": guide_list(guide),
        "pairing": _PAGE.pairing(pairing is not None, pairing and pairing.code),
        "new-profile": _PAGE.new_profile(_new_profile(desk, sent.get("vehicle", ""))),
        "port": PIECES.radios("port", _port_choices(desk), _port(sent)),
    }  # fmt: skip


def act(desk: Desk, name: str, button: str, sent: Sent) -> Pieces:
    """Carry out a button; returns the parts with the result."""
    try:
        return {"said": PIECES.said(_act(desk, button, sent))}
    except InputError as error:
        return {"said": PIECES.notice(told(error))}


def _act(desk: Desk, button: str, sent: Sent) -> str:
    recorder = desk.recorder
    what, _, text = button.partition(":")
    if what in ("connect", "try"):
        port = {FIND: None, OTHER: sent.get("other-port", "").strip()}.get(_port(sent), _port(sent))
        if port == "":
            raise problem("no_port_written")
        if what == "try":
            recorder.try_profile(port, sent.get("vehicle"))
        else:
            recorder.connect(port, sent.get("vehicle") or None, store_vin=bool(sent.get("vin")))
    elif what == "only":
        recorder.choose([key.removeprefix(LOG) for key in sent if key.startswith(LOG)])
    elif what == "only-kept" and (expected := recorder.status().expected) is not None:
        recorder.choose(expected.keep)
    elif what == "start":
        recorder.start(sent.get("name", ""))
    elif what in ("mark", "mark-note"):
        text = text if what == "mark" else sent.get("note", "").strip()
        if not text:
            raise problem("no_note")
        recorder.mark(text)
        return sentence("marked", text=text)
    elif what == "take-back":
        try:
            recorder.take_back(float(text))
        except ValueError as error:
            raise problem("no_mark") from error
        return sentence("taken_back")
    elif what == "stop":
        recorder.stop()  # the page's first line says that it is ending
    elif what == "disconnect":
        recorder.disconnect()
    elif what == "new-code" and (pairing := _own_pairing()) is not None:
        pairing.renew()
    return ""


def _port(sent: Sent) -> str:
    """The chosen port; a typed one has priority."""
    return OTHER if sent.get("other-port", "").strip() else sent.get("port") or FIND


def _too_slow(now: RecorderStatus, board: Board | None) -> Expected | None:
    """What cannot be judged because the cams are read too seldom, by the measured rate if known; None if nothing."""
    expected = now.expected
    if expected is None or board is None or now.state not in ("connected", *GROWING):
        return None
    if board.state.elapsed_s >= RATE_S and not board.state.in_gap:
        expected = expected.measured(board.rates())
    return expected if expected.slow else None


def _newest(desk: Desk) -> Entry | None:
    """The newest recording, even if the server was killed during it."""
    try:
        return next((e for e in desk.folder.recordings() if e.kind == "trace"), None)
    except InputError:  # the list of recordings shows the error
        return None


def _new_profile(desk: Desk, file: str) -> str:
    """The name of the profile if no recording of the folder was made with it; else empty."""
    try:
        profile = desk.folder.profile(file) if file and file != desk.vehicle else None
        used = profile is None or any(e.profile_sha256 == profile.sha256 for e in desk.folder.recordings())
    except InputError:
        return ""
    return "" if used else file


def _port_choices(desk: Desk) -> list[tuple[str, str, bool]]:
    named = {desk.adapter: sentence("given_at_start", what=desk.adapter)} if desk.adapter else {}
    named[FIND] = sentence("find_port")
    for port in likely_ports(at_once=True):
        named.setdefault(port.device, sentence("port", port=port))
    return [(value, label, False) for value, label in (named | {OTHER: sentence("other_port_below")}).items()]


def _own_pairing() -> Pairing | None:
    """The pairing of other devices, if the request is from this computer; else None."""
    guard = flask.current_app.extensions.get("camlog-guard") if flask.has_request_context() else None
    return guard.pairing if guard is not None and is_loopback(flask.request.remote_addr or "") else None


def register(app: flask.Flask, desk: Desk) -> None:
    """Add the route from which the page's script fills the live part."""

    @app.get("/live")
    def recording_now() -> dict[str, Any]:
        now = desk.recorder.status()
        rows = sentence("rows", rows=now.rows, name=now.name) if now.name else ""
        status = {"state": now.state, "clock": clock_text(now.elapsed_s), "rows": rows}
        return {**live_update(desk.recorder.board, desk.recorder.guide), "status": status}
