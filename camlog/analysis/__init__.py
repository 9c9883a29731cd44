"""Analysis: from a Trace to Findings. Nothing here reads or writes files, or knows an adapter."""

from camlog.analysis.analyze import analyze

__all__ = ["analyze"]
