"""Figures of a step response pooled over the steps of one direction.

The answers are laid over one another, averaged in narrow bins of time and made monotone (isotonic regression,
Barlow, Bartholomew, Bremner & Brunk 1972); level crossings are read between its pools. Intervals are from a
bootstrap over whole steps (Efron & Tibshirani 1993), or over groups of neighbouring ones where they are many,
carried out on sums.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from camlog.analysis.estimate import Estimate, missing, t_quantile
from camlog.analysis.response.command_shape import CommandShape, onset_s
from camlog.analysis.response.monotone import monotone_crossings
from camlog.analysis.response.step_curves import AFTER_RANGE_S, LEVELS, SHAPE_S, StepCurves

T63, T86 = 1.0 - float(np.exp(-1.0)), 1.0 - float(np.exp(-2.0))
RESAMPLES = 64
# Scatter between so many groups tells the scatter of the whole to a tenth.
GROUPS = 40
READ_AT = np.array([0.1, 0.3, T63, T86])
# With few steps their own scatter says little. What sampling and noise must add, and a twentieth by which the
# steps of one cam differ anyway (size, pressure, load), then stand beside it with the weight of so many
# steps.
USUAL_SCATTER = 0.05
USUAL_WEIGHT = 2.0
# With this many steps a single one far off is an event of its own, not part of the usual response.
OUTLIER_STEPS_MIN = 8
OUTLIER_SIGMAS = 5.0
# The straight line through 10 and 30 % misses the start of a lag, a ramp or an S by up to this part of T63.
ONSET_PART = 0.02
RAMP_PART = 0.05
# With steps smaller than this many times the noise a first crossing is noise.
NOISE_TO_STEP = 4.0
# Slope of a lag's answer at 63.2 %, shares a time constant.
RISE_63 = 0.37
COUNT_PART = 0.15
ENOUGH_ARRIVALS = 0.5
# A cam this near to the command's own speed was not asked for more.
KEPT_UP = 0.75
# Straight lines between readings round off an exponential by about this part of the interval.
CHORD_PART = 0.15


@dataclass(frozen=True, slots=True)
class StepSummary:
    """The response to command steps of one direction.

    `dead_time`, `t63`, `t86` in seconds from the command, `overshoot` in degrees beyond the arrival,
    `slew` in deg/s over the fastest fifth of the move. `steps` were measured, `outliers` of them left out,
    `arrived` covered 63 % of the way while the command held. `resolution_s` is what sampling lets one step
    tell, `size_deg` the median step, `times_s` (steps,) when they were.
    """

    dead_time: Estimate
    t63: Estimate
    t86: Estimate
    overshoot: Estimate
    slew: Estimate
    steps: int = 0
    outliers: int = 0
    arrived: int = 0
    resolution_s: float | None = None
    size_deg: float | None = None
    times_s: tuple[float, ...] = ()


def no_steps(reason: str) -> StepSummary:
    """A summary without figures."""
    none = missing(reason)
    return StepSummary(none, none, none, none, none)


def summarise(curves: StepCurves, which: np.ndarray, word: str) -> StepSummary:
    """Pool the steps where `which` (n,) is true; `word` names their direction in reasons."""
    index = np.flatnonzero(which)
    n = len(index)
    if not n:
        return no_steps(f"no {word} step of the command was seen that began from a settled cam and was held")
    steps = curves.steps.take(index)
    resolution = float(np.median(np.maximum(curves.interval_s[index], steps.interval_s)))
    each = curves.crossing_s(T63)[index]
    came = np.isfinite(each)
    usual = float(np.median(each[came])) if came.any() else 0.0
    # A command held hardly longer than the cam usually needs says nothing about not arriving.
    asked = came | (steps.hold_after_s > 1.5 * usual)
    if np.median(curves.travel_deg[index]) < NOISE_TO_STEP * curves.noise_deg:
        return no_steps(
            f"the noise of the readings ({curves.noise_deg:.1f} deg) hides the answer to the {word} steps"
        )
    none = missing("", n)
    summary = StepSummary(
        none, none, none, none, none, n, 0, int(came.sum()), resolution,
        float(np.median(curves.travel_deg[index])), tuple(steps.time_s.tolist()),
    )  # fmt: skip
    if came.sum() <= ENOUGH_ARRIVALS * asked.sum():
        held = float(np.median(steps.hold_after_s[~came]))
        reason = (
            f"in {int((asked & ~came).sum())} of {int(asked.sum())} {word} steps the cam did not cover 63 % "
            f"of the way while the command held (median {held:.1f} s)"
        )
        late, none = Estimate(None, held, None, n, reason), missing(reason, n)
        return replace(summary, dead_time=none, t63=late, t86=late, overshoot=none, slew=none)
    keep = np.ones(n, dtype=bool)
    if n >= OUTLIER_STEPS_MIN:
        spread = 1.4826 * float(np.median(np.abs(each[came] - usual)))
        keep = ~(np.abs(each - usual) > OUTLIER_SIGMAS * max(spread, 0.5 * resolution, 0.05 * abs(usual)))
    summary = replace(summary, outliers=int((~keep).sum()))
    pooled = _Pool(curves, index[keep], each[keep], usual)
    dead, t63, t86 = pooled.times(resolution)
    if t63.value is None:
        return replace(summary, dead_time=dead, t63=t63, t86=t86, overshoot=t63, slew=t63)
    return replace(
        summary, dead_time=dead, t63=t63, t86=t86, overshoot=pooled.overshoot(), slew=pooled.slew(resolution)
    )


class _Pool:
    """The answers of the chosen steps laid over one another; per step and bin sums of shape (n, bins)."""

    def __init__(self, curves: StepCurves, used: np.ndarray, each: np.ndarray, usual: float):
        self.curves, self.used, self.each = curves, used, each
        self.n = len(used)
        self.steps = curves.steps.take(used)
        row = np.full(len(curves), -1)
        row[used] = np.arange(self.n)
        row = row[curves.step]
        interval = float(np.median(curves.interval_s[used]))
        start = -max(0.25, 2.0 * float(np.max(self.steps.spread_s)), interval)
        reach = float(np.clip(4.0 * usual + 0.3, 0.6, AFTER_RANGE_S[1]))
        # Narrow enough to keep the shape, wide enough to hold readings: about two where steps are few.
        fine = max(usual / 30.0, 0.002)
        width = float(np.clip(2.0 * interval / self.n, fine, max(0.5 * interval, fine)))
        inside = (row >= 0) & (curves.time_s >= start) & (curves.time_s <= reach)
        row, t, y = row[inside], curves.time_s[inside], curves.share[inside]
        self.bins = int((reach - start) / width) + 1
        cell = row * self.bins + ((t - start) / width).astype(int)

        def table(weight: np.ndarray) -> np.ndarray:
            return np.bincount(cell, weight, self.n * self.bins).reshape(self.n, self.bins)

        self.count, self.t, self.y = table(np.ones(len(t))), table(t), table(y)
        self.beyond = table(curves.left_deg[inside])
        whole = (v.sum(axis=0, keepdims=True) for v in (self.count, self.t, self.y))
        self.levels_s = monotone_crossings(*whole, READ_AT)[0]
        self.groups = min(self.n, GROUPS)
        self.resampled_s = self._resample()

    def _resample(self) -> np.ndarray | None:
        """The crossings of resampled sets of groups of steps, (RESAMPLES, 4); None for a single step."""
        if self.n < 2:
            return None
        g = self.groups
        edges = (np.arange(g) * self.n) // g
        # A fixed seed: the same drive gives the same interval.
        draw = np.random.default_rng(20250101).multinomial(g, np.full(g, 1.0 / g), RESAMPLES).astype(float)
        # Products this small are slower through a library that shares them out among threads.
        sums = (
            np.einsum("rg,gb->rb", draw, np.add.reduceat(v, edges, axis=0))
            for v in (self.count, self.t, self.y)
        )
        return monotone_crossings(*sums, READ_AT)

    def times(self, resolution: float) -> tuple[Estimate, Estimate, Estimate]:
        """Dead time, T63 and T86 with the spread of the command taken out."""
        n, again = self.n, self.resampled_s
        t10, t30, t63c, t86c = self.levels_s.tolist()
        if not np.isfinite(t63c):
            late = missing("the steps laid over one another do not cover 63 % of the way", n)
            return late, late, late
        shape = CommandShape(SHAPE_S, self.curves.command[self.used].mean(axis=0))
        onset = onset_s(t10, t30)
        dead, lag = shape.dead_time_and_lag(onset if np.isfinite(onset) else t63c, t63c)
        value63 = dead + lag
        each = None if again is None else again.T
        # What the command's shape was taken to add is known to about half where it was not seen (a jump
        # between two readings), and less its cut corners where it was.
        steps = self.steps
        inside = float(
            np.mean(np.minimum(1.0, steps.interval_s / np.maximum(steps.end_s - steps.start_s, 1e-9)))
        )
        corner = float(np.mean(steps.interval_s**2)) / (
            12.0 * max(lag, float(np.mean(steps.interval_s)), 1e-3)
        )
        doubt = inside * 0.5 * abs(t63c - value63) + (1.0 - inside) * corner
        # Rounding to counts moves a level alike in all steps; the later level is crossed that much more
        # slowly.
        travel = float(np.median(self.curves.travel_deg[self.used]))
        rounding = COUNT_PART * self.curves.count_deg / max(travel, 1e-9) * max(value63, 0.0) / RISE_63
        doubt += rounding
        t63 = _with_interval(value63, self._half_width(None if each is None else each[2], value63) + doubt, n)
        if np.isfinite(t86c):
            value = t86c - (shape.crossings_s((T86,), lag)[0] - 2.0 * lag)
            t86 = _with_interval(
                value, self._half_width(None if each is None else each[3], value) + doubt + rounding, n
            )
        else:
            t86 = missing("the command did not hold until 86 % of the way was covered", n)
        half = self._half_width(None if each is None else onset_s(each[0], each[1]), value63)
        # Where a long ramp was answered, its start and the lag's are told apart by shape alone.
        ramp = (1.0 - inside) * float(np.mean(steps.end_s - steps.start_s))
        found = _with_interval(dead, half + ONSET_PART * lag + RAMP_PART * ramp, n)
        if not np.isfinite(onset):
            return Estimate(None, 0.0, t63.high, n, "the start of the movement was not seen"), t63, t86
        if dead < resolution:
            high = max(found.high, resolution)
            reason = f"below the resolution of the sampling, {resolution:.2g} s"
            return Estimate(None, 0.0, high, n, reason), t63, t86
        return found, t63, t86

    def _half_width(self, resampled: np.ndarray | None, scale_s: float) -> float:
        """Half width of a 95 % interval of a crossing: scatter of the steps, sampling, noise."""
        n, g, steps = self.n, self.groups, self.steps
        # Where in the interval between two command readings the step fell is not known.
        inside = np.minimum(1.0, steps.interval_s / np.maximum(steps.end_s - steps.start_s, 1e-9))
        unknown = float(np.mean(steps.interval_s**2 * inside)) / 12.0
        rise_per_s = max(RISE_63 / max(scale_s, 1e-3), 1e-3)
        noise = float(np.median(self.curves.noise_deg / np.maximum(self.curves.travel_deg[self.used], 1e-9)))
        interval = float(np.median(self.curves.interval_s[self.used]))
        usual = (
            unknown
            + (USUAL_SCATTER * scale_s) ** 2
            + (noise / rise_per_s) ** 2
            + (CHORD_PART * interval) ** 2
        )
        single = usual
        if resampled is not None:
            seen = resampled[np.isfinite(resampled)]
            if len(seen) > RESAMPLES // 2:
                low, high = np.quantile(seen, [0.16, 0.84])
                own = (0.5 * (high - low)) ** 2 * n * g / (g - 1.0)
                single = (USUAL_WEIGHT * usual + (g - 1.0) * own) / (USUAL_WEIGHT + g - 1.0)
        # Where the steps scatter less than their unknown places in the interval would make them, the
        # readings are locked to the command and the unknown does not average out.
        locked = 0.0
        if n >= 3:
            found = self.each[np.isfinite(self.each)]
            if len(found) >= 3 and unknown > 0:
                hidden = max(0.0, 1.0 - float(np.var(found, ddof=1)) / unknown)
                locked = hidden * (unknown + (CHORD_PART * interval) ** 2)
        freedom = 4.0 * USUAL_WEIGHT + g - 1.0
        return float(np.sqrt(single / n + locked)) * t_quantile(freedom)

    def overshoot(self) -> Estimate:
        """Degrees beyond the arrival at the peak of the pooled answer, less what noise alone would show."""
        settled = self.curves.settled[self.used]
        n = int(settled.sum())
        top = self.levels_s[2]
        if not n or not np.isfinite(top):
            return missing("no hold was long enough to see where the cam arrived", n)
        count, beyond = self.count[settled], self.beyond[settled]
        total = _three(count.sum(axis=0))
        middle = np.divide(self.t.sum(axis=0), self.count.sum(axis=0), out=np.full(self.bins, -np.inf),
                           where=self.count.sum(axis=0) > 0)  # fmt: skip
        filled = (middle > top) & (total >= max(1.0, 0.3 * float(np.median(total[total > 0]))))
        if not filled.any():
            return missing("no reading lies between arrival and the end of the hold", n)
        curve = np.where(filled, _three(beyond.sum(axis=0)) / np.maximum(total, 1.0), -np.inf)
        k = int(np.argmax(curve))
        peak = float(curve[k])
        near = slice(max(k - 1, 0), k + 2)
        residual = beyond[:, near].sum(axis=1) - peak * count[:, near].sum(axis=1)
        between = np.sum(residual**2) / max(total[k], 1.0) ** 2 * (n / (n - 1.0) if n > 1 else 1.0)
        error = float(np.sqrt(max(between, self.curves.noise_deg**2 / max(total[k], 1.0))))
        value = float(np.sqrt(max(peak, 0.0) ** 2 - (2.5 * error) ** 2)) if peak > 2.5 * error else 0.0
        half = error * t_quantile(max(n - 1.0, 4.0))
        return Estimate(value, max(0.0, value - half), max(peak, 0.0) + half, n)

    def slew(self, resolution: float) -> Estimate:
        """Speed over the fastest fifth of the move: the largest, over fifths, of the steps' median."""
        n = self.n
        between = np.diff(self.curves.levels_s[:, self.used], axis=0)
        travel = self.curves.travel_deg[self.used]
        whole = np.nansum(between, axis=0)[np.all(np.isfinite(between), axis=0)]
        if not len(whole):
            return missing("no step was seen from 10 to 90 % of its way", n)
        fifth = np.diff(LEVELS)[:, None] * travel
        speed = np.divide(fifth, between, out=np.full(between.shape, np.nan), where=between > 0)
        complete = np.isfinite(speed).sum(axis=1)
        middle = np.array(
            [np.nanmedian(row) if c else -np.inf for row, c in zip(speed, complete, strict=True)]
        )
        k = int(np.argmax(middle))
        value, seen = float(middle[k]), speed[k][np.isfinite(speed[k])]
        if float(np.median(whole)) < 1.2 * resolution:
            reason = f"the move is over within one reading ({resolution:.2g} s): at least {value:.0f} deg/s"
            return Estimate(None, value, None, n, reason)
        asked = self._command_speed()
        if value > KEPT_UP * asked:
            reason = f"the command itself moved at no more than {asked:.0f} deg/s, and the cam kept up"
            return Estimate(None, value, None, n, reason)
        own = (1.4826 * float(np.median(np.abs(seen - value)))) ** 2
        noise = self.curves.noise_deg * 1.41 / float(np.median(fifth[k])) * value
        usual = (2.0 * USUAL_SCATTER * value) ** 2 + noise**2
        m = len(seen)
        single = (USUAL_WEIGHT * usual + (m - 1.0) * own) / (USUAL_WEIGHT + m - 1.0)
        half = 1.2533 * float(np.sqrt(single / m)) * t_quantile(4.0 * USUAL_WEIGHT + m - 1.0)
        return Estimate(value, max(0.0, value - half), value + half, m)

    def _command_speed(self) -> float:
        """Median speed (deg/s) of the command over its own fastest fifth."""
        share = self.curves.command[self.used]
        at = SHAPE_S[np.stack([np.argmax(share >= level, axis=1) for level in LEVELS])]
        way = np.diff(LEVELS)[:, None] * np.abs(self.steps.size_deg)
        # Between two readings, and on the grid, nothing faster can be seen.
        least = np.maximum(0.2 * self.steps.interval_s, SHAPE_S[1] - SHAPE_S[0])
        return float(np.median(np.max(way / np.maximum(np.diff(at, axis=0), least), axis=0)))


def _three(value: np.ndarray) -> np.ndarray:
    """Sum of each bin with its two neighbours."""
    return np.convolve(value, np.ones(3), "same")


def _with_interval(value: float, half: float, count: int) -> Estimate:
    low = max(0.0, value - half)
    return Estimate(max(0.0, value), low, max(value + half, low), count)
