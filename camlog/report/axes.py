"""Common axes for two charts of the same kind, so that before and after can be set against each other by eye."""

from __future__ import annotations

import base64
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
    ranges = {}
    for key in first.layout.keys() & second.layout.keys():
        if "axis" not in key or any(c.layout[key].get("type") == "category" for c in (first, second)):
            continue
        if first.clock and key == "xaxis":
            continue  # a close look shows another moment of each drive
        ends = [_range(c, key) for c in (first, second)]
        if None not in ends:
            ranges[key] = [min(low for low, _ in ends), max(high for _, high in ends)]
    return tuple(replace(c, layout=c.layout | {k: c.layout[k] | {"range": r} for k, r in ranges.items()})
                 for c in (first, second))  # fmt: skip


def _range(chart: Chart, key: str) -> tuple[float, float] | None:
    """The range of an axis: as it is set, or of what is drawn along it."""
    if "range" in chart.layout[key]:
        low, high = chart.layout[key]["range"]
        return float(low), float(high)
    letter, name = key[0], key[0] + key[5:]
    ends = [e for t in chart.traces if t.get(f"{letter}axis", letter) == name for e in _ends(t.get(letter))]
    if not ends:
        return None
    room = MARGIN * ((max(ends) - min(ends)) or 1.0)
    return min(ends) - room, max(ends) + room


def _ends(values: Any) -> Iterable[float]:
    if not isinstance(values, dict):
        return [float(v) for v in values or () if isinstance(v, int | float)]
    array = np.frombuffer(base64.b64decode(values["bdata"]), dtype="<f4")
    array = array[np.isfinite(array)]
    return (float(array.min()), float(array.max())) if len(array) else ()
