"""Evidence that adds up: from a cam's figures to the probability of each condition.

log odds of a condition against "healthy" = its prior + what each figure says. A figure is read as a multiple of its
limit; the table gives its weight at 1/8, 1/4, 1/2, 1, 2, 4 and 8 times the limit, straight lines between, averaged over
the figure's uncertainty and scaled down where little data stands behind it. Of figures that share their information, or
are signs of which any one suffices (one group), only the one most surely bad counts; a figure that was not measured
says nothing. The weights never fall as a figure grows worse for the conditions it speaks for.

The table (`evidence.json`) is fitted by `python -m tests.bench.validity --fit` on simulated cars of many families and
tested on families it was not fitted on. An additive model, so that each figure's part is exact (the idea of Nori et
al., arXiv:1909.09223)."""

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
# A limit is no knife's edge, and a value without an interval is known to a factor of 1.4.
LEAST_SIGMA, UNKNOWN_SIGMA, MOST_SIGMA = 0.15, 0.5, 2.0
# Gauss-Hermite points and weights for averaging over a normal distribution.
_POINTS, _WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True)
class Weighed:
    """One figure as it was weighed.

    `times_limit` its value over its limit (or limit over value where small is bad), `hats` (7,) how much
    of it lies at each knot, already scaled by the amount of data. `says` the log odds it adds to each
    fault against healthy, `says_no` those it adds to "no" as the answer to its own question,
    `could_say_no` the same had it been at its worst. `sure` is True where even the better end of its
    interval is beyond the limit, `rank` is higher the more surely it is bad."""

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
    """The numbers of `evidence.json`: see the file's own keys."""

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
    """A table from its JSON object; a fault that it was not fitted for is never found."""
    prior = dict.fromkeys(FAULTS, -math.inf) | raw["prior"]
    return Table(**{f.name: raw[f.name] for f in fields(Table)} | {"prior": prior})


def log_times(figure: Figure, estimate: Estimate, limit: float) -> tuple[float, float, float] | None:
    """log2 of the figure over its limit (worse is larger), its standard deviation, and its better end.
    None where it was not measured. A value known only to lie beyond a bound is taken at the bound."""
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
    """How much of a normal distribution (`at`, `sigma`; powers of two) lies at each knot, (7,), sum 1."""
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
    """The figure's worst value, weighed; None where it was not measured well enough to say anything.
    Without `numbers` it says nothing, but is read all the same."""
    readings = []
    for measured in figure.values(view):
        limit = figure.judged_by(limits, measured.window)
        read = log_times(figure, measured.estimate, limit.value) if measured.amount >= figure.least else None
        if read is not None:
            readings.append((*read, measured, limit))
    if not readings:
        return None
    # The one that is most surely bad: a wild value from a few readings stands behind a clear one.
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
    """Every figure that was measured; of each group only the one that is most surely bad."""
    groups: dict[str, Weighed] = {}
    for figure in FIGURES:
        one = weigh_figure(figure, view, limits, numbers) if figure.question else None
        if one is not None and (figure.group not in groups or one.rank > groups[figure.group].rank):
            groups[figure.group] = one
    return list(groups.values())


def beyond_makers_limit(view: View, limits: Mapping[str, Limit], numbers: Table) -> list[Weighed]:
    """Every figure surely beyond a limit that the vehicle's own service information set."""
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
    """The figure as it tells one kind of car from another, powers of two times its limit: a fault, however
    gross, makes no car of another kind, so beyond the limit it counts as at the limit."""
    return min(math.log2(weighed.times_limit), 0.0)


def distance(evidence: Sequence[Weighed], families: Mapping[str, Mapping[str, Sequence[float]]]) -> tuple[float, str]:
    """How far the cam's figures lie from the nearest family the table was fitted on, and that family's
    name. Root mean square over the figures measured of how many standard deviations (of that family's
    cars) they lie from the family's mean; 1 is an ordinary member."""
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
