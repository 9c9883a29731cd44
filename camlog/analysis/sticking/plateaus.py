"""Plateaus: the cam stays put although the command has left it, then jumps.

The command counts as having left where the cam lies outside everything commanded in the last AWAY_WINDOW_S,
so a dead time shorter than that leaves no trace. There a cam that is slow but smooth (first order, with or
without a rate limit) moves all the while, at least in proportion to the distance or at its limit. One that
stands still and then moves at once several times faster for its distance cannot be such a cam, whatever its
time constant: that is the test, made on each plateau and the motion right after it, so that oil and
pressure were the same for both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import (
    GRID_S,
    CommandGrid,
    Segments,
    command_range,
    envelope_error,
    rest_commanded,
)

# Longest dead time of any phaser that is merely slow; what stands still for longer is stuck.
AWAY_WINDOW_S = 0.4
AWAY_MIN_DEG = 1.0
AWAY_SIGMAS = 4.0
STILL_SIGMAS = 3.0
STILL_MIN_DEG = 0.15
HORIZON_S = 0.3
HORIZON_READINGS = 2.0
PLATEAU_MIN_S = 0.2
# How soon after the plateau the jump must come, and how long it is timed over.
JUMP_WITHIN_S = 1.0
JUMP_TIMED_S = 0.12
NOISE_SIGMAS = 2.0
# Supply pressure and direction may change a cam's speed between two moments; not by this factor within a
# second.
FASTER = 3.0
# A break-away that comes with this much more engine speed is oil supply, not friction.
SUPPLY_RISE = 1.3
LOOK_BACK_S = 0.5
SLOW_MOVE_DEG_PER_S = 2.0
MAX_EVENTS = 600
MIN_BIAS_READINGS = 10
UNMOVED_DEG = 0.5
FLAT_SIGMAS = 1.7


@dataclass(frozen=True, eq=False)
class Away:
    """Where the command has left the cam, over its actual readings (n,).

    `side` is +1 where the command is above, -1 below, 0 elsewhere; `near_deg` how far at least, `far_deg`
    how far at most, over everything commanded in the last `window_s`; the cam's usual error at steady
    command, where it is held and where it rests, is taken off first (`angle_deg`). `threshold_deg` how far
    counts; `still_deg` the band within which a cam counts as not moving; `run` numbers unbroken runs of one
    side, -1 elsewhere.
    """

    side: np.ndarray
    near_deg: np.ndarray
    far_deg: np.ndarray
    threshold_deg: float
    still_deg: float
    noise_deg: float
    run: np.ndarray
    angle_deg: np.ndarray
    window_s: float


@dataclass(frozen=True, slots=True)
class Plateau:
    """One plateau followed by motion.

    From `start_s` the cam stood at `level_deg`; at `break_s` it moved in `direction` (+1 advance).
    `stood_s` is the time it stood with the command away, `error_deg` how far the command was at the end,
    `band_deg` how far it had travelled since its turning point (after a reversal; else as `error_deg`),
    `jump_deg` how much of the distance was made up at once. `faster` is how many times faster for its
    distance it moved after than on the plateau, at least; a smooth cam has 1 or less. `parked`: it broke
    away by itself, the command at rest (the controller had wound up). `with_supply`: engine speed rose at
    the break-away.
    """

    start_s: float
    break_s: float
    level_deg: float
    direction: int
    stood_s: float
    error_deg: float
    band_deg: float
    jump_deg: float
    faster: float
    reversal: bool
    parked: bool
    with_supply: bool

    @property
    def jumped(self) -> bool:
        """True where no smooth cam could have done this."""
        return self.faster > FASTER and not self.with_supply


def usual_error(cam: CamData, segments: Segments) -> np.ndarray:
    """The cam's median error at steady command (n,): one value where it is sent to rest, one where it is
    held.

    A cam that stands off by the same amount everywhere has an offset; it does not stick.
    """
    rest = rest_commanded(cam)
    bias = np.zeros(len(cam.actual_deg))
    for here in (rest, ~rest):
        error = cam.error_deg[here & segments.settled]
        if len(error) >= MIN_BIAS_READINGS:
            bias[here] = np.median(error)
    return bias


def find_away(cam: CamData, grid: CommandGrid, segments: Segments, noise_deg: float) -> Away:
    """Find where the command has left the cam; `noise_deg` is the reading's noise."""
    # Interpolation lets the command move up to one of its readings earlier than it did.
    window_s = AWAY_WINDOW_S + np.nan_to_num(cam.command_interval_s)
    angle = cam.actual_deg - usual_error(cam, segments)
    outside = envelope_error(cam, grid, window_s, cam.actual_deg - angle)
    low, high = command_range(cam, grid, window_s)
    threshold = max(AWAY_MIN_DEG, AWAY_SIGMAS * noise_deg, 2.0 * cam.actual_step_deg)
    still = max(STILL_SIGMAS * noise_deg, 1.05 * cam.actual_step_deg, STILL_MIN_DEG)
    known = np.isfinite(outside) & cam.running
    side = np.where(known & (np.abs(outside) > threshold), -np.sign(np.nan_to_num(outside)), 0.0).astype(
        np.int64
    )
    far = np.fmax(np.abs(high - angle), np.abs(low - angle))
    broken = np.diff(cam.actual_time_s) > cam.actual_max_gap_s
    number = np.concatenate([[0], np.cumsum((np.diff(side) != 0) | broken)])
    run = np.where(side != 0, number, -1)
    return Away(side, np.abs(outside), far, threshold, still, noise_deg, run, angle, window_s)


