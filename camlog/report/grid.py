"""Behaviour by oil temperature: a question a row, an oil window a column, each cell a figure beside its limit.

Only figures that were weighed are shown: of each question the one measured in most oil windows, in each of them; in the
last column the one over the whole drive that speaks most for the answer being "no".
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from camlog.analysis.figures import QUESTIONS
from camlog.analysis.findings import Findings
from camlog.cams import title as cam_title
from camlog.oil_windows import OilWindow
from camlog.report.figures_table import Row, rows
from camlog.report.summary import cams_in_order
from camlog.report.weighing import question
from camlog.report.words import say, state_of

MOST_TIMES = 2.0  # the limit, that a bar has room for; the limit itself stands in its middle


@dataclass(frozen=True)
class Cell:
    """One cell: the row of the table it shows, or `words` for why there is none. Bars are percent of the cell's width."""

    row: Row | None = None
    words: str = ""

    def _at(self, value: float | None) -> float:
        limit = self.row.limit.value if self.row and self.row.limit else 0.0
        times = abs(value or 0.0) / limit if limit else 0.0
        return 100.0 * min(times, MOST_TIMES) / MOST_TIMES

    @property
    def bar(self) -> float:
        e = self.row.figure
        return self._at(e.value if e.value is not None else e.low)

    @property
    def interval(self) -> tuple[float, float] | None:
        """Where the line of the interval begins, and how long it is."""
        ends = self.row.figure.interval if self.row.figure else None
        if ends is None:
            return None
        low, high = sorted(map(self._at, ends))
        low = 0.0 if ends[0] < 0.0 < ends[1] else low
        return low, max(high - low, 0.5)


def grids(findings: Findings, windows: Sequence[OilWindow]) -> list[dict[str, Any]]:
    """The grid of each cam."""
    return [_grid(findings, cam, windows) for cam in (c.cam for c in cams_in_order(findings))]


def _grid(findings: Findings, cam: str, windows: Sequence[OilWindow]) -> dict[str, Any]:
    verdict, driven = findings.cams[cam].verdict, _driven(findings, cam)
    says_no = {w.figure.name: w.says_no for w in verdict.evidence}
    judged = [r for r in rows(findings, cam) if r.key in says_no and r.state != "missing"]
    lines = []
    for name, asked in QUESTIONS.items():
        answer = verdict.questions[name]
        # A figure that did not weigh enough to make the answer "no" is not shown as if it had.
        of = [r for r in judged if r.group == asked.title and (answer.answer != "yes" or r.state != "beyond")]
        by_oil = [r for r in of if r.oil]
        shown = max(by_oil, key=lambda r: (sum(o.key == r.key for o in by_oil), _times(r))).key if by_oil else ""
        here = {w.label: max((r for r in by_oil if r.key == shown and r.oil == w.label), key=_times, default=None) for w in windows}
        whole = max((r for r in of if not r.oil), key=lambda r: says_no[r.key], default=None)
        lines.append({
            **question(name, answer), "figure": next((r.metric.partition(",")[0] for r in by_oil if r.key == shown), ""),
            "cells": [Cell(here[w.label], _why(w, driven, bool(by_oil))) for w in windows],
            "whole": Cell(whole, say("grid.not_measured")), "by_oil": bool(by_oil),
        })  # fmt: skip
    return {"cam": cam, "title": cam_title(cam), "state": state_of(verdict.condition), "columns": [w.label for w in windows], "lines": lines}


def _times(row: Row) -> float:
    """How many times its limit the figure is; beyond 1 it is bad."""
    value = row.figure.value if row.figure.value is not None else row.figure.low or 0.0
    times = abs(value) / row.limit.value if row.limit.value else 0.0
    return times if row.above else 1.0 / max(times, 1e-6)


def _driven(findings: Findings, cam: str) -> dict[str, float]:
    covered = findings.cams[cam].coverage
    return {} if covered is None else {w.window.label: w.seconds for w in covered.windows}


def _why(window: OilWindow, driven: dict[str, float], by_oil: bool) -> str:
    if driven.get(window.label, 0.0) < 1.0:
        return say("grid.not_driven")
    return say("grid.not_measured" if by_oil else "grid.see_whole")
