"""The page that is handed over: one printed side with every gate, what changed, hashes, room to sign."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from camlog.errors import InputError
from camlog.page import render_page, write_page
from camlog.trust import simulated_words
from camlog.verify.changes import Change
from camlog.verify.verification import OUTCOME_WORDS, STILL_THERE, VERIFIED, Verification

STATE_WORDS = {
    "passed": "passed", "failed": "failed", "not_shown": "not yet shown", "not_applicable": "not applicable",
}  # fmt: skip
OUTCOME_CLASS = {VERIFIED: "good", STILL_THERE: "bad"}
MAX_CHANGES = 6  # on one printed side; the JSON holds them all


def verification_page(found: Verification) -> str:
    """The page as one HTML text."""
    said = found.to_dict()
    return render_page(
        "verification.html",
        simulated=simulated_words(found.before_drive, found.after.drive),
        outcome=OUTCOME_WORDS[found.outcome],
        reason=found.reason[:1].upper() + found.reason[1:],
        outcome_class=OUTCOME_CLASS.get(found.outcome, "unknown"),
        found=said,
        gates=[_gate(g) for g in said["gates"]],
        passed=sum(g["state"] == "passed" for g in said["gates"]),
        drives=[
            _drive(name, said[key])
            for name, key in (("After the repair", "after"), ("Before", "before"))
            if said[key]
        ],
        changes=[_change(c) for c in chosen_changes(found)],
        compared=len(found.changes),
    )


def write_verification(found: Verification, path: str | Path, *, replace: bool = True) -> None:
    """Write `NAME.verification.html`, whole or not at all. Raises InputError where the disk refuses, or one is there
    and `replace` is not set."""
    try:
        write_page(verification_page(found), path, replace=replace)
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})", file=path, remedy="Choose another folder with --out."
        ) from error


def chosen_changes(found: Verification) -> list[Change]:
    """The changes worth a line on paper: those beyond chance that matter, the surest first."""
    told = [c for c in found.changes if c.beyond_chance and not c.small]
    return sorted(told, key=lambda c: c.p_value)[:MAX_CHANGES]


def _gate(gate: dict[str, Any]) -> dict[str, Any]:
    return gate | {"words": STATE_WORDS[gate["state"]] if gate["answerable"] else "this car cannot show it"}


def _drive(title: str, drive: dict[str, Any]) -> dict[str, Any]:
    seconds = drive["duration_s"]
    began = (drive["started_at"] or "").replace("T", " ")[:16]
    return {
        "title": title,
        "trace": drive["trace"] or "codes only",
        "began": began or "time not known",
        "minutes": None if seconds is None else f"{seconds / 60:.0f} min",
        "sha256": drive["trace_sha256"] or "not known",
        "vin_hash": drive["vin_hash"] or "not known",
        "vehicle": drive["vehicle"] or "",
    }


def _change(change: Change) -> dict[str, Any]:
    return {"sentence": change.sentence, "shared": change.figure.shared}
