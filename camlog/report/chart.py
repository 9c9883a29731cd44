"""One chart: what it asks, what it answers, and its Plotly figure as plain values.

Colours are written `@name` (see `palette`); arrays go as base64 of 32-bit floats, as plotly.js takes them.
Everything a person typed goes through `plain`: Plotly reads a few tags in its texts, and shows none of these.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from camlog.numbers import unit_words
from camlog.report.palette import LIMIT, Role
from camlog.report.thin import line_points
from camlog.visible import visible

LEAST_SPAN_DEG = 8.0


@dataclass(frozen=True)
class Chart:
    """`kind` and `cam` name it; `title` is the question, `answer` the sentence that answers it.

    `traces` and `layout` are Plotly's; `timed` charts share one time axis (seconds of the recording) and zoom
    together; `clock` charts only show recording time on it. `summary` is what a screen reader says. `empty` is why there is nothing to draw ("" otherwise).
    """

    kind: str
    title: str
    answer: str = ""
    cam: str = ""
    traces: tuple[dict[str, Any], ...] = ()
    layout: dict[str, Any] = field(default_factory=dict)
    height: int = 320
    timed: bool = False
    clock: bool = False
    two_line_ticks: bool = False
    summary: str = ""
    empty: str = ""
    note: str = ""

    def spec(self) -> dict[str, Any]:
        """What the page's script draws."""
        return {
            "data": list(self.traces), "layout": self.layout, "timed": self.timed, "clock": self.clock or self.timed,
            "height": self.height, "two_line_ticks": self.two_line_ticks,
        }  # fmt: skip


def nothing(kind: str, title: str, reason: str, cam: str = "") -> Chart:
    """A chart that cannot be drawn, with the reason in its place."""
    return Chart(kind, title, cam=cam, empty=reason)


def plain(text: str) -> str:
    """Text for a Plotly label: no tag, no hidden character, not longer than a label."""
    text = visible(text.replace("\n", " ").replace("\t", " "))
    text = text if len(text) <= 120 else text[:117] + "..."
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def numbers(values: Any) -> dict[str, str]:
    """An array as plotly.js takes it: 32-bit floats in base64. NaN breaks a line."""
    array = np.ascontiguousarray(values, dtype="<f4")
    return {"dtype": "f4", "bdata": base64.b64encode(array.tobytes()).decode("ascii")}


def row_axes(weights: Sequence[float], spacing: float = 0.05) -> list[tuple[float, float]]:
    """Domains of stacked rows, first on top, heights in proportion to `weights`."""
    usable = 1.0 - spacing * (len(weights) - 1)
    heights = [usable * w / sum(weights) for w in weights]
    found, top = [], 1.0
    for height in heights:
        found.append((round(max(top - height, 0.0), 4), round(top, 4)))
        top -= height + spacing
    return found


def axis_name(letter: str, row: int) -> str:
    """Plotly's name of the axis of a row from 0: `y`, `y2` ..."""
    return letter if row == 0 else f"{letter}{row + 1}"


def axis_key(letter: str, row: int) -> str:
    """The layout key of that axis: `yaxis`, `yaxis2` ..."""
    return f"{letter}axis" if row == 0 else f"{letter}axis{row + 1}"


def line(
    x: Any,
    y: Any,
    name: str,
    unit: str,
    role: Role,
    *,
    row: int = 0,
    digits: int = 1,
    column: int | None = None,
    **more: Any,
) -> dict[str, Any]:
    """A line trace with its values and unit on hovering."""
    width = more.pop("width", 1.6)
    shown = unit_words(unit)
    return {
        "type": "scatter", "mode": "lines", "name": name, "x": numbers(x), "y": numbers(y),
        "xaxis": axis_name("x", column if column is not None else 0), "yaxis": axis_name("y", row),
        "line": {"color": role.color, "dash": role.dash, "width": width},
        "hovertemplate": f"%{{y:.{digits}f}} {shown}".strip(), "connectgaps": False, "meta": {"unit": shown}, **more,
    }  # fmt: skip


