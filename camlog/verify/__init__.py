"""Proof of repair: gates over the drive after the repair, set against the drive before it."""

from camlog.verify.gate import Gate
from camlog.verify.verification import Verification, verify

__all__ = ["Gate", "Verification", "verify"]
