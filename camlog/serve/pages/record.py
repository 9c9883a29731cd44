"""The Record page: connect, drive with the list of what is still needed, mark, stop."""

from __future__ import annotations

from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, ctx, no_update
from flask import current_app, jsonify, request

from camlog.capture.ports import CHECKLIST, likely_ports
from camlog.cautions import DRIVE, IDLE, OPERATE, PEDALS, sentences
from camlog.errors import InputError
from camlog.serve.desk import Desk
from camlog.serve.guard import is_loopback
from camlog.serve.names import told
from camlog.serve.pages import parts, pieces
from camlog.serve.pages.template import Template
from camlog.serve.pairing import Pairing
from camlog.serve.recording import GROWING, RecorderStatus
from camlog.sinks.words import clock_text

FIND, OTHER = "find", "other"  # port choices that are not a port
RATTLE = "rattle heard"
MARKED = "Marked: "
_SECTIONS = {
    "setup": ("idle", "failed", "finished"), "connecting": ("connecting",), "ready": ("connected",), "driving": GROWING,
}  # fmt: skip
_PAGE = Template("record.html")


def layout(desk: Desk, *_: str):
    """The page as it is at this moment; a page opened in mid-drive shows the drive."""
    now, pairing = desk.recorder.status(), _own_pairing()
    usable = [p.file for p in desk.folder.profiles() if p.error is None and p.file != "demo"]
    setting = {
        "newest": _newest(desk), "ports": _port_options(desk), "port": desk.adapter or FIND, "checklist": CHECKLIST,
        "vehicles": _vehicle_options(desk), "vehicle": desk.vehicle or (usable[0] if len(usable) == 1 else ""),
    }  # fmt: skip
    caution = " ".join(sentences((OPERATE, DRIVE, PEDALS, IDLE)))
    return _PAGE.layout(now, caution, _do_not_run(desk, now), _report_job(desk, now), _SECTIONS, setting, parts.LIVE,
                        pairing is not None, pairing and pairing.code)[0]  # fmt: skip


def _newest(desk: Desk):
    """The newest recording: also one that ended with a server that was killed."""
    try:
        return next((e for e in desk.folder.recordings() if e.kind == "trace"), None)
    except InputError:  # the list of recordings says it
        return None


def _port_options(desk: Desk) -> list[dict]:
    given = {desk.adapter: f"{desk.adapter} (given at the start)"} if desk.adapter else {}
    likely = {p.device: f"{p.device}: {p.description}{f' ({p.remark})' if p.remark else ''}" for p in likely_ports()}
    named = given | {FIND: "Find it: try the likely ports"} | {p: label for p, label in likely.items() if p != desk.adapter}
    return [{"label": label, "value": port} for port, label in (named | {OTHER: "Another port, written below"}).items()]


def _vehicle_options(desk: Desk) -> list[dict]:
    return pieces.profile_options(desk, "None: standard signals only")


def _guide(desk: Desk, now: RecorderStatus):
    return desk.recorder.guide if now.state in GROWING else None


def _do_not_run(desk: Desk, now: RecorderStatus) -> tuple[str, ...]:
    guide = _guide(desk, now)
    return guide.do_not_run() if guide is not None else ()


def _report_job(desk: Desk, now: RecorderStatus):
    return desk.jobs.look(now.report_job) if now.report_job else None


def _own_pairing() -> Pairing | None:
    """The pairing of other devices, where this computer itself asks; None for another device."""
    guard = current_app.extensions.get("camlog-guard")
    return guard.pairing if guard is not None and is_loopback(request.remote_addr or "") else None


