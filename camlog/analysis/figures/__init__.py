"""Every figure of a cam, declared once, in the module of the question it speaks to: what it is called, in which unit, how it is measured, which question it
speaks to, the limit it is read against, how much data it needs and how it is worded.

Verdict, causes, tables, charts, comparison, proof and live page read this registry; nothing else pairs a figure
with a limit. A figure that judges is read as a multiple of its limit: the evidence table (`verdict/evidence.json`)
says how much each multiple speaks for and against each condition.
"""

from __future__ import annotations

from collections.abc import Mapping

from camlog.analysis.figures import (
    follows,
    holds,
    in_time,
    moves,
    reading,
    rests,
    shown,
    smooth,
    starts_quietly,
)
from camlog.analysis.figures.figure import CONDITIONS, FAULTS, QUESTIONS, Figure, Measured, Question, View
from camlog.analysis.figures.measures import REFERENCE_STEP_DEG, fitted_t63, rest_offset
from camlog.limits import Limit
from camlog.oil_windows import OilWindow

__all__ = [
    "BY_NAME", "CONDITIONS", "FAULTS", "FIGURES", "QUESTIONS", "REFERENCE_STEP_DEG", "Figure", "Measured", "Question", "View",
    "fitted_t63", "limit_of", "rest_offset",
]  # fmt: skip

# In the order of the questions; of one group the first that was measured counts.
FIGURES: tuple[Figure, ...] = tuple(
    figure
    for room in (moves, follows, in_time, smooth, holds, rests, starts_quietly, reading, shown)
    for figure in room.FIGURES
)
BY_NAME: Mapping[str, Figure] = {f.name: f for f in FIGURES}


def limit_of(name: str, limits: Mapping[str, Limit], window: OilWindow | None = None) -> Limit:
    """The limit that judges the figure of that name in an oil window."""
    limit = BY_NAME[name].limit_in(limits, window)
    if limit is None:
        raise KeyError(f"no limit judges {name}")
    return limit
