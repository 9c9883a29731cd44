"""Proof of repair: a list of gates, and verified only where every one of them passed or is not applicable."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from camlog.analysis.findings import Findings
from camlog.cautions import DRIVE, caution
from camlog.codes.trouble import parse_code
from camlog.drive import Drive
from camlog.errors import InputError
from camlog.trace import Trace
from camlog.verify.cam_gates import cam_gates
from camlog.verify.changes import Change, changes_between
from camlog.verify.code_gates import code_gates
from camlog.verify.drive_gates import drive_gates
from camlog.verify.gate import FAILED, NOT_APPLICABLE, Gate, GateMaker
from camlog.verify.memory import JOB_FAMILIES, family_or_none, memory_of
from camlog.verify.misfire_gate import misfire_gate
from camlog.verify.monitor_gates import monitor_gates
from camlog.verify.pair_gates import all_simulated, pair_gates

SCHEMA = "camlog.verification/1"
VERIFIED, NOT_YET, STILL_THERE = "verified", "not_verified_yet", "fault_still_there"
# Every check passes, but on recordings of a simulated adapter.
PROVES_NOTHING = "proves_nothing"
OUTCOME_WORDS = {
    VERIFIED: "Verified",
    NOT_YET: "Not verified yet",
    STILL_THERE: "The fault is still there",
    PROVES_NOTHING: "Proves nothing",
}
# Where one of these failed nobody knows what the other gates are about.
FOUNDATIONS = frozenset({"files", "same_vehicle", "order"})
SPEED_HOLD_S = 5.0
CHECKS_DONE = "When the checks are done and what they show is repaired, record the drive that is to prove it."


@dataclass(frozen=True)
class Verification:
    """The answer: `outcome` is "verified", "not_verified_yet", "fault_still_there" or "proves_nothing".

    `gates` in the order a technician reads them; `job` is the shop's own text; `before` is None where only
    the first drive's file was given, or nothing.
    """

    outcome: str
    gates: tuple[Gate, ...]
    job: str
    after: Findings
    before: Findings | None = None
    before_drive: Drive | None = None

    @property
    def verified(self) -> bool:
        return self.outcome == VERIFIED

    @cached_property
    def changes(self) -> tuple[Change, ...]:
        """How the two drives' figures differ under conditions both share; empty without a first trace."""
        return changes_between(self.before, self.after) if self.before is not None else ()

    @property
    def open_gates(self) -> tuple[Gate, ...]:
        """The gates that keep the repair from being verified."""
        return tuple(g for g in self.gates if g.is_open)

    @property
    def headline(self) -> str:
        """The outcome with its reason."""
        return f"{OUTCOME_WORDS[self.outcome]}: {self.reason}"

    @property
    def reason(self) -> str:
        """Why, in a sentence or two."""
        if self.outcome == VERIFIED:
            left = sum(g.state == NOT_APPLICABLE for g in self.gates)
            return f"all {len(self.gates) - left} checks passed" + (f"; {left} is not applicable." if left else ".")
        if self.outcome == PROVES_NOTHING:
            return "all other checks pass, on simulated recordings; nothing here was read from a vehicle."
        if self.outcome == STILL_THERE:
            faults = [g for g in self.gates if g.shows_fault]
            # What the cam does says more than what the module noted of it.
            return min(faults, key=lambda g: not g.name.startswith("cam_")).evidence
        count = len(self.open_gates)
        first = next((g for g in self.gates if g.state == FAILED), self.open_gates[0])
        more = "" if count == 1 else f" {count} checks of {len(self.gates)} are open."
        return f"{first.evidence}{more}"

    @property
    def todo(self) -> tuple[str, ...]:
        """What to do next, each once, in the order of the gates; what no drive can show comes last."""
        if self.after.do_not_run:
            return (self.after.do_not_run[0], CHECKS_DONE)
        ordered = sorted(self.open_gates, key=lambda g: not g.answerable)
        return tuple(dict.fromkeys(g.todo for g in ordered if g.todo))

    @property
    def todo_caution(self) -> str:
        """What stands beside `todo`, which may ask for a drive; empty where nothing is to do, or nothing to be driven."""
        return caution(DRIVE) if self.todo and not self.after.do_not_run else ""

    def to_dict(self) -> dict[str, Any]:
        """The JSON object `camlog.verification/1`."""
        from camlog import __version__

        return {
            "schema": SCHEMA,
            "version": __version__,
            "job": self.job,
            "outcome": self.outcome,
            "headline": self.headline,
            "after": _drive_dict(self.after, self.after.drive),
            "before": None
            if self.before is None and self.before_drive is None
            else _drive_dict(self.before, self.before_drive),
            "gates": [g.to_dict() for g in self.gates],
            "do_not_run": list(self.after.do_not_run),
            "todo": list(self.todo),
            "todo_caution": self.todo_caution,
            "changes": [c.to_dict() for c in self.changes],
            "cautions": list(self.after.cautions),
        }

    def to_json(self) -> str:
        return json.dumps(self.to_dict(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def verify(
    after: Findings,
    before: Findings | Drive | None = None,
    *,
    job: str = "",
    outside: Iterable[str] = (),
) -> Verification:
    """Is the repair proven by the drive `after`, set against `before`?

    `before` is the first drive's findings, or only its drive file (what `camlog clear` saved): then its codes
    and freeze frame count, and nothing is compared. Without it the conditions of the fault are unknown, and
    that gate stays open. `outside` names codes the technician declares to have nothing to do with this job.

    Raises InputError where `outside` names what is no code, or a code that bears on cams, misfire or oil.
    """
    declared = frozenset(map(_outside, outside))
    first = before if isinstance(before, Findings) else None
    first_drive = first.drive if first is not None else before
    end_s = float(after.trace.time_s[-1]) if len(after.trace.time_s) else 0.0
    memory = memory_of(after.drive, end_s, _known(first, first_drive), declared)
    gates: tuple[Gate, ...] = (
        _fit_to_run(after),
        *code_gates(memory, after.conditions, driven_km(after.trace)),
        *monitor_gates(memory),
        *drive_gates(after, memory),
        *cam_gates(after, first),
        misfire_gate(after),
        *pair_gates(after, first, first_drive, memory),
    )
    if after.do_not_run:
        gates = tuple(replace(g, todo="") for g in gates)  # most of them ask for a drive
    simulated = all_simulated(after, first, first_drive)
    return Verification(_outcome(gates, simulated), gates, job, after, first, first_drive)


def _fit_to_run(after: Findings) -> Gate:
    make = GateMaker("fit_to_run", "Engine may be run")
    if after.do_not_run:
        return make.failed(after.do_not_run[1], after.do_not_run[0], fault=True)
    unread = "" if len(after.trace.samples("oil_pressure")[0]) else " Oil pressure was not recorded."
    return make.passed(f"Nothing in this drive says that the engine may not be run.{unread}")


def _known(first: Findings | None, drive: Drive | None) -> Drive | None:
    """The first drive's file; an empty one, whose codes are unknown, where there is only a trace."""
    return Drive() if drive is None and first is not None else drive


def _outside(text: str) -> str:
    code = parse_code(text)
    if family_or_none(code) in JOB_FAMILIES:
        raise InputError(
            f"{code} bears on cams, misfire or oil, so it cannot be declared outside this job",
            remedy="Leave it out, and repair what set it.",
        )
    return code


def _outcome(gates: tuple[Gate, ...], simulated: bool) -> str:
    still_open = {g.name for g in gates if g.is_open}
    if not still_open:
        return VERIFIED
    if simulated and still_open == {"on_a_vehicle"}:
        return PROVES_NOTHING
    if any(g.state == FAILED and g.name in FOUNDATIONS for g in gates):
        return NOT_YET
    return STILL_THERE if any(g.shows_fault for g in gates) else NOT_YET


def driven_km(trace: Trace) -> float | None:
    """Distance of a drive, km, by trapezoids over its road speed; None where that was never read."""
    t, speed = trace.samples("vehicle_speed")
    if len(t) < 2:
        return None
    steps = np.diff(t)
    known = steps <= SPEED_HOLD_S
    return float(np.sum(np.where(known, steps * (speed[1:] + speed[:-1]) / 2.0, 0.0)) / 3600.0)


def _drive_dict(findings: Findings | None, drive: Drive | None) -> dict[str, Any]:
    vehicle: Mapping[str, Any] = drive.vehicle if drive is not None else {}
    return {
        "trace": None if findings is None else findings.trace.name,
        "trace_sha256": None if findings is None else findings.trace.sha256 or None,
        "started_at": drive.started_at if drive is not None else None,
        "duration_s": None if findings is None else round(findings.trace.duration_s, 3),
        "vehicle": vehicle.get("name"),
        "vin_hash": vehicle.get("vin_hash"),
        "profile": None
        if findings is None or findings.profile is None
        else {"name": findings.profile.name, "sha256": findings.profile.sha256},
        "cams": {} if findings is None else {cam: c.verdict.condition for cam, c in findings.cams.items()},
        "misfire_per_1000_rev": None if findings is None else _finite(findings.misfire.rate.value),
    }


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else value
