"""A figure's place among known-good cars of its kind: a random-effects interval, between cars and within.

Several drives of one car are first pooled to that car (inverse variance); cars are then pooled after DerSimonian and
Laird, "Meta-analysis in clinical trials", Controlled Clinical Trials 7 (1986), and the interval for a further car is that
of Higgins, Thompson and Spiegelhalter, J. R. Statist. Soc. A 172 (2009) (both from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats

# Fewer known-good drives are shown and not weighed.
ENOUGH = 5
Z95 = 1.96
# The share of the evidence that n known-good cars get: n / (n + this). Common practice, no source.
HALF_AT = 10.0
# A known-good whose figure lies this surely outside the others' interval does not fit them.
MISFIT = 0.01


@dataclass(frozen=True)
class Pooled:
    """Known-good cars of a kind in one figure: `mean`, `between` (standard deviation from car to car), `low` to `high`
    the 95 % interval for a further car, `cars` and `drives` counted, `values` of the cars."""

    mean: float
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
        """Standard deviations of a further car, measured with standard deviation `own`, between a value and the mean."""
        further = (self.high - self.low) / 2.0 / stats.t.ppf(0.975, max(self.cars - 2, 1))
        return (value - self.mean) / max(math.hypot(further, own), 1e-12)


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


def pooled(rows: Sequence[Mapping[str, Any]]) -> Pooled | None:
    """Known-good values of one figure (`value`, `low`, `high`, `vehicle`, `sha256`); None where there is none."""
    if not rows:
        return None
    cars: dict[str, list[tuple[float, float]]] = {}
    for row in rows:
        cars.setdefault(row.get("vehicle") or row["sha256"], []).append((row["value"], _spread(row) ** 2))
    each = [pool([v for v, _ in car], [s for _, s in car])[:2] for car in cars.values()]
    mean, variance, between = pool([m for m, _ in each], [v for _, v in each])
    quantile = stats.t.ppf(0.975, max(len(each) - 2, 1))
    half = float(quantile * math.sqrt(between + variance))
    return Pooled(mean, math.sqrt(between), mean - half, mean + half, len(each), len(rows), tuple(m for m, _ in each))


def _spread(row: Mapping[str, Any]) -> float:
    """Standard deviation of one value from its interval; a third of the value where it has none."""
    low, high = row.get("low"), row.get("high")
    return abs(row["value"]) * 0.3 + 1e-6 if low is None or high is None else max((high - low) / (2.0 * Z95), 1e-9)


def misfits(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """The hashes of known-good recordings that do not fit the others: the kind is mixed, or they were not good."""
    found = []
    for row in rows:
        rest = pooled([r for r in rows if r["sha256"] != row["sha256"]])
        if rest is None or not rest.weighed:
            continue
        p = 2.0 * stats.t.sf(abs(rest.beyond(row["value"], _spread(row))), max(rest.cars - 2, 1))
        if p < MISFIT / len(rows):
            found.append(row["sha256"])
    return found
