"""Error, hold and rest by oil window: each figure with its interval beside its limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from camlog.analysis.estimate import Estimate
from camlog.limits import Limit
from camlog.numbers import number
from camlog.report.chart import (
    Chart,
    Request,
    area,
    axis_key,
    chart_kind,
    error_bars,
    level,
    limit_levels,
    points,
    row_axes,
    value_axis,
)  # fmt: skip
from camlog.report.palette import Role
from camlog.report.words import say

_BIAS, _SPREAD, _TOOTH = Role("@actual"), Role("@error", "solid", "square"), Role("@soft", "dashdot")
_HEADROOM = 1.35
_TOOTH_SHOWN = 0.35  # of a tooth: once the axis reaches that far, whole teeth are marked
_WIDEST_INTERVAL = 3.0  # times the value: beyond, an interval does not stretch the axis


@dataclass(frozen=True)
class _Row:
    """One row of a chart: named figures by oil window, the limit, whether it judges both sides of zero."""

    axis: str
    unit: str
    limit: Limit
    lines: Sequence[tuple[str, Role, Sequence[Estimate]]]
    both: bool = True

    @property
    def top(self) -> float:
        """Half the axis: room for every value, its interval where that is not absurdly wide, and the limit."""
        sizes = [self.limit.value]
        for e in (e for _, _, figures in self.lines for e in figures if e.value is not None):
            ends = [min(abs(end), _WIDEST_INTERVAL * abs(e.value) + self.limit.value) for end in (e.low, e.high) if end is not None]
            sizes += [abs(e.value), *ends]
        return _HEADROOM * max(sizes)


def _chart(request: Request, labels: Sequence[str], rows: Sequence[_Row], answer: str, **more: Any) -> Chart:
    """The rows over each other, one place an oil window."""
    domains, traces, shapes = row_axes([1.0] * len(rows), 0.1), [], []
    # Room at the right for the words of the limits.
    layout: dict[str, Any] = {"xaxis": {"type": "category", "title": {"text": say("axes.oil")}, "tickangle": 0,
                                        "range": [-0.5, len(labels) - 0.25]}}  # fmt: skip
    for i, row in enumerate(rows):
        top, limit = row.top, row.limit.value
        for name, role, figures in row.lines:
            trace = points([0.0], [0.0], request.say(f"lines.{name}"), row.unit, role, digits=2, size=12)
            traces.append(trace | {
                "x": list(labels), "y": [e.value for e in figures], "error_y": error_bars(figures),
                "text": [say("lines.pieces", count=e.count) for e in figures],
                "hovertemplate": f"{trace['name']}: %{{y:.2f}} {row.unit} (%{{text}})",
            } | ({"yaxis": f"y{i + 1}"} if i else {}))  # fmt: skip
        shapes += [area(-limit if row.both else 0.0, limit, row=i), *limit_levels(row.limit, both=row.both, row=i)]
        layout[axis_key("y", i)] = value_axis(say(f"axes.{row.axis}"), range=[-top if row.both else 0, top])
        if len(rows) > 1:
            layout[axis_key("y", i)]["domain"] = domains[i]
            layout["xaxis"]["anchor"] = f"y{len(rows)}"
    return request.chart(traces, layout | {"shapes": shapes}, answer, **{"height": 300} | more)


@chart_kind("error", "windows")
def error(request: Request) -> Chart:
    """Mean error and the error 95 % of the readings stay within, at steady command, by oil window."""
    tracking = request.examination.tracking
    shown = [(w.label, t) for w, t in tracking.windows if w in request.windows and t.bias_deg]
    if not shown:
        return request.nothing(tracking.bias_deg.reason or request.say("nothing"))
    limit = request.limit("p95_abs_deg")
    lines = [("mean", _BIAS, [t.bias_deg for _, t in shown]), ("within", _SPREAD, [t.p95_abs_deg for _, t in shown])]
    label, worst = max(shown, key=lambda row: abs(row[1].p95_abs_deg.value or 0.0))
    answer = request.say("answer", oil=label, p95=worst.p95_abs_deg, limit=limit)
    return _chart(request, [label for label, _ in shown], [_Row("error", "deg", limit, lines)], answer)


@chart_kind("hold", "windows")
def hold(request: Request) -> Chart:
    """Flutter above, drift below, by oil window."""
    found = request.examination.hold
    shown = [(w.label, h) for w, h in found.windows if w in request.windows and h.flutter_rms_deg]
    if not shown:
        return request.nothing(found.flutter_rms_deg.reason or request.say("nothing"))
    flutter, drift = request.limit("flutter_rms_deg"), request.limit("drift_deg_per_s")
    rows = [
        _Row("flutter", "deg", flutter, [("flutter", _SPREAD, [h.flutter_rms_deg for _, h in shown])], both=False),
        _Row("drift", "deg/s", drift, [("drift", _BIAS, [h.drift_deg_per_s for _, h in shown])]),
    ]
    label, worst = max(shown, key=lambda row: row[1].flutter_rms_deg.value)
    answer = request.say("answer", oil=label, flutter=worst.flutter_rms_deg, limit=flutter, swing=found.oscillation)
    return _chart(request, [label for label, _ in shown], rows, answer, height=380, note=found.aliasing)


@chart_kind("rest", "windows")
def rest(request: Request) -> Chart:
    """Rest offset at warm idle and by oil window, in degrees and crank-sprocket teeth."""
    found, limit = request.examination.rest, request.limit("rest_offset_deg")
    shown = [(w.label, e) for w, e in found.windows if w in request.windows and e]
    shown += [(request.say("warm_idle"), found.offset_deg)] if found.offset_deg else []
    if not shown:
        return request.nothing(found.offset_deg.reason or request.say("nothing"))
    row = _Row("off_rest", "deg", limit, [("offset", _BIAS, [e for _, e in shown])])
    answer = request.say("answer", rest=found, limit=limit, beyond=abs(found.offset_deg.value or 0.0) > limit.value)
    chart = _chart(request, [label for label, _ in shown], [row], answer, note=found.conditions)
    engine = request.findings.profile.engine if request.findings.profile is not None else None
    if engine is not None and engine.crank_sprocket_teeth:
        tooth, top = 360.0 / engine.crank_sprocket_teeth, row.top
        if _TOOTH_SHOWN * tooth < top:
            top = max(top, 1.1 * tooth)
            chart.layout["yaxis"]["range"] = [-top, top]
            chart.layout["shapes"] += [
                level(sign * tooth, request.say("tooth", side=side, deg=number(tooth)), role=_TOOTH, right=False)
                for sign, side in ((1.0, "advanced"), (-1.0, "retarded"))
            ]
    return chart
