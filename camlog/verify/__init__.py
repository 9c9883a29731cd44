"""Proof of repair: gates over the drive after the repair, set against the drive before it."""

from camlog.verify.changes import Change
from camlog.verify.gate import Gate
from camlog.verify.verification import OUTCOME_WORDS, Verification, verify

__all__ = ["OUTCOME_WORDS", "Change", "Gate", "Verification", "verify"]
