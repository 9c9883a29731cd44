"""Do the misfires go with the cam? Rates per cylinder, and with and without cam error."""

from __future__ import annotations

from typing import Any

from camlog.cams import bank_of, side_of
from camlog.cams import title as cam_title
from camlog.numbers import number
from camlog.report.chart import Chart, Request, chart_kind, error_bars, level, points, value_axis
from camlog.report.palette import Role
from camlog.report.words import say

UNIT = "per 1,000 rev"
NEAR_SHARE = 0.4  # of the limit: below, the limit would press the picture to the ground
_NEAR, _OFF = Role("@third"), Role("@error", "solid", "square")


@chart_kind("misfires", per_cam=False)
def misfires(request: Request) -> Chart:
    """Misfires per 1,000 revolutions: each cylinder left, with and without each cam's error right."""
    misfire, limit = request.findings.misfire, request.findings.limits["misfire_per_1000_rev"]
    cylinders = [c for c in misfire.per_cylinder if c.rate]
    if not cylinders:
        return request.nothing(misfire.rate.reason or request.say("nothing"))
    rates = [c.rate for c in cylinders]
    tied = [a for a in misfire.association if a.kind == "cam_error" and None not in (a.rate_with, a.rate_without)]
    high = max([e.value for e in rates] + [min(e.high, 3 * e.value + 1.0) for e in rates if e.high is not None]
               + [v for a in tied for v in (a.rate_with, a.rate_without)])  # fmt: skip
    near = high > NEAR_SHARE * limit.value
    traces: list[dict[str, Any]] = [{
        "type": "bar", "name": request.say("lines.cylinder"), "y": [e.value for e in rates], "error_y": error_bars(rates),
        "x": [request.say("cylinder", number=c.cylinder) for c in cylinders], "marker": {"color": "@actual"},
        "text": [request.say("count", c=c) for c in cylinders], "textposition": "none", "meta": {"unit": UNIT},
        "hovertemplate": f"%{{y:.2f}} {UNIT}: %{{text}}", "showlegend": False,
    }]  # fmt: skip
    top = 1.15 * max(high, limit.value if near else 0.0, 0.1)
    layout: dict[str, Any] = {
        "hovermode": "closest", "yaxis": value_axis(UNIT, range=[0, top]),
        "shapes": [level(limit.value, say("axes.limit", value=number(limit.value)))] if near else [],
        "xaxis": {"type": "category", "domain": [0.0, 0.56 if tied else 1.0]},
    }  # fmt: skip
    if tied:
        layout["xaxis2"] = {"type": "category", "domain": [0.64, 1.0], "range": [-0.6, len(tied) - 0.4]}
        cams = [f"{side_of(a.cam)} {bank_of(a.cam)}" for a in tied]
        for name, role, values in (
            ("near", _NEAR, [a.rate_without for a in tied]), ("off", _OFF, [a.rate_with for a in tied])
        ):  # fmt: skip
            trace = points([0.0], [0.0], request.say(f"lines.{name}"), UNIT, role, digits=2, size=13)
            traces.append(trace | {"x": cams, "y": values, "xaxis": "x2"})
    answer = request.say("answer", pattern=misfire.pattern.reason, tied=bool(tied),
                         cams=[cam_title(a.cam).lower() for a in tied if a.holds])  # fmt: skip
    return request.chart(traces, layout, answer, note="" if near else request.say("note", limit=limit))
