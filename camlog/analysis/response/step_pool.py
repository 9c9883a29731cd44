"""Figures of a step response pooled over the steps of one direction.

The responses are aligned, averaged in narrow bins of time and made monotone; level crossings are interpolated.
Intervals come from a bootstrap on sums over whole steps (Efron & Tibshirani 1993), or over groups of neighbouring steps
if there are many."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from camlog.analysis.estimate import Estimate, missing, t_quantile
from camlog.analysis.response import say
from camlog.analysis.response.step_curves import (
    AFTER_RANGE_S,
    LEVELS,
    ONSET_LEVELS,
    SHAPE_S,
    T63,
    T86,
    CommandShape,
    StepCurves,
    monotone_crossings,
    onset_s,
)

RESAMPLES = 64
GROUPS = 40  # the scatter between this many groups is accurate to a tenth
READ_AT = np.array([*ONSET_LEVELS, T63, T86])
# The scatter of few steps is uncertain. It is averaged with the expected scatter (sampling, noise, and USUAL_SCATTER of
# T63 by which steps of one cam differ in size, pressure and load), which has the weight of USUAL_WEIGHT steps.
USUAL_SCATTER = 0.05
USUAL_WEIGHT = 2.0
# From this many steps on, a single step far off is an outlier and left out.
OUTLIER_STEPS_MIN = 8
OUTLIER_SIGMAS = 5.0
# Error of the onset by the line through 10 and 30 %, as part of T63, for a lag, a ramp or an S-shaped response.
ONSET_PART = 0.02
RAMP_PART = 0.05
NOISE_TO_STEP = 4.0  # for steps smaller than this many times the noise, a first crossing may be noise
RISE_63 = 0.37  # slope of a lag's response at 63.2 %, in shares per time constant
COUNT_PART = 0.15
ENOUGH_ARRIVALS = 0.5
KEPT_UP = 0.75  # a cam with this share of the command's speed followed it, so its own limit is unknown
# Linear interpolation rounds an exponential by about this part of the interval.
CHORD_PART = 0.15


@dataclass(frozen=True, slots=True)
class StepSummary:
    """The response to command steps of one direction.

    `dead_time`, `t63`, `t86` are in seconds from the command, `overshoot` in degrees beyond the arrival, `slew` in
    deg/s over the fastest fifth of the move. `steps` is the number of steps, `resolution_s` the resolution of one step
    by sampling, `size_deg` the median step, `times_s` (steps,) the time of each step."""

    dead_time: Estimate
    t63: Estimate
    t86: Estimate
    overshoot: Estimate
    slew: Estimate
    steps: int = 0
    resolution_s: float | None = None
    size_deg: float | None = None
    times_s: tuple[float, ...] = ()


def summarise(curves: StepCurves, which: np.ndarray, direction: str) -> StepSummary:
    """Pool the steps where `which` (n,) is True, all in `direction` (advance or retard)."""
    index = np.flatnonzero(which)
    n, direction_word = len(index), say(direction)
    if not n:
        return _unmeasured(missing(say("steps.none", direction=direction_word)))
    if np.median(curves.travel_deg[index]) < NOISE_TO_STEP * curves.noise_deg:
        return _unmeasured(missing(say("steps.noisy", noise=curves.noise_deg, direction=direction_word)))
    steps, each = curves.steps[index], curves.crossing_s(T63)[index]
    resolution = float(np.median(np.maximum(curves.interval_s[index], steps.interval_s)))
    arrived = np.isfinite(each)
    usual = float(np.median(each[arrived])) if arrived.any() else 0.0
    # Steps held hardly longer than the cam usually needs do not count as not arrived.
    long_enough = arrived | (steps.hold_after_s > 1.5 * usual)
    counted: dict[str, Any] = {
        "steps": n, "resolution_s": resolution, "times_s": tuple(steps.time_s.tolist()),
        "size_deg": float(np.median(curves.travel_deg[index])),
    }  # fmt: skip
    if arrived.sum() <= ENOUGH_ARRIVALS * long_enough.sum():
        held, late = float(np.median(steps.hold_after_s[~arrived])), int((long_enough & ~arrived).sum())
        reason = say("steps.stayed", late=late, asked=int(long_enough.sum()), direction=direction_word, held=held)
        at_least = Estimate(None, held, None, n, reason)
        return replace(_unmeasured(missing(reason, n)), t63=at_least, t86=at_least, **counted)
    keep = np.ones(n, dtype=bool)
    if n >= OUTLIER_STEPS_MIN:
        spread = 1.4826 * float(np.median(np.abs(each[arrived] - usual)))
        keep = ~(np.abs(each - usual) > OUTLIER_SIGMAS * max(spread, 0.5 * resolution, 0.05 * abs(usual)))
    pool = _Pool(curves, index[keep], each[keep], usual, resolution)
    if not np.isfinite(pool.levels_s[2]):
        return replace(_unmeasured(missing(say("steps.not_63"), pool.n)), **counted)
    return StepSummary(*pool.times(), pool.overshoot(), pool.slew(), **counted)


def _unmeasured(none: Estimate) -> StepSummary:
    return StepSummary(none, none, none, none, none)


class _Pool:
    """The aligned responses of the selected steps, as sums per step and bin of shape (n, bins)."""

    def __init__(self, curves: StepCurves, used: np.ndarray, each: np.ndarray, usual: float, resolution: float):
        self.curves, self.used, self.each, self.resolution = curves, used, each, resolution
        self.n, self.steps = len(used), curves.steps[used]
        self.travel_deg = curves.travel_deg[used]
        self.interval_s = float(np.median(curves.interval_s[used]))
        row = np.full(len(curves), -1)
        row[used] = np.arange(self.n)
        row = row[curves.step]
        start = -max(0.25, 2.0 * float(np.max(self.steps.spread_s)), self.interval_s)
        reach = float(np.clip(4.0 * usual + 0.3, 0.6, AFTER_RANGE_S[1]))
        # Bins are narrow enough to keep the shape and wide enough for about two readings if steps are few.
        fine = max(usual / 30.0, 0.002)
        width = float(np.clip(2.0 * self.interval_s / self.n, fine, max(0.5 * self.interval_s, fine)))
        inside = (row >= 0) & (curves.time_s >= start) & (curves.time_s <= reach)
        t, bins = curves.time_s[inside], int((reach - start) / width) + 1
        cell = row[inside] * bins + ((t - start) / width).astype(int)
        self.count, self.t, self.y, self.beyond = (
            np.bincount(cell, weight, self.n * bins).reshape(self.n, bins)
            for weight in (np.ones(len(t)), t, curves.share[inside], curves.left_deg[inside])
        )
        sums = (self.count, self.t, self.y)
        whole = np.stack(sums).sum(axis=1)[:, None]
        self.levels_s = monotone_crossings(whole[0], whole[1], whole[2], READ_AT)[0]
        # The crossings of resampled sets of groups of steps, (4, RESAMPLES); none for a single step.
        g = self.groups = min(self.n, GROUPS)
        self.resampled_s = np.empty((4, 0))
        if g > 1:
            edges = (np.arange(g) * self.n) // g
            rng = np.random.default_rng(20250101)  # a fixed seed: the same drive gives the same interval
            draw = rng.multinomial(g, np.full(g, 1.0 / g), RESAMPLES).astype(float)
            # Products this small are slower in a library that splits them among threads.
            count, at, y = (np.einsum("rg,gb->rb", draw, np.add.reduceat(v, edges, axis=0)) for v in sums)
            self.resampled_s = monotone_crossings(count, at, y, READ_AT).T

    def times(self) -> tuple[Estimate, Estimate, Estimate]:
        """Dead time, T63 and T86, corrected for the spread of the command."""
        n, resampled = self.n, self.resampled_s
        t10, t30, t63c, t86c = self.levels_s.tolist()
        shape = CommandShape(SHAPE_S, self.curves.command[self.used].mean(axis=0))
        onset = onset_s(t10, t30)
        dead, lag = shape.dead_time_and_lag(onset if np.isfinite(onset) else t63c, t63c)
        value63 = dead + lag
        # The correction for the command's shape is uncertain by about half where the shape was not recorded (a jump
        # between two readings), and by its rounded corners where it was.
        interval = self.steps.interval_s
        inside = float(np.mean(self.steps.unseen_part))
        corner = float(np.mean(interval**2)) / (12.0 * max(lag, float(np.mean(interval)), 1e-3))
        # Rounding to counts shifts a level equally in all steps; a later level is crossed more slowly.
        travel = max(float(np.median(self.travel_deg)), 1e-9)
        rounding = COUNT_PART * self.curves.count_deg / travel * max(value63, 0.0) / RISE_63
        doubt = inside * 0.5 * abs(t63c - value63) + (1.0 - inside) * corner + rounding
        t63 = _with_interval(value63, self._half_width(resampled[2], value63) + doubt, n)
        t86 = missing(say("steps.not_86"), n)
        if np.isfinite(t86c):
            value86 = t86c - (shape.crossings_s((T86,), lag)[0] - 2.0 * lag)
            t86 = _with_interval(value86, self._half_width(resampled[3], value86) + doubt + rounding, n)
        if not np.isfinite(onset):
            return Estimate(None, 0.0, t63.high, n, say("steps.no_onset")), t63, t86
        # After a long ramp only the shape of the response separates dead time from lag.
        ramp = (1.0 - inside) * float(np.mean(self.steps.end_s - self.steps.start_s))
        half = self._half_width(onset_s(resampled[0], resampled[1]), value63) + ONSET_PART * lag + RAMP_PART * ramp
        return at_least(_with_interval(dead, half, n), dead, self.resolution), t63, t86

    def _half_width(self, resampled: np.ndarray, scale_s: float) -> float:
        """Half width of a 95 % interval of a crossing: scatter of the steps, sampling, noise."""
        n, g, steps = self.n, self.groups, self.steps
        # The time of the step within the interval between two command readings is unknown.
        unknown = float(np.mean(steps.interval_s**2 * steps.unseen_part)) / 12.0
        chord = (CHORD_PART * self.interval_s) ** 2
        rise_per_s = max(RISE_63 / max(scale_s, 1e-3), 1e-3)
        noise = float(np.median(self.curves.noise_deg / np.maximum(self.travel_deg, 1e-9)))
        single = usual = unknown + (USUAL_SCATTER * scale_s) ** 2 + (noise / rise_per_s) ** 2 + chord
        complete = resampled[np.isfinite(resampled)]
        if len(complete) > RESAMPLES // 2:
            low, high = np.quantile(complete, [0.16, 0.84])
            own = (0.5 * (high - low)) ** 2 * n * g / (g - 1.0)
            single = (USUAL_WEIGHT * usual + (g - 1.0) * own) / (USUAL_WEIGHT + g - 1.0)
        # If the steps scatter less than these unknown times would make them, sampling is locked to the command and the
        # error does not average out.
        locked, each = 0.0, self.each[np.isfinite(self.each)]
        if len(each) >= 3 and unknown > 0:
            locked = max(0.0, 1.0 - float(np.var(each, ddof=1)) / unknown) * (unknown + chord)
        return float(np.sqrt(single / n + locked)) * t_quantile(4.0 * USUAL_WEIGHT + g - 1.0)

    def overshoot(self) -> Estimate:
        """Degrees beyond the arrival at the peak of the pooled response, less the peak due to noise alone."""
        settled = self.curves.settled[self.used]
        n = int(settled.sum())
        if not n:
            return missing(say("steps.no_arrival"), n)
        count, beyond = self.count[settled], self.beyond[settled]
        total = _three(count.sum(axis=0))
        every = self.count.sum(axis=0)
        middle = np.where(every > 0, self.t.sum(axis=0) / np.maximum(every, 1.0), -np.inf)
        filled = middle > self.levels_s[2]
        filled &= total >= max(1.0, 0.3 * float(np.median(total[total > 0])))
        if not filled.any():
            return missing(say("steps.no_peak"), n)
        curve = np.where(filled, _three(beyond.sum(axis=0)) / np.maximum(total, 1.0), -np.inf)
        k = int(np.argmax(curve))
        peak, around = float(curve[k]), slice(max(k - 1, 0), k + 2)
        residual = beyond[:, around].sum(axis=1) - peak * count[:, around].sum(axis=1)
        between = np.sum(residual**2) / max(total[k], 1.0) ** 2 * (n / (n - 1.0) if n > 1 else 1.0)
        error = float(np.sqrt(max(between, self.curves.noise_deg**2 / max(total[k], 1.0))))
        value = float(np.sqrt(max(peak, 0.0) ** 2 - (2.5 * error) ** 2)) if peak > 2.5 * error else 0.0
        half = error * t_quantile(max(n - 1.0, 4.0))
        return Estimate(value, max(0.0, value - half), max(peak, 0.0) + half, n)

    def slew(self) -> Estimate:
        """Speed over the fastest fifth of the move: the largest, over fifths, of the steps' median."""
        n, levels = self.n, self.curves.levels_s[:, self.used]
        between = np.diff(levels, axis=0)
        whole = (levels[-1] - levels[0])[np.isfinite(between).all(axis=0)]
        if not len(whole):
            return missing(say("steps.not_whole"), n)
        fifth = np.diff(LEVELS)[:, None] * self.travel_deg
        speed = fifth / np.where(between > 0, between, np.nan)
        seen = np.isfinite(speed)
        rows = zip(speed, seen, strict=True)
        middle = [np.median(row[known]) if known.any() else -np.inf for row, known in rows]
        k = int(np.argmax(middle))
        value, each = float(middle[k]), speed[k][seen[k]]
        if float(np.median(whole)) < 1.2 * self.resolution:
            reason = say("steps.one_reading", resolution=self.resolution, value=value)
            return Estimate(None, value, None, n, reason)
        if value > KEPT_UP * (commanded := self._command_speed()):
            return Estimate(None, value, None, n, say("steps.kept_up", speed=commanded))
        own = (1.4826 * float(np.median(np.abs(each - value)))) ** 2
        noise = self.curves.noise_deg * 1.41 / float(np.median(fifth[k])) * value
        usual, m = (2.0 * USUAL_SCATTER * value) ** 2 + noise**2, len(each)
        single = (USUAL_WEIGHT * usual + (m - 1.0) * own) / (USUAL_WEIGHT + m - 1.0)
        half = 1.2533 * float(np.sqrt(single / m)) * t_quantile(4.0 * USUAL_WEIGHT + m - 1.0)
        return Estimate(value, max(0.0, value - half), value + half, m)

    def _command_speed(self) -> float:
        """Median speed (deg/s) of the command over its own fastest fifth."""
        share = self.curves.command[self.used]
        at = SHAPE_S[np.stack([np.argmax(share >= level, axis=1) for level in LEVELS])]
        travel = np.diff(LEVELS)[:, None] * np.abs(self.steps.size_deg)
        # Nothing faster can be measured between two readings or on the grid.
        least = np.maximum(0.2 * self.steps.interval_s, SHAPE_S[1] - SHAPE_S[0])
        return float(np.median(np.max(travel / np.maximum(np.diff(at, axis=0), least), axis=0)))


def at_least(dead_time: Estimate, value: float, resolution_s: float) -> Estimate:
    """A dead time, or only its upper end if `value` is below the sampling resolution."""
    if value >= resolution_s:
        return dead_time
    reason = say("fit.unresolved", resolution=resolution_s)
    return Estimate(None, 0.0, max(dead_time.high or 0.0, resolution_s), dead_time.count, reason)


def _three(value: np.ndarray) -> np.ndarray:
    return np.convolve(value, np.ones(3), "same")


def _with_interval(value: float, half: float, count: int) -> Estimate:
    low = max(0.0, value - half)
    return Estimate(max(0.0, value), low, max(value + half, low), count)
