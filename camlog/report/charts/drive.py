"""What was the drive like? Any signals over time, one row per unit, with events, codes, gaps and oil windows."""

from __future__ import annotations

from typing import Any

import numpy as np

from camlog import signals
from camlog.analysis.findings import Findings
from camlog.numbers import unit_words
from camlog.report import chart as draw
from camlog.report.chart import Chart, Request, chart_kind
from camlog.report.charts.times import end_s, event_traces, gap_shapes, window_shapes
from camlog.report.palette import SERIES
from camlog.report.words import say

MISFIRES = "misfires"  # all cylinders together
USUAL = ("engine_speed", "vehicle_speed", "coolant_temp", "oil_temp", "oil_pressure", MISFIRES)
ROW_PX, EVENTS_PX, AROUND_PX = 78, 34, 100
_EVENT_AXIS = {"range": [0, 1], "showticklabels": False, "showgrid": False, "fixedrange": True, "zeroline": False}


@chart_kind("drive", "signals", "from_s", "to_s", per_cam=False)
def drive(request: Request) -> Chart:
    """The requested signals (`misfires`: the sum of all counters) over the whole recording."""
    findings = request.findings
    read = [(name, *signal_values(findings, name)) for name in request.signals or USUAL]
    read = [(name, unit, t, v) for name, unit, t, v in read if len(t)]
    if not read:
        return request.nothing(request.say("nothing"))
    traces = event_traces(findings, 0)
    units = list(dict.fromkeys(unit for _, unit, _, _ in read))
    rows = ([EVENTS_PX] if traces else []) + [ROW_PX] * len(units)
    domains = draw.row_axes(rows, 0.035)
    layout: dict[str, Any] = {
        "shapes": window_shapes(findings) + gap_shapes(findings),
        "hovermode": "x",
        "annotations": [],
    }
    first = len(rows) - len(units)
    if first:
        layout["yaxis"] = _EVENT_AXIS | {"domain": domains[0]}
    for row, unit in enumerate(units, start=first):
        group = [(name, t, v) for name, of, t, v in read if of == unit]
        layout[draw.axis_key("y", row)] = draw.value_axis(unit_words(unit) or say("axes.count"), domain=domains[row])
        if len(group) == 1:
            layout["annotations"].append(_row_name(_title(group[0][0]), domains[row][1]))
        for (name, t, v), role in zip(group, [*SERIES] * len(group), strict=False):
            trace = draw.signal_line(t, v, _title(name), unit, role, request.points, findings.conditions.gap_intervals,
                                row=row, digits=0 if unit in ("rpm", "count") else 1,
                                showlegend=len(group) > 1)  # fmt: skip
            if unit == "count":
                trace["line"]["shape"] = "hv"
            traces.append(trace)
    layout["xaxis"] = draw.time_axis(end_s(findings)) | {"anchor": "y" if len(rows) == 1 else f"y{len(rows)}"}
    answer = request.say(
        "answer", c=findings.conditions, lost_s=sum(g.end_s - g.start_s for g in findings.conditions.gaps)
    )
    summary = request.say("summary", signals=[_title(name) for name, *_ in read])
    return request.chart(traces, layout, answer, timed=True, height=AROUND_PX + sum(rows), summary=summary)


def _row_name(text: str, top: float) -> dict[str, Any]:
    """The name of a row's only signal, in its upper left corner."""
    return {"text": text, "xref": "paper", "x": 0.005, "xanchor": "left", "yref": "paper", "y": top, "yanchor": "top",
            "showarrow": False, "bgcolor": "@ground", "opacity": 0.85, "font": {"size": 12, "color": "@ink"}}  # fmt: skip


def signal_values(findings: Findings, name: str) -> tuple[str, np.ndarray, np.ndarray]:
    """Unit, times and values of a signal."""
    trace = findings.trace
    if name != MISFIRES:
        return (trace.units.get(name) or signals.unit_of(name), *trace.samples(name))
    counters = [trace.samples(signals.misfire(n)) for n in range(1, signals.MAX_CYLINDERS + 1)]
    times = np.unique(np.concatenate([t for t, _ in counters]))
    total = np.zeros(len(times))
    for t, v in counters:
        at = np.searchsorted(t, times, side="right") - 1
        total += np.where(at >= 0, v[np.maximum(at, 0)], 0.0) if len(t) else 0.0
    return "count", times, total


def _title(name: str) -> str:
    if name == MISFIRES:
        return say(f"lines.{MISFIRES}")
    known = signals.signal(name)
    return known.title if known else draw.plain(name)
