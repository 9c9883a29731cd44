"""Trouble codes, monitor results and readiness: from bytes to what they mean."""
