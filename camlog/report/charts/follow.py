"""Which angle has the cam for each command? Actual angle against the command without lag, with the stick band."""

from __future__ import annotations

import numpy as np

from camlog.oil_windows import window_index
from camlog.report.chart import Chart, Request, chart_kind, line, points
from camlog.report.palette import LIMIT, Role, window_role
from camlog.report.thin import spread_choice
from camlog.report.words import say

MOST_POINTS = 1600  # per cam; always with those farthest from the diagonal
LEAST_POINTS = 150  # of one oil window
FAR_SHARE = 0.25
FEWEST_READINGS = 100
_BAND = Role("@error", "dash")


@chart_kind("follow", "windows")
def follow(request: Request) -> Chart:
    """Actual angle against the command one lag earlier, with the engine running, by oil window."""
    data, sticking = request.data, request.examination.sticking
    # If a lag does not explain the motion of a cam, none is removed.
    lag_s = request.examination.response.fit.lag.value or 0.0
    before = data.command_at(data.actual_time_s - lag_s)
    finite = np.isfinite(before) & data.running
    if int(np.sum(finite)) < FEWEST_READINGS:
        return request.nothing(request.say("nothing", least=FEWEST_READINGS))
    command, actual, t = before[finite], data.actual_deg[finite], data.actual_time_s[finite]
    index = window_index(request.windows, data.oil.at(t))
    groups = [(w.label, index == i, window_role(w)) for i, w in enumerate(request.windows) if (index == i).any()]
    traces = []
    for label, mask, role in groups or [(request.say("unknown_oil"), np.ones(len(t), dtype=bool), Role("@actual"))]:
        chosen = _chosen(command[mask], actual[mask], max(LEAST_POINTS, int(MOST_POINTS * np.mean(mask))))
        name = say("lines.oil", window=label)
        traces.append(points(command[mask][chosen], actual[mask][chosen], name, "deg", role, size=5, opacity=0.75,
                             hovertemplate=request.say("hover")))  # fmt: skip
    ends = np.array([min(command.min(), actual.min()), max(command.max(), actual.max())])
    traces.append(line(ends, ends, request.say("lines.commanded"), "deg", LIMIT, width=2.0, hoverinfo="skip"))
    band = sticking.stick_band_deg.value or 0.0
    for sign in (1.0, -1.0) if band else ():
        name = request.say("band", deg=band) if sign > 0 else ""
        traces.append(line(ends, ends + sign * band, name, "deg", _BAND, width=2.0, hoverinfo="skip",
                           showlegend=bool(name), legendgroup="band"))  # fmt: skip
    layout = {"hovermode": "closest"} | {
        key: {"title": {"text": request.say(f"lines.{name}")}, "zeroline": False}
        for key, name in (("xaxis", "x"), ("yaxis", "y"))
    }
    judged = {
        "limit": request.limit("stick_band_deg"),
        "condition": request.findings.cams[request.cam].verdict.condition,
    }
    answer = request.say("answer", band=sticking.stick_band_deg, reason=sticking.reason, lag_s=lag_s, **judged)
    return request.chart(traces, layout, answer, height=420)


def _chosen(command: np.ndarray, actual: np.ndarray, most: int) -> np.ndarray:
    """Indices to draw: those farthest from the diagonal, and an even choice of the others."""
    if len(command) <= most:
        return np.arange(len(command))
    far = int(FAR_SHARE * most)
    away = np.argpartition(np.abs(actual - command), -far)[-far:]
    return np.union1d(away, spread_choice(len(command), most - far))
