"""Intervals, tests and ratios of Poisson rates, corrected for overdispersion.

Misfires come in bursts and some modules report them in lumps, so counts vary more than Poisson's law allows. Counts and
exposures are both divided by the dispersion (Pearson's chi-square over its degrees of freedom, at least one): rates
stay the same, intervals widen (quasi-Poisson)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from camlog.analysis.estimate import CONFIDENCE, Estimate, missing
from camlog.analysis.misfire import say

TAIL = (1.0 - CONFIDENCE) / 2.0
# Above this many counts the score test replaces the E-test: it agrees and costs less.
E_TEST_MAX_COUNTS = 5000
MIN_DISPERSION_DF = 5  # with fewer degrees of freedom the dispersion is taken as 1


def rate(count: float, exposure: float, dispersion: float = 1.0, blocks: int = 0) -> Estimate:
    """Count over exposure with its exact 95 % interval (Garwood 1936, by the gamma distribution)."""
    if not exposure > 0.0:
        return missing(say("nothing_counted"), blocks)
    k, n = count / dispersion, exposure / dispersion
    low = float(stats.gamma.ppf(TAIL, k)) / n if k > 0 else 0.0
    high = float(stats.gamma.ppf(1.0 - TAIL, k + 1.0)) / n
    return Estimate(count / exposure, low, high, blocks or int(count))


def p_above(count: float, exposure: float, limit: float, dispersion: float = 1.0) -> float:
    """Probability of this count or more if the true rate is `limit` (exact, one-sided)."""
    k = count / dispersion
    return float(special.gammainc(k, limit * exposure / dispersion)) if k > 0 else 1.0


def p_below(count: float, exposure: float, limit: float, dispersion: float = 1.0) -> float:
    """Probability of this count or fewer if the true rate is `limit` (exact, one-sided)."""
    return float(special.gammaincc(count / dispersion + 1.0, limit * exposure / dispersion))


def p_ratio_below(one: tuple[float, float], two: tuple[float, float], ratio: float, dispersion: float = 1.0) -> float:
    """Probability of a count this small in `one` if its rate is `ratio` times that of `two`. `one` and `two` are
    (count, exposure); conditional binomial."""
    (k1, n1), (k2, n2) = one, two
    share = ratio * n1 / (ratio * n1 + n2)
    return float(special.betainc(k2 / dispersion, k1 / dispersion + 1.0, 1.0 - share)) if k2 > 0 else 1.0


@dataclass(frozen=True, slots=True)
class RateRatio:
    """Rate 1 over rate 2 with its 95 % interval and the p-value of "the rates are equal". `value` is None where the
    second count is zero (the ratio has no upper end; `low` still holds), `high` None where it is infinite."""

    value: float | None
    low: float | None
    high: float | None
    p_value: float


def rate_ratio(
    count_1: float, exposure_1: float, count_2: float, exposure_2: float, dispersion: float = 1.0
) -> RateRatio:
    """Compare two rates; exposures above zero. p-value: the E-test of Krishnamoorthy & Thomson 2004
    (`scipy.stats.poisson_means_test`), the score test for large counts. Interval: exact, conditional on
    the total count (Clopper & Pearson 1934)."""
    k1, n1, k2, n2 = (v / dispersion for v in (count_1, exposure_1, count_2, exposure_2))
    low_share = float(stats.beta.ppf(TAIL, k1, k2 + 1.0)) if k1 > 0 else 0.0
    high_share = float(stats.beta.ppf(1.0 - TAIL, k1 + 1.0, k2)) if k2 > 0 else 1.0
    value = (k1 / n1) / (k2 / n2) if k2 > 0 else None
    low, high = (s / (1.0 - s) * n2 / n1 if s < 1.0 else None for s in (low_share, high_share))
    return RateRatio(value, low, high, _equal_rates_p(k1, n1, k2, n2))


def _equal_rates_p(k1: float, n1: float, k2: float, n2: float) -> float:
    if k1 + k2 <= E_TEST_MAX_COUNTS:
        whole_1, whole_2 = round(k1), round(k2)
        if whole_1 + whole_2 == 0:
            return 1.0
        return min(1.0, float(stats.poisson_means_test(whole_1, n1, whole_2, n2).pvalue))
    total, share = k1 + k2, n1 / (n1 + n2)
    z = (k1 - total * share) / math.sqrt(total * share * (1.0 - share))
    return float(2.0 * stats.norm.sf(abs(z)))


def dispersion(counts: np.ndarray, exposures: np.ndarray, group: np.ndarray) -> float:
    """Variance over mean of block counts about their group's rate, at least 1. `counts`, `exposures`, `group` have
    shape (blocks,); groups are small integers. Pearson's chi-square over its degrees of freedom; 1 with too few
    blocks."""
    keep = np.asarray(exposures) > 0.0
    counts, exposures = np.asarray(counts, float)[keep], np.asarray(exposures, float)[keep]
    _, group = np.unique(np.asarray(group)[keep], return_inverse=True)
    if not len(group):
        return 1.0
    expected = (np.bincount(group, counts) / np.bincount(group, exposures))[group] * exposures
    counted = expected > 0.0
    # A group without any count has no spread.
    freedom = int(counted.sum()) - len(np.unique(group[counted]))
    if freedom < MIN_DISPERSION_DF:
        return 1.0
    return max(1.0, float(np.sum((counts[counted] - expected[counted]) ** 2 / expected[counted])) / freedom)
