"""Does the cam follow its command? Angles and error over time, whole or as a close look at one stretch."""

from __future__ import annotations

import numpy as np

from camlog.numbers import number
from camlog.report.chart import (
    Chart,
    Request,
    angle_axis,
    axis_key,
    chart_kind,
    limit_levels,
    row_axes,
    signal_line,
    time_axis,
    value_axis,
)  # fmt: skip
from camlog.report.charts.moments import convincing_stretch
from camlog.report.charts.times import end_s, gap_shapes, window_shapes
from camlog.report.palette import ACTUAL, COMMAND, ERROR
from camlog.report.words import say

EVERY_READING = 4000  # of a close look
MARKED_READINGS = 250  # up to so many, each reading is a dot


@chart_kind("angles", "from_s", "to_s")
def angles(request: Request) -> Chart:
    """Commanded and actual angle, and the error below, over the whole recording."""
    data, tracking, limit = request.data, request.examination.tracking, request.limit("p95_abs_deg")
    known, gaps, words = np.isfinite(data.error_deg), request.findings.conditions.gap_intervals, say.table("lines")
    error = data.error_deg[known]

    def drawn(time_s, value, name, role, **more):
        return signal_line(time_s, value, words[name], "deg", role, request.points, gaps, **more)

    traces = [
        drawn(data.command_time_s, data.command_deg, "commanded", COMMAND, width=1.8),
        drawn(data.actual_time_s, data.actual_deg, "actual", ACTUAL),
        drawn(data.actual_time_s[known], error, "error", ERROR, row=1, width=1.2),
    ]
    top = 1.3 * max(limit.value, float(np.max(np.abs(error), initial=0.0)))
    upper, lower = row_axes([2.0, 1.0], 0.07)
    layout = {
        "hovermode": "x",
        "shapes": window_shapes(request.findings) + gap_shapes(request.findings) + limit_levels(limit, row=1),
        "xaxis": time_axis(end_s(request.findings)) | {"anchor": "y2"},
        "yaxis": value_axis(say("axes.angle"), domain=upper),
        axis_key("y", 1): value_axis(say("axes.error"), domain=lower, range=[-top, top]),
    }
    lasting_s = request.findings.limits["hold_error_time_s"].value
    answer = request.say(
        "answer", p95=tracking.p95_abs_deg, limit=limit, over=tracking.excursions, lasting_s=lasting_s
    )
    summary = request.say("summary", longest_s=tracking.excursions.longest_s)
    return request.chart(traces, layout, answer, height=400, timed=True, summary=summary)


@chart_kind("closeup")
def closeup(request: Request) -> Chart:
    """A stretch of the recording, every reading drawn, in which the verdict can be seen."""
    data, found = request.data, convincing_stretch(request.findings.cams[request.cam])

    def cut(time_s: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        a, b = np.searchsorted(time_s, [found.start_s, found.end_s])
        return time_s[max(a - 1, 0) : b + 1], value[max(a - 1, 0) : b + 1]

    command, actual = cut(data.command_time_s, data.command_deg), cut(data.actual_time_s, data.actual_deg)
    words = say.table("lines")
    traces = [
        signal_line(*command, words["commanded"], "deg", COMMAND, EVERY_READING, data.gaps, width=2.0),
        signal_line(*actual, words["actual"], "deg", ACTUAL, EVERY_READING, data.gaps, width=2.0)
        | {"mode": "lines+markers" if len(actual[0]) < MARKED_READINGS else "lines", "marker": {"size": 4}},
    ]
    layout = {"hovermode": "x", "shapes": gap_shapes(request.findings), "xaxis": time_axis(found.end_s, found.start_s),
              "yaxis": angle_axis(command[1], actual[1])}  # fmt: skip
    return request.chart(
        traces, layout, say(f"closeup.answers.{found.shows}", **found.values), height=300, clock=True,
        question=request.say(f"questions.{found.shows}"),
        summary=request.say("summary", start=number(found.start_s), end=number(found.end_s)),
    )  # fmt: skip
