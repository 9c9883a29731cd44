"""Compare two drives: the figures that both give under conditions that both share, and how each changed."""

from __future__ import annotations

from camlog.analysis.changes.cams import cam_figures
from camlog.analysis.changes.change import Change, change_of, corrected
from camlog.analysis.changes.misfires import misfire_figures
from camlog.analysis.findings import Findings


def changes_between(before: Findings, after: Findings) -> tuple[Change, ...]:
    """The change of every figure that both drives give under shared conditions: cams by oil window, then misfires."""
    figures = [f for cam in after.cams if cam in before.cams for f in cam_figures(cam, before, after)]
    return corrected([change_of(f) for f in (*figures, *misfire_figures(before, after))])
