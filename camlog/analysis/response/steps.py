"""Command moves and command steps: the command leaves one level and stays at another.

A *move* is any stretch in which the command travels. A *step* is a move between two steady stretches that is large and
quick enough to measure the cam's response from it alone. The ramps of a controller are steps too: each has a centre in
time and a spread, for which `step_pool` corrects."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import runs
from camlog.analysis.estimate import evenly

LOOK_S = 0.2  # long enough to see a controller's ramp as one move, short enough to separate two moves
# A command that dithers less than this is steady; cams are commanded in finer counts.
BAND_DEG = 1.0
BAND_MAX_DEG = 3.0
# A step is at least four times the band, so that the level error of either side is below an eighth of it.
STEP_TO_BAND = 4.0
STEP_MIN_DEG = 5.0
# Longer ramps show how the cam follows, not its step response; the continuous fit uses those.
MOVE_MAX_S = 1.5
HOLD_BEFORE_MIN_S = 0.5
HOLD_AFTER_MIN_S = 0.8  # a healthy phaser arrives within this time; a slower one counts as not arrived
LEVEL_S = 0.5
HOLD_DRIFT = 0.1  # the hold ends when the command has drifted by this part of the step
JUMP_PART = 0.8  # a move with this part of its travel between two readings is a jump
STEPS_MAX = 600  # more add no precision; they are selected evenly over the drive
FEW_STEPS = 20


class CommandSteps(np.recarray):
    """Command steps of one cam, a record each, in time order.

    `start_s` is the time of the last reading at the old level, `end_s` of the first at the new one. `time_s` is the
    centre of the move (mean time of its travel) and `spread_s` the standard deviation about it, both for the
    interpolated command: a jump between two readings d apart has spread d/sqrt(12), which is also the uncertainty of
    its time. `hold_before_s` and `hold_after_s` are the steady times beside it, `interval_s` the longest interval
    between command readings within it."""

    FIELDS = "start_s, end_s, time_s, spread_s, from_deg, to_deg, hold_before_s, hold_after_s, interval_s"

    @classmethod
    def of(cls, *columns: np.ndarray) -> CommandSteps:
        """Steps from the columns named in FIELDS; without columns no steps."""
        return np.rec.fromarrays(list(columns) or [np.empty(0)] * 9, names=cls.FIELDS).view(cls)

    @property
    def size_deg(self) -> np.ndarray:
        return self.to_deg - self.from_deg

    @property
    def advance(self) -> np.ndarray:
        return self.size_deg > 0

    @property
    def unseen_part(self) -> np.ndarray:
        """The part of each move's time between two command readings, where its shape is unknown."""
        return np.minimum(1.0, self.interval_s / np.maximum(self.end_s - self.start_s, 1e-9))


def command_shares(cam: CamData, steps: CommandSteps, time_s: np.ndarray) -> np.ndarray:
    """The part of each command's travel covered at `time_s` (g,) after its centre, shape (n, g)."""
    if not len(steps):
        return np.empty((0, len(time_s)))
    at = steps.time_s[:, None] + time_s
    share = np.interp(at, cam.command_time_s, cam.command_deg)
    share = (share - steps.from_deg[:, None]) / steps.size_deg[:, None]
    # Outside the move the command only dithers about its levels.
    share = np.where(at <= steps.start_s[:, None], 0.0, share)
    return np.clip(np.where(at >= steps.end_s[:, None], 1.0, share), 0.0, 1.0)