def points(
    x: Any, y: Any, name: str, unit: str, role: Role, *, digits: int = 1, **more: Any
) -> dict[str, Any]:
    """A trace of markers with values and unit on hovering."""
    size = more.pop("size", 7)
    shown = unit_words(unit)
    trace = {
        "type": "scatter", "mode": "markers", "name": name, "x": numbers(x), "y": numbers(y),
        "marker": {"color": role.color, "symbol": role.symbol, "size": size},
        "hovertemplate": f"%{{y:.{digits}f}} {shown}".strip(), "meta": {"unit": shown},
    }  # fmt: skip
    return trace | more


def signal_line(
    time_s: np.ndarray, value: np.ndarray, name: str, unit: str, role: Role, budget: int,
    gaps: Sequence[tuple[float, float]] = (), **more: Any,
) -> dict[str, Any]:  # fmt: skip
    """A signal of the recording as a line of at most about `budget` points, broken where nothing was read."""
    x, y = line_points(time_s, value, budget, gaps)
    return line(x, y, name, unit, role, **more)


def error_bars(
    low: Sequence[float | None], value: Sequence[float | None], high: Sequence[float | None]
) -> dict[str, Any]:
    """Plotly's uneven error bars of 95 % intervals; no bar where an end is not known."""
    up = [0.0 if h is None or v is None else max(h - v, 0.0) for v, h in zip(value, high, strict=True)]
    down = [0.0 if lo is None or v is None else max(v - lo, 0.0) for v, lo in zip(value, low, strict=True)]
    return {
        "type": "data", "symmetric": False, "array": up, "arrayminus": down, "color": "@soft", "thickness": 2, "width": 6,
    }  # fmt: skip


def angle_axis(*angles: np.ndarray) -> dict[str, Any]:
    """An axis of angles that never magnifies less than LEAST_SPAN_DEG to the whole height: noise would look like motion."""
    values = np.concatenate(angles)
    axis: dict[str, Any] = {"title": {"text": "angle, deg"}, "fixedrange": True}
    if (
        len(values)
        and (high := float(np.nanmax(values))) - (low := float(np.nanmin(values))) < LEAST_SPAN_DEG
    ):
        middle = 0.5 * (low + high)
        axis["range"] = [middle - 0.5 * LEAST_SPAN_DEG, middle + 0.5 * LEAST_SPAN_DEG]
    return axis


def level(
    value: float, text: str, *, row: int = 0, role: Role = LIMIT, axis: str = "y", right: bool = True
) -> dict[str, Any]:
    """A horizontal line over the whole width at `value`, with its words: a limit, the zero of an error."""
    shape: dict[str, Any] = {
        "type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": axis_name(axis, row), "y0": value, "y1": value,
        "line": {"color": role.color, "dash": role.dash, "width": 1.4},
    }  # fmt: skip
    if text:
        shape["label"] = {
            "text": text, "textposition": "end" if right else "start", "yanchor": "bottom",
            "font": {"size": 12, "color": "@ink"},
        }  # fmt: skip
    return shape


def area(y0: float, y1: float, *, row: int = 0, color: str = "@band") -> dict[str, Any]:
    """A band over the whole width: where healthy cams are."""
    return {
        "type": "rect", "xref": "paper", "x0": 0, "x1": 1, "yref": axis_name("y", row), "y0": y0, "y1": y1,
        "fillcolor": color, "line": {"width": 0}, "layer": "below",
    }  # fmt: skip


def stretch(start: float, end: float, color: str = "@shade", *, layer: str = "below") -> dict[str, Any]:
    """A stretch of time over the whole height."""
    return {
        "type": "rect", "xref": "x", "x0": start, "x1": end, "yref": "paper", "y0": 0, "y1": 1,
        "fillcolor": color, "line": {"width": 0}, "layer": layer,
    }  # fmt: skip


def time_axis(duration_s: float, start_s: float = 0.0) -> dict[str, Any]:
    """The shared time axis: seconds of the recording, shown as minutes where that is shorter."""
    return {"title": {"text": "seconds of the recording"}, "range": [start_s, max(duration_s, start_s + 1.0)]}
