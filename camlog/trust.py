"""How far a recording is to be trusted: whether it is as camlog recorded it, what it was made from, and whether a vehicle gave it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from camlog.drive import Ancestor, Drive
from camlog.messages import capital, say

SIMULATED_REMARK = say("trust.simulated")


def simulated_words(*drives: Drive | None) -> str:
    """What a page says first of drives of which one is simulated; empty where none is."""
    simulated = any(d is not None and d.is_simulated for d in drives)
    return capital(SIMULATED_REMARK) if simulated else ""


def remarks(drive: Drive | None, trace_sha256: str | None, beside: Path) -> list[str]:
    """What one should know of a trace and the drive file `beside` it before judging them, a sentence each."""
    if drive is None:
        return []
    sentences = [SIMULATED_REMARK] if drive.is_simulated else []
    converted = drive.adapter.get("name") == "converted"  # in memory: there is no trace file to know the hash of
    if drive.trace_sha256 is None and drive.adapter and not converted:
        sentences.append(say("trust.not_ended"))
    elif drive.trace_sha256 not in (None, trace_sha256):
        sentences.append(say("trust.changed", beside=beside.name))
    return sentences


@dataclass(frozen=True, slots=True)
class Trust:
    """`as_recorded`: True where trace and drive file are as camlog recorded them, False where they contradict that,
    None where it cannot be told; `reasons` for what is not True, a sentence each. It never exceeds that of what the
    file was made from, and a file that was made from another is never True."""

    as_recorded: bool | None
    reasons: tuple[str, ...] = ()


def trust(drive: Drive | None, trace_sha256: str | None, *, codes_alone: bool = False) -> Trust:
    """How far a recording is trusted to be as camlog wrote it, and why not; whether it came from a vehicle is for
    `Drive.is_simulated` to say.

    `trace_sha256` is that of the trace as it lies there, None or empty where there is none; with `codes_alone` none is
    asked for, as beside the codes that were saved before clearing. What it rests on shows a change made by hand
    afterwards; a forger who knows the file format could still make a file that passes."""
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
    """What stands for a vehicle identification number where it is not stored: 4 hexadecimal digits.

    Enough to tell two cars apart (once in 65,536 it does not), far too little to find out which car it was."""
    return hashlib.sha256(vin.encode("utf-8")).hexdigest()[:4]
