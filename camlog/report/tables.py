"""The tables of a report: every figure with its limit, the grid by oil temperature, the evidence for and against.

The grid shows only weighed figures. For each question it has the figure that was measured in most oil windows, with its
value in each of them; the last column has the figure over the whole drive with the most evidence for "no".
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from camlog.analysis.estimate import Estimate
from camlog.analysis.figures import FIGURES, Figure, Measured, shown, view
from camlog.analysis.findings import Findings
from camlog.analysis.verdict.judge import WORTH_SAYING, Answer, Verdict
from camlog.cams import title as cam_title
from camlog.limits import Limit
from camlog.messages import capital
from camlog.numbers import interval, number, percent, with_unit
from camlog.oil_windows import OilWindow
from camlog.questions import QUESTIONS
from camlog.report.summary import cams_in_order
from camlog.report.words import CONDITION_WORDS, say, state_of, sureness

MOST_TIMES = 2.0  # the limit: the longest bar; the limit is in the middle
FULL_BAR = 4.0  # log odds that fill a bar: about fifty to one
MOST_BARS = 12
LEAST_PROBABILITY = 0.01
_STATES = {"yes": "good", "no": "bad", "cannot_tell": "unknown"}


@dataclass(frozen=True, slots=True)
class Row:
    """One metric. `figure` is in `unit`; `oil` is the window's label, empty for the whole drive.

    `size` means that the limit applies to the figure without its sign; `above` False, that small values are bad.
    `least` is the resolution of the readings in `unit`; smaller values are not shown.
    """

    group: str
    metric: str
    figure: Estimate
    unit: str
    limit: Limit | None = None
    oil: str = ""
    above: bool = True
    size: bool = False
    key: str = ""
    least: float = 0.0

    @property
    def state(self) -> str:
        """`within`, `beyond`, `unsure` (the interval spans the limit), `none` (no limit judges it) or `missing`."""
        low, value, high = self.figure.low, self.figure.value, self.figure.high
        if value is None and low is None and high is None:
            return "missing"
        if self.limit is None:
            return "none"
        if self.size and value is not None and value < 0:
            low, value, high = (None if e is None else -e for e in (high, value, low))
        limit = self.limit.value
        if value is None:  # a bound is judged only if it is on one side of the limit
            side = 1 if low is not None and low > limit else -1 if high is not None and high < limit else 0
            if not side:
                return "missing"
        elif low is not None and high is not None and low < high and low <= limit <= high:
            return "unsure"
        else:
            side = (value > limit) - (value < limit)
        return "beyond" if side == (1 if self.above else -1) else "within"

    @property
    def value_words(self) -> str:
        return shown(self.figure, self.unit, least=self.least)

    @property
    def interval(self) -> str:
        return interval(*self.figure.interval, self.unit) if self.figure and self.figure.interval else ""

    @property
    def limit_words(self) -> str:
        if self.limit is None:
            return ""
        kind = "within" if self.size else "at_most" if self.above else "at_least"
        return say(f"row.{kind}", value=with_unit(self.limit.value, self.unit))

    @property
    def source(self) -> str:
        return "" if self.limit is None else self.limit.source

    @property
    def state_words(self) -> str:
        return say(f"row.state.{self.state}")


def rows(findings: Findings, cam: str) -> tuple[Row, ...]:
    """All figures of a cam in the order of the registry, over the whole drive and by oil window."""
    cam_view = view({c: f.examination for c, f in findings.cams.items()}, cam)
    return tuple(row for figure in FIGURES for row in _rows(figure, figure.values(cam_view), findings.limits))


def _rows(figure: Figure, values: list[Measured], limits: Mapping[str, Limit]) -> Iterator[Row]:
    valid = [m for m in values if any(e is not None for e in (m.estimate.value, m.estimate.low, m.estimate.high))]
    group = QUESTIONS[figure.question].title if figure.question else say("row.further")
    # If nothing was measured, one row says why.
    for m in valid or values[:1]:
        oil = m.window.label if m.window is not None and valid else ""
        yield Row(group, _metric(figure, m.part if valid else ""), m.estimate, figure.unit, (figure.judged_by(limits, m.window) if figure.limit else None), oil,
                  figure.bad != "below", figure.bad == "size", figure.name, m.resolution_s)  # fmt: skip


def _metric(figure: Figure, part: str) -> str:
    return figure.title + (f", {part}" if part else "")


def misfire_rows(findings: Findings) -> tuple[Row, ...]:
    """Misfires per cylinder with their limit."""
    limit = findings.limits["misfire_per_1000_rev"]
    return tuple(Row(say("row.misfires"), say("row.cylinder", c=c), c.rate, limit.unit, limit)
                 for c in findings.misfire.per_cylinder)  # fmt: skip


def figure_tables(findings: Findings) -> list[dict[str, Any]]:
    """One table per cam, and one of misfires."""
    tables = [(cam_title(cam), rows(findings, cam)) for cam in findings.cams]
    tables.append((say("row.misfires"), misfire_rows(findings)))
    return [
        {"title": title, "groups": [(group, list(of)) for group, of in groupby(found, key=lambda row: row.group)],
         "count": len(found), "beyond": sum(row.state == "beyond" for row in found)}
        for title, found in tables if found
    ]  # fmt: skip


# ---------------------------------------------------------------- the grid


@dataclass(frozen=True)
class Cell:
    """One cell: the row of the table that it shows, or the reason in `words` if there is none.

    In percent of the cell's width: the length of the `bar`, start and length of the `interval`, and start and length of
    the `band` of known-good cars.
    """

    row: Row | None = None
    words: str = ""
    bar: float = 0.0
    interval: tuple[float, float] | None = None
    band: tuple[float, float] | None = None


def _cell(row: Row | None, bands: Mapping[tuple[str, str], tuple[float, float]], words: str) -> Cell:
    """The cell of a row; `words` if there is no row."""
    if row is None:
        return Cell(words=words)
    limit = row.limit.value if row.limit is not None else 0.0

    def at(value: float | None) -> float:
        return 100.0 * min(abs(value or 0.0) / limit if limit else 0.0, MOST_TIMES) / MOST_TIMES

    def stretch(ends: tuple[float, float] | None) -> tuple[float, float] | None:
        if ends is None:
            return None
        low, high = sorted(map(at, ends))
        low = 0.0 if ends[0] < 0.0 < ends[1] else low
        return low, max(high - low, 0.5)

    e = row.figure
    return Cell(row, "", at(e.value if e.value is not None else e.low), stretch(e.interval if e else None),
                stretch(bands.get((row.metric, row.oil))))  # fmt: skip


def grids(findings: Findings, windows: Sequence[OilWindow]) -> list[dict[str, Any]]:
    """The grid of each cam, with the bands of known-good cars if they were used in its verdict."""
    return [_grid(findings, c.cam, windows) for c in cams_in_order(findings)]


def _grid(findings: Findings, cam: str, windows: Sequence[OilWindow]) -> dict[str, Any]:
    verdict, covered = findings.cams[cam].verdict, findings.cams[cam].coverage
    driven = {w.window.label: w.seconds for w in covered.windows} if covered is not None else {}
    labels = {"": ""} | {w.words: w.label for w in windows}
    bands = {(_metric(p.figure, p.part), labels[p.oil]): p.band for p in verdict.places if p.oil in labels}
    says_no = {w.figure.name: w.says_no for w in verdict.evidence}
    measured = [r for r in rows(findings, cam) if r.key in says_no and r.state != "missing"]
    lines: list[dict[str, Any]] = []
    for name, asked in QUESTIONS.items():
        answer = verdict.questions[name]
        # A figure beyond its limit is not shown as bad if the answer is still "yes".
        of = [r for r in measured if r.group == asked.title and (answer.answer != "yes" or r.state != "beyond")]
        by_oil = [r for r in of if r.oil]
        shown = max(by_oil, key=lambda r: (sum(o.key == r.key for o in by_oil), _times(r))).key if by_oil else ""
        here = {
            w.label: max((r for r in by_oil if r.key == shown and r.oil == w.label), key=_times, default=None)
            for w in windows
        }
        whole = max((r for r in of if not r.oil), key=lambda r: says_no[r.key], default=None)
        lines.append({
            **question(name, answer, verdict), "figure": next((r.metric.partition(",")[0] for r in by_oil if r.key == shown), ""),
            "cells": [_cell(here[w.label], bands, _why(w, driven, bool(by_oil))) for w in windows],
            "whole": _cell(whole, bands, say("grid.not_measured")), "by_oil": bool(by_oil),
        })  # fmt: skip
    return {"cam": cam, "title": cam_title(cam), "state": state_of(verdict.condition), "columns": [w.label for w in windows], "lines": lines,
            "known_good": any(c.band for line in lines for c in (*line["cells"], line["whole"]))}  # fmt: skip


def _times(row: Row) -> float:
    """How many times its limit the figure is; beyond 1 it is bad."""
    value = row.figure.value if row.figure.value is not None else row.figure.low or 0.0
    times = abs(value) / row.limit.value if row.limit is not None and row.limit.value else 0.0
    return times if row.above else 1.0 / max(times, 1e-6)


def _why(window: OilWindow, driven: dict[str, float], by_oil: bool) -> str:
    if driven.get(window.label, 0.0) < 1.0:
        return say("grid.not_driven")
    return say("grid.not_measured" if by_oil else "grid.see_whole")


# ---------------------------------------------------------------- for and against


def weighing(verdict: Verdict) -> dict[str, Any]:
    """The values for the page on how one cam was judged."""
    named = verdict.condition if verdict.condition in verdict.probabilities else verdict.likeliest
    ranked = sorted(verdict.probabilities.items(), key=lambda item: -item[1])
    return {
        "questions": [question(name, answer, verdict) for name, answer in verdict.questions.items()],
        "bars": _bars(verdict),
        "for": CONDITION_WORDS[named].lower(),
        "probabilities": [(CONDITION_WORDS[c].lower(), percent(p)) for c, p in ranked if p >= LEAST_PROBABILITY],
        "unlike": verdict.unlike,
    }


def question(name: str, answer: Answer, verdict: Verdict) -> dict[str, str]:
    """One question with its answer for a page; at least "probably not" if it is about the fault in the verdict."""
    own = answer.answer == "cannot_tell" and QUESTIONS[name].faults[0] == verdict.condition
    word = "probably_not" if own else answer.answer
    sure = sureness(verdict.confidence if own else answer.probability) if word != "cannot_tell" else ""
    return {"title": QUESTIONS[name].title, "state": "bad" if own else _STATES[answer.answer], "word": say(f"answer.{word}"),
            "sure": sure, "needs": " ".join(answer.needs)}  # fmt: skip


def _bars(verdict: Verdict) -> list[dict[str, Any]]:
    """The figures with the most weight, those in favour of the condition first."""
    weighed = [(verdict.says(w), w) for w in verdict.evidence if abs(verdict.says(w)) >= WORTH_SAYING]
    heaviest = sorted(weighed, key=lambda pair: -abs(pair[0]))[:MOST_BARS]
    return [
        {
            "title": capital(_metric(w.figure, w.measured.part)),
            "oil": w.measured.window.words if w.measured.window is not None else "",
            "value": w.figure.shown(w.measured), "limit": str(w.limit), "side": "for" if says > 0 else "against",
            "width": round(100.0 * min(abs(says) / FULL_BAR, 1.0)),
        }
        for says, w in sorted(heaviest, key=lambda pair: -pair[0])
    ]  # fmt: skip


# ---------------------------------------------------------------- what misfires go with


def associations(findings: Findings) -> list[dict[str, str]]:
    """One row for each condition compared with misfires: both rates, their ratio, and whether they occur together."""
    lowest, table = findings.limits["misfire_rate_ratio"].value, []
    for a in findings.misfire.association:
        ratio, word = say("together.none"), "together" if a.holds else "cannot_tell"
        if a.p_adjusted is not None:
            ratio = say("together.ratio", ratio=a.ratio, low=a.ratio_low, high=a.ratio_high)
            if not a.holds and a.ratio_high is not None and a.ratio_high < lowest:
                word = "not_together"
        table.append({"title": capital(a.title), "with": number(a.rate_with), "without": number(a.rate_without),
                     "ratio": ratio,
                     "word": say(f"together.{word}"), "state": {"together": "bad", "not_together": "good"}.get(word, "unknown")})  # fmt: skip
    return table
