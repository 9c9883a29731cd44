"""Common axes for two charts of the same kind, so that before and after can be set against each other by eye."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np

from camlog.report.chart import Chart

MARGIN = 0.05


def common_axes(first: Chart, second: Chart) -> tuple[Chart, Chart]:
    """Both charts with the same range on every axis of numbers; category axes are left as they are."""
    if first.empty or second.empty:
        return first, second
    ranges: dict[str, list[float]] = {}
    for key in {k for c in (first, second) for k in c.layout if re.fullmatch(r"[xy]axis\d*", k)}:
        if any(c.layout.get(key, {}).get("type") == "category" for c in (first, second)):
            continue
        if key not in first.layout or key not in second.layout:
            continue
        found = [_range(c, key) for c in (first, second)]
        if first.clock and key == "xaxis":
            continue  # a close look shows another moment of each drive
        if all(r is not None for r in found):
            ranges[key] = [min(r[0] for r in found), max(r[1] for r in found)]
    return tuple(replace(c, layout=c.layout | {k: c.layout[k] | {"range": r} for k, r in ranges.items()})
                 for c in (first, second))  # fmt: skip


def _range(chart: Chart, key: str) -> tuple[float, float] | None:
    given = chart.layout[key].get("range")
    if given is not None:
        return float(given[0]), float(given[1])
    letter, row = key[0], key[5:]
    ends = [
        e
        for t in chart.traces
        if t.get(f"{letter}axis", letter) == letter + row
        for e in _ends(t.get(letter))
    ]
    if not ends:
        return None
    low, high = min(ends), max(ends)
    room = MARGIN * ((high - low) or 1.0)
    return low - room, high + room


def _ends(values: Any) -> Iterable[float]:
    if isinstance(values, dict):
        array = np.frombuffer(base64.b64decode(values["bdata"]), dtype="<f4")
        array = array[np.isfinite(array)]
        return (float(array.min()), float(array.max())) if len(array) else ()
    return [float(v) for v in values or () if isinstance(v, int | float)]
