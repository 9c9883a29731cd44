"""Gates on the files: of one vehicle and profile, in the right order, unchanged since a vehicle gave them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from camlog.analysis.findings import Findings
from camlog.cams import cam_words
from camlog.drive import Drive
from camlog.limits import LIMITS, PROFILE_SOURCE, limits_for
from camlog.trust import trust, vin_hash
from camlog.verify.gate import FAILED, Gate, GateMaker
from camlog.verify.memory import Memory
from camlog.verify.misfire_gate import misfire_gate

SAME_PROFILE = "Record both drives, and verify, with the vehicle profile that holds the vehicle's service limits, unchanged."
HASH_DIGITS = 8  # of a profile's hash, to tell two apart on paper
NO_FAULT = ("healthy", "insufficient_data")


def pair_gates(
    after: Findings, before: Findings | None, before_drive: Drive | None, memory: Memory
) -> list[Gate]:
    """Whether the files are a vehicle's and as recorded and, with a first drive, belong together."""
    gates = [
        _files(after, before, before_drive),
        _on_a_vehicle(after, before, before_drive),
        _profile(after, before, before_drive),
    ]
    if before_drive is not None or before is not None:
        gates.append(_same_vehicle(after, before_drive))
        gates.append(_order(after, before, before_drive))
        gates.append(_fault_shown(before, memory))
    return gates


def _drives(after: Findings, before: Findings | None, before_drive: Drive | None) -> list[tuple[str, Drive | None]]:
    """The drives in question, each with its name in a sentence."""
    first = [("first", before_drive)] if before is not None or before_drive is not None else []
    return [*first, ("second", after.drive)]


def all_simulated(after: Findings, before: Findings | None, before_drive: Drive | None) -> bool:
    """True where no drive in question was recorded on a vehicle."""
    return all(d is not None and d.is_simulated for _, d in _drives(after, before, before_drive))


def _on_a_vehicle(after: Findings, before: Findings | None, before_drive: Drive | None) -> Gate:
    make = GateMaker("on_a_vehicle", "Recorded on a vehicle")
    drives = _drives(after, before, before_drive)
    simulated = [which for which, d in drives if d is not None and d.is_simulated]
    if simulated:
        return make.not_shown(
            f"The {' and '.join(simulated)} drive came from a simulated adapter: nothing in it was read from a vehicle.",
            "Record on the vehicle.",
        )
    unknown = [which for which, d in drives if d is None or not d.adapter.get("name")]
    if unknown:
        return make.not_shown(
            f"The {' and '.join(unknown)} drive does not say through which adapter it was recorded.",
            "Record with camlog on the vehicle, and keep each recording and its drive file together.",
        )
    return make.passed("No drive file names a simulated adapter.")


def _fault_shown(before: Findings | None, memory: Memory) -> Gate:
    """A drive without any fault, set before a healthy one, would prove a repair of nothing."""
    make = GateMaker("fault_shown", "Fault in the first drive")
    codes = sorted(c for c in memory.codes_before if memory.in_question(c))
    cams = [] if before is None else [c for c in before.cams.values() if c.verdict.condition not in NO_FAULT]
    seen = [f"code {c}" for c in codes] + [f"{cam_words(c.cam)} {c.verdict.condition}" for c in cams]
    if before is not None and misfire_gate(before).state == FAILED:
        seen.append("misfires above the limit")
    if seen:
        return make.passed(f"The first drive shows what was repaired: {', '.join(seen)}.")
    return make.not_shown(
        "The first drive shows no code of the job, no faulty cam and no misfires, so there is no fault to be gone.",
        "Give the drive that shows the fault, or the file that camlog clear saved, with --before.",
    )


def _files(after: Findings, before: Findings | None, before_drive: Drive | None) -> Gate:
    make = GateMaker("files", "Files as recorded")
    found = [("The second drive", trust(after.drive, after.trace.sha256))]
    if before is not None or before_drive is not None:
        trace_sha256 = before.trace.sha256 if before is not None else None
        found.append(("The first drive", trust(before_drive, trace_sha256, codes_alone=before is None)))
    broken = [f"{who}: {' '.join(t.reasons)}" for who, t in found if t.as_recorded is False]
    if broken:
        return make.failed(" ".join(broken), "Use the files as they were recorded, or record again.")
    unknown = [f"{who}: {' '.join(t.reasons)}" for who, t in found if t.as_recorded is None]
    if unknown:
        return make.not_shown(
            " ".join(unknown), "Record with camlog, and keep each recording and its drive file together."
        )
    return make.passed(
        "The files match what was recorded by camlog, by the hashes in the drive files. That shows a change made by "
        "hand; a forger could still make files that match."
    )


def _profile(after: Findings, before: Findings | None, before_drive: Drive | None) -> Gate:
    """Angles and limits are those of the profile: another one, or a loosened one, proves something else."""
    make = GateMaker("profile", "Vehicle profile as recorded")
    used = after.profile
    differs = []
    for which, drive in _drives(after, before, before_drive):
        sha256 = _vehicle(drive).get("profile_sha256")
        if not sha256:
            # The codes that camlog clear saved are read without a profile.
            if which == "second" or before is not None:
                differs.append(f"The {which} drive does not say with which profile it was recorded.")
        elif used is None:
            differs.append(f"The {which} drive was recorded with a profile ({_short(sha256)}), and none is in use.")
        elif sha256 != used.sha256:
            differs.append(
                f"The {which} drive was recorded with another profile ({_short(sha256)}) than the one in use "
                f"({used.name}, {_short(used.sha256)})."
            )
    values = {name: limit.value for name, limit in after.limits.items()}
    asked = {name: limit.value for name, limit in limits_for(used).items()}
    first = values if before is None else {name: limit.value for name, limit in before.limits.items()}
    if names := sorted({n for n in asked if not values.get(n) == asked[n] == first.get(n)}):
        differs.append(f"The drives were not judged by the limits of the profile in use ({', '.join(names)}).")
    overridden = [f"{n} {limit.value:g} {limit.unit} (camlog's own: {LIMITS[n].value:g})"
                  for n, limit in sorted(after.limits.items()) if limit.source == PROFILE_SOURCE]  # fmt: skip
    words = f"Limits that the profile in use overrides: {'; '.join(overridden) or 'none'}."
    if differs:
        return make.not_shown(" ".join([*differs, words]), SAME_PROFILE)
    return make.passed(f"Recorded with the profile in use ({used.name if used else 'none'}, "
                       f"{_short(used.sha256) if used else ''}). {words}")  # fmt: skip


def _short(sha256: object) -> str:
    return str(sha256)[:HASH_DIGITS]


def _same_vehicle(after: Findings, before_drive: Drive | None) -> Gate:
    make = GateMaker("same_vehicle", "Same car")
    first, second = _vehicle(before_drive), _vehicle(after.drive)
    numbers = [_number(v) for v in (first, second)]
    if None not in numbers and numbers[0] != numbers[1]:
        return make.failed(
            "The two drives hold different vehicle identification numbers.", "Choose two drives of one car."
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
