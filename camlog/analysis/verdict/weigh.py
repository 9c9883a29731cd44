"""From a cam's figures to the probability of each condition.

The log odds of a condition against "healthy" are its prior plus a weight for each figure. A figure is taken as a
multiple of its limit. The table gives its weight at 1/8, 1/4, 1/2, 1, 2, 4 and 8 times the limit, with straight lines
between. The weight is averaged over the figure's uncertainty and scaled down if it is based on little data. In one
group (figures that share information, or signs of which any one suffices) only the figure most surely bad counts. A
figure that was not measured counts for nothing. For the conditions in `speaks_for` the weights never fall as the figure
grows worse. The table (`evidence.json`) is fitted by `python -m tests.bench.validity --fit` on simulated cars of many
families and tested on other families. The model is additive, so that each figure's contribution is exact (the idea of
Nori et al., arXiv:1909.09223)."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from importlib import resources

import numpy as np

from camlog.analysis.estimate import Estimate
from camlog.analysis.figures import CONDITIONS, FAULTS, FIGURES, Figure, Measured, View
from camlog.limits import Limit

KNOTS = (-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0)  # powers of two times the limit
SMALLEST = 2.0 ** KNOTS[0]
Z95 = 1.96
# Standard deviations in powers of two: the least (a limit is not exact), that of a value without an interval (a factor
# of 1.4), and the largest.
LEAST_SIGMA, UNKNOWN_SIGMA, MOST_SIGMA = 0.15, 0.5, 2.0
# Gauss-Hermite points and weights for averaging over a normal distribution.
_POINTS, _WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True)
class Weighed:
    """One weighed figure.

    `times_limit` is its value over its limit (or limit over value where small is bad), `hats` (7,) its share at each
    knot, scaled by the amount of data. `says` are the log odds it adds to each fault against healthy, `says_no` those
    it adds to "no" for its own question, `could_say_no` the same at its worst value. `sure` is True where even the
    better end of its interval is beyond the limit; `rank` is higher the more surely it is bad."""

    figure: Figure
    measured: Measured
    limit: Limit
    times_limit: float
    hats: np.ndarray
    sure: bool
    rank: float
    says: Mapping[str, float]
    says_no: float = 0.0
    could_say_no: float = 0.0


@dataclass(frozen=True)
class Table:
    """The numbers of `evidence.json`; its keys explain them."""

    prior: Mapping[str, float]
    weights: Mapping[str, Mapping[str, Sequence[float]]]
    no_prior: Mapping[str, float]
    no: Mapping[str, Sequence[float]]
    temperature: float
    far_from: float
    far_slope: float
    families: Mapping[str, Mapping[str, Sequence[float]]]
    tested: str


@lru_cache(maxsize=1)
def table() -> Table:
    raw = json.loads(resources.files("camlog.analysis.verdict").joinpath("evidence.json").read_text("utf-8"))
    return table_of(raw)


def table_of(raw: Mapping) -> Table:
    """A table from its JSON object; a fault that is not in it gets no probability."""
    prior = dict.fromkeys(FAULTS, -math.inf) | raw["prior"]
    return Table(**{f.name: raw[f.name] for f in fields(Table)} | {"prior": prior})


def log_times(figure: Figure, estimate: Estimate, limit: float) -> tuple[float, float, float] | None:
    """log2 of the figure over its limit (worse is larger), its standard deviation, and its better end. None where it
    was not measured. A value with only a bound is taken at the bound."""
    value, ends = estimate.value, estimate.interval
    if value is None:
        value, ends = estimate.high if figure.bad == "below" else estimate.low, None
        if value is None:
            return None

    def scaled(x: float) -> float:
        times = abs(x) / limit if figure.bad == "size" else max(x, 0.0) / limit
        power = math.log2(min(max(times, SMALLEST), 1.0 / SMALLEST))
        return -power if figure.bad == "below" else power

    at = scaled(value)
    if ends is None:
        return at, UNKNOWN_SIGMA, at - UNKNOWN_SIGMA * Z95
    better, worse = sorted(map(scaled, ends))
    if figure.bad == "size" and ends[0] < 0.0 < ends[1]:
        better = scaled(0.0)
    return at, min(max((worse - better) / (2.0 * Z95), LEAST_SIGMA), MOST_SIGMA), better


def hats(at: float, sigma: float) -> np.ndarray:
    """The share (7,) at each knot of a normal distribution (mean `at` and `sigma` in powers of two); sum 1."""
    x = np.clip(at + sigma * _POINTS, KNOTS[0], KNOTS[-1])
    left = np.minimum((x - KNOTS[0]).astype(int), len(KNOTS) - 2)
    part = x - KNOTS[0] - left
    shares = np.zeros(len(KNOTS))
    np.add.at(shares, left, _WEIGHTS * (1.0 - part))
    np.add.at(shares, left + 1, _WEIGHTS * part)
    return shares


def weigh_figure(
    figure: Figure, view: View, limits: Mapping[str, Limit], numbers: Table | None = None
) -> Weighed | None:
    """The figure's worst value, weighed; None where it was not measured well enough. Without `numbers` all weights are
    zero."""
    readings = []
    for measured in figure.values(view):
        limit = figure.judged_by(limits, measured.window)
        read = log_times(figure, measured.estimate, limit.value) if measured.amount >= figure.least else None
        if read is not None:
            readings.append((*read, measured, limit))
    if not readings:
        return None
    # The value most surely bad is taken, so that a clear one comes before an extreme one from few readings.
    at, sigma, better, measured, limit = max(readings, key=lambda r: r[0] - r[1])
    weight = measured.amount / (measured.amount + figure.least)
    shape = weight * hats(at, sigma)
    rows = numbers.weights.get(figure.name, {}) if numbers else {}
    no = (numbers.no.get(figure.name) if numbers else None) or (0.0,) * len(KNOTS)
    return Weighed(
        figure, measured, limit, 2.0**at, shape, sure=better > 0.0, rank=at - sigma,
        says={c: float(shape @ np.asarray(row)) for c, row in rows.items()},
        says_no=float(shape @ np.asarray(no)), could_say_no=weight * max(*no, 0.0),
    )  # fmt: skip


def weigh(view: View, limits: Mapping[str, Limit], numbers: Table | None = None) -> list[Weighed]:
    """Every figure that was measured; of each group only the one most surely bad."""
    groups: dict[str, Weighed] = {}
    for figure in FIGURES:
        one = weigh_figure(figure, view, limits, numbers) if figure.question else None
        if one is not None and (figure.group not in groups or one.rank > groups[figure.group].rank):
            groups[figure.group] = one
    return list(groups.values())


def beyond_makers_limit(view: View, limits: Mapping[str, Limit], numbers: Table) -> list[Weighed]:
    """Every figure surely beyond a limit of the vehicle's own service information."""
    weighed = (weigh_figure(f, view, limits, numbers) for f in FIGURES if f.question)
    return [w for w in weighed if w is not None and w.sure and w.limit.from_profile]


