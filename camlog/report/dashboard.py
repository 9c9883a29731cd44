"""Dashboard definitions: which charts a report shows, in which order, for which signals, cams and oil windows.

`dashboards/README.md` explains every key with an example. A wrong file is refused with file, line, key and remedy.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated

from annotated_types import Ge, Gt, Le, MaxLen, MinLen, Predicate

from camlog.analysis.findings import Findings
from camlog.cams import CAM_IDS
from camlog.errors import InputError
from camlog.oil_windows import WINDOW_WORDS, OilWindow, window_word
from camlog.places import dashboards_folder
from camlog.report import charts  # noqa: F401  registers the kinds
from camlog.report.chart import KINDS, MOST_POINTS, Chart, Request
from camlog.report.charts.drive import MISFIRES
from camlog.report.charts.drive import USUAL as USUAL_SIGNALS
from camlog.report.words import CONDITION_WORDS, rattles_at_s
from camlog.signals import SIGNALS, is_signal_name
from camlog.toml_file import Expected, TomlFile

SCHEMA = "camlog.dashboard/1"
USUAL = "test_drive"
MAX_FILE_BYTES = 200_000
MOST_CHARTS = 40
TABLES = ("causes", "figures", "codes", "coverage", "recording")
AUTO = "auto"
FORMER_KINDS = ("oil", "error", "hold", "rest")  # now part of the grid in every report

_unique = Predicate(lambda names: len(set(names)) == len(names))


def _one_of(words: Iterable[str]) -> Predicate:
    return Predicate(frozenset(words).__contains__)


Text = Annotated[str, MinLen(1), MaxLen(300), Expected("text in quotes, up to 300 characters")]
Kind = Annotated[str, _one_of((*KINDS, *FORMER_KINDS)), Expected("one of " + ", ".join(KINDS))]
_FIRST = (AUTO, *(k for k, v in KINDS.items() if v.per_cam), *FORMER_KINDS)
First = Annotated[str, _one_of(_FIRST), Expected("auto or a chart of one cam")]
_Signal = Annotated[str, Predicate(is_signal_name)]
_Window = Annotated[str, _one_of(WINDOW_WORDS)]
_Cam = Annotated[str, _one_of(CAM_IDS)]
_Table = Annotated[str, _one_of(TABLES)]
Signals = Annotated[tuple[_Signal, ...], MinLen(1), _unique, Expected("a list of signal names")]
Windows = Annotated[tuple[_Window, ...], MinLen(1), _unique, Expected("a list of " + ", ".join(WINDOW_WORDS))]
Cams = Annotated[tuple[_Cam, ...], MinLen(1), _unique, Expected("a list of " + ", ".join(CAM_IDS))]
Tables = Annotated[tuple[_Table, ...], _unique, Expected(f"a list of {', '.join(TABLES)} (or empty)")]


@dataclass(frozen=True, kw_only=True)
class _ChartKeys:
    title: Text | None = None
    cams: Cams | None = None
    windows: Windows | None = None
    signals: Signals | None = None
    from_s: Annotated[float, Ge(0.0), Expected("seconds, 0 or more")] | None = None
    to_s: Annotated[float, Gt(0.0), Expected("seconds, above 0")] | None = None
    seconds: Annotated[float, Ge(0.5), Le(60.0), Expected("seconds from 0.5 to 60")] | None = None


@dataclass(frozen=True, kw_only=True)
class AskedChart(_ChartKeys):
    """One chart of a dashboard. `cams` and `windows` are None for all; `from_s` to `to_s` is the time shown first."""

    kind: Kind


@dataclass(frozen=True, kw_only=True)
class _DashboardKeys:
    schema: str
    name: Text
    purpose: Text = ""
    tables: Tables = TABLES
    windows: Windows | None = None
    first: First = AUTO


@dataclass(frozen=True, kw_only=True)
class _File(_DashboardKeys):
    chart: Annotated[tuple[AskedChart, ...], Predicate(len), Expected("one or more [[chart]] tables")]


@dataclass(frozen=True, kw_only=True)
class _FormerChart(_ChartKeys):
    chart: Kind


@dataclass(frozen=True, kw_only=True)
class _FormerFile(_DashboardKeys):
    panel: Annotated[tuple[_FormerChart, ...], Predicate(len), Expected("one or more [[panel]] tables")]


@dataclass(frozen=True)
class Dashboard:
    """A dashboard as read; `first` is the chart on the first screen (`auto`: the one that shows the verdict best).

    `remarks` are sentences for its owner about obsolete keys.
    """

    name: str
    purpose: str
    charts: tuple[AskedChart, ...]
    tables: tuple[str, ...]
    windows: tuple[str, ...] | None
    first: str
    file: str
    sha256: str
    remarks: tuple[str, ...] = ()


def shipped() -> tuple[str, ...]:
    """Names of the dashboards that camlog ships."""
    return tuple(sorted(p.stem for p in dashboards_folder().glob("*.toml")))


def read_dashboard(which: str | Path | None = None) -> Dashboard:
    """Read a dashboard: a shipped one by name, a file by path; None is the one for a test drive.

    Raises InputError with file, line, key and remedy.
    """
    name = USUAL if which is None else str(which)
    by_name = re.fullmatch(r"[a-z0-9_]+", name) and not Path(name).exists()
    path = dashboards_folder() / f"{name}.toml" if by_name else Path(name)
    example = f"Text stands in double quotes, lists in brackets; shipped are {', '.join(shipped())}."
    toml = TomlFile.open(path, "dashboard", example, MAX_FILE_BYTES, numbered=True)
    former = "panel" in toml.raw and "chart" not in toml.raw
    list_key, kind_key = ("panel", "chart") if former else ("chart", "kind")
    read = toml.load(_FormerFile if former else _File, SCHEMA)
    chart_keys = [(c, getattr(c, kind_key)) for c in getattr(read, list_key)]
    if len(chart_keys) > MOST_CHARTS:
        remedy = f"A page holds up to {MOST_CHARTS}; make two dashboards."
        raise toml.error((list_key, MOST_CHARTS), f"has {len(chart_keys)} charts", remedy)
    found = tuple(
        _checked(chart, kind, lambda where, *rest, i=i: toml.error((list_key, i, *where), *rest))
        for i, (chart, kind) in enumerate(chart_keys)
        if kind not in FORMER_KINDS
    )
    remarks = []
    if former:
        remarks.append("[[panel]] is called [[chart]] now, and chart in it kind; the old names are still read.")
    if len(found) < len(chart_keys) or read.first in FORMER_KINDS:
        remarks.append(
            f"The charts {', '.join(FORMER_KINDS)} are left out: every report shows their figures by oil temperature."
        )
    return Dashboard(
        read.name, read.purpose, found, read.tables, read.windows,
        AUTO if read.first in FORMER_KINDS else read.first, path.name, toml.sha256, tuple(remarks),
    )  # fmt: skip


def _checked(chart: _ChartKeys, kind: str, error: Callable[..., InputError]) -> AskedChart:
    """The chart, after a check that its keys fit together; `error(where, what, remedy)` makes the error for a key."""
    keys_given = {f.name: value for f in fields(_ChartKeys) if (value := getattr(chart, f.name)) is not None}
    allowed = ["title", *KINDS[kind].takes, *(["cams"] if KINDS[kind].per_cam else [])]
    for key in keys_given:
        if key not in allowed:
            remedy = f"Leave it out; this chart takes {', '.join(sorted(allowed))}."
            raise error((key,), f"does not go with the chart {kind}", remedy)
    for i, name in enumerate(keys_given.get("signals", ())):
        similar = get_close_matches(name, [*SIGNALS, MISFIRES], n=1, cutoff=0.75)
        # A shop may record signals unknown to camlog, but a name close to a known one is a typing error.
        if similar and similar[0] != name:
            raise error(("signals", i), f"names no signal: {name}", f"Did you mean {similar[0]}?")
    if "to_s" in keys_given and keys_given["to_s"] <= keys_given.get("from_s", 0.0):
        raise error(("to_s",), "should be later than from_s", "Correct one of the two.")
    return AskedChart(kind=kind, **keys_given)


# Points of all lines over time in one report; they limit the size of the report on an eight-hour drive.
TIME_POINTS = 44_000
FEWEST_POINTS = 1_200
# The chart that shows each verdict best.
FIRST = dict.fromkeys(CONDITION_WORDS, "closeup") | {"slow": "steps"}


def windows_of(findings: Findings, words: tuple[str, ...] | None) -> tuple[OilWindow, ...]:
    """The oil windows with these words; all if None."""
    known = findings.conditions.windows.windows
    return tuple(w for w in known if words is None or window_word(w, findings.limits) in words)


def first_chart(findings: Findings, cam: str, dashboard: Dashboard) -> Chart:
    """The chart for the first screen, which shows the verdict best."""
    kind, found = dashboard.first, findings.cams[cam]
    if kind == "auto":
        kind = FIRST[found.verdict.condition]
        if kind == "closeup" and rattles_at_s(found) is not None:
            kind = "cold_start"
    request = Request(kind, findings, cam, windows_of(findings, dashboard.windows), small=True)
    chart = KINDS[kind].draw(request)
    return KINDS["closeup"].draw(replace(request, kind="closeup")) if chart.empty else chart


def asked_charts(findings: Findings, dashboard: Dashboard, share: float = 1.0) -> list[Chart]:
    """All charts of a dashboard, in its order; `share` is the share of the points if two drives are on one page."""
    lines = sum(len(asked.signals or USUAL_SIGNALS) for asked in dashboard.charts if asked.kind == "drive")
    lines += sum(3 * len(_cams(findings, asked)) for asked in dashboard.charts if asked.kind == "angles")
    points = int(min(max(share * TIME_POINTS / max(lines, 1), FEWEST_POINTS), MOST_POINTS))
    drawn = []
    for asked in dashboard.charts:
        windows, more = windows_of(findings, asked.windows or dashboard.windows), (asked.signals, asked.seconds)
        for cam in _cams(findings, asked):
            request = Request(asked.kind, findings, cam, windows, points, asked.title or "", *more)
            drawn.append(_shown_from_to(KINDS[asked.kind].draw(request), asked))
    return drawn


def _cams(findings: Findings, asked: AskedChart) -> list[str]:
    """The cams of a chart; one empty name if it is for the whole engine."""
    return [c for c in findings.cams if asked.cams is None or c in asked.cams] if KINDS[asked.kind].per_cam else [""]


def _shown_from_to(chart: Chart, asked: AskedChart) -> Chart:
    """A chart over time that first shows the requested stretch."""
    if not chart.timed:
        return chart
    ends = zip((asked.from_s, asked.to_s), chart.layout["xaxis"]["range"], strict=True)
    axis = chart.layout["xaxis"] | {"range": [usual if end is None else end for end, usual in ends]}
    return replace(chart, layout=chart.layout | {"xaxis": axis})
