"""Where does the cam stand for each command? Commanded against actual, with dead band plus stick band drawn."""

from __future__ import annotations

from typing import Any

import numpy as np

from camlog.analysis.figures import limit_of
from camlog.analysis.findings import Findings
from camlog.numbers import number
from camlog.oil_windows import OilWindow, window_index
from camlog.report.chart import Chart, line, nothing, points
from camlog.report.palette import LIMIT, Role, window_role
from camlog.report.thin import spread_choice
from camlog.report.words import cam_title

KIND = "follow"
MOST_POINTS = 1600  # a cam; the farthest from the diagonal are always among them
FAR_SHARE = 0.25


def chart(findings: Findings, cam: str, windows: tuple[OilWindow, ...], title: str = "") -> Chart:
    """Actual angle against the command at the same moment, engine running, by oil window."""
    x = findings.cams[cam].examination
    data = x.data
    title = title or f"{cam_title(cam)}: where does it stand for each command?"
    known = np.isfinite(data.command_at_actual) & data.running
    if not known.any():
        return nothing(
            KIND, title, "Command and actual angle were never known together with the engine running.", cam
        )
    command, actual, t = data.command_at_actual[known], data.actual_deg[known], data.actual_time_s[known]
    index = window_index(windows, data.oil_temp_at(t))
    traces: list[dict[str, Any]] = []
    groups = [(w.label, index == i, window_role(w)) for i, w in enumerate(windows) if (index == i).any()]
    if not groups:
        groups = [("oil temperature unknown", np.ones(len(t), dtype=bool), Role("@actual"))]
    for label, mask, role in groups:
        share = max(150, int(MOST_POINTS * np.mean(mask)))
        chosen = _chosen(command[mask], actual[mask], share)
        traces.append(
            points(command[mask][chosen], actual[mask][chosen], f"oil {label}", "deg", role, size=5)
            | {"opacity": 0.75, "hovertemplate": "commanded %{x:.1f} deg, actual %{y:.1f} deg"}
        )
    low, high = float(min(command.min(), actual.min())), float(max(command.max(), actual.max()))
    ends = np.array([low, high])
    traces.append(line(ends, ends, "as commanded", "deg", LIMIT, width=2.0) | {"hoverinfo": "skip"})
    band = x.sticking.stick_band_deg.value
    said = "The cam moves off with its command: no dead band or stick band was found."
    if band:
        role = Role("@error", "dash")
        for sign, name in ((1.0, f"dead band plus stick band, {number(band)} deg"), (-1.0, "")):
            traces.append(
                line(ends, ends + sign * band, name, "deg", role, width=2.0)
                | {"hoverinfo": "skip", "showlegend": bool(name), "legendgroup": "band"}
            )
        limit = limit_of("stick_band_deg", findings.limits)
        said = (
            f"The command leaves the cam by {number(band)} deg before it moves "
            f"(limit {number(limit.value)} deg, {limit.source})."
        )
    elif x.sticking.stick_band_deg.value is None:
        said = f"Stick band: not measured{', ' + x.sticking.reason if x.sticking.reason else ''}."
    layout = {
        "hovermode": "closest",
        "xaxis": {"title": {"text": "commanded, deg"}, "zeroline": False},
        "yaxis": {"title": {"text": "actual, deg"}, "zeroline": False},
    }
    return Chart(
        KIND, title, f"{said} Points on the dotted line are where they were sent; points off it are on the way, or stuck.",
        cam, tuple(traces), layout, 420, summary="Actual angle against commanded angle, by oil temperature.",
    )  # fmt: skip


def _chosen(command: np.ndarray, actual: np.ndarray, most: int) -> np.ndarray:
    """Indices to draw: the farthest from the diagonal, and an even choice of the rest."""
    if len(command) <= most:
        return np.arange(len(command))
    far = int(FAR_SHARE * most)
    away = np.argpartition(np.abs(actual - command), -far)[-far:]
    return np.union1d(away, spread_choice(len(command), most - far))
