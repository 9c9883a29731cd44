"""The picture of a fault, small enough for the job file: the strip of the drive and the moment that shows it best."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from markupsafe import Markup

from camlog.analysis.findings import CamFindings, Findings
from camlog.report.charts.angles import CLOSE_S, telling_stretch
from camlog.report.strip import strip_view
from camlog.report.summary import cams_in_order
from camlog.report.thin import thinned
from camlog.report.words import rattles_at_s, say, state_of

POINTS = 400  # of each line
WIDTH, HEIGHT = 600.0, 150.0  # units of the drawing, which is scaled to the page
LEAST_SPAN_DEG = 10.0


def picture(findings: Findings, before: Mapping[str, Any] | None = None) -> dict[str, Any] | None:
    """The picture of a drive: `cam`, its `strip`, and a `moment` with times (s, from its start) and angles (deg).

    With the picture `before` the repair, it takes the same cam and the same kind of moment. None without cams.
    """
    view = strip_view(findings)
    if view is None:
        return None
    found = findings.cams.get((before or {}).get("cam", "")) or cams_in_order(findings)[0]
    rows = [row | {"cam": ""} for row in view["rows"] if row["cam"] == found.cam]
    return {
        "cam": found.cam, "title": rows[0]["title"], "word": rows[0]["word"], "state": state_of(found.verdict.condition),
        "does": say(f"condition_for_owner.{found.verdict.condition}"),
        "strip": view | {"rows": rows, "speed": "", "marks": [], "told": []},
        "moment": _moment(found, (before or {}).get("moment") or {}),
    }  # fmt: skip


def _moment(found: CamFindings, before: Mapping[str, Any]) -> dict[str, Any] | None:
    data, start_s = found.examination.data, found.examination.rest.cold_start.start_s
    first_s, last_s, _ = telling_stretch(found)
    shows = found.verdict.condition if rattles_at_s(found) is None else "start"
    if before.get("shows") == "start" and start_s is not None:
        first_s, last_s, shows = start_s - 1.0, start_s - 1.0 + before.get("seconds", CLOSE_S), "start"
    within = (data.actual_time_s >= first_s) & (data.actual_time_s <= last_s)
    if np.count_nonzero(within) < 2:
        return None
    keep = np.flatnonzero(within)[thinned(data.actual_time_s[within], data.actual_deg[within], POINTS)]
    command = data.command_at_actual[keep]
    return {
        "shows": shows, "start_s": round(first_s, 1), "seconds": round(last_s - first_s, 1),
        "time_s": np.round(data.actual_time_s[keep] - first_s, 2).tolist(),
        "actual": np.round(data.actual_deg[keep], 1).tolist(),
        "command": [round(c, 1) if np.isfinite(c) else None for c in command.tolist()],
    }  # fmt: skip


def drawn(pictures: Mapping[str, Mapping[str, Any] | None]) -> list[dict[str, Any]]:
    """The pictures with their titles, each moment as lines of a WIDTH by HEIGHT drawing; all share one angle scale."""
    drawings = [{"when": when, **kept} for when, kept in pictures.items() if kept]
    moments = [p["moment"] for p in drawings if p.get("moment")]
    angles = [a for m in moments for a in (*m["actual"], *m["command"]) if a is not None]
    low, high = min(angles, default=0.0), max(angles, default=0.0)
    high = max(high, low + LEAST_SPAN_DEG)
    for p in drawings:
        if m := p.get("moment"):
            p["lines"] = {name: _line(m, m[name], low, high) for name in ("command", "actual")}
            p["scale"], p["seconds"] = (f"{high:.0f}°", f"{low:.0f}°"), m["seconds"]
    return drawings


def _line(moment: Mapping[str, Any], angles: list[float | None], low: float, high: float) -> Markup:
    """The points of an SVG polyline. They are numbers only, so pages neither escape nor shorten them."""
    across, down = WIDTH / max(moment["seconds"], 0.1), HEIGHT / (high - low)
    known = ((t, a) for t, a in zip(moment["time_s"], angles, strict=False) if a is not None)
    return Markup(" ".join(f"{t * across:.1f},{down * (high - a):.1f}" for t, a in known))
