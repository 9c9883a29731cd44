"""Does oil temperature change the response? T63 against oil temperature and viscosity, with the healthy band."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from camlog.analysis.response.step_pool import StepSummary
from camlog.errors import InputError
from camlog.numbers import number
from camlog.oil import kinematic_viscosity
from camlog.oil_windows import OilWindow
from camlog.report.chart import Chart, Request, chart_kind, error_bars, points, rectangle, rule, value_axis
from camlog.report.palette import LIMIT, Role
from camlog.report.words import say

LABELLED_SHARE = 0.18  # of the axis; a shorter step of the limit has no room for words
TICKS_DEGC = (0, 20, 40, 60, 80, 100, 120)
USUAL_DEGC = (20.0, 100.0)  # always in view, with AROUND_DEGC on either side
AROUND_DEGC, LOWEST_DEGC = 15.0, -40.0
LEAST_TOP_S = 0.2
_DIRECTIONS = {"advance": Role("@actual", "solid", "triangle-up"), "retard": Role("@error", "dash", "triangle-down")}


@chart_kind("oil", "windows")
def oil(request: Request) -> Chart:
    """T63 of each direction and oil window at the mean oil temperature of its steps."""
    found, traces, tops, seen = request.findings.cams[request.cam], [], [LEAST_TOP_S], list(USUAL_DEGC)
    for direction, role in _DIRECTIONS.items():
        rows = [(_mean_degc(request, getattr(r, direction), w), getattr(r, direction))
                for w, r in request.examination.response.by_window.items()
                if w in request.windows and getattr(r, direction).t63]  # fmt: skip
        if not rows:
            continue
        degc, t63 = [d for d, _ in rows], [s.t63 for _, s in rows]
        traces.append(points(
            degc, [e.value for e in t63], say(f"lines.{direction}"), "s", role, digits=2, size=12, mode="lines+markers",
            line={"color": role.color, "dash": role.dash, "width": 1.5}, error_y=error_bars(t63),
            text=[request.say("steps", count=s.steps) for _, s in rows], hovertemplate="%{x:.0f} °C: %{y:.2f} s (%{text})",
        ))  # fmt: skip
        tops += [min(e.high or e.value, 3.0 * e.value) for e in t63]
        seen += degc
    if not traces:
        return request.nothing(request.say("nothing"))
    low, high = max(min(seen) - AROUND_DEGC, LOWEST_DEGC), max(seen) + AROUND_DEGC
    steps = _limit_steps(request, low, high)
    shapes = [s for step in steps for s in _limit_shapes(*step, roomy=step[1] - step[0] > LABELLED_SHARE * (high - low))]
    axis: dict[str, Any] = {"title": {"text": request.say("axis")}, "range": [low, high]}
    ticks = [t for t in TICKS_DEGC if low <= t <= high]
    viscosity = _viscosity(request, ticks)
    if viscosity:
        texts = [f"{t}<br>{number(v)}" for t, v in zip(ticks, viscosity, strict=True)]
        axis |= {"tickvals": ticks, "ticktext": texts, "title": {"text": request.say("axis_with_viscosity")}}
    top = 1.2 * max(*tops, *(limit for *_, limit in steps))
    layout = {"hovermode": "closest", "shapes": shapes, "xaxis": axis, "yaxis": value_axis(request.say("t63"), range=[0, top])}
    answer = say.table("oil.patterns").get(found.oil_pattern.kind, found.oil_pattern.reason)
    grade = request.findings.profile.oil_grade if viscosity else ""
    return request.chart(traces, layout, answer, height=340, two_line_ticks=bool(viscosity),
                         note=request.say("note", grade=grade))  # fmt: skip


def _mean_degc(request: Request, summary: StepSummary, window: OilWindow) -> float:
    degc = request.data.oil_temp_at(np.asarray(summary.times_s))
    if np.isfinite(degc).any():
        return float(np.nanmean(degc))
    ends = [e for e in (window.min_degc, window.max_degc) if math.isfinite(e)]
    return float(np.mean(ends)) if ends else USUAL_DEGC[0]


def _limit_steps(request: Request, low: float, high: float) -> list[tuple[float, float, float]]:
    """(start, end, limit) over the oil temperature; neighbours with one limit are one."""
    steps: list[tuple[float, float, float]] = []
    for window in request.windows:
        limit = request.limit("t63_s", window).value
        start, end = max(window.min_degc, low), min(window.max_degc, high)
        if start < end and steps and steps[-1][1:] == (start, limit):
            start = steps.pop()[0]
        if start < end:
            steps.append((start, end, limit))
    return steps


def _limit_shapes(start: float, end: float, limit: float, *, roomy: bool) -> list[dict[str, Any]]:
    text = say("axes.limit", value=f"{number(limit)} s") if roomy else ""
    return [rectangle(start, end, 0, limit, "@band"), rule(start, end, limit, limit, LIMIT, text=text)]


def _viscosity(request: Request, degc: list[int]) -> list[float]:
    """Viscosity of the profile's oil at these temperatures; empty where its grade is not known."""
    grade = request.findings.profile.oil_grade if request.findings.profile is not None else None
    try:
        return kinematic_viscosity(grade, np.asarray(degc, dtype=float)).tolist() if grade else []
    except InputError:
        return []
