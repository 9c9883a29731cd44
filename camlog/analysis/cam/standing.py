"""Where the cam stands still while its command has moved away, and where it then jumps.

The command has left the cam where the cam lies outside everything commanded in the last AWAY_WINDOW_S; a shorter dead
time leaves no trace. There a slow but smooth cam (first order, with or without a rate limit) keeps moving, in
proportion to its distance from the command or at its limit. A cam that stands still and then moves several times faster
for its distance cannot be smooth, whatever its time constant. The test compares each plateau with the motion right
after it, so that oil and pressure are the same for both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData, once_per_cam
from camlog.analysis.cam.segments import (
    cell_of_reading,
    command_grid,
    command_range,
    outside,
    rest_commanded,
    settled_noise_deg,
    steady_segments,
)
from camlog.analysis.estimate import blocks_of, evenly

MOVED_DEG = 5.0  # a command that travels this far shows whether the cam follows
# Longest dead time of a phaser that is only slow; one that stands still for longer is stuck.
AWAY_WINDOW_S = 0.4
AWAY_MIN_DEG, AWAY_SIGMAS, AWAY_COUNTS = 1.0, 4.0, 2.0
STILL_MIN_DEG, STILL_SIGMAS, STILL_COUNTS = 0.15, 3.0, 1.05
MIN_BIAS_READINGS = 10
SLOW_MOVE_DEG_PER_S = 2.0
# Slower than any working phaser. A cam that stands where even this phaser would have moved visibly is stuck.
SLOWEST_TIME_CONSTANT_S, HORIZONS_S, VISIBLE_BANDS = 8.0, (1.0, 2.0, 4.0, 8.0), 2.0
# A plateau: the cam is still over the horizon and flat, for at least PLATEAU_MIN_S.
HORIZON_S, HORIZON_READINGS = 0.3, 2.0
PLATEAU_MIN_S, FLAT_SIGMAS = 0.2, 1.7
# The jump must come within JUMP_WITHIN_S after the plateau; its speed is taken over JUMP_TIMED_S.
JUMP_WITHIN_S, JUMP_TIMED_S = 1.0, 0.12
NOISE_SIGMAS = 2.0
# Supply pressure and direction change a cam's speed, but not by this factor within a second.
FASTER = 3.0
# A break-away while engine speed rises by this factor is due to oil supply, not friction.
SUPPLY_RISE = 1.3
LOOK_BACK_S = 0.5
MAX_EVENTS = 600
UNMOVED_DEG, UNMOVED_COUNTS = 0.5, 1.1


@dataclass(frozen=True, eq=False)
class Away:
    """Where the command has left the cam, over its actual readings (n,).

    `side` is +1 where the command is above the cam, -1 below, 0 elsewhere. `near_deg` and `far_deg` are the least and
    the greatest distance to everything commanded in the last `window_s`, measured from `angle_deg`, the actual angle
    less the cam's usual error. A distance counts from `threshold_deg`; motion within `still_deg` counts as none. `run`
    is the number of each unbroken run of one side, -1 elsewhere."""

    side: np.ndarray
    near_deg: np.ndarray
    far_deg: np.ndarray
    threshold_deg: float
    still_deg: float
    run: np.ndarray
    angle_deg: np.ndarray
    window_s: float


@dataclass(frozen=True, slots=True)
class Plateau:
    """The cam stood still from `start_s` and moved again at `break_s`.

    `band_deg` is how far the command had travelled since its turning point (after a `reversal`), else its distance at
    the end. `jump_deg` is how much of that the cam made up at once. `faster` is the least factor by which the cam's
    speed for its distance rose from the plateau to the motion after it. `parked`: the cam broke away with the command
    at rest (the controller had wound up). `with_supply`: engine speed rose at the break-away."""

    start_s: float
    break_s: float
    band_deg: float
    jump_deg: float
    faster: float
    reversal: bool
    parked: bool
    with_supply: bool

    @property
    def jumped(self) -> bool:
        """True where no smooth cam could have moved like this."""
        return self.faster > FASTER and not self.with_supply


@once_per_cam
def find_away(cam: CamData) -> Away:
    # Interpolation makes the command move up to one sampling interval early.
    window_s = AWAY_WINDOW_S + float(np.nan_to_num(cam.command_interval_s))
    noise, step = settled_noise_deg(cam), cam.actual_step_deg
    low, high = command_range(cam, window_s)
    angle = cam.actual_deg - _usual_error(cam)
    beyond = np.where(cam.running, outside(angle, low, high), np.nan)
    threshold = max(AWAY_MIN_DEG, AWAY_SIGMAS * noise, AWAY_COUNTS * step)
    side = -np.where(np.abs(beyond) > threshold, np.sign(beyond), 0.0).astype(np.int8)
    broken = np.diff(cam.actual_time_s) > cam.actual_max_gap_s
    number = np.concatenate([[0], np.cumsum((np.diff(side) != 0) | broken)])
    return Away(
        side=side,
        near_deg=np.abs(outside(angle, low, high)),
        far_deg=np.fmax(np.abs(high - angle), np.abs(low - angle)),
        threshold_deg=threshold,
        still_deg=max(STILL_SIGMAS * noise, STILL_COUNTS * step, STILL_MIN_DEG),
        run=np.where(side != 0, number, -1).astype(np.int32),
        angle_deg=angle,
        window_s=window_s,
    )


def _usual_error(cam: CamData) -> np.ndarray:
    """The cam's median error (n,) at steady command, at rest and elsewhere. A cam with the same error everywhere
    has an offset; it does not stick."""
    rest, settled = rest_commanded(cam), steady_segments(cam).settled
    bias = np.zeros(len(cam.actual_deg))
    for mask in (rest, ~rest):
        if np.sum(mask & settled) >= MIN_BIAS_READINGS:
            bias[mask] = np.median(cam.error_deg[mask & settled])
    return bias


@once_per_cam
def should_move(cam: CamData) -> np.ndarray:
    """True (n,) for readings at which a healthy cam would move, or the command is away from this cam."""
    grid, cell = command_grid(cam), cell_of_reading(cam)
    moving = (grid.reference_speed() > SLOW_MOVE_DEG_PER_S) & grid.known
    moving[cell[find_away(cam).side != 0]] = True
    return moving[cell] & cam.running


def long_stuck(cam: CamData) -> np.ndarray:
    """True (n,) for readings that stand so long and so far from the command that any working cam would have moved."""
    t, a, away = cam.actual_time_s, cam.actual_deg, find_away(cam)
    is_away = away.side != 0
    stuck = np.zeros(len(t), dtype=bool)
    # Distance times time since the horizon began; the slowest working cam makes up a known share of it.
    deficit = np.where(is_away, np.nan_to_num(away.near_deg) * np.diff(t, prepend=t[0]), 0.0)
    deficit = np.cumsum(deficit) / SLOWEST_TIME_CONSTANT_S
    blocks, now = blocks_of(away.run), np.flatnonzero(is_away)
    run_start = blocks.spread(blocks.starts)[now]
    for horizon in HORIZONS_S:
        begin = np.searchsorted(t, t[now] - horizon, side="right") - 1
        last, begin = now[begin >= run_start], begin[begin >= run_start]
        still = np.abs(a[last] - a[begin]) <= away.still_deg
        still &= deficit[last] - deficit[begin] >= VISIBLE_BANDS * away.still_deg
        # All readings since the start of the horizon are stuck too.
        change = np.bincount(begin[still], minlength=len(t) + 1)
        change[last[still] + 1] -= 1
        stuck |= (np.cumsum(change[:-1]) > 0) & is_away
    return stuck


def repeats(cam: CamData, broken: np.ndarray | bool = False) -> tuple[np.ndarray, np.ndarray]:
    """First and one past the last index of each run of equal readings; True in `broken` (n - 1,) ends a run too."""
    edges, count = np.flatnonzero((np.diff(cam.actual_deg) != 0) | broken) + 1, len(cam.actual_deg)
    return np.concatenate([[0], edges])[:count], np.append(edges, count)[:count]


@once_per_cam
def find_plateaus(cam: CamData) -> list[Plateau]:
    """The plateaus of a drive, in time order (an even selection where there are very many)."""
    t, a, away = cam.actual_time_s, cam.actual_deg, find_away(cam)
    # The command is away and the cam has not moved over the horizon.
    horizon = max(HORIZON_S, HORIZON_READINGS * cam.actual_interval_s)
    still = (np.abs(a - np.interp(t - horizon, t, a)) <= away.still_deg) & (t - t[0] >= horizon)
    label = np.where(still, away.run, -1)
    blocks = blocks_of(label)
    chosen = evenly(np.flatnonzero(label[blocks.starts] >= 0), MAX_EVENTS)
    plateaus: list[Plateau] = []
    for first, size in zip(blocks.starts[chosen].tolist(), blocks.size[chosen].tolist(), strict=True):
        if not plateaus or t[first + size - 1] > plateaus[-1].break_s:
            plateau = _plateau(cam, first, first + size - 1)
            plateaus += [] if plateau is None else [plateau]
    return plateaus


def _plateau(cam: CamData, first: int, last: int) -> Plateau | None:
    """The plateau that holds the still readings `first` to `last`; None where no motion follows."""
    t, a, away, longest_s = cam.actual_time_s, cam.actual_deg, find_away(cam), cam.actual_max_gap_s
    level, direction, band = float(np.median(a[first : last + 1])), int(away.side[last]), away.still_deg
    # Extend to the last reading on the plateau, and back to the first one on it.
    after, begin = last, first
    while after + 1 < len(a) and direction * (a[after + 1] - level) <= band:
        after += 1
        if t[after] - t[last] > JUMP_WITHIN_S:
            return None
    while begin > 0 and abs(a[begin - 1] - level) <= band and t[begin] - t[begin - 1] <= longest_s:
        begin -= 1
    if after + 1 >= len(a) or t[after + 1] - t[after] > longest_s:
        return None
    standing = begin + np.flatnonzero(away.side[begin : after + 1] == direction)
    if len(standing) < 2 or t[standing[-1]] - t[standing[0]] < PLATEAU_MIN_S:
        return None
    # The turning point of a swing is no plateau, because the cam does not stand there.
    plateau_deg = a[standing[: max(len(standing) - 1, 2)]]
    if np.std(plateau_deg) > FLAT_SIGMAS * max(settled_noise_deg(cam), 0.5 * cam.actual_step_deg):
        return None
    break_s = float(0.5 * (t[after] + t[after + 1]))
    # Sticking needs a command that left the standing cam, or a break-away with the command at rest. Otherwise the cam
    # only had an error all along and moved off with its command.
    arrived = slice(begin, begin + 3)
    at_first = np.nanmedian(np.where(away.side[arrived] == direction, away.near_deg[arrived], 0.0))
    commanded = _commanded(cam, break_s - away.window_s, break_s + JUMP_TIMED_S)
    parked = bool(np.ptp(commanded) <= max(UNMOVED_DEG, UNMOVED_COUNTS * cam.command_step_deg))
    if not parked and away.near_deg[standing[-1]] - at_first < away.threshold_deg:
        return None
    at_break = direction * np.interp(break_s, cam.command_time_s, cam.command_deg)
    bias = np.median(a[standing] - away.angle_deg[standing])
    error = float(at_break + direction * (bias - level))
    faster, jump = _jump(cam, standing, after, direction, level, error)
    before_s = max(t[begin] - LOOK_BACK_S, t[0])
    reversal = bool(direction * (a[np.searchsorted(t, before_s)] - level) > band)
    travelled = float(at_break - np.min(direction * _commanded(cam, before_s, break_s)))
    speed = cam.speed_at(np.array([t[standing[0]], break_s, break_s + LOOK_BACK_S]))
    return Plateau(
        start_s=float(t[begin]),
        break_s=break_s,
        band_deg=max(travelled, error) if reversal else error,
        jump_deg=jump,
        faster=faster,
        reversal=reversal,
        parked=parked,
        with_supply=bool(max(speed[1], speed[2]) > SUPPLY_RISE * speed[0]),
    )


def _commanded(cam: CamData, start_s: float, end_s: float) -> np.ndarray:
    first, last = command_grid(cam).cell(np.array([start_s, end_s]))
    return command_grid(cam).command_deg[first : last + 1]


def _jump(
    cam: CamData, standing: np.ndarray, after: int, direction: int, level: float, error: float
) -> tuple[float, float]:
    """The factor by which the cam's speed for its distance rose after the plateau, and the jump (deg)."""
    t, a, away, noise = cam.actual_time_s, cam.actual_deg, find_away(cam), settled_noise_deg(cam)
    next_readings = np.arange(after, np.searchsorted(t, t[after] + JUMP_WITHIN_S, side="right"))
    ends = np.searchsorted(t, t[next_readings] + JUMP_TIMED_S)
    next_readings, ends = next_readings[ends < len(a)], ends[ends < len(a)]
    good = t[ends] - t[next_readings] <= cam.actual_max_gap_s + JUMP_TIMED_S
    next_readings, ends = next_readings[good], ends[good]
    if not len(next_readings):
        return 0.0, 0.0
    # On the plateau: at most this fast, and at least this far from the command.
    edge = max(len(standing) // 4, 1)
    crept = abs(float(np.mean(a[standing[-edge:]]) - np.mean(a[standing[:edge]])))
    crept += max(NOISE_SIGMAS * noise * np.sqrt(2.0 / edge), 0.5 * cam.actual_step_deg)
    slow = crept / (t[standing[-1]] - t[standing[0]])
    plateau_distance = float(np.mean(away.near_deg[standing]))
    # After it: at least this fast, and at most this far from the command.
    fast = direction * (a[ends] - a[next_readings]) - NOISE_SIGMAS * np.sqrt(2.0) * noise
    fast /= t[ends] - t[next_readings]
    command, angle, to_end = cam.command_at_actual, away.angle_deg, slice(after + 1, ends[-1] + 1)
    distance = np.fmax(
        np.fmax(away.far_deg[next_readings], np.abs(command[ends] - angle[next_readings])), plateau_distance
    )
    faster = float(np.max(np.minimum(fast / slow, fast / distance * plateau_distance / slow)))
    left = direction * (command[to_end] - angle[to_end])
    made_up = error - float(np.nanmin(left)) if np.isfinite(left).any() else 0.0
    moved = float(np.max(direction * (a[next_readings[0] : ends[-1] + 1] - level)))
    return max(faster, 0.0), max(min(made_up, moved), 0.0)
