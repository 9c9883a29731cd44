"""Swings about a held or drifting command: whether the cam stands on plateaus in between.

A sticking cam stands on plateaus and jumps between them (square or trapezoid half cycles); a leaking one swings
smoothly (sinusoid). Each half cycle is fitted by both shapes, as in He, Wang, Pottmann & Qin, Industrial & Engineering
Chemistry Research 46 (2007), but with a trapezoid in place of their triangle, because the stuck part itself is read.
`classify_cycle` does so for a steady oscillation of known period. A cam that sticks in warm oil hunts too fast for
single plateaus to be timed, at a changing rate, about a drifting command. `measure_swings` therefore takes single half
cycles, between two turning points of the error, wherever the command is straight enough. Half cycles at a stop are left
out, because any cam stands there."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d
from scipy.signal import find_peaks
from scipy.stats import binom

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.hold import Oscillation, held_readings
from camlog.analysis.cam.segments import settled_noise_deg
from camlog.analysis.cam.tracking import TRAVEL_SHARES
from camlog.analysis.estimate import Estimate, blocks_of, evenly, lacking, median

RAMP_SHARES = (0.05, 0.1, 0.2)  # rise and fall of a trapezoid as shares of its half cycle
MIN_READINGS_A_HALF = 5

# A steady oscillation. A half cycle counts if it leaves the middle by this share of the amplitude and its duration, in
# periods, is in this range.
SWING_SHARE, HALF_PERIODS = 0.3, (0.25, 1.5)
MIN_HALF_CYCLES = 5
STICK_INDEX, SMOOTH_INDEX = 0.6, 0.4  # He et al.: above, stiction; below, none; between, undecided
CYCLE_MIN_DEG = 0.5
THERE_SHARE = 0.25  # a block contains the cycle if its power is this share of the cycle's squared amplitude
MOST_BLOCKS = 24

# Single swings. From one turning point to the next the cam must move this far: well beyond noise and the counts of a
# coarse reading, which make any turning point look like a plateau.
SWING_MIN_DEG, SWING_SIGMAS, SWING_COUNTS = 1.5, 8.0, 5.0
LONGEST_HALF_S = 3.0
ALIKE = 0.5  # the smaller of the two moves about a turning point is at least this share of the larger
COMMAND_BEFORE_S = 0.5  # a healthy cam has followed the command of this long ago
STOP_DEG, STOP_SHARE = 1.0, 0.05  # this near the ends of its travel the cam may be against a stop
COMMAND_POINTS = 11
COMMAND_SHARE = 0.35  # the command may deviate from a straight line by this share of the swing
MOST = 600
# A half cycle is classified if the misfit of the worse shape is this many times that of the better one.
CLEAR = 2.0
# Probability that a half cycle of a cam that does not stick looks standing, and that one of a cam that does not hunt
# looks smooth. Chosen on the tuning half of the validity benchmark.
CHANCE_STANDING, CHANCE_SMOOTH = 0.3, 0.1
STANDING_LEAST, SMOOTH_LEAST, SMOOTH_MOST = 12, 15, 0.05
SHARE_LEAST = 0.01  # least share of the running time: a long drive collects some swings by chance
SIGNIFICANT = 0.001


def misfits(part_of_half: np.ndarray, value: np.ndarray) -> tuple[float, float]:
    """Residual sums of squares of `value`, read at `part_of_half` (0 to 1), for half a sinusoid and a trapezoid."""
    to_end = np.minimum(part_of_half, 1.0 - part_of_half)
    forms = [np.sin(np.pi * part_of_half), *(np.minimum(1.0, to_end / ramp) for ramp in RAMP_SHARES)]
    total = np.sum(value**2)
    left = [float(total - np.sum(value * form) ** 2 / max(np.sum(form**2), 1e-12)) for form in forms]
    return left[0], min(left[1:])


@dataclass(frozen=True, slots=True)
class LimitCycle:
    """A steady oscillation. `kind` is "stick_slip", "leakage", "unclear" or "none"; `shape_index` is 0 (sinusoid) to 1
    (plateaus), `half_cycles` the number used."""

    kind: str = "none"
    shape_index: float | None = None
    half_cycles: int = 0


def classify_cycle(cam: CamData, oscillation: Oscillation) -> LimitCycle:
    amplitude, hz = oscillation.amplitude_deg or 0.0, oscillation.frequency_hz
    if not oscillation.found or amplitude < CYCLE_MIN_DEG or not hz:
        return LimitCycle()
    held, period = held_readings(cam), 1.0 / hz
    blocks = blocks_of(held.block)
    present = blocks.sum(held.residual_deg**2) / blocks.size >= THERE_SHARE * amplitude**2
    chosen = evenly(np.flatnonzero(present), MOST_BLOCKS)
    parts = [slice(a, a + size) for a, size in zip(blocks.starts[chosen], blocks.size[chosen], strict=True)]
    judged_parts = (shape_index(cam.actual_time_s[held.index[p]], held.residual_deg[p], period) for p in parts)
    shapes = [shape for shape in judged_parts if shape is not None]
    if not shapes:
        return LimitCycle("unclear")
    index, judged = np.array(shapes).T
    shape = float(np.average(index, weights=judged))
    kind = "stick_slip" if shape >= STICK_INDEX else "leakage" if shape <= SMOOTH_INDEX else "unclear"
    return LimitCycle(kind, shape, int(judged.sum()))


def shape_index(time_s: np.ndarray, value: np.ndarray, period_s: float) -> tuple[float, int] | None:
    """How flat half cycles about zero are (0: sinusoid, 1: plateaus), and how many were used."""
    swing = np.quantile(np.abs(value), 0.9)
    left = []
    for a, b in pairwise(np.flatnonzero(np.diff(np.sign(value)) != 0)):
        part, t = value[a + 1 : b + 1], time_s[a + 1 : b + 1]
        if len(part) < MIN_READINGS_A_HALF or np.max(np.abs(part)) < SWING_SHARE * swing:
            continue
        begin, end = 0.5 * (time_s[a] + t[0]), 0.5 * (t[-1] + time_s[b + 1])
        if HALF_PERIODS[0] * period_s <= end - begin <= HALF_PERIODS[1] * period_s:
            left.append(misfits(np.clip((t - begin) / (end - begin), 0.0, 1.0), part))
    smooth, trapezoid = np.sum(left, axis=0) if left else (0.0, 0.0)
    if len(left) < MIN_HALF_CYCLES or smooth + trapezoid <= 0:
        return None
    return float(smooth / (smooth + trapezoid)), len(left)


@dataclass(frozen=True, slots=True)
class Swings:
    """Half cycles about a nearly straight command: `judged` is their number, of which `standing` clearly have a plateau
    and `smooth` are clearly sinusoids. `swing_deg` is from turning point to turning point, `half_cycle_s` the duration
    of one, `seconds` of all, `begun_s` the start of each, `share` the share of the running time."""

    judged: int
    standing: int
    smooth: int
    swing_deg: Estimate
    half_cycle_s: float | None = None
    seconds: float = 0.0
    share: float = 0.0
    begun_s: tuple[float, ...] = ()

    @property
    def amplitude_deg(self) -> Estimate:
        return self.swing_deg.mapped(lambda swing: swing / 2.0)

    @property
    def p_smooth(self) -> float:
        """The probability of this many standing half cycles if the cam does not stick."""
        return float(binom.sf(self.standing - 1, self.judged, CHANCE_STANDING)) if self.judged else 1.0

    @property
    def hunts(self) -> bool:
        """True where so many are smooth that the cam surely hunts about its command without sticking."""
        enough = self.smooth >= SMOOTH_LEAST and self.share >= SHARE_LEAST and not self.sticks
        return enough and float(binom.sf(self.smooth - 1, self.judged, CHANCE_SMOOTH)) < SIGNIFICANT

    @property
    def sticks(self) -> bool:
        """True where so many are standing that the cam surely sticks and jumps."""
        enough = self.standing >= STANDING_LEAST and self.smooth <= SMOOTH_MOST * self.judged
        return enough and self.share >= SHARE_LEAST and self.p_smooth < SIGNIFICANT


def measure_swings(cam: CamData) -> Swings:
    """Measure every half cycle of a drive (an even selection where there are very many)."""
    none = Swings(0, 0, 0, lacking("swings"))
    if np.sum(cam.known) < MIN_READINGS_A_HALF:
        return none
    t, y, angle = cam.actual_time_s[cam.known], cam.error_deg[cam.known], cam.actual_deg[cam.known]
    least = max(SWING_MIN_DEG, SWING_SIGMAS * settled_noise_deg(cam), SWING_COUNTS * cam.actual_step_deg)
    at, kind = _turns(y, least, min(round(2.0 * LONGEST_HALF_S / cam.actual_interval_s), len(y)) + 1)
    swinging = _swinging(t, y, cam.command_at_actual[cam.known], at, least)
    chosen = evenly(swinging, MOST)
    halves = [_half_cycle(t, y, at[k - 1 : k + 2], kind[k], cam.actual_max_gap_s) for k in chosen]
    low, high = np.quantile(angle, TRAVEL_SHARES)
    stop_deg = max(STOP_DEG, STOP_SHARE * (high - low))
    half_cycles = np.array([h[1:] for h in halves if h and low + stop_deg < np.median(angle[h[0]]) < high - stop_deg])
    if not len(half_cycles):
        return none
    begin, length, swing, smooth, trapezoid = half_cycles.T
    running_s = float(np.sum(np.minimum(np.diff(t), cam.actual_max_gap_s)))
    share = len(swinging) / len(chosen) * float(np.sum(length)) / max(running_s, 1e-9)
    return Swings(
        judged=len(half_cycles),
        standing=int(np.sum(trapezoid * CLEAR < smooth)),
        smooth=int(np.sum(smooth * CLEAR < trapezoid)),
        swing_deg=median(swing),
        half_cycle_s=float(np.median(length)),
        seconds=float(np.sum(length)),
        share=min(share, 1.0),
        begun_s=tuple(begin.tolist()),
    )


def _turns(value: np.ndarray, least: float, readings: int) -> tuple[np.ndarray, np.ndarray]:
    """Indices of turning points at least `least` beyond the `readings` around them, and their kind, +1 high or -1 low,
    alternating."""
    # A cheap necessary condition first: a turning point differs by `least` from the lowest reading around it.
    high = find_peaks(value, height=(minimum_filter1d(value, readings) + least, None), prominence=least)[0]
    low = find_peaks(-value, height=(least - maximum_filter1d(value, readings), None), prominence=least)[0]
    at, kind = np.concatenate([high, low]), np.repeat([1.0, -1.0], [len(high), len(low)])
    order = np.argsort(at, kind="stable")
    at, kind = at[order], kind[order]
    # Of several successive ones of a kind the most extreme is kept.
    row = np.cumsum(np.diff(kind, prepend=0.0) != 0.0)
    best = np.lexsort((-kind * value[at], row))
    best = best[np.diff(row[best], prepend=0) != 0]
    return at[best], kind[best]


def _swinging(t: np.ndarray, y: np.ndarray, command: np.ndarray, at: np.ndarray, least: float) -> np.ndarray:
    """Which of the turning points `at` (k,) belong to a swing about a straight command."""
    moves = np.abs(np.diff(y[at]))
    swings, larger = np.minimum(moves[:-1], moves[1:]), np.maximum(moves[:-1], moves[1:])
    middle_s = 0.5 * (t[at[1:]] + t[at[:-1]])
    # How far the command deviates from its best straight line over the half cycle, lowest to highest.
    begin_s, end_s = middle_s[:-1] - COMMAND_BEFORE_S, middle_s[1:]
    part = np.linspace(-0.5, 0.5, COMMAND_POINTS)
    ordered = np.interp(0.5 * (begin_s + end_s) + part[:, None] * (end_s - begin_s), t, command)
    bend = np.ptp(ordered - part[:, None] * (part @ ordered / np.sum(part * part)), axis=0)
    good = (swings >= np.maximum(least, ALIKE * larger)) & (bend <= COMMAND_SHARE * swings)
    # A single swing may be a response to something; a hunting cam swings repeatedly.
    beside = np.concatenate([[False], good, [False]])
    return np.flatnonzero(good & (beside[:-2] | beside[2:])) + 1


def _half_cycle(
    t: np.ndarray, y: np.ndarray, turns: np.ndarray, sign: float, longest_gap_s: float
) -> tuple[slice, float, float, float, float, float] | None:
    """The readings about the middle one of three turning points, start and duration (s), swing (deg) and `misfits`;
    None if there is a gap."""
    before, middle, after = turns
    begin_deg, end_deg = 0.5 * (y[before] + y[middle]), 0.5 * (y[middle] + y[after])
    first = before + int(np.flatnonzero(sign * (y[before : middle + 1] - begin_deg) <= 0.0)[-1])
    last = middle + int(np.flatnonzero(sign * (y[middle : after + 1] - end_deg) <= 0.0)[0])
    if last - first <= MIN_READINGS_A_HALF or np.max(np.diff(t[first : last + 1])) > longest_gap_s:
        return None
    begin_s, end_s = _crossing(t, y, first, begin_deg), _crossing(t, y, last - 1, end_deg)
    if not 0.0 < end_s - begin_s <= LONGEST_HALF_S:
        return None
    inside, swing = slice(first + 1, last), float(min(abs(y[middle] - y[before]), abs(y[middle] - y[after])))
    part = (t[inside] - begin_s) / (end_s - begin_s)
    value = sign * (y[inside] - (begin_deg + (end_deg - begin_deg) * part))
    return (inside, begin_s, end_s - begin_s, swing, *misfits(part, value))


def _crossing(time_s: np.ndarray, value: np.ndarray, index: int, level: float) -> float:
    """The time at which `value` passes `level` between the readings `index` and `index + 1`."""
    step = value[index + 1] - value[index]
    part = (level - value[index]) / step if step else 0.5
    return float(time_s[index] + part * (time_s[index + 1] - time_s[index]))
