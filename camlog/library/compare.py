"""A recording against the known-good cars of its kind, and one car over time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from scipy import stats

from camlog.analysis.figures import BY_NAME, Figure
from camlog.errors import extra
from camlog.library.known_good import Pooled, misfits, pooled
from camlog.library.store import Library
from camlog.limits import LIMITS
from camlog.numbers import with_unit

# Fewer drives of one car show no change.
FEWEST_DRIVES = 5
DAY_S = 86_400.0


@dataclass(frozen=True)
class Place:
    """A figure's place among known-good cars: how many of them it is worse than."""

    cam: str
    figure: Figure
    oil: str
    value: float
    good: Pooled

    @property
    def worse_than(self) -> int:
        """Of how many known-good cars this figure is the worse one."""
        bad = {"above": 1.0, "below": -1.0}.get(self.figure.bad)
        values = np.asarray(self.good.values)
        if bad is None:
            return int((np.abs(values) < abs(self.value)).sum())
        return int((bad * values < bad * self.value).sum())

    def __str__(self) -> str:
        unit, oil = self.figure.unit, f" with oil {self.oil}" if self.oil else ""
        weighed = "" if self.good.weighed else " (too few to weigh)"
        return (
            f"{self.cam}: {self.figure.title}{oil} {with_unit(self.value, unit)}, worse than {self.worse_than} of {self.good.cars} "
            f"good ones; a further good one lies from {with_unit(self.good.low, unit)} to {with_unit(self.good.high, unit)}{weighed}"
        )


def places(library: Library, row: Mapping[str, Any]) -> list[Place]:
    """Every figure of a kept recording that known-good cars of its kind have too."""
    good = library.good_figures(row["kind"], without=row["sha256"]) if row["kind"] else {}
    found = []
    for f in row["figures"]:
        band = pooled(good.get((f["cam"], f["figure"], f["part"], f["oil"]), []))
        if band is not None and f["figure"] in BY_NAME:
            found.append(Place(f["cam"], BY_NAME[f["figure"]], f["oil"], f["value"], band))
    return found


def misfitting(library: Library, kind: str) -> set[str]:
    """The hashes of known-good recordings of a kind that do not fit the others in some figure."""
    if not kind:
        return set()
    groups = [rows for rows in library.good_figures(kind).values() if len(rows) > FEWEST_DRIVES]
    return {sha for rows in groups for sha in misfits(rows)}


def trends(library: Library, car: str) -> list[str]:
    """A sentence for each figure of a car that changed, or is on its way to its limit."""
    lines = []
    names = {(f["cam"], f["figure"], f["oil"]) for r in library.recordings(vehicle=car) for f in library.recording(r["id"])["figures"]}
    for cam, name, oil in sorted(names):
        rows = [r for r in library.trend(car, cam, name, oil) if r["started_at"]]
        figure = BY_NAME.get(name)
        if figure is None or len(rows) < FEWEST_DRIVES:
            continue
        where = f"{cam}: {figure.title}" + (f" with oil {oil}" if oil else "")
        values = np.array([r["value"] for r in rows])
        changed = change_point(values)
        if changed is not None:
            before, after = values[:changed].mean(), values[changed:].mean()
            lines.append(
                f"{where} changed with {rows[changed]['file']} ({rows[changed]['started_at'][:10]}): "
                f"{with_unit(before, figure.unit)} before, {with_unit(after, figure.unit)} since"
            )
        limit = LIMITS.get(figure.limit)
        crossing = None if limit is None else crosses(rows, values, limit.value)
        if crossing is not None:
            lines.append(f"{where} would reach {limit} between {crossing[0]} and {crossing[1]}")
    return lines or [f"{car}: no figure has {FEWEST_DRIVES} drives with a time, or none changed."]


def change_point(values: np.ndarray) -> int | None:
    """Index of the drive from which a figure, shape (n,), is another; None where it is not by more than chance.

    The place is that of the ruptures package (least squares, one change); whether it is one is tested by Welch's t, corrected
    for the places tried.
    """
    if len(values) < FEWEST_DRIVES or np.ptp(values) == 0.0:
        return None
    at = extra("ruptures", "screen").Binseg(model="l2", min_size=2, jump=1).fit(values.reshape(-1, 1)).predict(n_bkps=1)[0]
    if at >= len(values):
        return None
    p = stats.ttest_ind(values[:at], values[at:], equal_var=False).pvalue
    return at if p * (len(values) - 3) < 0.05 else None


def crosses(rows: list[Mapping[str, Any]], values: np.ndarray, limit: float) -> tuple[str, str] | None:
    """First and last day on which a figure would reach its limit, by a straight line and its 95 % slope; None: never in ten years."""
    days = np.array([datetime.fromisoformat(r["started_at"]).timestamp() for r in rows]) / DAY_S
    if np.ptp(days) < 1.0 or values[-1] >= limit:
        return None
    line = stats.linregress(days, values)
    slack = stats.t.ppf(0.975, len(days) - 2) * line.stderr
    if line.slope - slack <= 0.0:
        return None
    ends = [days[-1] + (limit - values[-1]) / slope for slope in (line.slope + slack, line.slope - slack)]
    if ends[0] > days[-1] + 3652.0:
        return None
    return tuple(datetime.fromtimestamp(min(end, days[-1] + 36525.0) * DAY_S).date().isoformat() for end in ends)  # type: ignore[return-value]
