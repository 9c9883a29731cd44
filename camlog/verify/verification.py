"""Proof of repair: a list of gates. A repair is verified only if every gate is passed or not applicable."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from typing import Any

from camlog.analysis.changes import Change, changes_between
from camlog.analysis.findings import Findings
from camlog.cautions import DRIVE, caution
from camlog.codes.trouble import parse_code
from camlog.drive import Drive
from camlog.errors import InputError
from camlog.numbers import finite
from camlog.verify.gate import FAILED, NOT_APPLICABLE, Case, Gate, messages, registered
from camlog.verify.memory import JOB_FAMILIES, family_or_none, memory_of

SCHEMA = "camlog.verification/1"
VERIFIED, NOT_YET, STILL_THERE = "verified", "not_verified_yet", "fault_still_there"
# The outcome if every check passes, but on recordings of a simulated adapter.
PROVES_NOTHING = "proves_nothing"
# If one of these failed, the results of the other gates mean nothing.
FOUNDATIONS = frozenset({"files", "same_vehicle", "order"})


@dataclass(frozen=True)
class Verification:
    """The result: `outcome` is "verified", "not_verified_yet", "fault_still_there" or "proves_nothing".
    `gates` are in the order of the page; `job` is the shop's own text; `before` is None if only the first drive's file
    was given, or nothing."""

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
        """The differences of the two drives' figures under conditions that both share; empty without a first trace."""
        return changes_between(self.before, self.after) if self.before is not None else ()

    @property
    def open_gates(self) -> tuple[Gate, ...]:
        return tuple(g for g in self.gates if g.is_open)

    @property
    def outcome_words(self) -> str:
        return messages(f"outcomes.{self.outcome}")

    @property
    def headline(self) -> str:
        return messages("verification.headline", outcome=self.outcome_words, reason=self.reason)

    @property
    def reason(self) -> str:
        if self.outcome == VERIFIED:
            left = sum(g.state == NOT_APPLICABLE for g in self.gates)
            name = "verification.all_passed_but" if left else "verification.all_passed"
            return messages(name, count=len(self.gates) - left, left=left)
        if self.outcome == PROVES_NOTHING:
            return messages("verification.simulated")
        if self.outcome == STILL_THERE:
            faults = [g for g in self.gates if g.shows_fault]
            # The cam's own behaviour is better evidence than the module's codes.
            return min(faults, key=lambda g: not g.name.startswith("cam_")).evidence
        open_gates = self.open_gates
        first = next((g for g in self.gates if g.state == FAILED), open_gates[0])
        name = "one_open" if len(open_gates) == 1 else "several_open"
        values = {"evidence": first.evidence, "count": len(open_gates), "total": len(self.gates)}
        return messages(f"verification.{name}", **values)

    @property
    def todo(self) -> tuple[str, ...]:
        """What to do next, without repeats, in the order of the gates; what no drive can show comes last."""
        if self.after.do_not_run:
            return (self.after.do_not_run[0], messages("verification.checks_first"))
        ordered = sorted(self.open_gates, key=lambda g: not g.answerable)
        return tuple(dict.fromkeys(g.todo for g in ordered if g.todo))

    @property
    def todo_caution(self) -> str:
        """The caution beside `todo`, if that asks for a drive; else empty."""
        return caution(DRIVE) if self.todo and not self.after.do_not_run else ""

    def to_dict(self) -> dict[str, Any]:
        """The JSON object `camlog.verification/1`."""
        from camlog import __version__

        has_before = self.before is not None or self.before_drive is not None
        return {
            "schema": SCHEMA, "version": __version__,
            "job": self.job, "outcome": self.outcome, "headline": self.headline,
            "after": _drive_dict(self.after, self.after.drive),
            "before": _drive_dict(self.before, self.before_drive) if has_before else None,
            "gates": [asdict(g) for g in self.gates],
            "do_not_run": list(self.after.do_not_run),
            "todo": list(self.todo), "todo_caution": self.todo_caution,
            "changes": [c.to_dict() for c in self.changes],
            "cautions": list(self.after.cautions),
        }  # fmt: skip


def verify(
    after: Findings, before: Findings | Drive | None = None, *, job: str = "", outside: Iterable[str] = ()
) -> Verification:
    """Whether the drive `after`, compared with `before`, proves the repair.

    `before` is the first drive's findings, or only its drive file (as saved by `camlog clear`), of which the codes and
    the freeze frame are used but no figures compared. Without it the conditions of the fault are unknown, and that gate
    stays open. `outside` are codes that the technician declares to have nothing to do with this job. Raises InputError
    if one of them is no code, or concerns cams, misfire or oil."""
    declared = frozenset(map(_outside, outside))
    first = before if isinstance(before, Findings) else None
    first_drive = before.drive if isinstance(before, Findings) else before
    end_s = float(after.trace.time_s[-1]) if len(after.trace.time_s) else 0.0
    # A first trace without a drive file gets an empty one, in which the codes are unknown.
    known = Drive() if first is not None and first_drive is None else first_drive
    case = Case(after, first, first_drive, memory_of(after.drive, end_s, known, declared))
    gates = tuple(gate for entry in registered() for gate in entry.gates(case))
    if after.do_not_run:
        gates = tuple(replace(g, todo="") for g in gates)  # because most of them ask for a drive
    return Verification(_outcome(gates, case.all_simulated), gates, job, after, first, first_drive)


def _outside(text: str) -> str:
    code = parse_code(text)
    if family_or_none(code) in JOB_FAMILIES:
        what, remedy = messages.several("verification.outside", code=code)
        raise InputError(what, remedy=remedy)
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


def _drive_dict(findings: Findings | None, drive: Drive | None) -> dict[str, Any]:
    vehicle: Mapping[str, Any] = drive.vehicle if drive is not None else {}
    trace = None if findings is None else findings.trace
    profile = None if findings is None else findings.profile
    return {
        "trace": trace and trace.name,
        "trace_sha256": (trace and trace.sha256) or None,
        "started_at": drive.started_at if drive is not None else None,
        "duration_s": None if trace is None else round(trace.duration_s, 3),
        "vehicle": vehicle.get("name"),
        "vin_hash": vehicle.get("vin_hash"),
        "profile": None if profile is None else {"name": profile.name, "sha256": profile.sha256},
        "cams": {} if findings is None else {cam: c.verdict.condition for cam, c in findings.cams.items()},
        "misfire_per_1000_rev": None if findings is None else finite(findings.misfire.rate.value),
    }
