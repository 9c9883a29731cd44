"""A measured figure with its uncertainty, and the block statistics behind it.

Readings of one cam a fraction of a second apart are not independent. Every interval here therefore comes from the
differences between blocks (a steady segment, or a stretch of some seconds): the between-block ("sandwich") variance of
a ratio of sums, with Student's t because blocks may be few."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import special, stats

from camlog.messages import Messages

say = Messages("camlog.analysis")
CONFIDENCE = 0.95
# More groups do not improve an interval; neighbouring blocks are pooled so that the cost stays linear.
MAX_GROUPS = 400


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure in the unit of its name, with its 95 % interval.

    `value` is None where it could not be measured, and `reason` says why; `low` and `high` are None where
    the data give a value but no interval (fewer than two independent blocks). `count` is the number of
    independent pieces (blocks, events) it rests on."""

    value: float | None
    low: float | None = None
    high: float | None = None
    count: int = 0
    reason: str = ""

    def __bool__(self) -> bool:
        return self.value is not None

    @property
    def interval(self) -> tuple[float, float] | None:
        return None if self.low is None or self.high is None else (self.low, self.high)

    @property
    def half_width(self) -> float:
        """Half the interval; 0 where there is none."""
        return 0.0 if self.low is None or self.high is None else 0.5 * (self.high - self.low)

    @property
    def at_least(self) -> float | None:
        """The value, or the lower end of its interval where only that is known."""
        return self.low if self.value is None else self.value

    def mapped(self, change: Callable[[float], float]) -> Estimate:
        """The estimate with the monotone function `change` applied to value and both ends."""
        ends = (self.value, self.low, self.high)
        value, low, high = (None if end is None else float(change(end)) for end in ends)
        if low is not None and high is not None and low > high:
            low, high = high, low
        return replace(self, value=value, low=low, high=high)

    def widened(self, by: float) -> Estimate:
        """The estimate with its interval extended by `by` on either side."""
        if self.low is None or self.high is None:
            return self
        return replace(self, low=self.low - by, high=self.high + by)


def missing(reason: str, count: int = 0) -> Estimate:
    return Estimate(None, None, None, count, reason)


def lacking(name: str, count: int = 0, **values: object) -> Estimate:
    """A missing figure with the reason `missing.NAME` of messages.toml, filled with `values`."""
    return missing(say(f"missing.{name}", count=count, **values), count)


@dataclass(frozen=True, slots=True)
class Blocks:
    """Readings grouped into blocks: `starts` (b,) index of each block's first reading, `size` (b,) readings."""

    starts: np.ndarray
    size: np.ndarray

    def sum(self, value: np.ndarray) -> np.ndarray:
        """Sum of `value` (..., n) over each block, shape (..., b)."""
        return np.add.reduceat(value, self.starts, axis=-1) if len(self.starts) else np.empty(0)

    def spread(self, per_block: np.ndarray) -> np.ndarray:
        """One value a block (..., b) repeated for each of its readings (..., n)."""
        return np.repeat(per_block, self.size, axis=-1)

    def lasted(self, time_s: np.ndarray) -> np.ndarray:
        """Duration (b,) of each block, from its first to its last reading; `time_s` (n,) are the reading times."""
        return time_s[self.starts + self.size - 1] - time_s[self.starts]

    def centred(self, value: np.ndarray) -> np.ndarray:
        """`value` (..., n) less its mean over each block."""
        return value - self.spread(self.sum(value) / self.size)


def blocks_of(label: np.ndarray) -> Blocks:
    """Blocks from labels (n,) that are constant within a block and change between blocks."""
    starts = np.concatenate([[0], np.flatnonzero(np.diff(label)) + 1])[: len(label)]
    return Blocks(starts, np.diff(np.append(starts, len(label))))


def evenly(index: np.ndarray, most: int) -> np.ndarray:
    return index if len(index) <= most else index[np.linspace(0, len(index) - 1, most).astype(int)]


def _pooled(*sums: np.ndarray) -> tuple[np.ndarray, ...]:
    """Per-block sums (b,), neighbouring blocks pooled into at most MAX_GROUPS."""
    count = len(sums[0])
    if count <= MAX_GROUPS:
        return sums
    edges = (np.arange(MAX_GROUPS) * count) // MAX_GROUPS
    return tuple(np.add.reduceat(s, edges) for s in sums)