def probabilities(evidence: Sequence[Weighed], prior: Mapping[str, float], temperature: float) -> dict[str, float]:
    """The probability of each condition (they sum to 1) from the evidence."""
    score = {"healthy": 0.0}
    for fault in FAULTS:
        odds = sum(w.says.get(fault, 0.0) for w in evidence)
        score[fault] = prior[fault] + odds / temperature
    top = max(score.values())
    total = sum(math.exp(s - top) for s in score.values())
    return {c: math.exp(score[c] - top) / total for c in CONDITIONS}


def likeness(weighed: Weighed) -> float:
    """The figure as used to compare kinds of cars, in powers of two times its limit. Beyond the limit it counts as at
    the limit, because a fault does not make a car of another kind."""
    return min(math.log2(weighed.times_limit), 0.0)


def distance(evidence: Sequence[Weighed], families: Mapping[str, Mapping[str, Sequence[float]]]) -> tuple[float, str]:
    """Distance of the cam's figures from the nearest family the table was fitted on, and that family's name. The
    distance is the root mean square, over the measured figures, of the deviation from the family's mean in standard
    deviations of that family's cars; 1 is an ordinary member."""
    best = (math.inf, "")
    for name, rows in families.items():
        apart = [
            min(((likeness(w) - rows[w.figure.name][0]) / rows[w.figure.name][1]) ** 2, 36.0)
            for w in evidence
            if w.figure.name in rows
        ]
        if apart:
            best = min(best, ((sum(apart) / len(apart)) ** 0.5, name))
    return best if best[1] else (0.0, "")