def readings_between(low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """All readings from `low` to `high` (both included) of n stretches: the stretch and the index of each."""
    size = high - low + 1
    owner = np.repeat(np.arange(len(low)), size)
    return owner, np.arange(len(owner)) + (low - np.cumsum(size) + size)[owner]


def command_moves(cam: CamData, band_deg: float = BAND_DEG) -> np.recarray:
    """Every stretch in which the command travels more than `band_deg` within LOOK_S, a record each.
    Fields: `start_s`, `end_s`, `way_deg` (unsigned travel), `jump` (True where nearly all of the travel lies between
    two neighbouring readings, so that the shape of the move is unknown)."""
    t, c = cam.command_time_s, cam.command_deg
    first, last, _ = _moving_runs(cam, band_deg)
    travel = np.abs(c[last] - c[first])
    largest = np.maximum.reduceat(np.abs(np.diff(c)), first) if len(first) else travel
    columns = [t[first], t[last], travel, largest > JUMP_PART * travel]
    return np.rec.fromarrays(columns, names="start_s, end_s, way_deg, jump")


def find_steps(cam: CamData) -> CommandSteps:
    """The command steps of at least STEP_MIN_DEG; at most STEPS_MAX, evenly over the drive.
    The command must be steady within a narrow band. If few steps are found, a wider band, with a larger least step,
    also accepts a command that dithers or wanders."""
    band = BAND_DEG
    if len(cam.command_deg) > _window_readings(cam) + 1:
        dither = max(1.5 * float(np.median(_window_range(cam))), 2.5 * cam.command_step_deg)
        band = min(max(BAND_DEG, dither), BAND_MAX_DEG)
    steps = _steps_in_band(cam, band)
    if len(steps) < FEW_STEPS and band < BAND_MAX_DEG:
        more = _steps_in_band(cam, BAND_MAX_DEG)
        start, end = more.start_s[:, None], more.end_s[:, None]
        more = more[np.all((start > steps.end_s + LOOK_S) | (end < steps.start_s - LOOK_S), axis=1)]
        steps = np.sort(np.concatenate([steps, more]), order="time_s", kind="stable").view(CommandSteps)
    return steps[evenly(np.arange(len(steps)), STEPS_MAX)]


def _window_readings(cam: CamData) -> int:
    interval = cam.command_interval_s
    return max(1, round(LOOK_S / interval)) if interval > 0 else 1


def _window_range(cam: CamData) -> np.ndarray:
    """Range of the command over each window of `look + 1` readings, shape (n - look,)."""
    c, size = cam.command_deg, _window_readings(cam) + 1
    valid = slice(size // 2, size // 2 + len(c) - size + 1)
    return ndimage.maximum_filter1d(c, size)[valid] - ndimage.minimum_filter1d(c, size)[valid]


def _moving_runs(cam: CamData, band_deg: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """First and last reading of each moving run, and whether a hole in the command lies within it."""
    t, k = cam.command_time_s, _window_readings(cam)
    if len(t) <= k + 1:
        return np.empty(0, dtype=int), np.empty(0, dtype=int), np.empty(0, dtype=bool)
    broken = np.diff(t) > cam.max_gap_s
    active = _window_range(cam) > band_deg
    # An interval moves if any window over it does; a hole ends a hold as a move does.
    active_before = np.concatenate([[0], np.cumsum(active)])
    i = np.arange(len(t) - 1)
    moving = active_before[np.minimum(i + 1, len(active))] > active_before[np.clip(i - k + 1, 0, len(active))]
    first, last = runs(moving | broken)
    holes = np.concatenate([[0], np.cumsum(broken)])
    return first, last, holes[last] > holes[first]


def _steps_in_band(cam: CamData, band_deg: float) -> CommandSteps:
    """The moves that are steps, with the command held within `band_deg` on both sides."""
    t, c = cam.command_time_s, cam.command_deg
    first, last, hole = _moving_runs(cam, band_deg)
    if not len(first):
        return CommandSteps.of()
    least, slack = max(STEP_MIN_DEG, STEP_TO_BAND * band_deg), 2.0 * LOOK_S
    # The command holds from `start` to `first`, moves to `last` and holds to `room`.
    start, room = np.concatenate([[0], last[:-1]]), np.concatenate([first[1:], [len(t) - 1]])
    likely = ~hole & (np.abs(c[last] - c[first]) > least - 2.0 * band_deg)
    likely &= t[last] - t[first] <= MOVE_MAX_S + slack
    likely &= t[first] - t[start] >= HOLD_BEFORE_MIN_S - slack
    likely &= t[room] - t[last] >= HOLD_AFTER_MIN_S - slack
    at = np.array([start, first, last, room])[:, evenly(np.flatnonzero(likely), int(1.5 * STEPS_MAX))]
    if not at.size:
        return CommandSteps.of()
    start, first, last, room = at
    old, play = _level(c, np.maximum(start, np.searchsorted(t, t[first] - LEVEL_S)), first)
    new, _ = _level(c, last, np.minimum(room, np.searchsorted(t, t[last] + LEVEL_S)))
    size = np.abs(new - old)
    drift, close = np.maximum(band_deg, HOLD_DRIFT * size), np.maximum(0.5 * band_deg, 0.02 * size)
    good = (size >= least) & (play <= drift)
    start, first, last, room = at[:, good]
    old, new, drift, close = np.array([old, new, drift, close])[:, good]
    # The last reading still at the old level and the first at the new one.
    none = np.full(len(old), -1)
    left, missed = (
        _first_beyond(c, first, last, old, close, none),
        _first_beyond(c, first, last, new, close, none, last=True),
    )
    a, b = np.maximum(left - 1, first), np.minimum(missed + 1, last)
    good = (left >= 0) & (missed >= 0) & (t[b] - t[a] <= MOVE_MAX_S)
    start, room, a, b = np.array([start, room, a, b])[:, good]
    old, new, drift = np.array([old, new, drift])[:, good]
    held_to = t[_first_beyond(c, b, room, new, drift, room)]
    held_from = t[_first_beyond(c, start, a, old, drift, start, last=True)]
    good = (t[a] - held_from >= HOLD_BEFORE_MIN_S) & (held_to - t[b] >= HOLD_AFTER_MIN_S)
    a, b, old, new, held_from, held_to = (v[good] for v in (a, b, old, new, held_from, held_to))
    if not len(a):
        return CommandSteps.of()
    owner, at = readings_between(a, b - 1)
    edges = np.cumsum(b - a) - (b - a)
    part = (c[at + 1] - c[at]) / (c[b] - c[a])[owner]
    width, middle = t[at + 1] - t[at], 0.5 * (t[at + 1] + t[at])
    centre = np.add.reduceat(part * middle, edges)
    variance = np.add.reduceat(part * ((middle - centre[owner]) ** 2 + width**2 / 12.0), edges)
    steps = CommandSteps.of(
        t[a], t[b], centre, np.sqrt(np.maximum(variance, 0.0)), old, new, t[a] - held_from, held_to - t[b],
        np.maximum.reduceat(width, edges),
    )  # fmt: skip
    # A command that overshoots its new level and returns is not a single step.
    return steps[(t[a] <= centre) & (centre <= t[b])]


def _first_beyond(
    c: np.ndarray, low: np.ndarray, high: np.ndarray, level: np.ndarray, limit: np.ndarray,
    otherwise: np.ndarray, *, last: bool = False,
) -> np.ndarray:  # fmt: skip
    """The first (or last) reading from `low` to `high` farther than `limit` from `level`, else `otherwise`; all
    (n,)."""
    owner, at = readings_between(low, high)
    hit = np.flatnonzero(np.abs(c[at] - level[owner]) > limit[owner])
    hit = hit if last else hit[::-1]
    place = otherwise.copy()
    place[owner[hit]] = at[hit]  # of several assignments to one element the last one stays
    return place


def _level(c: np.ndarray, low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Median and range of the readings from `low` to `high` (both included) of each of n stretches."""
    at = low[:, None] + np.arange(int(np.max(high - low)) + 1)
    value = np.where(at <= high[:, None], c[np.minimum(at, high[:, None])], np.nan)
    return np.nanmedian(value, axis=1), np.nanmax(value, axis=1) - np.nanmin(value, axis=1)
