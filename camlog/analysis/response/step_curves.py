"""The cam's responses to command steps, cut out, scaled and aligned. Readings of one step are tens to hundreds of
milliseconds apart, but steps fall anywhere between readings, so several aligned responses resolve more than one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import exp, log

import numpy as np
from scipy.optimize import brentq, isotonic_regression
from scipy.signal import lfilter

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import FEW_READINGS, midpoint_residual, reading_noise_deg
from camlog.analysis.response.steps import (
    BAND_DEG,
    MOVE_MAX_S,
    CommandSteps,
    command_shares,
    find_steps,
    readings_between,
)

LAG_MIN_S = 0.002  # smaller lags cannot be measured
ONSET_LEVELS = (0.1, 0.3)
T63 = 1.0 - exp(-1.0)
T86 = 1.0 - exp(-2.0)


def monotone_crossings(count: np.ndarray, time: np.ndarray, value: np.ndarray, levels: np.ndarray) -> np.ndarray:
    """Times at which the monotone mean of each set reaches each level, shape (sets, levels), NaN where never.

    `count`, `time` and `value` (sets, bins) are the number, the summed times and the summed values of the readings in
    each bin. The mean is made monotone by isotonic regression (Barlow, Bartholomew, Bremner & Brunk 1972). Between two
    pools, time is interpolated from the last bin of the lower to the first of the upper one, because the pools before
    the onset and after the arrival are long and their middles have no meaning here."""
    crossings = np.full((len(count), len(levels)), np.nan)
    for row, filled in enumerate(count > 0):
        if filled.sum() < 2:
            continue
        weight = count[row, filled]
        middle = time[row, filled] / weight
        mean = isotonic_regression(value[row, filled] / weight, weights=weight).x
        above = np.searchsorted(mean, levels)
        inner = (above > 0) & (above < len(mean))
        k = above[inner]
        part = (levels[inner] - mean[k - 1]) / (mean[k] - mean[k - 1])
        crossings[row, inner] = middle[k - 1] + part * (middle[k] - middle[k - 1])
    return crossings


def onset_s(t10: float, t30: float) -> float:
    """Time at which the straight line through the 10 and 30 % crossings meets zero."""
    return 1.5 * t10 - 0.5 * t30


@dataclass(frozen=True, eq=False)
class CommandShape:
    """The mean command of some steps: `share` (g,) of the step covered, 0 to 1, at even times `time_s` (g,)."""

    time_s: np.ndarray
    share: np.ndarray

    def answer(self, lag_s: float) -> np.ndarray:
        """The response (g,) of a first-order lag without dead time; exact for straight pieces of command."""
        if lag_s < LAG_MIN_S:
            return self.share
        width = self.time_s[1] - self.time_s[0]
        remainder = exp(-width / lag_s)
        # The point of a straight piece that has the same effect at its end if held constant.
        point = 1.0 / (1.0 - remainder) - lag_s / width
        return lfilter([(1.0 - remainder) * point, (1.0 - remainder) * (1.0 - point)], [1.0, -remainder], self.share)

    def crossings_s(self, levels: Sequence[float], lag_s: float) -> list[float]:
        """Times at which the response of a lag first reaches each of `levels`."""
        answer = self.answer(lag_s)
        rising, end_s = np.maximum.accumulate(answer), float(self.time_s[-1])
        # After the end of the shape the command is 1.
        left = max(1.0 - float(answer[-1]), 1e-12)
        return [
            end_s + max(lag_s, LAG_MIN_S) * log(left / (1.0 - level)) if level > rising[-1]
            else float(np.interp(level, rising, self.time_s))
            for level in levels
        ]  # fmt: skip

    def onset_and_63_s(self, lag_s: float) -> tuple[float, float]:
        """Onset of a lag's response (line through its 10 and 30 % crossings at zero) and its 63.2 % crossing."""
        t10, t30, t63 = self.crossings_s((*ONSET_LEVELS, T63), lag_s)
        return onset_s(t10, t30), t63

    def dead_time_and_lag(self, onset: float, crossing_63: float) -> tuple[float, float]:
        """Dead time and lag (s) whose response starts at `onset` and reaches 63.2 % at `crossing_63`. Their sum is T63
        for a sudden step. A response as steep as the command has no lag; its delay is all dead time."""
        rise_s = crossing_63 - onset

        def longer_by(lag: float) -> float:
            start, end = self.onset_and_63_s(lag)
            return end - start - rise_s

        lag = 0.0
        if longer_by(0.0) < 0.0:
            high = 2.0 * rise_s
            lag = float(brentq(longer_by, 0.0, high, xtol=1e-4)) if longer_by(high) > 0.0 else high
        return crossing_63 - self.onset_and_63_s(lag)[1], lag


