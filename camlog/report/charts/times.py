"""Parts of every chart over time: shaded oil windows, gaps, and the row of events and codes."""

from __future__ import annotations

from typing import Any

import numpy as np

from camlog.analysis.findings import Findings
from camlog.report.chart import axis_name, numbers, plain, rule, stretch
from camlog.report.palette import Role, window_role
from camlog.report.words import say

GRID_S, MOST_GRID = 1.0, 20_000
# A shorter run of one oil window is a temperature near the boundary.
SHORTEST_RUN_S = 10.0
LABELLED_SHARE = 0.07  # of the drive; a shorter stretch has no room for text
MOST_EVENTS = 400
# Drawn in this order; the codes of snapshots are events too.
_EVENT_LOOKS = {
    "marker": ("triangle-down", "@ink"), "gap": ("x", "@bad"), "reconnect": ("circle-open", "@soft"),
    "adapter_error": ("square-open", "@bad"), "code": ("diamond", "@error"),
}  # fmt: skip


def end_s(findings: Findings) -> float:
    """The end of the recording's time axis."""
    time_s = findings.trace.time_s
    return float(time_s[-1]) if len(time_s) else 0.0


def window_runs(findings: Findings) -> list[tuple[float, float, int]]:
    """Runs (start_s, end_s, index) of the oil windows over the drive; short runs are merged with a neighbour."""
    last = end_s(findings)
    if last <= 0.0:
        return []
    grid = np.arange(0.0, last + GRID_S, max(GRID_S, last / MOST_GRID))
    index = findings.conditions.windows.index_at(grid)
    edges = np.flatnonzero(np.diff(index)) + 1
    runs: list[tuple[float, float, int]] = []
    for a, b in zip([0, *edges], [*edges, len(grid) - 1], strict=True):
        start, end, window = float(grid[a]), min(float(grid[b]), last), int(index[a])
        if runs and (end - start < SHORTEST_RUN_S or window == runs[-1][2]):
            start, _, window = runs.pop()
        runs.append((start, end, window))
    return [run for run in runs if run[2] >= 0]


def window_shapes(findings: Findings) -> list[dict[str, Any]]:
    """The oil windows as shaded stretches, each with its text if there is room."""
    shapes = []
    for start, end, index in window_runs(findings):
        window = findings.conditions.windows.windows[index]
        color = window_role(window).color
        shapes.append(stretch(start, end, color, opacity=0.11))
        if (end - start) / end_s(findings) >= LABELLED_SHARE:
            text = say("lines.oil", window=window.label)
            shapes.append(rule(start, end, 1, 1, Role(color), yref="paper", width=3, text=text))
    return shapes


def gap_shapes(findings: Findings) -> list[dict[str, Any]]:
    """The gaps of the recording, crossed out."""
    rim = {"width": 1, "color": "@bad", "dash": "dot"}
    return [
        stretch(g.start_s, g.end_s, "@rule", opacity=0.45, line=rim) for g in findings.conditions.gaps[:MOST_EVENTS]
    ]


def events(findings: Findings) -> list[tuple[float, str, str]]:
    """The events as (time_s, kind, text), including the codes of snapshots."""
    happened: list[tuple[float, str, str]] = (
        [] if findings.drive is None else [(e.time_s, e.kind, e.text) for e in findings.drive.events]
    )
    times_known = {(round(t), kind) for t, kind, _ in happened}
    happened += [(g.start_s, "gap", g.text or say("events.nothing")) for g in findings.conditions.gaps
                 if (round(g.start_s), "gap") not in times_known]  # fmt: skip
    happened += [(c.first_seen_s, "code", c.code) for c in findings.codes.codes]
    end = end_s(findings)
    return sorted((min(max(t, 0.0), end), kind, text) for t, kind, text in happened)


def event_traces(findings: Findings, row: int) -> list[dict[str, Any]]:
    """One trace per kind of event, all in a separate row."""
    all_events, traces = events(findings), []
    for kind, (symbol, color) in _EVENT_LOOKS.items():
        of_kind = [(t, text) for t, k, text in all_events if k == kind][:MOST_EVENTS]
        word = say(f"events.{kind}")
        if of_kind:
            traces.append({
                "type": "scatter", "mode": "markers", "name": word, "yaxis": axis_name("y", row),
                "x": numbers([t for t, _ in of_kind]), "y": numbers([0.5] * len(of_kind)),
                "text": [plain(text or word) for _, text in of_kind], "hovertemplate": "%{text}", "meta": {"unit": ""},
                "marker": {"symbol": symbol, "color": color, "size": 12, "line": {"width": 2, "color": color}},
            })  # fmt: skip
    return traces
