"""Does the lock pin hold? The first seconds after the coldest start."""

from __future__ import annotations

import numpy as np

from camlog.analysis.cam.coldstart import WATCHED_S
from camlog.analysis.figures import limit_of
from camlog.analysis.findings import Findings
from camlog.numbers import number, with_unit
from camlog.report.chart import Chart, angle_axis, axis_key, line, nothing, row_axes, signal_line, stretch
from camlog.report.palette import ACTUAL, COMMAND, SERIES
from camlog.report.words import cam_title

KIND = "cold_start"
BEFORE_S, AFTER_S = 2.0, 20.0


def chart(
    findings: Findings, cam: str, title: str = "", seconds: float | None = None, *, with_speed: bool = True
) -> Chart:
    """Angles and, `with_speed`, engine speed, in seconds after the engine start."""
    x = findings.cams[cam].examination
    cold, data = x.rest.cold_start, x.data
    title = title or f"{cam_title(cam)}: does it stay locked when the engine starts?"
    if cold.start_s is None:
        return nothing(
            KIND,
            title,
            f"{(cold.flutter_rms_deg.reason or 'no engine start was recorded').capitalize()}.",
            cam,
        )
    start, after = cold.start_s, seconds or AFTER_S
    limit = limit_of("cold_start_flutter_deg", findings.limits)

    def cut(t: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        a, b = np.searchsorted(t, [start - BEFORE_S, start + after])
        return t[a:b] - start, v[a:b]

    command, actual = cut(data.command_time_s, data.command_deg), cut(data.actual_time_s, data.actual_deg)
    traces = [
        signal_line(*command, "commanded", "deg", COMMAND, 2000, width=2.0),
        signal_line(*actual, "actual", "deg", ACTUAL, 2000, width=2.0),
    ]
    domains = row_axes([2.0, 1.0], 0.08)
    layout = {
        "hovermode": "x",
        "shapes": [stretch(0.0, WATCHED_S)],
        "xaxis": {"title": {"text": "seconds after the engine start"}, "range": [-BEFORE_S, after]},
        "yaxis": angle_axis(command[1], actual[1]),
    }
    if with_speed and len(data.speed_time_s):
        traces.append(
            line(*cut(data.speed_time_s, data.speed_rpm), "engine speed", "rpm", SERIES[2], row=1, digits=0)
        )
        layout["yaxis"]["domain"] = domains[0]
        layout["xaxis"]["anchor"] = "y2"
        layout[axis_key("y", 1)] = {"domain": domains[1], "title": {"text": "rpm"}, "fixedrange": True}
    flutter = cold.flutter_rms_deg
    if flutter.value is None:
        said = f"Flutter: not measured, {flutter.reason}."
    else:
        said = (
            f"In the first {WATCHED_S:g} s at rest it flutters by typically {with_unit(flutter.value, 'deg')}, "
            f"noise of the reading included (limit {number(limit.value)} deg, {limit.source})."
        )
    if cold.temp_degc is not None:
        said += f" Oil was at {number(cold.temp_degc)} °C{'' if cold.cold else ': not a cold start'}."
    return Chart(
        KIND, title, said, cam, tuple(traces), layout, 360, note=f"Shaded: the {WATCHED_S:g} s that are judged.",
        summary="Angles and engine speed in the first seconds after the start.",
    )  # fmt: skip
