"""One chart: its question, its answer, its Plotly figure as plain values, and the table of all kinds.

Colours are written `@name` (see `palette`); arrays are base64 of 32-bit floats, as plotly.js reads them. Text typed by
a person goes through `plain`, because Plotly interprets some tags in its texts.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.examine import Examination
from camlog.analysis.estimate import Estimate
from camlog.analysis.figures import limit_of
from camlog.analysis.findings import Findings
from camlog.cams import title as cam_title
from camlog.limits import Limit
from camlog.messages import capital
from camlog.numbers import unit_words, with_unit
from camlog.oil_windows import OilWindow
from camlog.report.palette import LIMIT, Role
from camlog.report.thin import line_points
from camlog.report.words import say
from camlog.units import shown_value
from camlog.visible import visible

LEAST_SPAN_DEG = 8.0
MOST_POINTS = 6_000  # of one line over time


@dataclass(frozen=True)
class Chart:
    """`kind` and `cam` identify it; `title` is the question, `answer` the sentence that answers it.

    `traces` and `layout` are Plotly's. `timed` charts share one time axis (seconds of the recording) and zoom together;
    `clock` charts only show recording time on it. `summary` is the text for screen readers. `empty` is the reason if
    there is nothing to draw ("" otherwise).
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
    summary: str = ""
    empty: str = ""
    note: str = ""

    def spec(self) -> dict[str, Any]:
        """The values that the page's script draws."""
        return {"data": list(self.traces), "layout": self.layout, "timed": self.timed,
                "clock": self.clock or self.timed, "height": self.height}  # fmt: skip


@dataclass(frozen=True)
class Request:
    """The inputs of a chart: the drive, the cam, the oil windows to show, the keys from the dashboard.

    `points` limits a line over time; a `small` chart is on the card of its cam, whose heading names the cam.
    """

    kind: str
    findings: Findings
    cam: str = ""
    windows: tuple[OilWindow, ...] = ()
    points: int = MOST_POINTS
    title: str = ""
    signals: tuple[str, ...] | None = None
    seconds: float | None = None
    small: bool = False

    @property
    def examination(self) -> Examination:
        return self.findings.cams[self.cam].examination

    @property
    def data(self) -> CamData:
        return self.examination.data

    def limit(self, figure: str, window: OilWindow | None = None) -> Limit:
        """The limit of the figure `name`."""
        return limit_of(figure, self.findings.limits, window)

    def say(self, name: str, **values) -> str:
        """A sentence of this kind of chart."""
        return say(f"{self.kind}.{name}", **values)

    def chart(self, traces: Sequence[dict[str, Any]], layout: dict[str, Any], answer: str, *,
              question: str = "", **more) -> Chart:  # fmt: skip
        """The chart with its title; `question` replaces the usual title of its kind."""
        if "summary" not in more:
            more["summary"] = self.say("summary")
        return Chart(self.kind, self._heading(question), answer, self.cam, tuple(traces), layout, **more)

    def nothing(self, reason: str) -> Chart:
        """A chart that cannot be drawn; it shows the reason."""
        return Chart(self.kind, self._heading(), cam=self.cam, empty=reason)

    def _heading(self, question: str = "") -> str:
        words = self.title or question or self.say("title")
        return f"{cam_title(self.cam)}: {words}" if self.cam and not self.small else capital(words)


@dataclass(frozen=True, slots=True)
class ChartKind:
    """A kind of chart for dashboards: `draw` makes it, `per_cam` means one for each cam, `takes` are its further
    keys."""

    draw: Callable[[Request], Chart]
    per_cam: bool
    takes: tuple[str, ...]


KINDS: dict[str, ChartKind] = {}


def chart_kind(name: str, *takes: str, per_cam: bool = True) -> Callable:
    """Register the decorated function as the chart `name`; its words are the table `name` in `messages.toml`."""

    def register(draw: Callable[[Request], Chart]) -> Callable[[Request], Chart]:
        KINDS[name] = ChartKind(draw, per_cam, takes)
        return draw

    return register


def plain(text: str) -> str:
    """Text for a Plotly label: without tags or hidden characters, and cut to the length of a label."""
    text = visible(text.replace("\n", " ").replace("\t", " "))
    text = text if len(text) <= 120 else text[:117] + "..."
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def numbers(values: Any) -> dict[str, str]:
    """An array as plotly.js reads it: 32-bit floats in base64. NaN breaks a line."""
    array = np.ascontiguousarray(values, dtype="<f4")
    return {"dtype": "f4", "bdata": base64.b64encode(array.tobytes()).decode("ascii")}


# ---------------------------------------------------------------- axes


def row_axes(weights: Sequence[float], spacing: float = 0.05) -> list[tuple[float, float]]:
    """Domains of stacked rows, the first on top, with heights proportional to `weights`."""
    heights = (1.0 - spacing * (len(weights) - 1)) * np.asarray(weights) / sum(weights)
    tops = 1.0 - np.concatenate([[0.0], np.cumsum(heights + spacing)[:-1]])
    return [(round(max(t - h, 0.0), 4), round(t, 4)) for t, h in zip(tops.tolist(), heights.tolist(), strict=True)]


def axis_name(letter: str, row: int) -> str:
    """Plotly's name of the axis of a row from 0: `y`, `y2` ..."""
    return letter if row == 0 else f"{letter}{row + 1}"


def axis_key(letter: str, row: int) -> str:
    """The layout key of that axis: `yaxis`, `yaxis2` ..."""
    return f"{letter}axis" if row == 0 else f"{letter}axis{row + 1}"


