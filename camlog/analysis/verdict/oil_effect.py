"""How oil temperature and viscosity change a cam's figures, and the pattern that names a cause.

Slow only when cold points at viscosity or grade, weak only when hot at
pressure or leakage, everywhere at sticking or a blocked screen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats

from camlog.analysis.estimate import CONFIDENCE, Estimate, missing
from camlog.limits import LIMITS, Limit
from camlog.oil import kinematic_viscosity
from camlog.oil_windows import OilTemperature, OilWindow

PATTERNS = ("cold_only", "hot_only", "everywhere", "none", "unknown")

# A pattern is named where it is this probable against all others the windows leave open.
NAMED_AT = 0.8
# The four patterns are equally likely beforehand; one that jumps back and forth with temperature hardly is.
_PRIOR_NAMED = 0.24
_PRIOR_OTHER = 0.04
# No figure is better known than this, whatever its interval says: windows differ in how they were driven.
MIN_RELATIVE_ERROR = 0.03
# One side of a 95 % interval is wrong this often.
_BOUND_ERROR = 0.025
# A slope needs this many responses, over at least this ratio of viscosities, to mean anything.
MIN_SLOPE_COUNT = 6
MIN_VISCOSITY_RATIO = 1.5
# Theil's slope compares every pair; beyond this many responses an even choice of them is taken.
MAX_SLOPE_COUNT = 1000


@dataclass(frozen=True, slots=True)
class WindowMetric:
    """One figure of one oil window and its limit; `worse` "high" or "low" says which side is bad."""

    window: OilWindow
    estimate: Estimate
    limit: Limit
    worse: str = "high"


@dataclass(frozen=True, slots=True)
class OilPattern:
    """`kind` of PATTERNS, its `probability`; `p_bad` is each known window's chance of lying beyond its limit.

    `change` is the hottest window's figure over the coldest's.
    """

    kind: str
    probability: float | None
    p_bad: tuple[tuple[OilWindow, float], ...]
    change: Estimate
    reason: str

    def to_dict(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "probability": self.probability,
            "windows": [{**w.to_dict(), "p_beyond_limit": p} for w, p in self.p_bad],
            "hot_over_cold": self.change.value,
            "reason": self.reason,
        }


def oil_pattern(
    metrics: Sequence[WindowMetric], warm_degc: float = LIMITS["warm_oil_degc"].value
) -> OilPattern:
    """Name the pattern a figure makes over oil windows.

    Each window's chance of being beyond its limit comes from its interval (lognormal for a positive figure).
    Every assignment good/bad of the known windows is weighed by the product of those chances and a flat prior
    over the four patterns; a pattern is named where it holds at least 80 % (Bayes' rule, no source for the
    prior). "Everywhere" and "none" need windows on both sides of `warm_degc`.
    """
    known = [m for m in sorted(metrics, key=lambda m: m.window) if _chance_beyond(m) is not None]
    chances = tuple((m.window, _chance_beyond(m)) for m in known)
    if not known:
        return OilPattern(
            "unknown", None, (), missing("no window"), "No oil window gave this figure with an interval."
        )
    if len(known) == 1:
        only = f"Only oil {known[0].window.label} gave this figure; a pattern needs a second oil window."
        return OilPattern("unknown", None, chances, missing("one window"), only)
    weight = _pattern_weights([p for _, p in chances])
    kind = max(weight, key=weight.__getitem__)
    probability = weight[kind]
    change = _change(known)
    spans = known[0].window.max_degc <= warm_degc <= known[-1].window.min_degc
    if kind == "unknown" or probability < NAMED_AT:
        reason = (
            "The windows do not agree on a pattern, or their figures lie too close to the limits to tell."
        )
        return OilPattern("unknown", probability, chances, change, reason)
    if kind in ("everywhere", "none") and not spans:
        side = "warm" if known[0].window.min_degc >= warm_degc else "cold"
        where = f"The figure is the same in every window seen, but only {side} oil was seen."
        return OilPattern("unknown", probability, chances, change, where)
    return OilPattern(kind, probability, chances, change, _words(kind, known))


def _chance_beyond(m: WindowMetric) -> float | None:
    """Chance that the true figure lies beyond its limit, from its 95 % interval taken as (log)normal.

    A figure known only to lie beyond a bound counts where that bound is beyond the limit already (a cam that
    had not arrived when the command moved on). None where the estimate cannot say.
    """
    value, low, high, limit = m.estimate.value, m.estimate.low, m.estimate.high, m.limit.value
    if value is None:
        if low is not None and low > limit:
            return 1.0 - _BOUND_ERROR if m.worse == "high" else _BOUND_ERROR
        if high is not None and high < limit:
            return _BOUND_ERROR if m.worse == "high" else 1.0 - _BOUND_ERROR
        return None
    if low is None or high is None:
        return None
    width = 2.0 * stats.norm.ppf(0.5 + CONFIDENCE / 2.0)
    if min(value, low, limit) > 0.0:
        error = max((math.log(high) - math.log(low)) / width, MIN_RELATIVE_ERROR)
        z = (math.log(value) - math.log(limit)) / error
    else:
        error = max((high - low) / width, MIN_RELATIVE_ERROR * max(abs(limit), abs(value)), 1e-12)
        z = (value - limit) / error
    return float(stats.norm.cdf(z if m.worse == "high" else -z))


def _pattern_weights(p_bad: Sequence[float]) -> dict[str, float]:
    """Posterior of each pattern; "unknown" holds every assignment that goes back and forth."""
    n = len(p_bad)
    weight = dict.fromkeys(PATTERNS, 0.0)
    for code in range(2**n):
        bad = [bool(code >> i & 1) for i in range(n)]
        chance = math.prod(p if b else 1.0 - p for p, b in zip(p_bad, bad, strict=True))
        changes = sum(a != b for a, b in zip(bad[:-1], bad[1:], strict=True))
        if changes == 0:
            weight["everywhere" if bad[0] else "none"] += chance * _PRIOR_NAMED
        elif changes == 1:
            weight["cold_only" if bad[0] else "hot_only"] += chance * _PRIOR_NAMED / (n - 1)
        else:
            weight["unknown"] += chance * _PRIOR_OTHER / (2**n - 2 * n)
    total = sum(weight.values())
    return {kind: w / total for kind, w in weight.items()}


def _change(known: Sequence[WindowMetric]) -> Estimate:
    cold, hot = known[0].estimate, known[-1].estimate
    if cold.value is None or hot.value is None:
        return missing("one of the two figures is only known to lie beyond a bound")
    if min(cold.value, hot.value, cold.low, hot.low) <= 0.0:
        return missing("a ratio needs figures above zero")
    width = 2.0 * stats.norm.ppf(0.5 + CONFIDENCE / 2.0)
    error = math.hypot(*((math.log(e.high) - math.log(e.low)) / width for e in (cold, hot)))
    ratio = hot.value / cold.value
    spread = math.exp(width / 2.0 * error)
    return Estimate(ratio, ratio / spread, ratio * spread, min(cold.count, hot.count))


def _words(kind: str, known: Sequence[WindowMetric]) -> str:
    def says(m: WindowMetric) -> str:
        value, low, high = m.estimate.value, m.estimate.low, m.estimate.high
        figure = f"{value:.3g}" if value is not None else f"over {low:.3g}" if low else f"under {high:.3g}"
        return f"{figure} {m.limit.unit} with oil {m.window.label} (limit {m.limit.value:g})"

    figures = ", ".join(says(m) for m in known)
    start = {
        "cold_only": "Beyond the limit only with cold oil, which points at viscosity or oil grade",
        "hot_only": "Beyond the limit only with hot oil, which points at oil pressure or internal leakage",
        "everywhere": "Beyond the limit in every oil window, which points at sticking or a blocked screen",
        "none": "Within the limit in every oil window",
    }[kind]
    return f"{start}: {figures}."


def viscosity_at(oil: OilTemperature, grade: str | None, time_s: np.ndarray) -> np.ndarray:
    """Kinematic viscosity (mm2/s) at given times by ASTM D341 from the oil's grade; NaN where not known.

    All NaN without a grade: a viscosity is never guessed. Raises InputError for a grade nobody knows.
    """
    time_s = np.asarray(time_s, dtype=float)
    if grade is None:
        return np.full(time_s.shape, np.nan)
    return kinematic_viscosity(grade, oil.at(time_s))


def viscosity_slope(figure: np.ndarray, viscosity_mm2_s: np.ndarray) -> Estimate:
    """Slope of log figure against log viscosity: 0 does not depend on it, 1 is in proportion to it.

    `figure` (say T63 of each step, s) and `viscosity_mm2_s` have shape (n,); pairs with a NaN or a value not
    above zero are left out. Median of pairwise slopes with Sen's 95 % interval (Sen 1968,
    `scipy.stats.theilslopes`), which a few odd steps do not move.
    """
    figure, viscosity = np.asarray(figure, float), np.asarray(viscosity_mm2_s, float)
    good = (figure > 0.0) & (viscosity > 0.0)  # False for NaN
    figure, viscosity = figure[good], viscosity[good]
    n = len(figure)
    if n < MIN_SLOPE_COUNT:
        return missing(f"{n} responses with a known viscosity; {MIN_SLOPE_COUNT} are needed", n)
    if viscosity.max() < MIN_VISCOSITY_RATIO * viscosity.min():
        return missing("the oil's viscosity hardly changed during the drive", n)
    if n > MAX_SLOPE_COUNT:
        chosen = np.linspace(0, n - 1, MAX_SLOPE_COUNT).astype(np.int64)
        figure, viscosity = figure[chosen], viscosity[chosen]
    slope, _, low, high = stats.theilslopes(np.log(figure), np.log(viscosity), alpha=CONFIDENCE)
    return Estimate(float(slope), float(low), float(high), n)
