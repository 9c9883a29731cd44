"""Where the cam stands: while its command has left it, while it should move, and to the last digit.

The command counts as having left where the cam lies outside everything commanded in the last AWAY_WINDOW_S,
so a dead time shorter than that leaves no trace. Every measure of standing and jumping starts from here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData, once_per_cam
from camlog.analysis.cam.noise import settled_noise_deg
from camlog.analysis.cam.segments import (
    cell_of_reading,
    command_grid,
    command_range,
    outside,
    rest_commanded,
    steady_segments,
)

# Longest dead time of any phaser that is merely slow; what stands still for longer is stuck.
AWAY_WINDOW_S = 0.4
AWAY_MIN_DEG, AWAY_SIGMAS, AWAY_COUNTS = 1.0, 4.0, 2.0
STILL_MIN_DEG, STILL_SIGMAS, STILL_COUNTS = 0.15, 3.0, 1.05
MIN_BIAS_READINGS = 10
SLOW_MOVE_DEG_PER_S = 2.0
# Slower than any phaser that still works: what stays put where even this one would have moved visibly is
# stuck.
SLOWEST_TIME_CONSTANT_S = 8.0
HORIZONS_S = (1.0, 2.0, 4.0, 8.0)
VISIBLE_BANDS = 2.0


@dataclass(frozen=True, eq=False)
class Away:
    """Where the command has left the cam, over its actual readings (n,).

    `side` is +1 where the command is above, -1 below, 0 elsewhere; `near_deg` how far at least, `far_deg` how
    far at most, over everything commanded in the last `window_s`; the cam's usual error at steady command,
    where it is held and where it rests, is taken off first (`angle_deg`). `threshold_deg` how far counts;
    `still_deg` the band within which a cam counts as not moving; `run` numbers unbroken runs of one side, -1
    elsewhere.
    """

    side: np.ndarray
    near_deg: np.ndarray
    far_deg: np.ndarray
    threshold_deg: float
    still_deg: float
    run: np.ndarray
    angle_deg: np.ndarray
    window_s: float


@once_per_cam
def find_away(cam: CamData) -> Away:
    """Find where the command has left the cam."""
    # Interpolation lets the command move up to one of its readings earlier than it did.
    window_s = AWAY_WINDOW_S + float(np.nan_to_num(cam.command_interval_s))
    noise, step = settled_noise_deg(cam), cam.actual_step_deg
    angle = cam.actual_deg - _usual_error(cam)
    low, high = command_range(cam, window_s)
    beyond = outside(angle, low, high)
    threshold = max(AWAY_MIN_DEG, AWAY_SIGMAS * noise, AWAY_COUNTS * step)
    known = np.isfinite(beyond) & cam.running
    side = np.where(known & (np.abs(beyond) > threshold), -np.sign(np.nan_to_num(beyond)), 0.0).astype(np.int64)
    broken = np.diff(cam.actual_time_s) > cam.actual_max_gap_s
    number = np.concatenate([[0], np.cumsum((np.diff(side) != 0) | broken)])
    return Away(
        side=side,
        near_deg=np.abs(beyond),
        far_deg=np.fmax(np.abs(high - angle), np.abs(low - angle)),
        threshold_deg=threshold,
        still_deg=max(STILL_SIGMAS * noise, STILL_COUNTS * step, STILL_MIN_DEG),
        run=np.where(side != 0, number, -1),
        angle_deg=angle,
        window_s=window_s,
    )


def _usual_error(cam: CamData) -> np.ndarray:
    """The cam's median error at steady command (n,): one value where it is sent to rest, one where it is
    held.

    A cam that stands off by the same amount everywhere has an offset; it does not stick.
    """
    rest, settled = rest_commanded(cam), steady_segments(cam).settled
    bias = np.zeros(len(cam.actual_deg))
    for here in (rest, ~rest):
        if np.sum(here & settled) >= MIN_BIAS_READINGS:
            bias[here] = np.median(cam.error_deg[here & settled])
    return bias


@once_per_cam
def should_move(cam: CamData) -> np.ndarray:
    """True (n,) for readings at which a healthy cam would be on the move, or the command is away from this.
    """
    grid = command_grid(cam)
    moving = (grid.reference_speed() > SLOW_MOVE_DEG_PER_S) & grid.known
    cell = cell_of_reading(cam)
    moving[cell[find_away(cam).side != 0]] = True
    return moving[cell] & cam.running


def long_stuck(cam: CamData) -> np.ndarray:
    """True (n,) for readings that stayed put for so long, so far from the command, that the slowest cam had
    moved."""
    t, a, away = cam.actual_time_s, cam.actual_deg, find_away(cam)
    is_away = away.side != 0
    stuck = np.zeros(len(t), dtype=bool)
    step = np.diff(t, prepend=t[0])
    # Distance times time, of which the slowest cam would have made up its share.
    owed = np.cumsum(np.where(is_away, np.nan_to_num(away.near_deg) * step, 0.0)) / SLOWEST_TIME_CONSTANT_S
    new = np.concatenate([[True], np.diff(away.run) != 0])
    run_start = np.maximum.accumulate(np.where(new, np.arange(len(t)), 0))
    now = np.flatnonzero(is_away)
    for horizon in HORIZONS_S:
        begin = np.searchsorted(t, t[now] - horizon, side="right") - 1
        whole = begin >= run_start[now]
        last, begin = now[whole], begin[whole]
        still = np.abs(a[last] - a[begin]) <= away.still_deg
        still &= owed[last] - owed[begin] >= VISIBLE_BANDS * away.still_deg
        # Everything since the horizon began was stuck too.
        change = np.bincount(begin[still], minlength=len(t) + 1)
        change[last[still] + 1] -= 1
        stuck |= (np.cumsum(change[:-1]) > 0) & is_away
    return stuck


def repeats(cam: CamData, broken: np.ndarray | bool = False) -> tuple[np.ndarray, np.ndarray]:
    """First and one past the last index of each run of the very same reading; `broken` (n - 1,) ends runs as
    well."""
    edges = np.flatnonzero((np.diff(cam.actual_deg) != 0) | broken) + 1
    return np.concatenate([[0], edges]), np.append(edges, len(cam.actual_deg))
