"""Does the cam follow its command? Angles and error over time, whole or as a close look at one stretch."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.rest import WATCHED_S
from camlog.analysis.cam.segments import runs
from camlog.analysis.cam.strip import Moment
from camlog.analysis.findings import CamFindings, Findings
from camlog.cams import title as cam_title
from camlog.limits import Limit
from camlog.messages import capital
from camlog.numbers import number
from camlog.report import chart as draw
from camlog.report.chart import Chart, Request, chart_kind
from camlog.report.charts.times import end_s, gap_shapes, window_shapes
from camlog.report.palette import ACTUAL, COMMAND, ERROR, LIMIT
from camlog.report.words import clock, moment_words, say, told_moments

EVERY_READING = 4000  # of a close look
AROUND_SHARE, LONGEST_SHOWN_S = 0.4, 25.0  # of a moment
CLOSE_S = 20.0  # of a close look
BEFORE_START_S, AFTER_START_S = 2.0, 20.0
MARKED_READINGS = 250  # up to so many, each reading is a dot


@chart_kind("angles", "from_s", "to_s")
def angles(request: Request) -> Chart:
    """Commanded and actual angle, with the error below, over the whole recording."""
    data, tracking, limit = request.data, request.examination.tracking, request.limit("p95_abs_deg")
    known, gaps, words = np.isfinite(data.error_deg), request.findings.conditions.gap_intervals, say.table("lines")
    error = data.error_deg[known]

    def drawn(time_s, value, name, role, **more):
        return draw.signal_line(time_s, value, words[name], "deg", role, request.points, gaps, **more)

    traces = [
        drawn(data.command_time_s, data.command_deg, "commanded", COMMAND, width=1.8),
        drawn(data.actual_time_s, data.actual_deg, "actual", ACTUAL),
        drawn(data.actual_time_s[known], error, "error", ERROR, row=1, width=1.2),
    ]
    top = 1.3 * max(limit.value, float(np.max(np.abs(error), initial=0.0)))
    upper, lower = draw.row_axes([2.0, 1.0], 0.07)
    layout = {
        "hovermode": "x",
        "shapes": window_shapes(request.findings) + gap_shapes(request.findings) + draw.limit_levels(limit, row=1),
        "xaxis": draw.time_axis(end_s(request.findings)) | {"anchor": "y2"},
        "yaxis": draw.value_axis(say("axes.angle"), domain=upper),
        draw.axis_key("y", 1): draw.value_axis(say("axes.error"), domain=lower, range=[-top, top]),
    }
    lasting_s = request.findings.limits["hold_error_time_s"].value
    answer = request.say("answer", p95=tracking.p95_abs_deg, limit=limit, over=tracking.excursions, lasting_s=lasting_s)
    summary = request.say("summary", longest_s=tracking.excursions.longest_s)
    return request.chart(traces, layout, answer, height=330, timed=True, summary=summary)


@chart_kind("closeup")
def closeup(request: Request) -> Chart:
    """The worst moment that shows the verdict, with the time around it; else where the command moves most."""
    found = request.findings.cams[request.cam]
    start_s, end_s, answer = telling_stretch(found)
    return request.chart(
        *_close_look(request, start_s, end_s), answer, height=300, clock=True,
        question=request.say(f"questions.{found.verdict.condition}"),
        summary=request.say("summary", start=number(start_s), end=number(end_s)),
    )  # fmt: skip


def telling_stretch(found: CamFindings) -> tuple[float, float, str]:
    """Start (s) and end (s) of the stretch that shows the verdict of a cam best, and what it shows in words."""
    moments, spikes_s = told_moments(found, 1), found.examination.sensor.spikes.times_s
    if moments:
        return *_around(moments[0], CLOSE_S / 2.0), capital(moment_words(moments[0])) + "."
    if found.verdict.condition == "sensor" and spikes_s:
        start_s, words = max(spikes_s[0] - CLOSE_S / 3.0, 0.0), say("closeup.spikes", count=len(spikes_s))
    else:
        start_s, words = _liveliest_s(found.examination.data), say("closeup.liveliest")
    return start_s, start_s + CLOSE_S, words


@chart_kind("cold_start", "seconds")
def cold_start(request: Request) -> Chart:
    """Does the lock pin hold? The first seconds after the coldest start."""
    cold = request.examination.rest.cold_start
    if cold.start_s is None:
        return request.nothing(request.say("nothing", reason=cold.flutter_rms_deg.reason))
    traces, layout = _close_look(
        request, max(cold.start_s - BEFORE_START_S, 0.0), cold.start_s + (request.seconds or AFTER_START_S)
    )
    layout["shapes"].append(draw.stretch(cold.start_s, cold.start_s + WATCHED_S))
    limit = request.limit("cold_start_flutter_deg")
    answer = request.say("answer", cold=cold, watched_s=WATCHED_S, limit=limit)
    return request.chart(traces, layout, answer, height=300, clock=True, note=request.say("note", watched_s=WATCHED_S))


def _liveliest_s(data: CamData) -> float:
    """Start of the stretch of CLOSE_S in which the command of the running engine moves most."""
    t = data.actual_time_s
    moved = np.nan_to_num(np.abs(np.diff(data.command_at_actual, prepend=np.nan)) * data.running)
    total = np.concatenate([[0.0], np.cumsum(moved)])
    within = total[np.searchsorted(t, t + CLOSE_S, side="right")] - total[:-1]
    return float(t[int(np.argmax(np.where(t + CLOSE_S <= t[-1], within, -1.0)))])


def moment_charts(findings: Findings, cam: str) -> list[Chart]:
    """The worst moments of a faulty cam, and a healthy cam at the first of them; none for a healthy cam."""
    request, charts = Request("closeup", findings, cam), []

    def add(title: str, words: str, traces: list[dict[str, Any]], layout: dict[str, Any]) -> None:
        layout["showlegend"] = False
        charts.append(Chart("moment", title, words, cam, tuple(traces), layout, height=190, clock=True, summary=words))

    moments = told_moments(findings.cams[cam])
    for place, moment in enumerate(moments, start=1):
        jumped = moment.jump_deg is not None
        traces, layout = _close_look(request, *_around(moment), "stick_band_deg" if jumped else "p95_abs_deg")
        notes = [(moment.start_s, jumped and "leaves", "end"), (moment.break_s, "jumps", "start")]
        layout["shapes"] += [
            draw.rule(at, at, 0, 1, LIMIT, yref="paper", text=say(f"strip.note.{name}", m=moment), textangle=0,
                 textposition=end, xanchor="left") for at, name, end in notes if name and at is not None
        ]  # fmt: skip
        title = say("strip.place", place=place, at=clock(moment.start_s))
        add(title, capital(moment_words(moment)) + ".", traces, layout)
    healthy = [c for c, f in findings.cams.items() if f.verdict.condition == "healthy"]
    if moments and healthy:
        other, around = replace(request, cam=healthy[0]), _around(moments[0])
        title, error = say("strip.beside", cam=cam_title(other.cam)), _largest_error(other.data, *around)
        add(title, say("strip.same_moment", cam=cam_title(other.cam), error=error), *_close_look(other, *around))
    return charts


def _around(moment: Moment, least_s: float = 1.0) -> tuple[float, float]:
    """Start (s) and end (s) of the stretch to show around a moment."""
    length = min(moment.end_s - moment.start_s, LONGEST_SHOWN_S)
    room = max(AROUND_SHARE * length, least_s)
    return max(moment.start_s - room, 0.0), moment.start_s + length + room


def _largest_error(data: CamData, start_s: float, end_s: float) -> float:
    error = np.abs(data.error_deg[slice(*np.searchsorted(data.actual_time_s, [start_s, end_s]))])
    return float(np.nanmax(error, initial=0.0))


def _close_look(
    request: Request, start_s: float, end_s: float, judged: str = "p95_abs_deg"
) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Traces and layout of a stretch: the command thick and pale below the actual angle, filled beyond the limit."""
    data, words = request.data, say.table("lines")

    def cut(time_s: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        a, b = np.searchsorted(time_s, [start_s, end_s])
        return time_s[max(a - 1, 0) : b + 1], value[max(a - 1, 0) : b + 1]

    command, actual = cut(data.command_time_s, data.command_deg), cut(data.actual_time_s, data.actual_deg)
    traces = [
        draw.signal_line(*command, words["commanded"], "deg", replace(COMMAND, dash="solid"), EVERY_READING, data.gaps, width=7.0,
                    opacity=0.35),
        draw.signal_line(*actual, words["actual"], "deg", ACTUAL, EVERY_READING, data.gaps, width=1.6)
        | {"mode": "lines+markers" if len(actual[0]) < MARKED_READINGS else "lines", "marker": {"size": 4}},
    ]  # fmt: skip
    layout = {"hovermode": "x", "shapes": gap_shapes(request.findings), "xaxis": draw.time_axis(end_s, start_s),
              "yaxis": draw.angle_axis(command[1], actual[1])}  # fmt: skip
    beyond = _beyond(*actual, cut(data.actual_time_s, data.command_at_actual)[1], request.limit(judged))
    return [*beyond, *traces], layout


def _beyond(time_s: np.ndarray, actual: np.ndarray, command: np.ndarray, limit: Limit) -> list[dict[str, Any]]:
    """Filled shapes where the actual angle is beyond the limit around the command; none if it never is."""
    error = actual - command
    edge = command + np.sign(error) * limit.value
    shapes = []
    for first, past in zip(*runs(np.nan_to_num(np.abs(error)) > limit.value), strict=True):
        part = slice(max(first, 0), past)
        shapes.append((np.concatenate([time_s[part], time_s[part][::-1], [np.nan]]),
                       np.concatenate([actual[part], edge[part][::-1], [np.nan]])))  # fmt: skip
    if not shapes:
        return []
    x, y = (np.concatenate(side) for side in zip(*shapes, strict=True))
    style: dict[str, Any] = {"fill": "toself", "fillcolor": "@error", "opacity": 0.5, "hoverinfo": "skip"}
    return [draw.line(x, y, say("strip.beyond", limit=limit), "deg", ERROR, width=0.0, **style)]
