"""How does the cam respond to a step? The responses over each other, by direction and oil window."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.findings import Findings
from camlog.analysis.response.step_pool import T63, T86, StepSummary
from camlog.analysis.response.steps import CommandSteps, find_steps
from camlog.report.chart import Chart, Request, chart_kind, line, rule, value_axis
from camlog.report.palette import Role, window_role
from camlog.report.thin import spread_choice
from camlog.report.words import say

MOST_STEPS = 10  # of one direction and window; an even choice over the drive
MOST_READINGS = 48  # of one answer
FEW_STEPS = 3
BEFORE_S, SHOWN_MIN_S, SHOWN_MAX_S = 0.4, 1.2, 8.0
LEVEL_S = 0.4  # before the step; the cam's start angle is taken from the readings in this time
SAME_STEP_S = 0.05
LOWEST, HIGHEST = -25, 145  # of the axis, percent of the way
WAYS = ("advance", "retard")
TOLD_CHANGES = 2
_LEVEL, _BEFORE, _AFTER = Role("@soft", "dot"), Role("@soft"), Role("@after", symbol="square")


@chart_kind("steps", "windows", "seconds")
def steps(request: Request) -> Chart:
    """Share of the step completed against the time after the command, advance on the left and retard on the right."""
    response = request.examination.response
    responses = [
        (w, r) for w, r in response.by_window.items() if w in request.windows and r.advance.steps + r.retard.steps
    ]
    if not responses:
        return request.nothing(request.say("nothing", reason=response.advance.t63.reason or response.retard.t63.reason))
    commands = find_steps(request.data)
    shown_s = request.seconds or _shown_s(s for _, r in responses for s in (r.advance, r.retard))
    traces: list[dict[str, Any]] = []
    shapes: list[dict[str, Any]] = []
    for axis, direction in zip(("x", "x2"), WAYS, strict=True):
        for window, r in responses:
            summary, role, label = getattr(r, direction), window_role(window), say("lines.oil", window=window.label)
            answers = _answers(request.data, commands, summary, shown_s)
            if answers is None:
                continue
            traces.append(_answer_line(answers, label, role, axis, traces))
            shapes += [rule(e.value, e.value, LOWEST, 100.0 * share, role, xref=axis, width=width)
                       for e, share, width in ((summary.t63, T63, 2.6), (summary.t86, T86, 1.2)) if e]  # fmt: skip
    if not traces:
        return request.nothing(request.say("too_few"))
    layout, note = _layout(request, shown_s, shapes), request.say("note", most=MOST_STEPS)
    return request.chart(traces, layout, _slowest(request), height=380, note=note)


def _shown_s(summaries: Iterable[StepSummary]) -> float:
    """How long (s) after the command the responses are shown: twice the time until the latest has arrived."""
    late_s = max((s.t86.value or s.t86.low or 0.0 for s in summaries), default=0.0)
    return float(np.clip(2.0 * late_s + 0.4, SHOWN_MIN_S, SHOWN_MAX_S))


def _answer_line(
    answers: tuple[np.ndarray, np.ndarray], label: str, role: Role, axis: str, others: list[dict[str, Any]]
) -> dict[str, Any]:
    """The responses to some steps as one line, with one entry in the legend."""
    return line(
        *answers, label, "%", role, width=1.4, opacity=0.7, legendgroup=label, meta={"unit": "%"},
        showlegend=all(t["name"] != label for t in others), hovertemplate="%{x:.2f} s: %{y:.0f} %",
    ) | {"xaxis": axis}  # fmt: skip


def _layout(request: Request, shown_s: float, shapes: list[dict[str, Any]]) -> dict[str, Any]:
    """The layout: advance on the left and retard on the right, both in percent of the step."""
    levels = [rule(0, 1, 100.0 * s, 100.0 * s, _LEVEL, xref="paper", width=1) for s in (T63, T86, 1.0)]
    across = {"range": [-BEFORE_S, shown_s], "nticks": 4, "tickangle": 0}
    # A chart on a card is too low for two labels as close as 86 and 100 %.
    ticks = [0, 63, 100] if request.small else [0, 63, 86, 100]
    return {
        "hovermode": "closest", "shapes": [*shapes, *levels],
        "xaxis": across | {"title": {"text": say("steps.axes.advance")}, "domain": [0.0, 0.475]},
        "xaxis2": across | {"title": {"text": say("steps.axes.retard")}, "domain": [0.525, 1.0]},
        "yaxis": value_axis(say("steps.axes.way"), range=[LOWEST, HIGHEST], tickvals=ticks, zeroline=False),
    }  # fmt: skip


def overlaid_steps(before: Findings, after: Findings, cam: str, told: Sequence[str]) -> Chart:
    """The responses of both drives over each other, in the oil windows that both reached; `told` are sentences on the
    changes."""
    request = Request("overlaid", after, cam, small=True)
    if cam not in before.cams or cam not in after.cams:
        return request.nothing(say("pair.no_chart"))
    one, two = (f.cams[cam].examination.response.by_window for f in (before, after))
    shared = {way: [(getattr(one[w], way), getattr(two[w], way)) for w in one if w in two] for way in WAYS}
    shared = {way: [pair for pair in pairs if all(s.steps for s in pair)] for way, pairs in shared.items()}
    shown_s = _shown_s(s for pairs in shared.values() for pair in pairs for s in pair)
    both_data = [f.cams[cam].examination.data for f in (before, after)]
    sides = [(data, find_steps(data), role) for data, role in zip(both_data, (_BEFORE, _AFTER), strict=True)]
    traces: list[dict[str, Any]] = []
    for axis, pairs in zip(("x", "x2"), shared.values(), strict=True):
        for side, (data, commands, role) in enumerate(sides):
            answers = [_answers(data, commands, pair[side], shown_s) for pair in pairs]
            drawn = [a for a in answers if a is not None]
            if drawn:
                both = np.concatenate([x for x, _ in drawn]), np.concatenate([y for _, y in drawn])
                traces.append(_answer_line(both, say(("pair.before", "pair.after")[side]).lower(), role, axis, traces))
    if len(traces) < len(WAYS):
        return request.nothing(request.say("nothing"))
    return request.chart(traces, _layout(request, shown_s, []), " ".join(told[:TOLD_CHANGES]))


def _slowest(request: Request) -> str:
    """A sentence on the slowest window and direction, compared with its limit."""
    rows: list[dict[str, Any]] = []
    for window, r in request.examination.response.by_window.items():
        limit = request.limit("t63_s", window)
        for direction, s in (("advance", r.advance), ("retard", r.retard)):
            value = s.t63.value if s.t63 else s.t63.low
            if value is not None and window in request.windows:
                oil = {"direction": direction, "oil": window.label, "limit": limit}
                rows.append({"bound": not s.t63, "value": value, "count": s.steps, **oil})
    # One or two steps say little about the cam, so windows with more are preferred.
    rows = [row for row in rows if row["count"] >= FEW_STEPS] or rows
    if not rows:
        return request.say("not_measured")
    return request.say("answer", **max(rows, key=lambda row: row["value"] / row["limit"].value))


def _answers(
    data: CamData, commands: CommandSteps, summary: StepSummary, shown_s: float
) -> tuple[np.ndarray, np.ndarray] | None:
    """Readings of the summary's steps with NaN between steps: time after the step (s), share completed (percent)."""
    if not len(commands) or not summary.times_s:
        return None
    t, a, pieces = data.actual_time_s, data.actual_deg, []
    for time_s in np.asarray(summary.times_s)[spread_choice(len(summary.times_s), MOST_STEPS)]:
        i = int(np.argmin(np.abs(commands.time_s - time_s)))
        if abs(commands.time_s[i] - time_s) > SAME_STEP_S:
            continue
        start_s, end_s = commands.start_s[i], commands.end_s[i] + commands.hold_after_s[i]
        before = a[np.searchsorted(t, start_s - LEVEL_S) : np.searchsorted(t, start_s, side="right")]
        first, last = np.searchsorted(t, [time_s - BEFORE_S, time_s + min(shown_s, end_s - time_s)])
        if last - first < 3 or not len(before):
            continue
        keep = first + spread_choice(last - first, MOST_READINGS)
        share = 100.0 * (a[keep] - np.median(before)) / (commands.to_deg[i] - commands.from_deg[i])
        pieces += [(t[keep] - time_s, np.clip(share, -60.0, 200.0)), ([np.nan], [np.nan])]
    return (np.concatenate([x for x, _ in pieces]), np.concatenate([y for _, y in pieces])) if pieces else None
