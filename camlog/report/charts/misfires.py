"""Do the misfires go with the cam? Rates per cylinder, and with and without cam error."""

from __future__ import annotations

from typing import Any

from camlog.analysis.findings import Findings
from camlog.numbers import number
from camlog.report.chart import Chart, error_bars, level, nothing, points
from camlog.report.palette import Role
from camlog.report.words import cam_title

KIND = "misfires"
UNIT = "per 1,000 rev"


def chart(findings: Findings, title: str = "") -> Chart:
    """Misfires per 1,000 revolutions: each cylinder left, with and without each cam's error right."""
    misfire = findings.misfire
    title = title or "Do the misfires go with a cam?"
    cylinders = [c for c in misfire.per_cylinder if c.rate.value is not None]
    if not cylinders:
        return nothing(KIND, title, misfire.rate.reason or "Misfire counts were not recorded.")
    limit = findings.limits["misfire_per_1000_rev"]
    rates = [c.rate for c in cylinders]
    bars: dict[str, Any] = {
        "type": "bar", "name": "cylinder", "x": [f"cyl {c.cylinder}" for c in cylinders], "y": [e.value for e in rates],
        "marker": {"color": "@actual"},
        "error_y": error_bars([e.low for e in rates], [e.value for e in rates], [e.high for e in rates]),
        "text": [f"{c.count} misfires in {c.revolutions:,.0f} revolutions" for c in cylinders], "textposition": "none",
        "hovertemplate": f"%{{y:.2f}} {UNIT}: %{{text}}", "showlegend": False, "meta": {"unit": UNIT},
    }  # fmt: skip
    traces = [bars]
    tied = [
        a
        for a in misfire.association
        if a.kind == "cam_error" and a.rate_with is not None and a.rate_without is not None
    ]
    for name, role, values in (
        ("cam near its command", Role("@third", "solid", "circle"), [a.rate_without for a in tied]),
        ("cam off its command", Role("@error", "solid", "square"), [a.rate_with for a in tied]),
    ):
        if tied:
            trace = points([0.0], [0.0], name, UNIT, role, digits=2, size=13)
            traces.append(trace | {"x": [_short(a.cam) for a in tied], "y": values, "xaxis": "x2"})
    high = max([e.value for e in rates] + [min(e.high, 3 * e.value + 1.0) for e in rates if e.high is not None]
               + [v for a in tied for v in (a.rate_with, a.rate_without)])  # fmt: skip
    near = high > 0.4 * limit.value
    layout: dict[str, Any] = {
        "hovermode": "closest",
        "shapes": [level(limit.value, f"limit {number(limit.value)}")] if near else [],
        "xaxis": {"type": "category", "domain": [0.0, 0.56 if tied else 1.0]},
        "yaxis": {"title": {"text": UNIT}, "range": [0, 1.15 * max(high, limit.value if near else 0.0, 0.1)], "fixedrange": True},
    }  # fmt: skip
    if tied:
        layout["xaxis2"] = {"type": "category", "domain": [0.64, 1.0], "range": [-0.6, len(tied) - 0.4]}
    said = misfire.pattern.reason
    holds = [a for a in tied if a.holds]
    if holds:
        said += f" They go with the error of the {', '.join(cam_title(a.cam).lower() for a in holds)}."
    elif tied:
        said += " They do not go with any cam's error more than chance would have it."
    note = "" if near else f"The limit, {number(limit.value)} {UNIT} ({limit.source}), is above the picture."
    return Chart(
        KIND, title, said, traces=tuple(traces), layout=layout, height=320, note=note,
        summary="Misfires per 1,000 revolutions of each cylinder, and with and without cam error.",
    )  # fmt: skip


def _short(cam: str) -> str:
    side, _, bank = cam.partition("_b")
    return f"{side} {bank}"
