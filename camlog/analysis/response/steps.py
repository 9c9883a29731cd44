"""Command moves and command steps: where the command left one level and stayed at another.

A *move* is any stretch in which the command travels. A *step* is a move large and quick enough, between
two steady stretches, for the cam's response to be read from it alone. A controller that ramps its
command makes steps too: each carries its own centre in time and its spread, by which `response` corrects.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from camlog.analysis.cam.camdata import CamData

# Long enough to see a controller's ramp as one move, short enough to part two moves.
LOOK_S = 0.2
# A command that dithers less than this is steady; cams are commanded in finer counts than this.
BAND_DEG = 1.0
BAND_MAX_DEG = 3.0
# A step four times the band around it keeps the level error of either side below an eighth.
STEP_TO_BAND = 4.0
STEP_MIN_DEG = 5.0
# Modules report cam angles in counts up to this.
COUNT_MAX_DEG = 2.0
# Longer ramps say how the cam follows, not how it responds: the continuous fit reads those.
MOVE_MAX_S = 1.5
HOLD_BEFORE_MIN_S = 0.5
# A healthy phaser arrives in this; a slower one is seen not to have arrived, which is an answer.
HOLD_AFTER_MIN_S = 0.8
LEVEL_S = 0.5
# The command of a step may drift in its hold by this part of the step before the hold counts as over.
HOLD_DRIFT = 0.1
# A move with this part of its way between two readings is a jump as far as sampling shows.
JUMP_PART = 0.8
# More steps than this add no precision; they are taken evenly over the drive.
STEPS_MAX = 600
FEW_STEPS = 20


@dataclass(frozen=True, eq=False)
class CommandMoves:
    """Stretches in which the command travels, arrays of shape (n,).

    `start_s`, `end_s`, `from_deg`, `to_deg`; `jump` is true where nearly all of the way lies between two
    neighbouring readings, so that nothing of the move's own shape was seen.
    """

    start_s: np.ndarray
    end_s: np.ndarray
    from_deg: np.ndarray
    to_deg: np.ndarray
    jump: np.ndarray

    def __len__(self) -> int:
        return len(self.start_s)


@dataclass(frozen=True, eq=False)
class CommandSteps:
    """Command steps of one cam, arrays of shape (n,), in time order.

    `start_s` is the last reading at the old level, `end_s` the first at the new one. `time_s` is the
    centre of the move (mean time of its travel) and `spread_s` the standard deviation about it, both from
    the command as interpolated: a jump between two readings d apart has spread d/sqrt(12), which is
    also what is not known about its time. `hold_before_s` and `hold_after_s` are the steady times beside it,
    `interval_s` the longest interval between command readings within it.
    """

    start_s: np.ndarray
    end_s: np.ndarray
    time_s: np.ndarray
    spread_s: np.ndarray
    from_deg: np.ndarray
    to_deg: np.ndarray
    hold_before_s: np.ndarray
    hold_after_s: np.ndarray
    interval_s: np.ndarray

    def __len__(self) -> int:
        return len(self.start_s)

    @property
    def size_deg(self) -> np.ndarray:
        """Signed size: advance positive."""
        return self.to_deg - self.from_deg

    @property
    def advance(self) -> np.ndarray:
        """True where the step asks for advance."""
        return self.size_deg > 0

    def take(self, index: np.ndarray) -> CommandSteps:
        """The steps at the given indices, or where a mask is true."""
        return CommandSteps(*(getattr(self, f.name)[index] for f in fields(self)))


def command_shares(cam: CamData, steps: CommandSteps, time_s: np.ndarray) -> np.ndarray:
    """The part of its way each command has covered at `time_s` (g,) after its centre, shape (n, g)."""
    if not len(steps):
        return np.empty((0, len(time_s)))
    at = steps.time_s[:, None] + time_s[None, :]
    share = np.interp(at, cam.command_time_s, cam.command_deg)
    share = (share - steps.from_deg[:, None]) / np.where(steps.size_deg == 0, 1.0, steps.size_deg)[:, None]
    # Outside the move the command dithers about its levels; only the move has a shape.
    share = np.where(at <= steps.start_s[:, None], 0.0, share)
    return np.clip(np.where(at >= steps.end_s[:, None], 1.0, share), 0.0, 1.0)


def count_of(step_deg: float) -> float:
    """The size of one count, 0 where it is too large for one: a command of a few levels is not coarse."""
    return step_deg if step_deg <= COUNT_MAX_DEG else 0.0


def command_moves(cam: CamData, band_deg: float = BAND_DEG) -> CommandMoves:
    """Every stretch in which the command travels more than `band_deg` within 0.2 s."""
    t, c = cam.command_time_s, cam.command_deg
    first, last, _ = _moving_runs(cam, band_deg)
    if not len(first):
        return CommandMoves(*(np.empty(0) for _ in range(4)), np.empty(0, dtype=bool))
    largest = np.maximum.reduceat(np.abs(np.diff(c)), first)
    jump = largest > JUMP_PART * np.abs(c[last] - c[first])
    return CommandMoves(t[first], t[last], c[first], c[last], jump)


def find_steps(cam: CamData, min_deg: float = STEP_MIN_DEG) -> CommandSteps:
    """The command steps of at least `min_deg`, none where there are none; at most 600, evenly over the drive.

    Steps are sought within a narrow band first. Where few are found a wider band, with a larger smallest
    step, also accepts a command that dithers or wanders.
    """
    narrow = _dither_band(cam)
    found = _steps_in_band(cam, narrow, min_deg)
    if len(found) < FEW_STEPS and narrow < BAND_MAX_DEG:
        more = _steps_in_band(cam, BAND_MAX_DEG, min_deg)
        if len(found) and len(more):
            apart = np.array(
                [np.all((s > found.end_s + LOOK_S) | (e < found.start_s - LOOK_S))
                 for s, e in zip(more.start_s, more.end_s, strict=True)]
            )  # fmt: skip
            more = more.take(apart)
        if len(more):
            both = CommandSteps(
                *(
                    np.concatenate([getattr(found, f.name), getattr(more, f.name)])
                    for f in fields(CommandSteps)
                )
            )
            found = both.take(np.argsort(both.time_s, kind="stable"))
    if len(found) > STEPS_MAX:
        found = found.take(np.linspace(0, len(found) - 1, STEPS_MAX).astype(int))
    return found


def _look(cam: CamData) -> int:
    interval = cam.command_interval_s
    return max(1, round(LOOK_S / interval)) if interval > 0 else 1


def _window_range(cam: CamData) -> np.ndarray:
    """Range of the command over each run of `look + 1` readings, shape (n - look,)."""
    c, k = cam.command_deg, _look(cam)
    size = k + 1
    centre = size // 2
    valid = slice(centre, centre + len(c) - k)
    return maximum_filter1d(c, size)[valid] - minimum_filter1d(c, size)[valid]


def _dither_band(cam: CamData) -> float:
    if len(cam.command_deg) <= _look(cam) + 1:
        return BAND_DEG
    usual = float(np.median(_window_range(cam)))
    return min(max(BAND_DEG, 1.5 * usual, 2.5 * count_of(cam.command_step_deg)), BAND_MAX_DEG)


def _moving_runs(cam: CamData, band_deg: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """First and last reading of each moving run, and whether a hole in the command lies within it."""
    t, k = cam.command_time_s, _look(cam)
    empty = np.empty(0, dtype=int)
    if len(t) <= k + 1:
        return empty, empty, empty.astype(bool)
    broken = np.diff(t) > cam.max_gap_s
    if cam.gaps:
        broken |= cam.in_gap(0.5 * (t[1:] + t[:-1]))
    active = _window_range(cam) > band_deg
    # An interval moves where any window over it does; a hole ends every hold, as a move does.
    upto = np.concatenate([[0], np.cumsum(active)])
    i = np.arange(len(t) - 1)
    moving = upto[np.minimum(i + 1, len(active))] > upto[np.clip(i - k + 1, 0, len(active))]
    moving |= broken
    edges = np.diff(np.concatenate([[0], moving.astype(np.int8), [0]]))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    holes = np.concatenate([[0], np.cumsum(broken)])
    return first, last, holes[last] > holes[first]


def _steps_in_band(cam: CamData, band_deg: float, min_deg: float) -> CommandSteps:
    t, c = cam.command_time_s, cam.command_deg
    first, last, hole = _moving_runs(cam, band_deg)
    least = max(min_deg, STEP_TO_BAND * band_deg)
    if not len(first):
        return CommandSteps(*(np.empty(0) for _ in fields(CommandSteps)))
    before = t[first] - t[np.concatenate([[0], last[:-1]])]
    room = np.concatenate([first[1:], [len(t) - 1]])
    after = t[room] - t[last]
    slack = 2.0 * LOOK_S
    likely = (
        ~hole
        & (np.abs(c[last] - c[first]) > least - 2.0 * band_deg)
        & (t[last] - t[first] <= MOVE_MAX_S + slack)
        & (before >= HOLD_BEFORE_MIN_S - slack)
        & (after >= HOLD_AFTER_MIN_S - slack)
    )
    starts = np.concatenate([[0], last[:-1]])
    chosen = np.flatnonzero(likely)
    if len(chosen) > 1.5 * STEPS_MAX:
        chosen = chosen[np.linspace(0, len(chosen) - 1, int(1.5 * STEPS_MAX)).astype(int)]
    return _measured(t, c, starts[chosen], first[chosen], last[chosen], room[chosen], band_deg, least)


def _measured(
    t: np.ndarray,
    c: np.ndarray,
    start: np.ndarray,
    first: np.ndarray,
    last: np.ndarray,
    room: np.ndarray,
    band_deg: float,
    least_deg: float,
) -> CommandSteps:
    """The steps among n moves: held from reading `start` to `first`, moving to `last`, held to `room`."""
    old, play = _level(c, np.maximum(start, np.searchsorted(t, t[first] - LEVEL_S)), first)
    new, _ = _level(c, last, np.minimum(room, np.searchsorted(t, t[last] + LEVEL_S)))
    drift = np.maximum(band_deg, HOLD_DRIFT * np.abs(new - old))
    good = (np.abs(new - old) >= least_deg) & (play <= drift)
    start, first, last, room, old, new, drift = (v[good] for v in (start, first, last, room, old, new, drift))
    n = len(old)
    close = np.maximum(0.5 * band_deg, 0.02 * np.abs(new - old))
    owner, at = readings_between(first, last)
    away = _first(owner, at, np.abs(c[at] - old[owner]) > close[owner], np.full(n, -1))
    far = _last(owner, at, np.abs(c[at] - new[owner]) > close[owner], np.full(n, -1))
    a, b = np.maximum(away - 1, first), np.minimum(far + 1, last)
    good = (away >= 0) & (far >= 0)
    good &= t[b] - t[a] <= MOVE_MAX_S
    start, room, old, new, drift, a, b = (v[good] for v in (start, room, old, new, drift, a, b))
    owner, at = readings_between(b, room)
    end = t[_first(owner, at, np.abs(c[at] - new[owner]) > drift[owner], room)]
    owner, at = readings_between(start, a)
    begin = t[_last(owner, at, np.abs(c[at] - old[owner]) > drift[owner], start)]
    good = (t[a] - begin >= HOLD_BEFORE_MIN_S) & (end - t[b] >= HOLD_AFTER_MIN_S)
    old, new, a, b, begin, end = (v[good] for v in (old, new, a, b, begin, end))
    if not len(a):
        return CommandSteps(*(np.empty(0) for _ in fields(CommandSteps)))
    owner, at = readings_between(a, b - 1)
    edges = np.cumsum(b - a) - (b - a)
    part = (c[at + 1] - c[at]) / (c[b] - c[a])[owner]
    width = t[at + 1] - t[at]
    middle = 0.5 * (t[at + 1] + t[at])
    centre = np.add.reduceat(part * middle, edges)
    variance = np.add.reduceat(part * ((middle - centre[owner]) ** 2 + width**2 / 12.0), edges)
    spread = np.sqrt(np.maximum(variance, 0.0))
    longest = np.maximum.reduceat(width, edges)
    found = CommandSteps(t[a], t[b], centre, spread, old, new, t[a] - begin, end - t[b], longest)
    # A command that ran past its new level and back is no single step.
    return found.take((t[a] <= centre) & (centre <= t[b]))


def readings_between(low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The readings from `low` to `high` (both included) of each of n stretches: (owner, reading)."""
    size = high - low + 1
    owner = np.repeat(np.arange(len(low)), size)
    return owner, np.arange(len(owner)) + (low - np.cumsum(size) + size)[owner]


def _first(owner: np.ndarray, at: np.ndarray, hit: np.ndarray, none: np.ndarray) -> np.ndarray:
    """The first reading of each owner that is hit, else the one in `none` (n,)."""
    # Of values put in one place the last one stays.
    found, where = none.copy(), np.flatnonzero(hit)[::-1]
    found[owner[where]] = at[where]
    return found


def _last(owner: np.ndarray, at: np.ndarray, hit: np.ndarray, none: np.ndarray) -> np.ndarray:
    """The last reading of each owner that is hit, else the one in `none` (n,)."""
    found, where = none.copy(), np.flatnonzero(hit)
    found[owner[where]] = at[where]
    return found


def _level(c: np.ndarray, low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Median and range of the readings from `low` to `high` (both included) of each of n stretches."""
    size = high - low + 1
    place = np.arange(int(size.max(initial=1)))
    value = c[np.minimum(low[:, None] + place, high[:, None])]
    value = np.sort(np.where(place < size[:, None], value, np.inf), axis=1)
    row = np.arange(len(low))
    median = 0.5 * (value[row, (size - 1) // 2] + value[row, size // 2])
    return median, value[row, size - 1] - value[:, 0]
