"""What every chart over time shares: oil windows shaded, gaps, and the row of events and codes."""

from __future__ import annotations

from typing import Any

import numpy as np

from camlog.analysis.findings import Findings
from camlog.report.chart import axis_name, numbers, plain
from camlog.report.palette import window_role

GRID_S = 1.0
# A run of one oil window shorter than this is a reading that hovers about the boundary.
SHORTEST_RUN_S = 10.0
LABELLED_SHARE = 0.07
MOST_EVENTS = 400
_EVENT_SYMBOLS = {
    "marker": ("triangle-down", "@ink"),
    "gap": ("x", "@bad"),
    "reconnect": ("circle-open", "@soft"),
    "adapter_error": ("square-open", "@bad"),
    "code": ("diamond", "@error"),
}
_EVENT_WORDS = {
    "marker": "marker", "gap": "gap", "reconnect": "reconnected", "adapter_error": "adapter error", "code": "code",
}  # fmt: skip


def duration_s(findings: Findings) -> float:
    """The end of the recording's time axis."""
    time_s = findings.trace.time_s
    return float(time_s[-1]) if len(time_s) else 0.0


def window_runs(findings: Findings) -> list[tuple[float, float, int]]:
    """Runs (start_s, end_s, index) of the oil windows over the drive; short ones joined to their neighbour."""
    end = duration_s(findings)
    if end <= 0.0:
        return []
    grid = np.arange(0.0, end + GRID_S, max(GRID_S, end / 20_000))
    index = findings.conditions.windows.index_at(grid)
    edges = np.flatnonzero(np.diff(index)) + 1
    starts, ends = np.concatenate([[0], edges]), np.append(edges, len(grid))
    runs: list[tuple[float, float, int]] = []
    for a, b in zip(starts, ends, strict=True):
        run = (float(grid[a]), float(grid[min(b, len(grid) - 1)]), int(index[a]))
        if runs and (run[1] - run[0] < SHORTEST_RUN_S or run[2] == runs[-1][2]):
            runs[-1] = (runs[-1][0], run[1], runs[-1][2])
        else:
            runs.append(run)
    return [r for r in runs if r[2] >= 0]


def window_shapes(findings: Findings, *, labels: bool = True) -> list[dict[str, Any]]:
    """The oil windows as shaded stretches, each with its words where there is room."""
    total = max(duration_s(findings), 1e-9)
    shapes = []
    for start, end, index in window_runs(findings):
        window = findings.conditions.windows.windows[index]
        shape: dict[str, Any] = {
            "type": "rect", "xref": "x", "x0": start, "x1": end, "yref": "paper", "y0": 0, "y1": 1,
            "fillcolor": window_role(window).color, "opacity": 0.11, "line": {"width": 0}, "layer": "below",
        }  # fmt: skip
        shapes.append(shape)
        if labels and (end - start) / total >= LABELLED_SHARE:
            shapes.append(
                {
                    "type": "line",
                    "xref": "x",
                    "x0": start,
                    "x1": end,
                    "yref": "paper",
                    "y0": 1,
                    "y1": 1,
                    "line": {"color": window_role(window).color, "width": 3},
                    "label": {
                        "text": f"oil {window.label}",
                        "font": {"size": 11, "color": "@ink"},
                        "yanchor": "bottom",
                    },
                }  # fmt: skip
            )
    return shapes


def gap_shapes(findings: Findings) -> list[dict[str, Any]]:
    """What was not recorded, crossed out."""
    return [
        {
            "type": "rect",
            "xref": "x",
            "x0": g.start_s,
            "x1": g.end_s,
            "yref": "paper",
            "y0": 0,
            "y1": 1,
            "fillcolor": "@rule",
            "opacity": 0.45,
            "line": {"width": 1, "color": "@bad", "dash": "dot"},
            "layer": "below",
        }  # fmt: skip
        for g in findings.conditions.gaps[:MOST_EVENTS]
    ]


def events(findings: Findings) -> list[tuple[float, str, str]]:
    """What happened and when: (time_s, kind, text), codes of the snapshots among them."""
    found: list[tuple[float, str, str]] = []
    if findings.drive is not None:
        found += [(e.time_s, e.kind, e.text) for e in findings.drive.events]
    known = {(round(t), kind) for t, kind, _ in found}
    found += [(g.start_s, "gap", g.text or "nothing recorded") for g in findings.conditions.gaps
              if (round(g.start_s), "gap") not in known]  # fmt: skip
    found += [(c.first_seen_s, "code", c.code) for c in findings.codes.codes]
    end = duration_s(findings)
    return sorted((min(max(t, 0.0), end), kind, text) for t, kind, text in found)


def event_traces(findings: Findings, row: int) -> list[dict[str, Any]]:
    """One trace a kind of event, in a row of its own."""
    all_events = events(findings)
    traces = []
    for kind, (symbol, color) in _EVENT_SYMBOLS.items():
        here = [(t, text) for t, k, text in all_events if k == kind][:MOST_EVENTS]
        if here:
            traces.append(
                {
                    "type": "scatter",
                    "mode": "markers",
                    "name": _EVENT_WORDS[kind],
                    "yaxis": axis_name("y", row),
                    "x": numbers([t for t, _ in here]),
                    "y": numbers([0.5] * len(here)),
                    "text": [plain(text or _EVENT_WORDS[kind]) for _, text in here],
                    "hovertemplate": "%{text}",
                    "meta": {"unit": ""},
                    "marker": {
                        "symbol": symbol,
                        "color": color,
                        "size": 12,
                        "line": {"width": 2, "color": color},
                    },
                }  # fmt: skip
            )
    return traces
