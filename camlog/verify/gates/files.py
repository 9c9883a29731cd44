"""The files: recorded on one vehicle with one profile, in the right order, unchanged, and with a fault before."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any

from camlog.analysis.figures import FAULTS
from camlog.cams import cam_words
from camlog.drive import Drive
from camlog.limits import LIMITS, limits_for
from camlog.report.words import condition_word
from camlog.trust import Trust, trust, vin_hash
from camlog.verify.gate import FAILED, FIRST_DRIVE, Case, Outcome, failed, gate, messages, not_shown, passed
from camlog.verify.gates.misfire import judge_misfires

HASH_DIGITS = 8  # of a profile's hash, to tell two apart on paper


@gate(150, "files")
def files(case: Case) -> Outcome:
    """The files are as they were recorded."""
    trusted = [("second", trust(case.after.drive, case.after.trace.sha256))]
    if case.has_before:
        sha256 = case.before.trace.sha256 if case.before is not None else None
        trusted.append(("first", trust(case.before_drive, sha256, codes_alone=case.before is None)))
    if changed := _doubts(trusted, False):
        return failed("changed", why=changed)
    if unknown := _doubts(trusted, None):
        return not_shown("unknown", why=unknown)
    return passed("match")


def _doubts(trusted: list[tuple[str, Trust]], as_recorded: bool | None) -> str:
    """Why the files of these drives are in this state (`as_recorded` False: changed, None: unknown)."""
    doubted = [(which, " ".join(t.reasons)) for which, t in trusted if t.as_recorded is as_recorded]
    return " ".join(messages("files.why", which=which, reasons=reasons) for which, reasons in doubted)


@gate(160, "on_a_vehicle")
def on_a_vehicle(case: Case) -> Outcome:
    """No drive came from a simulated or an unnamed adapter."""
    simulated = [which for which, d in case.drives if d is not None and d.is_simulated]
    unknown = [which for which, d in case.drives if d is None or not d.adapter.get("name")]
    if simulated:
        return not_shown("simulated", which=" and ".join(simulated))
    return not_shown("unknown", which=" and ".join(unknown)) if unknown else passed("vehicle")


@gate(170, "profile")
def profile(case: Case) -> Outcome:
    """Both drives were judged with the same profile and no wider limits, because others prove something else."""
    used, none = case.after.profile, messages("profile_words.none")
    overridden = [
        messages("profile_words.limit", name=name, value=limit.value, unit=limit.unit, own=LIMITS[name].value)
        for name, limit in sorted(case.after.limits.items())
        if limit.from_profile
    ]
    limits = "; ".join(overridden) or none
    if differs := list(_other_profile(case)):
        return not_shown("differs", why=" ".join(differs), limits=limits)
    return passed("same", name=used.name if used else none, hash=_short(used.sha256) if used else "", limits=limits)


def _other_profile(case: Case) -> Iterator[str]:
    used = case.after.profile
    for which, drive in case.drives:
        sha256 = _vehicle(drive).get("profile_sha256")
        if not sha256:
            # `camlog clear` reads and saves codes without a profile.
            if which == "second" or case.before is not None:
                yield messages("profile_words.not_told", which=which)
        elif used is None:
            yield messages("profile_words.none_in_use", which=which, theirs=_short(sha256))
        elif sha256 != used.sha256:
            theirs, ours = _short(sha256), _short(used.sha256)
            yield messages("profile_words.another", which=which, theirs=theirs, name=used.name, ours=ours)
    judged_by = [_values(f.limits) for f in (case.after, case.before) if f is not None]
    names = [n for n, value in _values(limits_for(used)).items() if any(j.get(n) != value for j in judged_by)]
    if names:
        yield messages("profile_words.other_limits", names=", ".join(sorted(names)))


def _values(limits: Mapping[str, Any]) -> dict[str, float]:
    return {name: limit.value for name, limit in limits.items()}


def _short(sha256: object) -> str:
    return str(sha256)[:HASH_DIGITS]


@gate(180, "same_vehicle", needs=FIRST_DRIVE)
def same_vehicle(case: Case) -> Outcome:
    """Both drives have the same vehicle identification number."""
    numbers = {which: _number(_vehicle(d)) for which, d in case.drives}
    unknown = [which for which, number in numbers.items() if number is None]
    if unknown:
        return not_shown("unknown", answerable=False, which=" and ".join(unknown))
    return passed("same") if len(set(numbers.values())) == 1 else failed("different")


def _vehicle(drive: Drive | None) -> Mapping[str, Any]:
    return drive.vehicle if drive is not None else {}


def _number(vehicle: Mapping[str, Any]) -> str | None:
    if vehicle.get("vin_hash"):
        return str(vehicle["vin_hash"])
    return vin_hash(vehicle["vin"]) if vehicle.get("vin") else None


@gate(190, "order", needs=FIRST_DRIVE)
def order(case: Case) -> Outcome:
    """The second drive began after the end of the first."""
    began = (d.started_at if d is not None else None for _, d in case.drives)
    first, second = (datetime.fromisoformat(time) if time else None for time in began)
    if first is None or second is None:
        return not_shown("unknown")
    end = first + timedelta(seconds=case.before.trace.duration_s if case.before is not None else 0.0)
    outcome, name = (failed, "earlier") if second < end else (passed, "later")
    return outcome(name, first=first, second=second)


@gate(200, "fault_shown", needs=FIRST_DRIVE)
def fault_shown(case: Case) -> Outcome:
    """The first drive shows a fault; without one there is no repair to prove."""
    memory, before = case.memory, case.before
    codes = sorted(filter(memory.in_question, memory.codes_before))
    faults = [messages("fault_words.code", code=c) for c in codes]
    if before is not None:
        faults += [
            messages("fault_words.cam", cam=cam_words(c.cam), condition=condition_word(c.verdict).lower())
            for c in before.cams.values()
            if c.verdict.condition in FAULTS
        ]
        if judge_misfires(before).state == FAILED:
            faults.append(messages("fault_words.misfires"))
    return passed("shown", faults=", ".join(faults)) if faults else not_shown("nothing")
