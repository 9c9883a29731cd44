"""A gate: one thing that must be shown before a repair counts as proven."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

PASSED, FAILED, NOT_SHOWN, NOT_APPLICABLE = "passed", "failed", "not_shown", "not_applicable"


@dataclass(frozen=True, slots=True)
class Gate:
    """One gate with its evidence.

    `state` is "passed", "failed", "not_shown", or "not_applicable" where the car gave nothing to hold the drive
    against, which is known from evidence and never from missing evidence; `evidence` says what the files hold,
    `todo` the shortest thing to do where the gate is open. `answerable` is False where this car cannot give the answer at
    all: such a gate never passes, and the technician must judge it by other means. `shows_fault` marks a
    failed gate whose evidence is the fault itself, not a flaw of the proof.
    """

    name: str
    title: str
    state: str
    evidence: str
    todo: str = ""
    answerable: bool = True
    shows_fault: bool = False

    @property
    def is_open(self) -> bool:
        """True where the gate keeps a repair from being verified."""
        return self.state not in (PASSED, NOT_APPLICABLE)

    def to_dict(self) -> dict[str, Any]:
        return {
            "name": self.name, "title": self.title, "state": self.state, "evidence": self.evidence,
            "todo": self.todo, "answerable": self.answerable, "shows_fault": self.shows_fault,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class GateMaker:
    """Makes the gate of one name and title in any of its states."""

    name: str
    title: str

    def passed(self, evidence: str) -> Gate:
        return Gate(self.name, self.title, PASSED, evidence)

    def not_applicable(self, evidence: str) -> Gate:
        return Gate(self.name, self.title, NOT_APPLICABLE, evidence)

    def failed(self, evidence: str, todo: str, *, fault: bool = False) -> Gate:
        return Gate(self.name, self.title, FAILED, evidence, todo, shows_fault=fault)

    def not_shown(self, evidence: str, todo: str, *, answerable: bool = True) -> Gate:
        return Gate(self.name, self.title, NOT_SHOWN, evidence, todo, answerable)
