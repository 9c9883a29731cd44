"""The page for the customer: the verdict, every gate, the drives before and after, hashes, and room to sign."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from camlog.analysis.changes import Change
from camlog.messages import capital
from camlog.new_files import OTHER_FOLDER, refusals
from camlog.page import render_page, write_page
from camlog.report.strip import strip_view
from camlog.trust import simulated_words
from camlog.verify.verification import STILL_THERE, VERIFIED, Verification

OUTCOME_CLASS = {VERIFIED: "good", STILL_THERE: "bad"}
DRIVES = {"Before": "before", "After the repair": "after"}
MAX_CHANGES = 6  # on one printed side; the JSON has them all


def verification_page(proof: Verification) -> str:
    as_json = proof.to_dict()
    return render_page(
        "verification.html",
        simulated=simulated_words(proof.before_drive, proof.after.drive),
        outcome=proof.outcome_words,
        reason=capital(proof.reason),
        outcome_class=OUTCOME_CLASS.get(proof.outcome, "unknown"),
        found=as_json,
        gates=proof.gates,
        drives=[(title, as_json[key]) for title, key in DRIVES.items() if as_json[key]],
        counts=list(Counter(g.words for g in proof.gates).items()),
        changes=chosen_changes(proof),
        compared=len(proof.changes),
        strips=[(title, strip_view(f)) for title, f in zip(DRIVES, (proof.before, proof.after), strict=True) if f],
    )


def write_verification(proof: Verification, path: str | Path, *, replace: bool = True) -> None:
    """Write `NAME.verification.html`, whole or not at all. Raises InputError if the disk fails, or if the file exists
    and `replace` is not set."""
    with refusals(path, OTHER_FOLDER):
        write_page(verification_page(proof), path, replace=replace)


def chosen_changes(proof: Verification) -> list[Change]:
    """The changes shown on paper: those that matter and are beyond chance, the surest first."""
    mattering = [c for c in proof.changes if c.beyond_chance and not c.small]
    return sorted(mattering, key=lambda c: c.p_value or 0.0)[:MAX_CHANGES]
