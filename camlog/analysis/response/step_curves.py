"""The cam's answers to command steps, cut out, scaled and laid over one another.

Readings of one step are tens to hundreds of milliseconds apart; steps fall anywhere between readings, so the
answers of several steps laid over one another show the response finer than any one of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.response.steps import (
    BAND_DEG,
    MOVE_MAX_S,
    CommandSteps,
    command_shares,
    count_of,
    readings_between,
)

BEFORE_S = 0.5
# How long after a step its answer is read: 1.5 settling times within these, or this where that is unknown.
AFTER_RANGE_S = (4.0, 12.0)
AFTER_S = 8.0
# With this many steps that began from a settled cam, the others are not needed.
CALM_STEPS = 6
# The way a cam would still go at the speed it has before a step, as part of the step, beyond which it is not
# calm.
RESTLESS_PART = 0.15
CALM_S = 1.0
# The last part of a hold, read as the level the cam arrived at where it is level.
TAIL_PART = 0.3
TAIL_MIN_S = 0.25
# Between the halves of the tail, as part of the step: an exponential this level is within 3 % of its end.
SETTLED_SLOPE = 0.015
SETTLED_SIGMAS = 2.5
# Arrival between these (of what is usual for this cam) is an arrival; outside, the cam stayed or ran away.
ARRIVED = (0.7, 1.4)
USUAL_GAIN = (0.3, 3.0)
# One reading this far out on the same side of both its neighbours is no motion.
SPIKE_DEG = 8.0
SPIKE_SIGMAS = 8.0
# Of a step still to go in the tail, by the known lag: so little is added to the arrival, more is no arrival.
LEFT_MAX = 0.1
SETTLE_LAGS = 4.0
# Times about the centre of a step at which its command's shape is taken.
SHAPE_S = np.linspace(-MOVE_MAX_S, MOVE_MAX_S, 601)
LEVELS = np.array([0.1, 0.3, 0.5, 0.7, 0.9])


@dataclass(frozen=True, slots=True)
class KnownLag:
    """A first-order lag that describes a cam: `gain` (deg per deg), `dead_s` and `tau_s` in seconds."""

    gain: float
    dead_s: float
    tau_s: float

    @property
    def settle_s(self) -> float:
        """Time after a step until less than 2 % of it is left."""
        return self.dead_s + SETTLE_LAGS * self.tau_s


@dataclass(frozen=True, eq=False)
class StepCurves:
    """Answers to `steps` (n of them) as flat readings (m,).

    `step` (m,) is the step of each reading, ascending; `time_s` (m,) its time after the centre of the step;
    `share` (m,) the part of the way covered, 0 at the old level and 1 at the new one; `left_deg` (m,) the
    distance beyond the new level in the direction of the step. `travel_deg` (n,) is the unsigned way from
    level to level, `settled` (n,) whether the cam's own arrival was seen, `interval_s` (n,) the interval
    between its readings, `noise_deg` the noise of one reading, `count_deg` the size of a count of the actual
    angle (0 unknown), `arrived` (n,) the way covered at the end of the hold as part of the way asked for,
    `command` (n, len(SHAPE_S)) the share of its way each command has covered.
    """

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
        """Time (n,) at which each step's answer first covers `level` of the way, NaN where it never does."""
        found = np.full(len(self), np.nan)
        if not len(self.step):
            return found
        hit = np.flatnonzero((self.share >= level) & (self.time_s > -2.0 * self._spread))
        owner, first = np.unique(self.step[hit], return_index=True)
        hit = hit[first]
        whole = (hit > 0) & (self.step[np.maximum(hit - 1, 0)] == owner)
        hit, owner = hit[whole], owner[whole]
        low, high = self.share[hit - 1], self.share[hit]
        rise = np.where(high > low, high - low, 1.0)
        part = np.clip((level - low) / rise, 0.0, 1.0)
        found[owner] = self.time_s[hit - 1] + part * (self.time_s[hit] - self.time_s[hit - 1])
        return found

    @cached_property
    def _spread(self) -> np.ndarray:
        return self.steps.spread_s[self.step]

    @cached_property
    def levels_s(self) -> np.ndarray:
        """Crossing times of LEVELS, shape (len(LEVELS), n)."""
        return np.array([self.crossing_s(level) for level in LEVELS])


def noise_of(cam: CamData) -> float:
    """Standard deviation (deg) of one actual reading, from second differences; at least that of its count."""
    floor = count_of(cam.actual_step_deg) / np.sqrt(12.0)
    y, u = cam.actual_deg, cam.command_at_actual
    if len(y) < 8:
        return floor
    second = np.abs(y[2:] - 2.0 * y[1:-1] + y[:-2])
    # Readings taken while the command moves show the motion where they are far apart.
    still = (np.abs(u[2:] - u[1:-1]) < BAND_DEG) & (np.abs(u[1:-1] - u[:-2]) < BAND_DEG)
    still[1:] &= still[:-1].copy()
    second = second[still] if still.sum() >= 8 else second
    return max(1.4826 * float(np.median(second)) / np.sqrt(6.0), floor)