def value_axis(title: str, **more: Any) -> dict[str, Any]:
    """An axis of values, which cannot be zoomed."""
    return {"title": {"text": title}, "fixedrange": True} | more


def angle_axis(*angles: np.ndarray) -> dict[str, Any]:
    """An axis of angles, at least LEAST_SPAN_DEG high, because otherwise noise would look like motion."""
    axis, values = value_axis(say("axes.angle")), np.concatenate(angles)
    if len(values):
        low, high = float(np.nanmin(values)), float(np.nanmax(values))
        if high - low < LEAST_SPAN_DEG:
            middle = 0.5 * (low + high)
            axis["range"] = [middle - 0.5 * LEAST_SPAN_DEG, middle + 0.5 * LEAST_SPAN_DEG]
    return axis


def time_axis(end_s: float, start_s: float = 0.0) -> dict[str, Any]:
    """The shared time axis: seconds of the recording, labelled in minutes if that is shorter."""
    return {"title": {"text": say("axes.time")}, "range": [start_s, max(end_s, start_s + 1.0)]}


# ---------------------------------------------------------------- lines and points


def line(x: Any, y: Any, name: str, unit: str, role: Role, *, row: int = 0, digits: int = 1,
         width: float = 1.6, **more: Any) -> dict[str, Any]:  # fmt: skip
    """A line trace that shows values and unit on hover."""
    style = {"mode": "lines", "line": {"color": role.color, "dash": role.dash, "width": width}, "connectgaps": False}
    return _trace(x, y, name, unit, digits) | {"xaxis": "x", "yaxis": axis_name("y", row)} | style | more


def points(x: Any, y: Any, name: str, unit: str, role: Role, *, digits: int = 1, size: int = 7,
           **more: Any) -> dict[str, Any]:  # fmt: skip
    """A trace of markers that shows values and unit on hover."""
    style = {"mode": "markers", "marker": {"color": role.color, "symbol": role.symbol, "size": size}}
    return _trace(x, y, name, unit, digits) | style | more


def _trace(x: Any, y: Any, name: str, unit: str, digits: int) -> dict[str, Any]:
    label = unit_words(unit)
    return {"type": "scatter", "name": name, "x": numbers(x), "y": numbers(shown_value(y, unit)), "meta": {"unit": label},
            "hovertemplate": f"%{{y:.{digits}f}} {label}".strip()}  # fmt: skip


def signal_line(time_s: np.ndarray, value: np.ndarray, name: str, unit: str, role: Role, budget: int,
                gaps: Sequence[tuple[float, float]] = (), **more: Any) -> dict[str, Any]:  # fmt: skip
    """A signal of the recording as a line of at most about `budget` points, broken where nothing was read."""
    return line(*line_points(time_s, value, budget, gaps), name, unit, role, **more)


def error_bars(figures: Sequence[Estimate]) -> dict[str, Any]:
    """Plotly's asymmetric error bars for 95 % intervals; no bar if an end is unknown."""
    ends = [(e.value or 0.0, *(e.interval or (e.value or 0.0,) * 2)) for e in figures]
    up, down = [max(high - value, 0.0) for value, _, high in ends], [max(value - low, 0.0) for value, low, _ in ends]
    style = {"color": "@soft", "thickness": 2, "width": 6}
    return {"type": "data", "symmetric": False, "array": up, "arrayminus": down} | style


# ---------------------------------------------------------------- shapes


def rule(x0: float, x1: float, y0: float, y1: float, role: Role, *, xref: str = "x", yref: str = "y",
         width: float = 1.4, text: str = "", **label: Any) -> dict[str, Any]:  # fmt: skip
    """A straight line, with its text if there is any."""
    shape = {"type": "line", "xref": xref, "x0": x0, "x1": x1, "yref": yref, "y0": y0, "y1": y1,
             "line": {"color": role.color, "dash": role.dash, "width": width}}  # fmt: skip
    font = {"size": 11, "color": "@ink"}
    return shape | ({"label": {"text": text, "yanchor": "bottom", "font": font} | label} if text else {})


def rectangle(x0: float, x1: float, y0: float, y1: float, color: str, *, xref: str = "x", yref: str = "y",
              **more: Any) -> dict[str, Any]:  # fmt: skip
    """A filled stretch behind the lines."""
    return {"type": "rect", "xref": xref, "x0": x0, "x1": x1, "yref": yref, "y0": y0, "y1": y1, "fillcolor": color,
            "line": {"width": 0}, "layer": "below"} | more  # fmt: skip


def level(value: float, text: str, *, row: int = 0) -> dict[str, Any]:
    """A horizontal line over the whole width at `value`, with its text: a limit, or the zero of an error."""
    return rule(0, 1, value, value, LIMIT, xref="paper", yref=axis_name("y", row), text=text, textposition="end",
                font={"size": 12, "color": "@ink"})  # fmt: skip


def limit_levels(limit: Limit, *, row: int = 0) -> list[dict[str, Any]]:
    """A limit as a line with its text, and the same on the other side of zero."""
    words = say("axes.limit", value=with_unit(limit.value, limit.unit))
    return [level(limit.value, words, row=row), level(-limit.value, "", row=row)]


def stretch(start: float, end: float, color: str = "@shade", **more: Any) -> dict[str, Any]:
    """A stretch of time over the whole height."""
    return rectangle(start, end, 0, 1, color, yref="paper", **more)
