"""How far a recording can be trusted: whether it is as camlog recorded it, what it was made from, and if it is
simulated."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from camlog.drive import Ancestor, Drive
from camlog.messages import capital, say

SIMULATED_REMARK = say("trust.simulated")


def simulated_words(*drives: Drive | None) -> str:
    """The first remark of a page if any of the drives is simulated, else ""."""
    simulated = any(d is not None and d.is_simulated for d in drives)
    return capital(SIMULATED_REMARK) if simulated else ""


def remarks(drive: Drive | None, trace_sha256: str | None, beside: Path) -> list[str]:
    """Sentences about the trust in a trace and the drive file `beside` it."""
    if drive is None:
        return []
    sentences = [SIMULATED_REMARK] if drive.is_simulated else []
    converted = drive.adapter.get("name") == "converted"  # in memory, so there is no trace file with a hash
    if drive.trace_sha256 is None and drive.adapter and not converted:
        sentences.append(say("trust.not_ended"))
    elif drive.trace_sha256 not in (None, trace_sha256):
        sentences.append(say("trust.changed", beside=beside.name))
    return sentences


@dataclass(frozen=True, slots=True)
class Trust:
    """`as_recorded` is True if trace and drive file are as camlog recorded them, False if not, None if unknown;
    `reasons` are sentences for False and None. A file made from another is never True, and never better than that
    file."""

    as_recorded: bool | None
    reasons: tuple[str, ...] = ()


def trust(drive: Drive | None, trace_sha256: str | None, *, codes_alone: bool = False) -> Trust:
    """Whether a recording is as camlog wrote it, and the reasons if not. `Drive.is_simulated` says whether it came from
    a vehicle.
    `trace_sha256` is that of the present trace, None or empty if there is none. With `codes_alone` no trace is needed,
    as for the codes saved before clearing. The check reveals a later change by hand; a forger who knows the file format
    could still make a file that passes."""
    if drive is None:
        return Trust(None, (say("trust.no_drive"),))
    wrong, unknown = [], []
    if drive.intact is False:
        wrong.append(say("trust.drive_changed"))
    if drive.trace_sha256 and trace_sha256 and drive.trace_sha256 != trace_sha256:
        wrong.append(say("trust.other_trace"))
    for ancestor in drive.ancestry:
        source = f"{ancestor.made or 'made'} from {ancestor.file or 'another file'}"
        if ancestor.as_recorded is False:
            wrong.append(say("trust.from_changed", source=source))
        else:
            unknown.append(say("trust.from_other", source=source))
    if drive.intact is None and not drive.ancestry:
        unknown.append(say("trust.no_seal"))
    if not codes_alone and not (drive.trace_sha256 and trace_sha256):
        unknown.append(say("trust.no_hash"))
    return Trust(False if wrong else None if unknown else True, tuple(dict.fromkeys((*wrong, *unknown))))


def descent(drive: Drive | None, trace_sha256: str | None, file: str, made: str) -> tuple[Ancestor, ...]:
    """The ancestry of a file that is `made` ("cut", "converted") from the trace `file` and its drive file."""
    earlier = drive.ancestry if drive is not None else ()
    simulated = drive is not None and drive.is_simulated
    trusted = trust(drive, trace_sha256).as_recorded
    return (*earlier, Ancestor(trace_sha256 or None, file, trusted, simulated, made))


def vin_hash(vin: str) -> str:
    """A hash of 4 hexadecimal digits that replaces a vehicle identification number that is not stored. It distinguishes

    two cars (except for one pair in 65,536) but does not identify one."""
    return hashlib.sha256(vin.encode("utf-8")).hexdigest()[:4]
