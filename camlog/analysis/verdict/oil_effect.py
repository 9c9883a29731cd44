"""How a figure changes with oil temperature, and the pattern that names a cause. Slow only when cold points at
viscosity or grade, weak only when hot at pressure or leakage, everywhere at sticking or a blocked screen."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise, product
from typing import Any

from scipy import stats

from camlog.analysis.cam.examine import Examination
from camlog.analysis.estimate import CONFIDENCE, Estimate
from camlog.analysis.figures.measures import slower_t63
from camlog.analysis.verdict import messages
from camlog.limits import LIMITS, Limit
from camlog.oil_windows import OilWindow, t63_limit

PATTERNS = ("cold_only", "hot_only", "everywhere", "none", "unknown")

# A pattern is named from this probability on, among all patterns that the measured windows allow.
NAMED_AT = 0.8
# Prior of each of the four patterns, and of all others together (good and bad alternate with temperature).
_PRIOR_NAMED = 0.24
_PRIOR_OTHER = 0.04
# Least relative error of a figure, whatever its interval: windows differ in how they were driven.
MIN_RELATIVE_ERROR = 0.03
# Probability that the true value lies beyond one given end of a 95 % interval.
_BOUND_ERROR = 0.025
_WIDTH = 2.0 * float(stats.norm.ppf(0.5 + CONFIDENCE / 2.0))  # of a 95 % interval, in standard deviations


@dataclass(frozen=True, slots=True)
class WindowMetric:
    """One figure in one oil window, with the limit it should stay below."""

    window: OilWindow
    estimate: Estimate
    limit: Limit

    @property
    def p_beyond(self) -> float | None:
        """Probability that the true figure lies beyond its limit, from its 95 % interval taken as (log)normal.
        A figure with only a bound counts if that bound is beyond the limit already (a cam that had not arrived when the
        command moved on). None: unknown."""
        value, low, high, limit = self.estimate.value, self.estimate.low, self.estimate.high, self.limit.value
        if value is None:
            above = low is not None and low > limit
            if not above and (high is None or high >= limit):
                return None
            return 1.0 - _BOUND_ERROR if above else _BOUND_ERROR
        if low is None or high is None:
            return None
        if min(value, low, limit) > 0.0:
            z = math.log(value / limit) / max(math.log(high / low) / _WIDTH, MIN_RELATIVE_ERROR)
        else:
            least = MIN_RELATIVE_ERROR * max(abs(limit), abs(value))
            z = (value - limit) / max((high - low) / _WIDTH, least, 1e-12)
        return float(stats.norm.cdf(z))

    @property
    def words(self) -> str:
        e = self.estimate
        name, value = ("over", e.low) if e.low else ("under", e.high)
        if e.value is not None:
            name, value = "value", e.value
        return messages(
            "oil_pattern.figure", value=messages(f"oil_pattern.{name}", value=value), unit=self.limit.unit,
            window=self.window.label, limit=self.limit.value,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class OilPattern:
    """A pattern over oil windows: its `kind`, one of PATTERNS, and `probability`; `p_bad` is each known window's
    probability of a figure beyond its limit."""

    kind: str
    probability: float | None
    p_bad: tuple[tuple[OilWindow, float], ...]
    reason: str

    def to_dict(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "probability": self.probability,
            "windows": [{**w.to_dict(), "p_beyond_limit": p} for w, p in self.p_bad],
            "reason": self.reason,
        }


def response_pattern(x: Examination, limits: Mapping[str, Limit]) -> OilPattern:
    """How a cam's response depends on oil temperature, from the slower direction in each window."""
    return oil_pattern([WindowMetric(w, t63, t63_limit(limits, w)) for w, t63 in slower_t63(x.response)])


def oil_pattern(metrics: Sequence[WindowMetric]) -> OilPattern:
    """The pattern of a figure over oil windows.

    Each window's probability of being beyond its limit comes from its interval (lognormal for a positive figure). Every
    good/bad assignment of the known windows is weighted by the product of these probabilities and a flat prior over the
    four patterns. A pattern with a probability of at least 80 % is named (Bayes' rule, no source for the prior).
    "Everywhere" and "none" need windows on both sides of warm oil."""
    warm_degc = LIMITS["warm_oil_degc"].value
    pairs = [(m, p) for m in sorted(metrics, key=lambda m: m.window) if (p := m.p_beyond) is not None]
    known, chances = [m for m, _ in pairs], tuple((m.window, p) for m, p in pairs)
    if not known:
        return OilPattern("unknown", None, (), messages("oil_pattern.no_window"))
    if len(known) == 1:
        return OilPattern("unknown", None, chances, messages("oil_pattern.one_window", window=known[0].window.label))
    weight = _pattern_weights([p for _, p in chances])
    kind = max(weight, key=weight.__getitem__)
    spans = known[0].window.max_degc <= warm_degc <= known[-1].window.min_degc
    name = kind
    if kind == "unknown" or weight[kind] < NAMED_AT:
        name = "unclear"
    elif kind in ("everywhere", "none") and not spans:
        name = "only_warm" if known[0].window.min_degc >= warm_degc else "only_cold"
    reason = messages(f"oil_pattern.{name}", figures=", ".join(m.words for m in known))
    return OilPattern(kind if name == kind else "unknown", weight[kind], chances, reason)


def _pattern_weights(p_bad: Sequence[float]) -> dict[str, float]:
    """Posterior of each pattern; "unknown" is the sum over assignments that alternate with temperature."""
    n = len(p_bad)
    weight = dict.fromkeys(PATTERNS, 0.0)
    for bad in product((False, True), repeat=n):
        chance = math.prod(p if b else 1.0 - p for p, b in zip(p_bad, bad, strict=True))
        turns = sum(a != b for a, b in pairwise(bad))
        if turns == 0:
            weight["everywhere" if bad[0] else "none"] += chance * _PRIOR_NAMED
        elif turns == 1:
            weight["cold_only" if bad[0] else "hot_only"] += chance * _PRIOR_NAMED / (n - 1)
        else:
            weight["unknown"] += chance * _PRIOR_OTHER / (2**n - 2 * n)
    total = sum(weight.values())
    return {kind: w / total for kind, w in weight.items()}
