"""Proof of repair: gates on the drive after the repair, compared with the drive before it."""

from camlog.verify.gate import Gate
from camlog.verify.verification import Verification, verify

__all__ = ["Gate", "Verification", "verify"]
