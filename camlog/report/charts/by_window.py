"""Error, hold and rest by oil window: each figure with its interval beside its limit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from camlog.analysis.estimate import Estimate
from camlog.analysis.figures import limit_of
from camlog.analysis.findings import Findings
from camlog.numbers import number, with_unit
from camlog.oil_windows import OilWindow
from camlog.report.chart import Chart, area, axis_key, error_bars, level, nothing, points, row_axes
from camlog.report.palette import Role
from camlog.report.words import cam_title

ERROR_KIND, HOLD_KIND, REST_KIND = "error", "hold", "rest"
_BIAS = Role("@actual", "solid", "circle")
_SPREAD = Role("@error", "solid", "square")
_SPAN = 1.35


def error_chart(findings: Findings, cam: str, windows: tuple[OilWindow, ...], title: str = "") -> Chart:
    """Mean error and the error 95 % of the readings stay within, at steady command, by oil window."""
    tracking = findings.cams[cam].examination.tracking
    title = title or f"{cam_title(cam)}: is the error the same in every oil window?"
    rows = [(w.label, t) for w, t in tracking.windows if w in windows and t.bias_deg.value is not None]
    if not rows:
        return nothing(
            ERROR_KIND, title, tracking.bias_deg.reason or "No settled readings in these oil windows.", cam
        )
    labels = [label for label, _ in rows]
    limit = limit_of("p95_abs_deg", findings.limits)
    traces = [
        _points(labels, [t.bias_deg for _, t in rows], "mean error", "deg", _BIAS),
        _points(labels, [t.p95_abs_deg for _, t in rows], "95 % of readings within", "deg", _SPREAD),
    ]
    top = _top([t.p95_abs_deg for _, t in rows] + [t.bias_deg for _, t in rows], limit.value)
    layout = {
        "shapes": [area(-limit.value, limit.value), level(limit.value, f"limit {number(limit.value)} deg"),
                   level(-limit.value, "")],
        "xaxis": _oil_axis(labels),
        "yaxis": {"title": {"text": "error, deg"}, "range": [-top, top], "fixedrange": True},
    }  # fmt: skip
    worst = max(rows, key=lambda r: abs(r[1].p95_abs_deg.value or 0.0))
    return Chart(
        ERROR_KIND, title,
        f"Largest with oil {worst[0]}: 95 % of the readings at a steady command within "
        f"{with_unit(worst[1].p95_abs_deg.value, 'deg')} (limit {number(limit.value)} deg, {limit.source}).",
        cam, tuple(traces), layout, 300, summary="Error at steady command by oil window.",
    )  # fmt: skip


def hold_chart(findings: Findings, cam: str, windows: tuple[OilWindow, ...], title: str = "") -> Chart:
    """Flutter above, drift below, by oil window."""
    hold = findings.cams[cam].examination.hold
    title = title or f"{cam_title(cam)}: does it hold still at a steady command?"
    rows = [(w.label, h) for w, h in hold.windows if w in windows and h.flutter_rms_deg.value is not None]
    if not rows:
        return nothing(
            HOLD_KIND, title, hold.flutter_rms_deg.reason or "Not measured in these oil windows.", cam
        )
    labels = [label for label, _ in rows]
    flutter, drift = limit_of("flutter_rms_deg", findings.limits), limit_of("drift_deg_per_s", findings.limits)
    traces = [
        _points(labels, [h.flutter_rms_deg for _, h in rows], "flutter (rms)", "deg", _SPREAD),
        _points(labels, [h.drift_deg_per_s for _, h in rows], "drift", "deg/s", _BIAS, row=1),
    ]
    top = _top([h.flutter_rms_deg for _, h in rows], flutter.value)
    side = _top([h.drift_deg_per_s for _, h in rows], drift.value)
    domains = row_axes([1.0, 1.0], 0.1)
    layout = {
        "shapes": [
            area(0.0, flutter.value), level(flutter.value, f"limit {number(flutter.value)} deg"),
            area(-drift.value, drift.value, row=1), level(drift.value, f"limit {number(drift.value)} deg/s", row=1),
            level(-drift.value, "", row=1),
        ],
        "xaxis": _oil_axis(labels) | {"anchor": "y2"},
        "yaxis": {"domain": domains[0], "title": {"text": "flutter, deg"}, "range": [0, top], "fixedrange": True},
        axis_key("y", 1): {"domain": domains[1], "title": {"text": "drift, deg/s"}, "range": [-side, side], "fixedrange": True},
    }  # fmt: skip
    worst = max(rows, key=lambda r: r[1].flutter_rms_deg.value)
    said = (
        f"Most with oil {worst[0]}: it wanders by typically {with_unit(worst[1].flutter_rms_deg.value, 'deg')} "
        f"(limit {number(flutter.value)} deg, {flutter.source})."
    )
    if hold.oscillation.found and hold.oscillation.amplitude_deg is not None:
        said += (
            f" It swings by {number(hold.oscillation.amplitude_deg)} deg, "
            f"{number(hold.oscillation.frequency_hz)} times a second."
        )
    return Chart(
        HOLD_KIND, title, said, cam, tuple(traces), layout, 380, note=hold.aliasing,
        summary="Flutter and drift at steady command by oil window.",
    )  # fmt: skip


def rest_chart(findings: Findings, cam: str, windows: tuple[OilWindow, ...], title: str = "") -> Chart:
    """Rest offset at warm idle and by oil window, in degrees and crank-sprocket teeth."""
    rest = findings.cams[cam].examination.rest
    title = title or f"{cam_title(cam)}: does it come to rest where it should?"
    rows = [(w.label, e) for w, e in rest.windows if w in windows and e.value is not None]
    if rest.offset_deg.value is not None:
        rows.append(("warm idle", rest.offset_deg))
    if not rows:
        return nothing(REST_KIND, title, rest.offset_deg.reason or "Not measured in these oil windows.", cam)
    labels = [label for label, _ in rows]
    limit = limit_of("rest_offset_deg", findings.limits)
    traces = [_points(labels, [e for _, e in rows], "off its rest position", "deg", _BIAS)]
    shapes = [
        area(-limit.value, limit.value),
        level(limit.value, f"limit {number(limit.value)} deg"),
        level(-limit.value, ""),
    ]
    values = [e for _, e in rows]
    engine = findings.profile.engine if findings.profile is not None else None
    top = _top(values, limit.value)
    if engine is not None and engine.crank_sprocket_teeth:
        tooth = 360.0 / engine.crank_sprocket_teeth
        for sign in (1.0, -1.0):
            if 0.35 * tooth < top:
                top = max(top, 1.1 * tooth)
                words = "one tooth " + ("advanced" if sign > 0 else "retarded")
                shapes.append(
                    level(
                        sign * tooth,
                        f"{words}, {number(tooth)} deg",
                        role=Role("@soft", "dashdot"),
                        right=False,
                    )
                )
    layout = {
        "shapes": shapes,
        "xaxis": _oil_axis(labels),
        "yaxis": {"title": {"text": "off rest, deg"}, "range": [-top, top], "fixedrange": True},
    }
    return Chart(
        REST_KIND, title, _rest_words(rest, limit), cam, tuple(traces), layout, 300, note=rest.conditions,
        summary="Offset from the rest position by oil window.",
    )  # fmt: skip


def _rest_words(rest: Any, limit: Any) -> str:
    offset = rest.offset_deg
    if offset.value is None:
        return f"At warm idle: not measured, {offset.reason}."
    side = "advanced" if offset.value > 0 else "retarded"
    said = (
        f"At warm idle it stands {number(abs(offset.value))} deg {side} of its rest position, "
        f"{rest.visits} time{'s' if rest.visits != 1 else ''} measured (limit {number(limit.value)} deg, {limit.source})."
    )
    if rest.teeth.value is not None and abs(offset.value) > limit.value:
        said += f" That is {number(abs(rest.teeth.value))} crank-sprocket teeth"
        if rest.chain_elongation_percent.value is not None:
            said += f", or a chain {number(rest.chain_elongation_percent.value)} % longer"
        said += "."
    return said


def _points(
    labels: Sequence[str], figures: Sequence[Estimate], name: str, unit: str, role: Role, row: int = 0
) -> dict[str, Any]:
    values = [e.value for e in figures]
    trace = points([0.0], [0.0], name, unit, role, digits=2, size=12)
    trace |= {
        "x": list(labels), "y": values,
        "error_y": error_bars([e.low for e in figures], values, [e.high for e in figures]),
        "text": [f"{e.count} pieces" for e in figures],
        "hovertemplate": f"{name}: %{{y:.2f}} {unit} (%{{text}})",
    }  # fmt: skip
    return trace | ({"yaxis": f"y{row + 1}"} if row else {})


def _oil_axis(labels: Sequence[str]) -> dict[str, Any]:
    """One place an oil window, with room at the right for the words of the limits."""
    return {"type": "category", "title": {"text": "oil"}, "range": [-0.5, len(labels) - 0.25], "tickangle": 0}


def _top(figures: Sequence[Estimate], limit: float) -> float:
    """Half the axis: room for every value, its interval where that is not absurdly wide, and the limit."""
    sizes = [limit]
    for e in figures:
        if e.value is not None:
            sizes += [
                abs(e.value),
                *[min(abs(end), 3.0 * abs(e.value) + limit) for end in (e.low, e.high) if end is not None],
            ]
    return _SPAN * max(sizes)