def ratio(numerator: np.ndarray, denominator: np.ndarray) -> Estimate:
    """Sum of `numerator` over sum of `denominator`, both per block (b,), with its between-block interval."""
    weight = float(np.sum(denominator))
    if not len(numerator) or weight <= 0:
        return lacking("readings")
    value = float(np.sum(numerator)) / weight
    error = _ratio_error(numerator, denominator)
    if error is None:
        return Estimate(value, None, None, len(numerator), say("missing.one_block"))
    half = error * t_quantile(_effective_blocks(denominator) - 1.0)
    return Estimate(value, value - half, value + half, len(numerator))


def _ratio_error(numerator: np.ndarray, denominator: np.ndarray) -> float | None:
    """Standard error of a ratio of block sums (Cochran, Sampling Techniques, ch. 6); None below two blocks."""
    numerator, denominator = _pooled(numerator, denominator)
    count, weight = len(numerator), float(np.sum(denominator))
    if count < 2 or weight <= 0:
        return None
    residual = numerator - np.sum(numerator) / weight * denominator
    return float(np.sqrt(count / (count - 1.0) * np.sum(residual**2)) / weight)


def root_mean_square(square_sum: np.ndarray, count: np.ndarray, subtract: float = 0.0) -> Estimate:
    """Root of the mean square less a known noise power `subtract`, from per-block sums (b,). The interval is computed
    for the logarithm of the power, which is nearer to normal for few blocks."""
    mean = ratio(square_sum, count)
    if mean.value is None:
        return mean
    power = max(mean.value - subtract, 0.0)
    value = float(np.sqrt(power))
    error = _ratio_error(square_sum, count)
    if error is None:
        return Estimate(value, None, None, mean.count, mean.reason)
    if mean.value <= 0.0:
        return Estimate(0.0, 0.0, 0.0, mean.count)
    spread = np.exp(min(error / mean.value * t_quantile(_effective_blocks(count) - 1.0), 50.0))
    low, high = max(mean.value / spread - subtract, 0.0), max(mean.value * spread - subtract, 0.0)
    return Estimate(value, float(np.sqrt(low)), float(np.sqrt(high)), mean.count)


def quantile(value: np.ndarray, blocks: Blocks, share: float) -> Estimate:
    """A quantile of readings (n,) with Woodruff's interval (Journal of the American Statistical Association 47 (1952)):
    the uncertainty of the share below it, inverted. That uncertainty is between blocks."""
    if not len(value):
        return lacking("readings")
    ordered = np.sort(value)
    at = float(ordered[min(int(np.ceil(share * len(ordered))) - 1, len(ordered) - 1)])
    error = _ratio_error(blocks.sum((value <= at).astype(float)), blocks.size.astype(float))
    if error is None:
        return Estimate(at, None, None, len(blocks.size), say("missing.one_block"))
    half = error * t_quantile(_effective_blocks(blocks.size) - 1.0)
    half = max(half, 0.5 / len(ordered))
    low, high = np.quantile(ordered, [max(share - half, 0.0), min(share + half, 1.0)])
    return Estimate(at, float(min(low, at)), float(max(high, at)), len(blocks.size))


def median(value: np.ndarray) -> Estimate:
    """Median of independent values (n,) with the order-statistic interval (binomial, distribution-free)."""
    count = len(value)
    if not count:
        return lacking("events")
    ordered, middle = np.sort(value), float(np.median(value))
    low = int(stats.binom.ppf((1.0 - CONFIDENCE) / 2.0, count, 0.5))
    if low >= 1:
        return Estimate(middle, float(ordered[low - 1]), float(ordered[count - low]), count)
    if count < 2:
        return Estimate(middle, None, None, count, say("missing.one_event"))
    # For fewer than six values, minimum to maximum is less than a 95 % interval, so the mean's t interval is used.
    half = float(np.std(ordered, ddof=1) / np.sqrt(count)) * t_quantile(count - 1.0)
    return Estimate(middle, middle - half, middle + half, count)


def _effective_blocks(size: np.ndarray) -> float:
    """Effective number of blocks (Kish): the number of equal blocks that would give the same precision."""
    (size,) = _pooled(np.asarray(size, dtype=float))
    total = float(np.sum(size))
    return total**2 / float(np.sum(size**2)) if total > 0 else 0.0


def t_quantile(freedom: float) -> float:
    """Two-sided 95 % point of Student's t."""
    return float(special.stdtrit(max(freedom, 1.0), 0.5 + CONFIDENCE / 2.0))
