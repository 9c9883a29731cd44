"""Does oil temperature change the response? T63 against oil temperature and viscosity, with the healthy band."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from camlog.analysis.figures import limit_of
from camlog.analysis.findings import Findings
from camlog.analysis.response.step_pool import StepSummary
from camlog.errors import InputError
from camlog.numbers import number
from camlog.oil import kinematic_viscosity
from camlog.oil_windows import OilWindow
from camlog.report.chart import Chart, error_bars, nothing, points
from camlog.report.palette import Role
from camlog.report.words import cam_title

KIND = "oil"
LABELLED_SHARE = 0.18
TICKS_DEGC = (0, 20, 40, 60, 80, 100, 120)
_DIRECTIONS = {
    "advance": Role("@actual", "solid", "triangle-up"),
    "retard": Role("@error", "dash", "triangle-down"),
}
_PATTERN_WORDS = {
    "cold_only": "Beyond the limit only with cold oil: that points at viscosity or grade.",
    "hot_only": "Beyond the limit only with hot oil: that points at pressure or leakage.",
    "everywhere": "Beyond the limit at every oil temperature: that points at sticking or a blocked screen.",
    "none": "Within the limit at every oil temperature seen.",
}


def chart(findings: Findings, cam: str, windows: tuple[OilWindow, ...], title: str = "") -> Chart:
    """T63 of each direction and oil window at the mean oil temperature of its steps."""
    found = findings.cams[cam]
    x = found.examination
    title = title or f"{cam_title(cam)}: does oil temperature change its response?"
    traces: list[dict[str, Any]] = []
    most, coldest, hottest = 0.0, 20.0, 100.0
    for direction, role in _DIRECTIONS.items():
        rows = []
        for window, response in x.response.by_window.items():
            summary: StepSummary = getattr(response, direction)
            if window in windows and summary.t63.value is not None:
                rows.append((_mean_degc(findings, cam, summary, window), summary))
        if not rows:
            continue
        t63 = [s.t63 for _, s in rows]
        trace = points([d for d, _ in rows], [e.value for e in t63], direction, "s", role, digits=2, size=12)
        trace |= {
            "mode": "lines+markers", "line": {"color": role.color, "dash": role.dash, "width": 1.5},
            "error_y": error_bars([e.low for e in t63], [e.value for e in t63], [e.high for e in t63]),
            "text": [f"{s.steps} steps" for _, s in rows],
            "hovertemplate": "%{x:.0f} °C: %{y:.2f} s (%{text})",
        }  # fmt: skip
        traces.append(trace)
        most = max([most, *[min(e.high or e.value, 3.0 * e.value) for e in t63]])
        coldest, hottest = min([coldest, *[d for d, _ in rows]]), max([hottest, *[d for d, _ in rows]])
    if not traces:
        return nothing(KIND, title, "T63 was not measured in any oil window.", cam)
    low, high = max(coldest - 15.0, -40.0), hottest + 15.0
    shapes, tops = _healthy_band(findings, windows, low, high)
    axis = {"title": {"text": "oil temperature, °C"}, "range": [low, high]}
    note = "No oil grade in the vehicle profile: viscosity is not shown."
    viscosity = _viscosity(findings)
    if viscosity is not None:
        ticks = [t for t in TICKS_DEGC if low <= t <= high]
        axis |= {
            "tickvals": ticks, "ticktext": [f"{t}<br>{number(v)}" for t, v in zip(ticks, viscosity(ticks), strict=True)],
            "title": {"text": "oil temperature, °C; below it viscosity, mm²/s"},
        }  # fmt: skip
        note = f"Viscosity of {findings.profile.oil_grade} by ASTM D341."
    layout = {
        "hovermode": "closest", "shapes": shapes, "xaxis": axis,
        "yaxis": {"title": {"text": "T63, s"}, "range": [0, 1.2 * max(most, *tops)], "fixedrange": True},
    }  # fmt: skip
    pattern = found.oil_pattern
    said = _PATTERN_WORDS.get(pattern.kind, pattern.reason)
    return Chart(
        KIND, title, said, cam, tuple(traces), layout, 340, note="Shaded: where healthy cams are. Bars: 95 % interval. " + note,
        two_line_ticks=viscosity is not None, summary="Time to 63 % of a step against oil temperature, with the limit of each oil window.",
    )  # fmt: skip


def _mean_degc(findings: Findings, cam: str, summary: StepSummary, window: OilWindow) -> float:
    degc = findings.cams[cam].examination.data.oil_temp_at(np.asarray(summary.times_s))
    if np.isfinite(degc).any():
        return float(np.nanmean(degc))
    ends = [e for e in (window.min_degc, window.max_degc) if math.isfinite(e)]
    return float(np.mean(ends)) if ends else 20.0


def _healthy_band(
    findings: Findings, windows: tuple[OilWindow, ...], low: float, high: float
) -> tuple[list[dict[str, Any]], list[float]]:
    steps: list[list[float]] = []  # start, end, limit; neighbours with one limit are one
    for window in windows:
        limit = limit_of("t63_s", findings.limits, window).value
        start, end = max(window.min_degc, low), min(window.max_degc, high)
        if start < end:
            if steps and steps[-1][1:] == [start, limit]:
                steps[-1][1] = end
            else:
                steps.append([start, end, limit])
    shapes = []
    for start, end, limit in steps:
        ends = {"xref": "x", "x0": start, "x1": end, "yref": "y", "y1": limit}
        shapes.append(
            {"type": "rect", **ends, "y0": 0, "fillcolor": "@band", "line": {"width": 0}, "layer": "below"}
        )
        rim: dict[str, Any] = {
            "type": "line",
            **ends,
            "y0": limit,
            "line": {"color": "@ink", "dash": "dot", "width": 1.4},
        }
        if end - start > LABELLED_SHARE * (high - low):
            rim["label"] = {
                "text": f"limit {number(limit)} s",
                "yanchor": "bottom",
                "font": {"size": 11, "color": "@ink"},
            }
        shapes.append(rim)
    tops = [0.2, *[limit for *_, limit in steps]]
    return shapes, tops


def _viscosity(findings: Findings):
    grade = findings.profile.oil_grade if findings.profile is not None else None
    if not grade:
        return None
    try:
        kinematic_viscosity(grade, 40.0)
    except InputError:
        return None
    return lambda degc: kinematic_viscosity(grade, np.asarray(degc, dtype=float)).tolist()