BEFORE_S = 0.5
# A response is read for 1.5 settling times after its step, within AFTER_RANGE_S; for AFTER_S if that is unknown.
AFTER_RANGE_S = (4.0, 12.0)
AFTER_S = 8.0
CALM_STEPS = 6  # with this many steps from a settled cam, the others are left out
# A cam is not calm if its speed before a step would carry it farther than this part of the step.
RESTLESS_PART = 0.15
CALM_S = 1.0
# The tail: the last part of a hold, whose level is that of the arrival if the tail is flat.
TAIL_PART = 0.3
TAIL_MIN_S = 0.25
# Largest difference between the halves of a flat tail, as part of the step: an exponential is then within 3 % of its
# end.
SETTLED_SLOPE = 0.015
SETTLED_SIGMAS = 2.5
# An arrival lies between these multiples of the cam's usual arrival; outside, the cam stayed or ran away.
ARRIVED = (0.7, 1.4)
USUAL_GAIN = (0.3, 3.0)
LEFT_MAX = 0.1  # part of a step that may remain in the tail and is added to the arrival; with more it is no arrival
SETTLE_LAGS = 4.0
SHAPE_S = np.linspace(-MOVE_MAX_S, MOVE_MAX_S, 601)  # times about a step's centre at which its command's shape is kept
LEVELS = np.array([0.1, 0.3, 0.5, 0.7, 0.9])


@dataclass(frozen=True, eq=False)
class StepCurves:
    """Responses to `steps` (n of them) as flat readings (m,).

    `step` (m,) is the step of each reading, ascending; `time_s` (m,) its time after the centre of the step; `share`
    (m,) the part of the travel covered, 0 at the old level and 1 at the new one; `left_deg` (m,) the distance beyond
    the new level in the direction of the step. `travel_deg` (n,) is the unsigned travel from level to level, `settled`
    (n,) whether the cam's own arrival was recorded, `interval_s` (n,) the interval between its readings, `noise_deg`
    the noise of one reading, `count_deg` the size of a count of the actual angle (0: unknown), `arrived` (n,) the
    travel at the end of the hold as part of the commanded travel, `command` (n, len(SHAPE_S)) the share covered by each
    command."""

    steps: CommandSteps
    step: np.ndarray
    time_s: np.ndarray
    share: np.ndarray
    left_deg: np.ndarray
    travel_deg: np.ndarray
    settled: np.ndarray
    interval_s: np.ndarray
    noise_deg: float
    count_deg: float
    arrived: np.ndarray
    command: np.ndarray

    def __len__(self) -> int:
        return len(self.steps)

    def crossing_s(self, level: float) -> np.ndarray:
        """Time (n,) at which each step's response first reaches `level`, NaN where it never does."""
        crossing = np.full(len(self), np.nan)
        hit = np.flatnonzero((self.share >= level) & (self.time_s > -2.0 * self.steps.spread_s[self.step]))
        owner, first = np.unique(self.step[hit], return_index=True)
        hit = hit[first]
        whole = (hit > 0) & (self.step[hit - 1] == owner)
        hit, owner = hit[whole], owner[whole]
        rise = self.share[hit] - self.share[hit - 1]
        part = np.clip((level - self.share[hit - 1]) / np.where(rise > 0, rise, 1.0), 0.0, 1.0)
        crossing[owner] = self.time_s[hit - 1] + part * (self.time_s[hit] - self.time_s[hit - 1])
        return crossing

    @cached_property
    def levels_s(self) -> np.ndarray:
        """Crossing times of LEVELS, shape (len(LEVELS), n)."""
        return np.array([self.crossing_s(level) for level in LEVELS])


def whole(time_s: np.ndarray, low: np.ndarray, high: np.ndarray, max_gap_s: float) -> np.ndarray:
    """True (n,) where the readings from `low` up to `high` (not included) have no hole."""
    holes = np.concatenate([[0], np.cumsum(np.diff(time_s) > max_gap_s)])
    last = len(holes) - 1
    return holes[np.clip(high - 1, 0, last)] == holes[np.minimum(low, last)]


