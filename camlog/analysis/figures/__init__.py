"""Every figure of a cam, declared once in `figures.toml`: what it is called, in which unit, how it is
measured, which question it speaks to, the limit it is read against, how much data it needs and how it is
worded.

Verdict, causes, tables, charts, comparison, proof and live page read this registry; nothing else pairs a
figure with a limit. A figure that judges is read as a multiple of its limit: the evidence table
(`verdict/evidence.json`) says how much each multiple speaks for and against each condition.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from importlib import import_module, resources
from typing import Any

from camlog.analysis.figures.figure import CONDITIONS, FAULTS, Figure, Measure, Measured, Question, View, view
from camlog.limits import Limit
from camlog.oil_windows import OilWindow

__all__ = [
    "BY_NAME", "CONDITIONS", "FAULTS", "FIGURES", "QUESTIONS", "Figure", "Measured", "Question", "View",
    "limit_of", "view",
]  # fmt: skip


def _measure(function: str, *arguments: str) -> Measure:
    """The function `module.function` of this package (without a module: of `measures`) with its arguments but
    the view."""
    module, _, name = function.rpartition(".")
    measure = getattr(import_module(f"{__name__}.{module or 'measures'}"), name)
    return lambda seen: measure(seen, *arguments)


def _figure(name: str, row: Mapping[str, Any]) -> Figure:
    speaks_for = tuple(row.get("speaks_for", ()))
    return Figure(name, **{**row, "measure": _measure(*row["measure"]), "speaks_for": speaks_for})


_DECLARED = tomllib.loads(resources.files(__name__).joinpath("figures.toml").read_text("utf-8"))
QUESTIONS: Mapping[str, Question] = {
    name: Question(name, row["title"], tuple(row["faults"]), tuple(row["needs"]))
    for name, row in _DECLARED["question"].items()
}
# In the order of the questions; of one group the first that was measured counts.
FIGURES: tuple[Figure, ...] = tuple(_figure(name, row) for name, row in _DECLARED["figure"].items())
BY_NAME: Mapping[str, Figure] = {f.name: f for f in FIGURES}


def limit_of(name: str, limits: Mapping[str, Limit], window: OilWindow | None = None) -> Limit:
    """The limit that judges the figure of that name in an oil window. Raises KeyError where none does."""
    return BY_NAME[name].judged_by(limits, window)