def without_spikes(cam: CamData, noise_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """Actual readings (time, angle) less single readings far off both neighbours."""
    t, y = cam.actual_time_s, cam.actual_deg
    if len(y) < 3:
        return t, y
    up, down = y[1:-1] - y[:-2], y[1:-1] - y[2:]
    far = max(SPIKE_DEG, SPIKE_SIGMAS * noise_deg)
    spike = (up * down > 0) & (np.minimum(np.abs(up), np.abs(down)) > far)
    if not spike.any():
        return t, y
    keep = np.ones(len(y), dtype=bool)
    keep[1:-1] = ~spike
    return t[keep], y[keep]


def step_curves(cam: CamData, steps: CommandSteps, known: KnownLag | None = None) -> StepCurves:
    """Cut out and scale the answer to each step; steps without enough readings around them are left out.

    `known` is the lag that describes the cam, where one does; without it the arrival is judged from the
    answers alone. Steps that follow the last one too soon are left out where enough others remain.
    """
    if known is not None:
        calm, keep = steps.hold_before_s >= known.settle_s, np.ones(len(steps), dtype=bool)
        for direction in (steps.advance, ~steps.advance):
            if np.sum(calm & direction) >= CALM_STEPS:
                keep &= calm | ~direction
        steps = steps.take(keep)
    steps = steps.take(_calm(cam, steps, 0.5 if known is None else known.tau_s))
    after = AFTER_S if known is None else float(np.clip(1.5 * known.settle_s, *AFTER_RANGE_S))
    noise = noise_of(cam)
    t, y = without_spikes(cam, noise)
    until = np.minimum(steps.end_s + steps.hold_after_s, steps.end_s + after)
    begin = steps.start_s - np.minimum(BEFORE_S, steps.hold_before_s)
    lo, hi = np.searchsorted(t, begin, "left"), np.searchsorted(t, until, "right")
    onset = np.searchsorted(t, steps.start_s, "right")
    usable = (onset > lo) & (hi - onset >= 3)
    if len(steps) and len(t):
        # A hole in the readings hides the response it falls in.
        wide = np.concatenate([[0], np.cumsum(np.diff(t) > cam.actual_max_gap_s)])
        usable &= wide[np.maximum(hi - 1, 0)] == wide[np.minimum(lo, len(wide) - 1)]
    steps, lo, hi, until = steps.take(usable), lo[usable], hi[usable], until[usable]
    n = len(steps)
    size = hi - lo
    step, index = readings_between(lo, hi - 1)
    when, angle = t[index], y[index]
    old = _mean(angle, step, when <= steps.start_s[step], n)
    interval = np.divide(t[hi - 1] - t[lo], size - 1) if n else np.empty(0)
    tail_s = np.maximum(np.maximum(TAIL_MIN_S, 2.2 * interval), TAIL_PART * (until - steps.end_s))
    in_tail = when >= (until - tail_s)[step]
    late = when >= (until - 0.5 * tail_s)[step]
    new = _mean(angle, step, in_tail, n)
    drift = _mean(angle, step, late, n) - _mean(angle, step, in_tail & ~late, n)
    asked = steps.size_deg
    arrived = (new - old) / np.where(asked == 0, 1.0, asked)
    seen = np.maximum(np.bincount(step[in_tail], minlength=n), 1)
    level = np.abs(drift) <= np.maximum(
        SETTLED_SLOPE * np.abs(asked), SETTLED_SIGMAS * 2.0 * noise / np.sqrt(seen)
    )
    good = level & np.isfinite(arrived)
    if known is not None:
        left = np.exp(-np.maximum(when - steps.time_s[step] - known.dead_s, 0.0) / known.tau_s)
        left = _mean(left, step, in_tail, n)
        good &= left < LEFT_MAX
        new = old + (new - old) / (1.0 - np.minimum(left, LEFT_MAX))
        arrived = (new - old) / np.where(asked == 0, 1.0, asked)
    usual = known.gain if known is not None else float(np.median(arrived[good])) if good.any() else 1.0
    if not USUAL_GAIN[0] <= usual <= USUAL_GAIN[1]:
        usual = 1.0
    settled = good & (arrived > ARRIVED[0] * usual) & (arrived < ARRIVED[1] * usual)
    way = np.where(settled, new - old, usual * asked)
    sign = np.sign(asked)
    share = (angle - old[step]) / way[step]
    moved = when - steps.time_s[step]
    command = command_shares(cam, steps, SHAPE_S)
    count = count_of(cam.actual_step_deg)
    beyond = (angle - (old + way)[step]) * sign[step]
    return StepCurves(
        steps, step, moved, share, beyond, np.abs(way), settled, interval, noise, count, arrived, command
    )


def _calm(cam: CamData, steps: CommandSteps, lag_s: float) -> np.ndarray:
    """True (n,) where the cam was not still on its way from an earlier move when the step came."""
    t, y = cam.actual_time_s, cam.actual_deg
    begin = steps.start_s - np.minimum(CALM_S, steps.hold_before_s)
    low, high = np.searchsorted(t, begin), np.searchsorted(t, steps.start_s, "right")
    n = len(steps)
    owner, at = readings_between(low, high - 1)
    size = np.maximum(high - low, 1)
    x = t[at] - (np.bincount(owner, t[at], n) / size)[owner]
    slope = np.bincount(owner, x * y[at], n) / np.maximum(np.bincount(owner, x * x, n), 1e-9)
    restless = np.abs(slope) * lag_s > RESTLESS_PART * np.abs(steps.size_deg)
    return ~(restless & (high - low >= 3))


def _mean(value: np.ndarray, step: np.ndarray, mask: np.ndarray, n: int) -> np.ndarray:
    count = np.bincount(step[mask], minlength=n).astype(float)
    total = np.bincount(step[mask], value[mask], n)
    return np.divide(total, count, out=np.full(n, np.nan), where=count > 0)