def still_readings(cam: CamData, away: Away) -> np.ndarray:
    """True (n,) where the command is away and the cam has not moved for a moment."""
    t, a = cam.actual_time_s, cam.actual_deg
    horizon = _horizon(cam)
    return (
        (away.side != 0)
        & (np.abs(a - np.interp(t - horizon, t, a)) <= away.still_deg)
        & (t - t[0] >= horizon)
    )


def find_plateaus(cam: CamData, grid: CommandGrid, away: Away) -> list[Plateau]:
    """The plateaus of a drive, in time order (an even selection where there are very many)."""
    t = cam.actual_time_s
    starts, ends = _runs(still_readings(cam, away), away.run)
    if len(starts) > MAX_EVENTS:
        pick = np.unique(np.linspace(0, len(starts) - 1, MAX_EVENTS).astype(int))
        starts, ends = starts[pick], ends[pick]
    found: list[Plateau] = []
    last_break = -np.inf
    for first, last in zip(starts, ends, strict=True):
        if t[last] <= last_break:
            continue
        plateau = _plateau(cam, grid, away, int(first), int(last))
        if plateau is not None:
            found.append(plateau)
            last_break = plateau.break_s
    return found


def _horizon(cam: CamData) -> float:
    return max(HORIZON_S, HORIZON_READINGS * cam.actual_interval_s)


def _runs(mask: np.ndarray, run: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    label = np.where(mask, run, -1)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(label)) + 1])
    ends = np.append(edges[1:], len(label)) - 1
    inside = label[edges] >= 0
    return edges[inside], ends[inside]


def _plateau(cam: CamData, grid: CommandGrid, away: Away, first: int, last: int) -> Plateau | None:
    t, a = cam.actual_time_s, cam.actual_deg
    level = float(np.median(a[first : last + 1]))
    direction, band = int(away.side[last]), away.still_deg
    # On to the last reading on the plateau, back to the one that arrived on it.
    after = last
    while after + 1 < len(a) and direction * (a[after + 1] - level) <= band:
        after += 1
        if t[after] - t[last] > JUMP_WITHIN_S:
            return None
    begin = first
    while begin > 0 and abs(a[begin - 1] - level) <= band and t[begin] - t[begin - 1] <= cam.actual_max_gap_s:
        begin -= 1
    if after + 1 >= len(a) or t[after + 1] - t[after] > cam.actual_max_gap_s:
        return None
    standing = np.arange(begin, after + 1)
    standing = standing[away.side[standing] == direction]
    if len(standing) < 2 or t[standing[-1]] - t[standing[0]] < PLATEAU_MIN_S:
        return None
    stood_s = float(t[standing[-1]] - t[standing[0]])
    break_s = float(0.5 * (t[after] + t[after + 1]))
    # The turning point of a swing is no plateau: there the cam never stands.
    still = a[standing[: max(len(standing) - 1, 2)]]
    if np.std(still) > FLAT_SIGMAS * max(away.noise_deg, 0.5 * cam.actual_step_deg):
        return None
    left, parked = _left(cam, grid, away, begin, standing, break_s, direction)
    if not (left or parked):
        return None
    at_break = float(np.interp(break_s, cam.command_time_s, cam.command_deg))
    bias = float(np.median(a[standing] - away.angle_deg[standing]))
    error = float(direction * (at_break - level + bias))
    faster, jump = _after(cam, away, standing, after, direction, level, error)
    before_s = max(t[begin] - LOOK_BACK_S, t[0])
    came_from = a[np.searchsorted(t, before_s)] - level
    reversal = bool(direction * came_from > band)
    cells = grid.command_deg[grid.cell(before_s) : grid.cell(break_s) + 1]
    travelled = float(direction * at_break - np.min(direction * cells))
    speed = cam.speed_at(np.array([t[standing[0]], break_s, break_s + LOOK_BACK_S]))
    return Plateau(
        start_s=float(t[begin]),
        break_s=break_s,
        level_deg=level,
        direction=direction,
        stood_s=stood_s,
        error_deg=error,
        band_deg=max(travelled, error) if reversal else error,
        jump_deg=jump,
        faster=faster,
        reversal=reversal,
        parked=parked,
        with_supply=bool(max(speed[1], speed[2]) > SUPPLY_RISE * speed[0]),
    )


