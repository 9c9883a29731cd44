"""How does the cam answer a step? The answers laid over each other, by direction and oil window."""

from __future__ import annotations

from typing import Any

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.figures import limit_of
from camlog.analysis.findings import Findings
from camlog.analysis.response.step_pool import T63, T86, StepSummary
from camlog.analysis.response.steps import CommandSteps, find_steps
from camlog.numbers import number
from camlog.oil_windows import OilWindow
from camlog.report.chart import Chart, line, nothing
from camlog.report.palette import Role, window_role
from camlog.report.thin import spread_choice
from camlog.report.words import cam_title

KIND = "steps"
MOST_STEPS = 10  # of one direction and window; an even choice over the drive
MOST_READINGS = 48  # of one answer
FEW_STEPS = 3
BEFORE_S, SHOWN_MIN_S, SHOWN_MAX_S = 0.4, 1.2, 8.0
LEVEL_S = 0.4


def chart(
    findings: Findings,
    cam: str,
    windows: tuple[OilWindow, ...],
    title: str = "",
    seconds: float | None = None,
) -> Chart:
    """Share of the way covered against the time after the command, advance left and retard right."""
    x = findings.cams[cam].examination
    title = title or f"{cam_title(cam)}: how does it answer a step of its command?"
    here = [
        (w, r) for w, r in x.response.by_window.items() if w in windows and r.advance.steps + r.retard.steps
    ]
    if not here:
        reason = x.response.advance.t63.reason or x.response.retard.t63.reason or "no step was measured"
        return nothing(KIND, title, f"No step response was measured: {reason}.", cam)
    steps = find_steps(x.data)
    shown = seconds or _shown_s([s for _, r in here for s in (r.advance, r.retard)])
    traces: list[dict[str, Any]] = []
    shapes: list[dict[str, Any]] = []
    named: set[str] = set()
    for column, direction in enumerate(("advance", "retard")):
        for window, response in here:
            summary: StepSummary = getattr(response, direction)
            role = window_role(window)
            answers = _answers(x.data, steps, summary, shown)
            if answers is None:
                continue
            label = f"oil {window.label}"
            traces.append(
                line(*answers, label, "%", role, row=0, digits=0, width=1.3)
                | {
                    "xaxis": "x2" if column else "x", "opacity": 0.7, "legendgroup": label, "showlegend": label not in named,
                    "hovertemplate": "%{x:.2f} s: %{y:.0f} %", "meta": {"unit": "%"},
                }
            )  # fmt: skip
            named.add(label)
            shapes += _times(summary, column, role)
    if not traces:
        return nothing(KIND, title, "The readings around the steps are too few to draw.", cam)
    xaxis = {
        "title": {"text": "advance: s after the command"},
        "range": [-BEFORE_S, shown],
        "domain": [0.0, 0.475],
        "nticks": 4,
        "tickangle": 0,
    }
    layout = {
        "hovermode": "closest",
        "shapes": shapes + _levels(),
        "xaxis": xaxis,
        "xaxis2": xaxis | {"title": {"text": "retard: s after the command"}, "domain": [0.525, 1.0]},
        "yaxis": {"title": {"text": "way covered, %"}, "range": [-25, 145], "tickvals": [0, 63, 86, 100],
                  "fixedrange": True, "zeroline": False},
    }  # fmt: skip
    return Chart(
        KIND, title, answer(findings, cam, windows), cam, tuple(traces), layout, 380,
        summary="Step responses by direction and oil window.",
        note=f"At most {MOST_STEPS} answers of each direction and window are drawn; the figures rest on all. Zero is "
        "the middle of the command's own move. Vertical lines: T63 (thick) and T86 (thin), ANSI/ISA-TR75.25.02.",
    )  # fmt: skip


def answer(findings: Findings, cam: str, windows: tuple[OilWindow, ...]) -> str:
    """The slowest window and direction against its limit, in a sentence."""
    rows = []
    for window, r in findings.cams[cam].examination.response.by_window.items():
        limit = limit_of("t63_s", findings.limits, window)
        for word, s in (("advance", r.advance), ("retard", r.retard)):
            value = s.t63.value if s.t63.value is not None else s.t63.low
            if value is not None and window in windows:
                rows.append((value / limit.value, s.t63.value is None, value, word, window, limit, s.steps))
    if not rows:
        return "T63 was not measured."
    # An event or two is no property of the cam where there is better.
    rows = [r for r in rows if r[-1] >= FEW_STEPS] or rows
    _, bound, value, word, window, limit, count = max(rows, key=lambda r: r[0])
    took = "more than " if bound else ""
    return (
        f"Slowest: {word} steps with oil {window.label} take {took}{number(value)} s to 63 % of the way, from {count} "
        f"step{'s' if count != 1 else ''} (limit {number(limit.value)} s, {limit.source})."
    )


def _shown_s(summaries: list[StepSummary]) -> float:
    late = [e.value or e.low or 0.0 for s in summaries for e in (s.t86,)]
    return float(np.clip(2.0 * max(late, default=0.0) + 0.4, SHOWN_MIN_S, SHOWN_MAX_S))


def _answers(
    data: CamData, steps: CommandSteps, summary: StepSummary, shown_s: float
) -> tuple[np.ndarray, np.ndarray] | None:
    """Readings of the summary's steps, one after the other with NaN between: time after the step, share in percent."""
    if not len(steps) or not summary.times_s:
        return None
    times = np.asarray(summary.times_s)[spread_choice(len(summary.times_s), MOST_STEPS)]
    xs: list[np.ndarray] = []
    ys: list[np.ndarray] = []
    for time_s in times:
        i = int(np.argmin(np.abs(steps.time_s - time_s)))
        if abs(steps.time_s[i] - time_s) > 0.05:
            continue
        end = min(shown_s, steps.end_s[i] + steps.hold_after_s[i] - time_s)
        t, a = data.actual_time_s, data.actual_deg
        first, last = np.searchsorted(t, [time_s - BEFORE_S, time_s + end])
        before = a[
            np.searchsorted(t, steps.start_s[i] - LEVEL_S) : np.searchsorted(
                t, steps.start_s[i], side="right"
            )
        ]
        if last - first < 3 or not len(before):
            continue
        keep = first + spread_choice(last - first, MOST_READINGS)
        share = 100.0 * (a[keep] - np.median(before)) / (steps.to_deg[i] - steps.from_deg[i])
        xs += [t[keep] - time_s, np.array([np.nan])]
        ys += [np.clip(share, -60.0, 200.0), np.array([np.nan])]
    return (np.concatenate(xs), np.concatenate(ys)) if xs else None


def _times(summary: StepSummary, column: int, role: Role) -> list[dict[str, Any]]:
    found = []
    for figure, width in ((summary.t63, 2.6), (summary.t86, 1.2)):
        if figure.value is not None:
            found.append(
                {
                    "type": "line",
                    "xref": "x2" if column else "x",
                    "x0": figure.value,
                    "x1": figure.value,
                    "yref": "y",
                    "y0": -25,
                    "y1": 100.0 * (T63 if width > 2 else T86),
                    "line": {"color": role.color, "dash": role.dash, "width": width},
                }  # fmt: skip
            )
    return found


def _levels() -> list[dict[str, Any]]:
    return [
        {
            "type": "line",
            "xref": "paper",
            "x0": 0,
            "x1": 1,
            "yref": "y",
            "y0": 100.0 * share,
            "y1": 100.0 * share,
            "line": {"color": "@soft", "dash": "dot", "width": 1},
        }  # fmt: skip
        for share in (T63, T86, 1.0)
    ]
