"""What was the drive like? Any signals over time, one row a unit, with events, codes, gaps and oil windows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from camlog import signals
from camlog.analysis.findings import Findings
from camlog.numbers import unit_words
from camlog.report.chart import Chart, axis_key, nothing, plain, row_axes, signal_line, time_axis
from camlog.report.charts.times import duration_s, event_traces, events, gap_shapes, window_shapes
from camlog.report.palette import SERIES
from camlog.report.words import duration

KIND = "drive"
USUAL = ("engine_speed", "vehicle_speed", "coolant_temp", "oil_temp", "oil_pressure", "misfires")
MISFIRES = "misfires"  # all cylinders together
ROW_PX, EVENTS_PX, AROUND_PX = 105, 34, 100


def chart(findings: Findings, budget: int, names: Sequence[str] = USUAL, title: str = "") -> Chart:
    """The signals `names` (`misfires`: all counters added up) over the whole recording."""
    title = title or "What was the drive like?"
    found = [(n, unit, t, v) for n in names for unit, t, v in [_signal(findings, n)] if len(t)]
    if not found:
        return nothing(KIND, title, "None of these signals was recorded.")
    units = list(dict.fromkeys(unit for _, unit, _, _ in found))
    happened = bool(events(findings))
    rows = ([EVENTS_PX] if happened else []) + [ROW_PX] * len(units)
    domains = row_axes(rows, 0.035)
    first = 1 if happened else 0
    traces: list[dict[str, Any]] = event_traces(findings, 0) if happened else []
    layout: dict[str, Any] = {"shapes": window_shapes(findings) + gap_shapes(findings), "hovermode": "x"}
    notes: list[dict[str, Any]] = []
    end = duration_s(findings)
    if happened:
        layout["yaxis"] = {"domain": domains[0], "range": [0, 1], "showticklabels": False, "showgrid": False,
                           "fixedrange": True, "zeroline": False}  # fmt: skip
    for row, unit in enumerate(units, start=first):
        here = [x for x in found if x[1] == unit]
        layout[axis_key("y", row)] = {
            "domain": domains[row],
            "title": {"text": unit_words(unit) or "count"},
            "fixedrange": True,
        }
        if len(here) == 1:
            notes.append(_row_name(_title(here[0][0]), domains[row][1]))
        for place, (name, _, t, v) in enumerate(here):
            trace = signal_line(t, v, _title(name), unit, SERIES[place % len(SERIES)], budget,
                                findings.conditions.gap_intervals, row=row, digits=0 if unit in ("rpm", "count") else 1)  # fmt: skip
            if unit == "count":
                trace["line"]["shape"] = "hv"
            traces.append(trace | {"showlegend": len(here) > 1})
    layout["annotations"] = notes
    last = len(domains) - 1
    layout["xaxis"] = time_axis(end) | {"anchor": "y" if last == 0 else f"y{last + 1}"}
    return Chart(
        KIND, title, _answer(findings), traces=tuple(traces), layout=layout, timed=True,
        height=AROUND_PX + sum(rows), summary="Over time: " + ", ".join(_title(n) for n, *_ in found) + ".",
    )  # fmt: skip


def _row_name(text: str, top: float) -> dict[str, Any]:
    """The name of a row's one signal, in its upper left corner."""
    return {
        "text": text, "xref": "paper", "x": 0.005, "xanchor": "left", "yref": "paper", "y": top, "yanchor": "top",
        "showarrow": False, "bgcolor": "@ground", "opacity": 0.85, "font": {"size": 12, "color": "@ink"},
    }  # fmt: skip


def _signal(findings: Findings, name: str) -> tuple[str, np.ndarray, np.ndarray]:
    trace = findings.trace
    if name != MISFIRES:
        return (trace.units.get(name) or signals.unit_of(name), *trace.samples(name))
    counters = [trace.samples(signals.misfire(n)) for n in range(1, signals.MAX_CYLINDERS + 1)]
    counters = [c for c in counters if len(c[0])]
    if not counters:
        return "count", np.empty(0), np.empty(0)
    times = np.unique(np.concatenate([t for t, _ in counters]))
    total = np.zeros(len(times))
    for t, v in counters:
        at = np.searchsorted(t, times, side="right") - 1
        total += np.where(at >= 0, v[np.maximum(at, 0)], 0.0)
    return "count", times, total


def _title(name: str) -> str:
    if name == MISFIRES:
        return "Misfires, all cylinders"
    known = signals.signal(name)
    return known.title if known else plain(name)


def _answer(findings: Findings) -> str:
    c = findings.conditions
    parts = [
        f"{duration(c.duration_s)} recorded, engine running {duration(c.running_s)}: idle {duration(c.seconds['idle'])}, "
        f"steady driving {duration(c.seconds['cruise'])}, changing {duration(c.seconds['transient'])}."
    ]
    if c.gaps:
        lost = sum(g.end_s - g.start_s for g in c.gaps)
        parts.append(
            f"Nothing was recorded for {duration(lost)} in {len(c.gaps)} gap{'s' if len(c.gaps) > 1 else ''}."
        )
    if c.windows.source == "coolant_temp":
        parts.append("Oil temperature was not recorded: coolant temperature stands in for it.")
    elif c.windows.source is None:
        parts.append("Neither oil nor coolant temperature was recorded.")
    return " ".join(parts)