def register(app: Dash, desk: Desk) -> None:
    """Callbacks, and the address from which the page's script fills the live part."""

    @app.server.get("/live")
    def recording_now():
        now = desk.recorder.status()
        word = "Ending: reading the codes once more" if now.state == "ending" else "Recording"
        rows = f"{now.rows} rows in {now.name}" if now.name else ""
        status = {"state": now.state, "word": word, "clock": clock_text(now.elapsed_s), "rows": rows}
        return jsonify({**parts.live_update(desk.recorder.board), "status": status})

    @app.callback(
        Output("said", "children"),
        Input("connect", "n_clicks"), Input("start", "n_clicks"), Input("mark", "n_clicks"),
        Input("mark-note", "n_clicks"), Input("note", "n_submit"), Input("stop", "n_clicks"),
        Input("disconnect", "n_clicks"), Input("other-port", "n_submit"),
        State("port", "value"), State("other-port", "value"), State("vehicle", "value"), State("vin", "value"),
        State("name", "value"), State("note", "value"),
        prevent_initial_call=True,
    )  # fmt: skip
    def act(*values):
        if not any(values[:-6]):
            return no_update  # the page was just built
        try:
            return _act(desk, ctx.triggered_id, *values[-6:])
        except InputError as error:
            return pieces.notice(told(error))

    app.clientside_callback(
        ClientsideFunction("live", "written"), Output("port", "value"), Input("other-port", "value"),
        prevent_initial_call=True,
    )  # fmt: skip

    @app.callback(Output("note", "value"), Input("said", "children"), State("note", "value"), prevent_initial_call=True)
    def note_used(said, note):
        return "" if note and isinstance(said, str) and said.startswith(MARKED) else no_update

    @app.callback(Output("port", "options"), Output("vehicle", "options"), Input("look-ports", "n_clicks"), prevent_initial_call=True)
    def look_again(_):
        return _port_options(desk), _vehicle_options(desk)

    @app.callback(
        *(Output(section, "hidden") for section in _SECTIONS),
        Output("notices", "children"), Output("found", "children"), Output("finished", "children"),
        Output("guide", "children"), Output("provisional", "children"), Output("next-now", "children"),
        Output("looked", "data"),
        Input("look", "n_intervals"), Input("said", "children"), State("looked", "data"),
    )  # fmt: skip
    def look(_, _said, before):
        now = desk.recorder.status()
        guide = _guide(desk, now)
        next_ = parts.next_line(guide)
        shown = [
            *(now.state not in states for states in _SECTIONS.values()),
            _PAGE.notices(now, _do_not_run(desk, now)), _PAGE.found(now), _PAGE.finished(now, _report_job(desk, now)),
            [*next_, *parts.guide_list(guide)], parts.provisional(guide), next_,
        ]  # fmt: skip
        changed, digests = pieces.only_changed(shown, before)
        return (*changed, digests)

    @app.callback(Output("pairing", "children"), Input("look-now-and-then", "n_intervals"), Input("new-code", "n_clicks"))
    def code(_, asked):
        pairing = _own_pairing()
        if pairing is None:
            return no_update
        if asked and ctx.triggered_id == "new-code":
            pairing.renew()
        return _PAGE.pairing(True, pairing.code)

    @app.callback(
        Output("strips", "children"), Output("strips-of", "data"),
        Input("look-now-and-then", "n_intervals"), Input("driving", "hidden"), State("strips-of", "data"),
    )  # fmt: skip
    def draw(_, _driving, drawn):
        return parts.strips_of(desk.recorder.board, drawn)


def _act(desk: Desk, button: str, port, other, vehicle, vin, name, note) -> Any:
    """Do what a button asks for; what is said of it. Raises InputError."""
    recorder, written, note = desk.recorder, (other or "").strip(), (note or "").strip()
    if button in ("connect", "other-port"):
        if port == OTHER and not written:
            raise InputError("no port is written", remedy="Write the adapter's port, or choose one from the list.")
        recorder.connect({FIND: None, OTHER: written}.get(port, port), vehicle or None, store_vin=bool(vin))
    elif button == "start":
        recorder.start(name or "")
    elif button in ("mark", "mark-note", "note"):
        text = RATTLE if button == "mark" else note
        if not text:
            return no_update
        recorder.mark(text)
        return MARKED + text
    elif button == "stop":
        recorder.stop()  # the page's first line says that it is ending
    else:
        recorder.disconnect()
    return ""
