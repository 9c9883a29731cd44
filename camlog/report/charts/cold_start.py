"""Does the lock pin hold? The first seconds after the coldest start."""

from __future__ import annotations

import numpy as np

from camlog.analysis.cam.rest import WATCHED_S
from camlog.report.chart import (
    Chart,
    Request,
    angle_axis,
    axis_key,
    chart_kind,
    line,
    row_axes,
    signal_line,
    stretch,
    value_axis,
)  # fmt: skip
from camlog.report.palette import ACTUAL, COMMAND, SERIES
from camlog.report.words import say

BEFORE_S, AFTER_S = 2.0, 20.0
MOST_READINGS = 2000


@chart_kind("cold_start", "seconds")
def cold_start(request: Request) -> Chart:
    """Angles and, where there is room, engine speed, in seconds after the engine start."""
    cold, data, words = request.examination.rest.cold_start, request.data, say.table("lines")
    if cold.start_s is None:
        return request.nothing(request.say("nothing", reason=cold.flutter_rms_deg.reason))
    after = request.seconds or AFTER_S

    def cut(time_s: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        a, b = np.searchsorted(time_s, [cold.start_s - BEFORE_S, cold.start_s + after])
        return time_s[a:b] - cold.start_s, value[a:b]

    command, actual = cut(data.command_time_s, data.command_deg), cut(data.actual_time_s, data.actual_deg)
    traces = [
        signal_line(*command, words["commanded"], "deg", COMMAND, MOST_READINGS, width=2.0),
        signal_line(*actual, words["actual"], "deg", ACTUAL, MOST_READINGS, width=2.0),
    ]
    layout = {"hovermode": "x", "shapes": [stretch(0.0, WATCHED_S)], "yaxis": angle_axis(command[1], actual[1]),
              "xaxis": {"title": {"text": say("axes.after_start")}, "range": [-BEFORE_S, after]}}  # fmt: skip
    if not request.small and len(data.speed_time_s):
        speed = cut(data.speed_time_s, data.speed_rpm)
        traces.append(line(*speed, words["engine_speed"], "rpm", SERIES[2], row=1, digits=0))
        layout["yaxis"]["domain"], below = row_axes([2.0, 1.0], 0.08)
        layout["xaxis"]["anchor"] = "y2"
        layout[axis_key("y", 1)] = value_axis("rpm", domain=below)
    limit = request.limit("cold_start_flutter_deg")
    answer = request.say("answer", cold=cold, watched_s=WATCHED_S, limit=limit)
    return request.chart(traces, layout, answer, height=360, note=request.say("note", watched_s=WATCHED_S))
