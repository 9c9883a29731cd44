"""Which cylinders misfire? Rates per cylinder; their associations are in the table below the charts."""

from __future__ import annotations

from typing import Any

from camlog.cams import title as cam_title
from camlog.numbers import number
from camlog.report.chart import Chart, Request, chart_kind, error_bars, level, value_axis
from camlog.report.words import say

UNIT = "per 1,000 rev"
NEAR_SHARE = (
    0.4  # of the limit: if all rates are lower, the limit is not drawn, because the bars would become too small
)


@chart_kind("misfires", per_cam=False)
def misfires(request: Request) -> Chart:
    """Misfires per 1,000 revolutions of each cylinder, with their intervals."""
    misfire, limit = request.findings.misfire, request.findings.limits["misfire_per_1000_rev"]
    cylinders = [c for c in misfire.per_cylinder if c.rate]
    if not cylinders:
        return request.nothing(misfire.rate.reason or request.say("nothing"))
    rates = [c.rate for c in cylinders]
    values = [e.value or 0.0 for e in rates]
    high = max(
        [*values, *(min(e.high, 3.0 * v + 1.0) for e, v in zip(rates, values, strict=True) if e.high is not None)]
    )
    near = high > NEAR_SHARE * limit.value
    traces: list[dict[str, Any]] = [{
        "type": "bar", "name": request.say("lines.cylinder"), "y": values, "error_y": error_bars(rates),
        "x": [request.say("cylinder", number=c.cylinder) for c in cylinders], "marker": {"color": "@actual"},
        "text": [request.say("count", c=c) for c in cylinders], "textposition": "none", "meta": {"unit": UNIT},
        "hovertemplate": f"%{{y:.2f}} {UNIT}: %{{text}}", "showlegend": False,
    }]  # fmt: skip
    layout: dict[str, Any] = {
        "hovermode": "closest", "yaxis": value_axis(UNIT, range=[0, 1.15 * max(high, limit.value if near else 0.0, 0.1)]),
        "shapes": [level(limit.value, say("axes.limit", value=number(limit.value)))] if near else [],
        "xaxis": {"type": "category"},
    }  # fmt: skip
    tied = [a for a in misfire.association if a.kind == "cam_error" and a.p_adjusted is not None]
    cams = [cam_title(a.cam).lower() for a in tied if a.holds and a.cam]
    answer = request.say("answer", pattern=misfire.pattern.reason, tied=bool(tied), cams=cams)
    return request.chart(traces, layout, answer, height=260, note="" if near else request.say("note", limit=limit))