def step_curves(cam: CamData, lag: tuple[float, float, float] | None = None) -> StepCurves:
    """Cut out and scale the response to each command step with the engine running.

    `known` is gain (deg per deg), dead time and time constant (s) of a lag that describes the cam, if there is one;
    else the arrival is judged from the responses alone. Steps with too few readings are left out, and so are steps too
    soon after the previous one if enough others remain."""
    gain, dead_s, tau_s = lag or (None, 0.0, 0.5)
    settle_s = dead_s + SETTLE_LAGS * tau_s  # less than 2 % of a step is left then
    after_s = AFTER_S if lag is None else float(np.clip(1.5 * settle_s, *AFTER_RANGE_S))
    steps = _calm(cam, find_steps(cam), 0.0 if lag is None else settle_s, tau_s)
    noise, t, y = _noise_deg(cam), cam.actual_time_s, cam.actual_deg
    until = steps.end_s + np.minimum(steps.hold_after_s, after_s)
    lo = np.searchsorted(t, steps.start_s - np.minimum(BEFORE_S, steps.hold_before_s), "left")
    onset, hi = np.searchsorted(t, steps.start_s, "right"), np.searchsorted(t, until, "right")
    # A response with a hole in its readings is not used.
    usable = (onset > lo) & (hi - onset >= 3) & whole(t, lo, hi, cam.actual_max_gap_s)
    steps, lo, hi, until = steps[usable], lo[usable], hi[usable], until[usable]
    n, size = len(steps), steps.size_deg
    step, index = readings_between(lo, hi - 1)
    times, angle = t[index], y[index]

    def mean(value: np.ndarray, mask: np.ndarray) -> np.ndarray:
        """Mean of `value` (m,) over the readings of each step where `mask` (m,) is True, NaN without any."""
        count = np.bincount(step[mask], minlength=n).astype(float)
        return np.bincount(step[mask], value[mask], n) / np.where(count > 0, count, np.nan)

    interval = (t[hi - 1] - t[lo]) / (hi - lo - 1)
    tail_s = np.maximum(np.maximum(TAIL_MIN_S, 2.2 * interval), TAIL_PART * (until - steps.end_s))
    in_tail, late = (times >= (until - part * tail_s)[step] for part in (1.0, 0.5))
    old, new = mean(angle, times <= steps.start_s[step]), mean(angle, in_tail)
    drift = np.abs(mean(angle, late) - mean(angle, in_tail & ~late))
    doubt = 2.0 * SETTLED_SIGMAS * noise / np.sqrt(np.maximum(np.bincount(step[in_tail], minlength=n), 1))
    good = (drift <= np.maximum(SETTLED_SLOPE * np.abs(size), doubt)) & np.isfinite(new - old)
    if lag is not None:
        left = mean(np.exp(-np.maximum(times - steps.time_s[step] - dead_s, 0.0) / tau_s), in_tail)
        good &= left < LEFT_MAX
        new = old + (new - old) / (1.0 - np.minimum(left, LEFT_MAX))
    arrived = (new - old) / size
    usual = gain if gain is not None else float(np.median(arrived[good])) if good.any() else 1.0
    if not USUAL_GAIN[0] <= usual <= USUAL_GAIN[1]:
        usual = 1.0
    settled = good & (arrived > ARRIVED[0] * usual) & (arrived < ARRIVED[1] * usual)
    travel = np.where(settled, new - old, usual * size)
    return StepCurves(
        steps, step, times - steps.time_s[step], (angle - old[step]) / travel[step],
        (angle - (old + travel)[step]) * np.sign(size)[step], np.abs(travel), settled, interval, noise,
        cam.actual_step_deg, arrived, command_shares(cam, steps, SHAPE_S),
    )  # fmt: skip


def _noise_deg(cam: CamData) -> float:
    """Noise (deg) of one reading while the command hardly moves, the cam's flutter included."""
    index, _ = midpoint_residual(cam)
    even = np.abs(np.diff(cam.command_at_actual)) < BAND_DEG
    still = even[index - 1] & even[index]
    return reading_noise_deg(cam, still if np.sum(still) >= FEW_READINGS else slice(None))


def _calm(cam: CamData, steps: CommandSteps, settle_s: float, lag_s: float) -> CommandSteps:
    """The steps with the engine running and the cam no longer moving from an earlier step."""
    keep = cam.running_at(steps.start_s) & cam.running_at(steps.end_s)
    waited = steps.hold_before_s >= settle_s
    for direction in (steps.advance, ~steps.advance):
        if np.sum(keep & waited & direction) >= CALM_STEPS:
            keep &= waited | ~direction
    steps = steps[keep]
    t, y, n = cam.actual_time_s, cam.actual_deg, len(steps)
    low = np.searchsorted(t, steps.start_s - np.minimum(CALM_S, steps.hold_before_s))
    high = np.searchsorted(t, steps.start_s, "right")
    owner, at = readings_between(low, high - 1)
    x = t[at] - (np.bincount(owner, t[at], n) / np.maximum(high - low, 1))[owner]
    slope = np.bincount(owner, x * y[at], n) / np.maximum(np.bincount(owner, x * x, n), 1e-9)
    return steps[(np.abs(slope) * lag_s <= RESTLESS_PART * np.abs(steps.size_deg)) | (high - low < 3)]
