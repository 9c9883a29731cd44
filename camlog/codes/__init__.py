"""Trouble codes, monitor results and readiness: from bytes to their meaning."""
