"""Gates on the files: the same car, the right order, and nothing changed since they were recorded."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from camlog.analysis.findings import Findings
from camlog.drive import Drive, vin_hash
from camlog.profile import VehicleProfile
from camlog.trace import Trace
from camlog.verify.gate import Gate, GateMaker


def pair_gates(after: Findings, before: Findings | None, before_drive: Drive | None) -> list[Gate]:
    """Whether the files are as recorded and, with a first drive, belong together."""
    gates = [_files(after, before, before_drive)]
    if before_drive is not None or before is not None:
        gates.append(_same_vehicle(after, before, before_drive))
        gates.append(_order(after, before, before_drive))
    return gates


def _files(after: Findings, before: Findings | None, before_drive: Drive | None) -> Gate:
    make = GateMaker("files", "Files as recorded")
    checks = [("The second drive", after.drive, after.trace)]
    if before is not None or before_drive is not None:
        checks.append(("The first drive", before_drive, before.trace if before is not None else None))
    states = [(who, *_file_state(drive, trace)) for who, drive, trace in checks]
    broken = [f"{who}: {words}" for who, ok, words in states if ok is False]
    if broken:
        return make.failed(" ".join(broken), "Use the files as they were recorded, or record again.")
    unknown = [f"{who}: {words}" for who, ok, words in states if ok is None]
    if unknown:
        return make.not_shown(
            " ".join(unknown), "Record with camlog, and keep each recording and its drive file together."
        )
    return make.passed(
        "The hashes in the drive files match what lies there: nothing was changed after the recording."
    )


def _file_state(drive: Drive | None, trace: Trace | None) -> tuple[bool | None, str]:
    """True, False or None where it cannot be told, and why."""
    if drive is None:
        return None, "there is no drive file beside the recording."
    if drive.intact is False:
        return False, "its drive file was changed after the recording."
    if trace is not None and drive.trace_sha256 and trace.sha256 and drive.trace_sha256 != trace.sha256:
        return False, "its recording is not the one the drive file was written for."
    if drive.intact is None:
        return None, "its drive file carries no seal, so a change would not show."
    if trace is not None and not (drive.trace_sha256 and trace.sha256):
        return None, "the drive file does not hold the recording's hash: the recording was not ended."
    return True, ""


def _same_vehicle(after: Findings, before: Findings | None, before_drive: Drive | None) -> Gate:
    make = GateMaker("same_vehicle", "Same car")
    first, second = _vehicle(before_drive), _vehicle(after.drive)
    numbers = [_number(v) for v in (first, second)]
    if None not in numbers and numbers[0] != numbers[1]:
        return make.failed(
            "The two drives hold different vehicle identification numbers.", "Choose two drives of one car."
        )
    profiles = [_profile(first, before.profile if before else None), _profile(second, after.profile)]
    if None not in profiles and profiles[0] != profiles[1]:
        return make.failed(
            "The two drives were made with different vehicle profiles, so their angles may differ.",
            "Record and analyze both with the same profile.",
        )
    if None in numbers:
        which = " and ".join(w for w, n in zip(("first", "second"), numbers, strict=True) if n is None)
        return make.not_shown(
            f"The {which} drive holds no vehicle identification number, so nobody can tell whether it is "
            "the same car.",
            "Record with camlog on a car that tells its number (service 09); else see to it yourself.",
            answerable=False,
        )
    return make.passed("Both drives hold the same vehicle identification number.")


def _vehicle(drive: Drive | None) -> Mapping:
    return drive.vehicle if drive is not None else {}


def _number(vehicle: Mapping) -> str | None:
    if vehicle.get("vin_hash"):
        return str(vehicle["vin_hash"])
    return vin_hash(vehicle["vin"]) if vehicle.get("vin") else None


def _profile(vehicle: Mapping, used: VehicleProfile | None) -> str | None:
    return (
        str(vehicle["profile_sha256"])
        if vehicle.get("profile_sha256")
        else (used.sha256 or None if used else None)
    )


def _order(after: Findings, before: Findings | None, before_drive: Drive | None) -> Gate:
    make = GateMaker("order", "Later than the first drive")
    first, second = _begun(before_drive), _begun(after.drive)
    if first is None or second is None:
        return make.not_shown(
            "Not both drives tell when they were made.", "Keep each recording and its drive file together."
        )
    end = first + timedelta(seconds=before.trace.duration_s if before is not None else 0.0)
    words = f"First drive from {first:%Y-%m-%d %H:%M}, second from {second:%Y-%m-%d %H:%M}."
    if second < end:
        return make.failed(words, "Give the drive after the repair first, the one before it with --before.")
    return make.passed(words)


def _begun(drive: Drive | None) -> datetime | None:
    return datetime.fromisoformat(drive.started_at) if drive is not None and drive.started_at else None
