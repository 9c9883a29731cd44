"""Does the cam follow its command? Angles and error over time, whole or as a close look at one stretch."""

from __future__ import annotations

from typing import Any

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.figures import limit_of
from camlog.analysis.findings import Findings
from camlog.numbers import number, with_unit
from camlog.report.chart import Chart, angle_axis, axis_key, level, row_axes, signal_line, time_axis
from camlog.report.charts.moments import convincing_stretch
from camlog.report.charts.times import duration_s, gap_shapes, window_shapes
from camlog.report.palette import ACTUAL, COMMAND, ERROR
from camlog.report.words import cam_title

KIND, CLOSE_KIND = "angles", "closeup"


def chart(findings: Findings, cam: str, budget: int, title: str = "") -> Chart:
    """Commanded and actual angle, and the error below, over the whole recording."""
    data = findings.cams[cam].examination.data
    limit = limit_of("p95_abs_deg", findings.limits).value
    known = np.isfinite(data.error_deg)
    gaps = findings.conditions.gap_intervals
    traces = [
        signal_line(
            data.command_time_s, data.command_deg, "commanded", "deg", COMMAND, budget, gaps, width=1.8
        ),
        signal_line(data.actual_time_s, data.actual_deg, "actual", "deg", ACTUAL, budget, gaps),
        signal_line(
            data.actual_time_s[known],
            data.error_deg[known],
            "error",
            "deg",
            ERROR,
            budget,
            gaps,
            row=1,
            width=1.2,
        ),
    ]
    shapes = window_shapes(findings) + gap_shapes(findings)
    shapes += [level(limit, f"limit {number(limit)} deg", row=1), level(-limit, "", row=1)]
    over = findings.cams[cam].examination.tracking.excursions
    top = 1.3 * max(limit, float(np.max(np.abs(data.error_deg[known]), initial=0.0)))
    return Chart(
        KIND, title or f"{cam_title(cam)}: does it follow its command?", _answer(findings, cam), cam,
        tuple(traces), _layout(shapes, duration_s(findings), top), 400, True,
        summary=f"Commanded and actual angle over time; the longest error beyond the limit lasted "
        f"{with_unit(over.longest_s, 's')}.",
    )  # fmt: skip


def _layout(shapes: list[dict[str, Any]], end_s: float, top_deg: float) -> dict[str, Any]:
    domains = row_axes([2.0, 1.0], 0.07)
    return {
        "hovermode": "x", "shapes": shapes,
        "xaxis": time_axis(end_s) | {"anchor": "y2"},
        "yaxis": {"domain": domains[0], "title": {"text": "angle, deg"}, "fixedrange": True},
        axis_key("y", 1): {"domain": domains[1], "title": {"text": "error, deg"}, "fixedrange": True,
                           "range": [-top_deg, top_deg]},
    }  # fmt: skip


def _answer(findings: Findings, cam: str) -> str:
    x = findings.cams[cam].examination
    tracking, limit = x.tracking, limit_of("p95_abs_deg", findings.limits)
    if tracking.p95_abs_deg.value is None:
        steady = f"Error at a steady command: not measured, {tracking.p95_abs_deg.reason}."
    else:
        steady = (
            f"At a steady command 95 % of the readings are within {number(tracking.p95_abs_deg.value)} deg "
            f"(limit {number(limit.value)} deg, {limit.source})."
        )
    over = tracking.excursions
    if over.time_over_limit_s is None:
        return steady
    if not over.time_over_limit_s:
        return f"{steady} It was never off by more than that for {number(over.limit_time_s)} s on end."
    return f"{steady} For {number(over.time_over_limit_s)} s in all it was off by more than that for longer than {number(over.limit_time_s)} s."


def closeup(findings: Findings, cam: str, title: str = "") -> Chart:
    """A stretch of the recording, every reading drawn, in which the verdict can be seen."""
    data = findings.cams[cam].examination.data
    found = convincing_stretch(findings, cam)
    title = title or f"{cam_title(cam)}: {found.question}"
    command, actual = _part(data, found.start_s, found.end_s)
    marks = "lines+markers" if len(actual[0]) < 250 else "lines"
    traces = [
        signal_line(*command, "commanded", "deg", COMMAND, 4000, data.gaps, width=2.0),
        signal_line(*actual, "actual", "deg", ACTUAL, 4000, data.gaps, width=2.0)
        | {"mode": marks, "marker": {"size": 4}},
    ]
    layout = {
        "hovermode": "x", "shapes": gap_shapes(findings),
        "xaxis": time_axis(found.end_s, found.start_s),
        "yaxis": angle_axis(command[1], actual[1]),
    }  # fmt: skip
    return Chart(
        CLOSE_KIND, title, found.answer, cam, tuple(traces), layout, 300, clock=True,
        summary=f"Commanded and actual angle from {number(found.start_s)} to {number(found.end_s)} s.",
    )  # fmt: skip


def _part(
    data: CamData, start_s: float, end_s: float
) -> tuple[tuple[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]:
    def cut(t: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        a, b = np.searchsorted(t, [start_s, end_s])
        a, b = max(a - 1, 0), min(b + 1, len(t))
        return t[a:b], v[a:b]

    return cut(data.command_time_s, data.command_deg), cut(data.actual_time_s, data.actual_deg)
