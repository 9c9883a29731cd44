"""Compare a recording with the known-good cars of its kind, and one car over time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np
from scipy import stats

from camlog.analysis.figures import BY_NAME
from camlog.cams import title as cam_title
from camlog.errors import extra
from camlog.library import say
from camlog.library.known_good import KnownGood, Place, limit_of
from camlog.library.store import Library
from camlog.numbers import in_whole, with_unit
from camlog.oil_windows import OilWindow

# Fewest drives of one car for a trend.
FEWEST_DRIVES = 5
DAY_S = 86_400.0
# A limit is foreseen this far ahead: ten years, and a car's mileage in them (common practice, no source).
FORESEEN_DAYS, FORESEEN_KM = 3652.0, 200_000.0


def known_good(library: Library, kind: str, without: str = "") -> KnownGood | None:
    """The known-good cars of a kind, except the recording with the hash `without`; None if there are none."""
    rows = library.good_figures(kind, without) if kind else {}
    return KnownGood(rows) if rows else None


def places(library: Library, row: Mapping[str, Any]) -> list[Place]:
    """Every figure of a kept recording that known-good cars of its kind have too, the worst first."""
    good = known_good(library, row["kind"], row["sha256"])
    if good is None:
        return []
    placed = (
        good.place((f["cam"], f["figure"], f["part"], f["oil"]), f["value"], f["low"], f["high"])
        for f in row["figures"]
    )
    return sorted((place for place in placed if place is not None), key=lambda place: -place.worse_by)


def misfitting(library: Library, kind: str) -> set[str]:
    """The hashes of known-good recordings of a kind that do not fit the others in some figure."""
    good = known_good(library, kind)
    return good.misfits() if good is not None else set()


def trends(library: Library, car: str) -> list[str]:
    """A sentence for each figure of a car that changed or moves towards its limit. Raises InputError for an unknown
    car."""
    library.must_have("vehicle", car)
    lines = []
    for (cam, name, part, oil), rows in sorted(library.figures_over_time(car).items()):
        figure, window = BY_NAME.get(name), OilWindow.of_key(oil)
        if figure is None or len(rows) < FEWEST_DRIVES:
            continue
        where = {
            "cam": cam_title(cam),
            "title": figure.title,
            "part": part,
            "oil": window.words if window is not None else "",
        }
        values = np.array([r["value"] for r in rows])
        changed = change_point(values)
        if changed is not None:
            before, after = (
                with_unit(float(half.mean()), figure.unit) for half in (values[:changed], values[changed:])
            )
            since = {"file": rows[changed]["file"], "day": rows[changed]["started_at"][:10]}
            lines.append(say("trend.changed", **where, **since, before=before, after=after))
        limit = limit_of(figure, window)
        crossing = crosses(
            rows, np.abs(values) if figure.bad == "size" else values, limit.value, below=figure.bad == "below"
        )
        if crossing is not None:
            lines.append(say("trend.reaches", **where, limit=limit, first=crossing[0], last=crossing[1]))
    return lines or [say("trend.none", car=car, fewest=FEWEST_DRIVES)]


def change_point(values: np.ndarray) -> int | None:
    """Index of the drive from which a figure, shape (n,), has changed; None if not more than by chance.

    The ruptures package finds the place (least squares, one change); Welch's t tests it, corrected for the number of
    places tried.
    """
    if len(values) < FEWEST_DRIVES or np.ptp(values) == 0.0:
        return None
    at = (
        extra("ruptures", "screen")
        .Binseg(model="l2", min_size=2, jump=1)
        .fit(values.reshape(-1, 1))
        .predict(n_bkps=1)[0]
    )
    if at >= len(values):
        return None
    p = stats.ttest_ind(values[:at], values[at:], equal_var=False).pvalue
    return at if p * (len(values) - 3) < 0.05 else None


def crosses(
    rows: Sequence[Mapping[str, Any]], values: np.ndarray, limit: float, *, below: bool = False
) -> tuple[str, str] | None:
    """Between which two mileages a figure would reach its limit (`below`: from above), in words; two days where a drive
    has no mileage. By a straight line and its 95 % slope; None where that is not within FORESEEN of the last drive."""
    by_mileage = all(r["mileage_km"] is not None for r in rows)
    at = np.array(
        [r["mileage_km"] if by_mileage else datetime.fromisoformat(r["started_at"]).timestamp() / DAY_S for r in rows]
    )
    foreseen, sign = FORESEEN_KM if by_mileage else FORESEEN_DAYS, -1.0 if below else 1.0
    if np.ptp(at) < 1.0 or sign * values[-1] >= sign * limit:
        return None
    line = stats.linregress(at, sign * values)
    slack = stats.t.ppf(0.975, len(at) - 2) * line.stderr
    if line.slope - slack <= 0.0:
        return None
    first, last = (at[-1] + sign * (limit - values[-1]) / slope for slope in (line.slope + slack, line.slope - slack))
    if first > at[-1] + foreseen:
        return None
    ends = first, min(last, at[-1] + 10 * foreseen)
    if by_mileage:
        return in_whole(ends[0], "km"), in_whole(ends[1], "km")
    return datetime.fromtimestamp(ends[0] * DAY_S).date().isoformat(), datetime.fromtimestamp(
        ends[1] * DAY_S
    ).date().isoformat()