def _left(
    cam: CamData,
    grid: CommandGrid,
    away: Away,
    begin: int,
    standing: np.ndarray,
    break_s: float,
    direction: int,
) -> tuple[bool, bool]:
    """Did the command leave the cam while it stood; did the cam break away by itself with the command at
    rest?

    If neither, the cam had an error all along and moved off as the command did: nothing to do with sticking.
    """
    arrived = slice(begin, begin + 3)
    at_first = np.nanmedian(np.where(away.side[arrived] == direction, away.near_deg[arrived], 0.0))
    left = bool(away.near_deg[standing[-1]] - at_first >= away.threshold_deg)
    cells = grid.command_deg[grid.cell(break_s - away.window_s) : grid.cell(break_s + JUMP_TIMED_S) + 1]
    unmoved = bool(np.ptp(cells) <= max(UNMOVED_DEG, 1.1 * cam.command_step_deg))
    return left, unmoved


def _after(
    cam: CamData, away: Away, standing: np.ndarray, after: int, direction: int, level: float, error: float
) -> tuple[float, float]:
    """How many times faster for its distance the cam moved after the plateau than on it, and how far at
    once."""
    t, a = cam.actual_time_s, cam.actual_deg
    soon = np.arange(after, np.searchsorted(t, t[after] + JUMP_WITHIN_S, side="right"))
    ends = np.searchsorted(t, t[soon] + JUMP_TIMED_S)
    good = ends < len(a)
    soon, ends = soon[good], ends[good]
    good = t[ends] - t[soon] <= cam.actual_max_gap_s + JUMP_TIMED_S
    soon, ends = soon[good], ends[good]
    if not len(soon):
        return 0.0, 0.0
    # On the plateau: at most this fast, and at least this far from the command.
    edge = max(len(standing) // 4, 1)
    crept = abs(float(np.mean(a[standing[-edge:]]) - np.mean(a[standing[:edge]])))
    crept += max(NOISE_SIGMAS * away.noise_deg * np.sqrt(2.0 / edge), 0.5 * cam.actual_step_deg)
    slow = crept / (t[standing[-1]] - t[standing[0]])
    near = float(np.mean(away.near_deg[standing]))
    # After it: at least this fast, and at most this far from the command.
    gained = direction * (a[ends] - a[soon]) - NOISE_SIGMAS * np.sqrt(2.0) * away.noise_deg
    fast = gained / (t[ends] - t[soon])
    command = cam.command_at_actual
    far = np.fmax(np.fmax(away.far_deg[soon], np.abs(command[ends] - away.angle_deg[soon])), near)
    faster = float(np.max(np.minimum(fast / slow, fast / far * near / slow)))
    left = direction * (command[after + 1 : ends[-1] + 1] - away.angle_deg[after + 1 : ends[-1] + 1])
    made_up = error - float(np.nanmin(left)) if np.isfinite(left).any() else 0.0
    moved = float(np.max(direction * (a[soon[0] : ends[-1] + 1] - level)))
    return max(faster, 0.0), max(min(made_up, moved), 0.0)


def should_move(cam: CamData, grid: CommandGrid, away: Away) -> np.ndarray:
    """True (g,) for the grid cells in which a healthy cam would be on the move, or the command is away from
    this."""
    moving = (np.abs(np.gradient(grid.reference_deg, GRID_S)) > SLOW_MOVE_DEG_PER_S) & grid.known
    moving[grid.cell(cam.actual_time_s[away.side != 0])] = True
    return moving
