"""Clear the codes (service 04). Everything the modules hold is saved before, and read again after.

Clearing is the only change camlog makes to a car. It destroys evidence, so it is sent only after a complete snapshot
has been written to disk and read back, and never with the engine running."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from camlog.capture import error, messages
from camlog.capture.link import Link
from camlog.capture.ports import LinkLost
from camlog.capture.probe import Capabilities, probe
from camlog.capture.requests import NEGATIVE, POSITIVE, SERVICE_CURRENT, Request, pid_item, read_answer
from camlog.capture.snapshot import module_address, read_snapshot, read_vin
from camlog.drive import Drive, read_drive, snapshot_to_dict, write_drive
from camlog.errors import InputError
from camlog.stream import CodeSnapshot, Event, TroubleCode
from camlog.trust import vin_hash

CLEAR = 0x04  # SAE J1979 (from memory)
ENGINE_SPEED_PID = 0x0C
_TRIES = 3
_CLEAR_TIMEOUT_S = 10.0  # a module may answer "response pending" while it erases

LOST = tuple(messages.table("lost_by_clearing").values())
PERMANENT_STAY = messages("permanent.stay")


@dataclass(frozen=True)
class Cleared:
    """The snapshots before and after clearing, and the path of the saved one.

    `refused` are the modules that answered negatively; `remaining` the stored and pending codes still there, None where
    they could not be read."""

    saved: Path
    before: CodeSnapshot
    after: CodeSnapshot
    refused: tuple[str, ...]

    @property
    def remaining(self) -> tuple[TroubleCode, ...] | None:
        if self.after.stored is None or self.after.pending is None:
            return None
        return tuple(dict.fromkeys((*self.after.stored, *self.after.pending)))

    @property
    def permanent(self) -> tuple[TroubleCode, ...]:
        return self.after.permanent or ()


def clear_codes(
    link: Link, save_to: str | Path, *, confirm: Callable[[CodeSnapshot], bool], force: bool = False
) -> Cleared | None:
    """Save what the modules hold, ask, clear, read again. None if `confirm` returned False; the saved file stays.

    `confirm` gets the saved snapshot. `save_to` is a drive file (`.drive.json`) that `camlog verify --before` takes.
    Raises InputError, with nothing cleared, if the engine runs or may run, if something could not be read or saved, or
    if every module refused."""
    path = Path(save_to)
    if path.exists() and not force:
        raise error("there_already", path)
    try:
        return _clear(link, path, confirm, force)
    except LinkLost as lost:
        raise error("broke_clearing", link.port, lost=lost) from lost


def _clear(link: Link, path: Path, confirm: Callable[[CodeSnapshot], bool], force: bool) -> Cleared | None:
    begun = datetime.now().astimezone()
    capabilities = probe(link)
    capabilities.address(link, capabilities.header)
    _must_stand(link, capabilities)
    drive = _snapshot(link, capabilities, begun)
    before = drive.code_snapshots[0]
    _save(drive, path, force)
    if not confirm(before):
        return None
    # The engine may have been started while the person answered.
    _must_stand(link, capabilities)
    refused = _send(link)
    seconds = (datetime.now().astimezone() - begun).total_seconds()
    after = read_snapshot(link, capabilities, seconds)
    text = messages("event.refused", modules=", ".join(refused)) if refused else messages("event.cleared")
    event = Event(seconds, "marker", text)
    write_drive(replace(drive, events=(event,), code_snapshots=(before, after)), path)
    return Cleared(path, before, after, refused)


def _must_stand(link: Link, capabilities: Capabilities) -> None:
    capabilities.address(link, capabilities.header)
    request = Request(SERVICE_CURRENT, (pid_item(ENGINE_SPEED_PID),))
    for _ in range(_TRIES):
        speed = read_answer(request, link.ask(request.text).messages).values.get("engine_speed")
        if speed is not None:
            break
    if speed is None:
        raise error("speed_unknown", link.port)
    if speed > 0.0:
        raise error("engine_runs", link.port, rpm=speed)


def _snapshot(link: Link, capabilities: Capabilities, begun: datetime) -> Drive:
    snapshot = read_snapshot(link, capabilities)
    unread = [name for name in ("stored", "pending") if getattr(snapshot, name) is None]
    if not snapshot.readiness:
        unread.append("readiness")
    if unread:
        raise error("not_whole", link.port, unread=" and ".join(unread))
    vin = read_vin(link)
    vehicle = {"name": None, "vin": None} | ({"vin_hash": vin_hash(vin)} if vin else {})
    return Drive(
        started_at=begun.isoformat(timespec="milliseconds"),
        vehicle=vehicle,
        adapter={"port": link.port, **capabilities.to_dict()},
        code_snapshots=(snapshot,),
    )


def _save(drive: Drive, path: Path, force: bool) -> None:
    """Write the snapshot and read it back. Raises InputError unless the file has the same content."""
    try:
        write_drive(drive, path, replace=force)
        saved = read_drive(path)
    except (OSError, InputError) as refused:
        reason = refused.strerror if isinstance(refused, OSError) else refused.what
        raise error("not_saved", path, why=reason or os.strerror(5)) from refused
    if not saved.intact or _contents(saved) != _contents(drive):
        raise error("not_as_saved", path)


def _contents(drive: Drive) -> list:
    return [snapshot_to_dict(s) for s in drive.code_snapshots]


def _send(link: Link) -> tuple[str, ...]:
    """Send service 04 once to all modules; returns those that refused. The result is read from the car afterwards."""
    link.set_header(None)
    reply = link.ask(b"04", _CLEAR_TIMEOUT_S)
    refused, done = [], False
    for message in reply.messages:
        data = bytes(message.data)
        if data[:1] == bytes([CLEAR + POSITIVE]):
            done = True
        elif data[:2] == bytes([NEGATIVE, CLEAR]):
            refused.append(module_address(link, message))
    if refused and not done:
        raise error("refused", link.port, modules=", ".join(refused))
    return tuple(dict.fromkeys(refused))
