"""A figure's place among known-good cars of its kind, and what it adds to the verdict.

Figures are compared as powers of two times their limit, worse is larger, as `verdict.weigh` reads them. Several drives
of one car are first pooled to that car (inverse variance); cars are then pooled after DerSimonian and Laird,
"Meta-analysis in clinical trials", Controlled Clinical Trials 7 (1986), and the interval for a further car is that of
Higgins, Thompson and Spiegelhalter, J. R. Statist. Soc. A 172 (2009) (both from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from scipy import stats

from camlog.analysis.estimate import Estimate
from camlog.analysis.figures import BY_NAME, Figure
from camlog.analysis.verdict.weigh import Z95, Weighed, log_times
from camlog.cams import title as cam_title
from camlog.library import say
from camlog.limits import LIMITS, Limit
from camlog.numbers import with_unit
from camlog.oil_windows import OilWindow

# With fewer known-good drives the place is shown but not weighed.
ENOUGH = 5
# The share of the evidence that n known-good cars get: n / (n + this). Common practice, no source.
HALF_AT = 10.0
# Two-sided probability below which a known-good recording does not fit the others.
MISFIT = 0.01
# Least standard deviation between cars of one kind (powers of two).
LEAST_BETWEEN = 0.3
# Worse than the good ones by so many standard deviations is more than chance (5 %): a reason, and where evidence
# begins.
WORTH_SAYING = 1.65
# Log odds of a fault that a figure speaks for where all the evidence were the known-good cars' and it lies a standard
# deviation beyond that. On the cars of `tests.bench.known_good` the one of least log loss that costs no healthy cam,
# with five known-good ones or with nine. Being as good as they are says nothing: most faults leave most figures good.
LOG_ODDS = 2.0

Key = tuple[str, str, str, str]  # cam, figure, part, key of the oil window


@dataclass(frozen=True)
class Pooled:
    """Known-good cars of a kind in one figure: `mean` and its `variance`, `between` (standard deviation from car to
    car), `low` to `high` the 95 % interval for a further car, `cars` and `drives` counted, `values` of the cars."""

    mean: float
    variance: float
    between: float
    low: float
    high: float
    cars: int
    drives: int
    values: tuple[float, ...]

    @property
    def weighed(self) -> bool:
        """True where there are enough to weigh."""
        return self.drives >= ENOUGH

    @property
    def share(self) -> float:
        """The share of the evidence that they get, 0 to 1; it grows with their number."""
        return self.cars / (self.cars + HALF_AT) if self.weighed else 0.0

    def beyond(self, value: float, own: float = 0.0) -> float:
        """By how many standard deviations a further car, measured with standard deviation `own`, lies above the mean;
        as surprising in a normal distribution as it is after so few cars (Student's t)."""
        z = (value - self.mean) / max(math.sqrt(self.between**2 + self.variance + own**2), 1e-12)
        return math.copysign(float(stats.norm.isf(max(stats.t.sf(abs(z), max(self.cars - 1, 1)), 1e-12))), z)


def pool(effects: Sequence[float], variances: Sequence[float]) -> tuple[float, float, float]:
    """Mean, its variance and the variance between (DerSimonian and Laird); arrays of shape (n,), n at least 1."""
    y, v = np.asarray(effects, float), np.maximum(np.asarray(variances, float), 1e-12)
    w = 1.0 / v
    fixed = float((w * y).sum() / w.sum())
    q = float((w * (y - fixed) ** 2).sum())
    scale = w.sum() - (w**2).sum() / w.sum()
    between = max((q - (len(y) - 1)) / scale, 0.0) if len(y) > 1 and scale > 0.0 else 0.0
    w = 1.0 / (v + between)
    return float((w * y).sum() / w.sum()), float(1.0 / w.sum()), float(between)


def pooled(rows: Sequence[Mapping[str, Any]], least_between: float = 0.0) -> Pooled | None:
    """Known-good values of one figure (`value`, `low`, `high`, `vehicle`, `sha256`); None where there is none. Cars are
    taken to differ by the standard deviation `least_between` at least."""
    if not rows:
        return None
    cars: dict[str, list[tuple[float, float]]] = {}
    for row in rows:
        cars.setdefault(row.get("vehicle") or row["sha256"], []).append((row["value"], _spread(row) ** 2))
    each = [pool([v for v, _ in car], [s for _, s in car])[:2] for car in cars.values()]
    mean, variance, between = pool([m for m, _ in each], [v for _, v in each])
    between = max(between, least_between**2)
    half = float(stats.t.ppf(0.975, max(len(each) - 2, 1)) * math.sqrt(between + variance))
    values = tuple(m for m, _ in each)
    return Pooled(mean, variance, math.sqrt(between), mean - half, mean + half, len(each), len(rows), values)


def _spread(row: Mapping[str, Any]) -> float:
    """Standard deviation of one value from its interval; a third of the value where it has none."""
    low, high = row.get("low"), row.get("high")
    return abs(row["value"]) * 0.3 + 1e-6 if low is None or high is None else max((high - low) / (2.0 * Z95), 1e-9)


def misfits(rows: Sequence[Mapping[str, Any]], least_between: float = 0.0) -> list[str]:
    """The hashes of known-good recordings that do not fit the others: the kind is mixed, or they were not good."""
    found: list[str] = []
    for row in rows:
        rest = pooled([r for r in rows if r["sha256"] != row["sha256"]], least_between)
        if rest is not None and rest.weighed:
            p = 2.0 * stats.norm.sf(abs(rest.beyond(row["value"], _spread(row))))
            if p < MISFIT / len(rows):
                found.append(row["sha256"])
    return found


@dataclass(frozen=True)
class Place:
    """A figure's place among known-good cars: `at` (with standard deviation `own`) is its value on the scale of `good`.

    `part` is empty and `window` None where the figure has none.
    """

    cam: str
    figure: Figure
    part: str
    window: OilWindow | None
    value: float
    at: float
    own: float
    good: Pooled

    @property
    def oil(self) -> str:
        """The oil window in words, in the shop's unit; empty where there is none."""
        return self.window.words if self.window is not None else ""

    @property
    def worse_than(self) -> int:
        """Of how many known-good cars this figure is the worse one."""
        return sum(value < self.at for value in self.good.values)

    @property
    def worse_by(self) -> float:
        """By how many standard deviations of a further good car it is worse than they are."""
        return self.good.beyond(self.at, self.own)

    @property
    def says(self) -> float:
        """Log odds that it adds to each fault that the figure speaks for: the share that the known-good cars have."""
        return self.good.share * LOG_ODDS * min(max(self.worse_by - WORTH_SAYING, 0.0), 1.0)

    @property
    def worth_saying(self) -> bool:
        """True where it is worse than the good ones by more than chance."""
        return self.worse_by > WORTH_SAYING

    @property
    def band(self) -> tuple[float, float]:
        """The 95 % interval for a further good car, in the figure's unit."""
        limit, sign = limit_of(self.figure, self.window).value, -1.0 if self.figure.bad == "below" else 1.0
        most = 1.0 if self.figure.unit == "share" else math.inf
        low, high = sorted(min(limit * 2.0 ** (sign * end), most) for end in (self.good.low, self.good.high))
        return low, high

    def __str__(self) -> str:
        unit = self.figure.unit
        low, high = (with_unit(end, unit) for end in self.band)
        return say(
            "place.line", cam=cam_title(self.cam), title=self.figure.title, part=self.part, oil=self.oil, value=with_unit(self.value, unit), word=self._word,
            worse=self.worse_than, cars=self.good.cars, low=low, high=high, share=self.good.share,
        )  # fmt: skip

    @property
    def sentence(self) -> str:
        """What a verdict says of it: "slower than 9 of 9 good ones of its kind"."""
        return say("place.reason", title=self.figure.title, oil=self.oil, value=with_unit(self.value, self.figure.unit),
                        word=self._word, worse=self.worse_than, cars=self.good.cars, share=self.good.share)  # fmt: skip

    @property
    def _word(self) -> str:
        name = f"worse.{self.figure.question}"
        return say(name if name in say else "worse.other")

    def to_dict(self) -> dict[str, Any]:
        """The place as it stands in Findings."""
        return {
            "figure": self.figure.name, "oil": self.oil or None, "value": self.value, "good_interval": list(self.band),
            "worse_than": self.worse_than, "cars": self.good.cars, "drives": self.good.drives,
            "share": round(self.good.share, 3), "log_odds": round(self.says, 3),
        }  # fmt: skip


def limit_of(figure: Figure, window: OilWindow | None) -> Limit:
    """The limit for a figure in the library: the default one, for any profile of its drive."""
    return figure.judged_by(LIMITS, window)


def _scaled(
    figure: Figure, window: OilWindow | None, value: float, low: float | None, high: float | None
) -> tuple[float, float]:
    limit = limit_of(figure, window).value
    at, own, _ = log_times(figure, Estimate(value, low, high, 1), limit) or (0.0, 1.0, 0.0)
    return at, own


class KnownGood:
    """The known-good cars of one kind: `rows` are their figures as `Library.good_figures` gives them."""

    def __init__(self, rows: Mapping[Key, Sequence[Mapping[str, Any]]]):
        self._rows = rows

    @cached_property
    def _read(self) -> dict[Key, list[dict[str, Any]]]:
        read = {}
        for key, rows in self._rows.items():
            figure = BY_NAME.get(key[1])
            if figure is not None and figure.limit:
                window = OilWindow.of_key(key[3])
                each = [(row, _scaled(figure, window, row["value"], row["low"], row["high"])) for row in rows]
                read[key] = [
                    {**row, "value": at, "low": at - Z95 * own, "high": at + Z95 * own} for row, (at, own) in each
                ]
        return read

    def place(self, key: Key, value: float, low: float | None = None, high: float | None = None) -> Place | None:
        """The place of one value of a figure; None where no good car has it."""
        band = pooled(self._read.get(key, ()), LEAST_BETWEEN)
        cam, name, part, oil = key
        if band is None:
            return None
        figure, window = BY_NAME[name], OilWindow.of_key(oil)
        return Place(cam, figure, part, window, value, *_scaled(figure, window, value, low, high), band)

    def misfits(self) -> set[str]:
        """The hashes of those that do not fit the others in some figure."""
        return {sha for rows in self._read.values() if len(rows) > ENOUGH for sha in misfits(rows, LEAST_BETWEEN)}

    def joined(self, cam: str, evidence: Sequence[Weighed]) -> tuple[tuple[Weighed, ...], tuple[Place, ...]]:
        """The evidence of a cam with what its place among good cars adds, and the places that are worth telling.

        Of each question only the figure that is most surely worse adds something.
        """
        joined_evidence, placed = list(evidence), sorted(self._places(cam, evidence), key=lambda one: one[1].worse_by)
        worst = {place.figure.question: (i, place) for i, place in placed if place.good.weighed}
        for i, place in worst.values():
            more = {c: joined_evidence[i].says.get(c, 0.0) + place.says for c in place.figure.speaks_for}
            joined_evidence[i] = replace(joined_evidence[i], says={**joined_evidence[i].says, **more})
        return tuple(joined_evidence), tuple(place for _, place in reversed(placed))

    def _places(self, cam: str, evidence: Sequence[Weighed]) -> Iterator[tuple[int, Place]]:
        for i, weighed in enumerate(evidence):
            measured, e = weighed.measured, weighed.measured.estimate
            key = cam, weighed.figure.name, measured.part, "" if measured.window is None else measured.window.key
            if e.value is not None and (place := self.place(key, e.value, e.low, e.high)) is not None:
                yield i, place
