"""Plateaus: the cam stays put although the command has left it, then jumps.

Where the command has left the cam, one that is slow but smooth (first order, with or without a rate limit)
moves all the while, at least in proportion to the distance or at its limit. One that stands still and then
moves at once several times faster for its distance cannot be such a cam, whatever its time constant: that is
the test, made on each plateau and the motion right after it, so that oil and pressure were the same for both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData, once_per_cam
from camlog.analysis.cam.noise import settled_noise_deg
from camlog.analysis.cam.segments import command_grid
from camlog.analysis.cam.standing import find_away

HORIZON_S, HORIZON_READINGS = 0.3, 2.0
PLATEAU_MIN_S = 0.2
# How soon after the plateau the jump must come, and how long it is timed over.
JUMP_WITHIN_S, JUMP_TIMED_S = 1.0, 0.12
NOISE_SIGMAS = 2.0
# Supply pressure and direction may change a cam's speed between two moments; not by this factor within a
# second.
FASTER = 3.0
# A break-away that comes with this much more engine speed is oil supply, not friction.
SUPPLY_RISE = 1.3
LOOK_BACK_S = 0.5
MAX_EVENTS = 600
UNMOVED_DEG, UNMOVED_COUNTS = 0.5, 1.1
FLAT_SIGMAS = 1.7


@dataclass(frozen=True, slots=True)
class Plateau:
    """One plateau followed by motion.

    From `start_s` the cam stood; at `break_s` it moved. `band_deg` is how far the command had travelled since
    its turning point (after a `reversal`; else how far it was away at the end), `jump_deg` how much of the
    distance was made up at once. `faster` is how many times faster for its distance it moved after than on
    the plateau, at least; a smooth cam has 1 or less. `parked`: it broke away by itself, the command at rest
    (the controller had wound up). `with_supply`: engine speed rose at the break-away.
    """

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
        """True where no smooth cam could have done this."""
        return self.faster > FASTER and not self.with_supply


@once_per_cam
def find_plateaus(cam: CamData) -> list[Plateau]:
    """The plateaus of a drive, in time order (an even selection where there are very many)."""
    t, a, away = cam.actual_time_s, cam.actual_deg, find_away(cam)
    # The command is away and the cam has not moved for a moment.
    horizon = max(HORIZON_S, HORIZON_READINGS * cam.actual_interval_s)
    still = (np.abs(a - np.interp(t - horizon, t, a)) <= away.still_deg) & (t - t[0] >= horizon)
    label = np.where(still, away.run, -1)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(label)) + 1])
    ends = np.append(edges[1:], len(label)) - 1
    stands = np.flatnonzero(label[edges] >= 0)
    if len(stands) > MAX_EVENTS:
        stands = stands[np.unique(np.linspace(0, len(stands) - 1, MAX_EVENTS).astype(int))]
    found: list[Plateau] = []
    for first, last in zip(edges[stands].tolist(), ends[stands].tolist(), strict=True):
        if found and t[last] <= found[-1].break_s:
            continue
        plateau = _plateau(cam, first, last)
        if plateau is not None:
            found.append(plateau)
    return found


def _plateau(cam: CamData, first: int, last: int) -> Plateau | None:
    t, a, away, grid = cam.actual_time_s, cam.actual_deg, find_away(cam), command_grid(cam)
    level, direction, band = float(np.median(a[first : last + 1])), int(away.side[last]), away.still_deg
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
    # The turning point of a swing is no plateau: there the cam never stands.
    still = a[standing[: max(len(standing) - 1, 2)]]
    if np.std(still) > FLAT_SIGMAS * max(settled_noise_deg(cam), 0.5 * cam.actual_step_deg):
        return None
    break_s = float(0.5 * (t[after] + t[after + 1]))
    # If neither the command left the cam while it stood, nor the cam broke away by itself with the command at
    # rest, it had an error all along and moved off as the command did: nothing to do with sticking.
    arrived = slice(begin, begin + 3)
    at_first = np.nanmedian(np.where(away.side[arrived] == direction, away.near_deg[arrived], 0.0))
    cells = grid.command_deg[grid.cell(break_s - away.window_s) : grid.cell(break_s + JUMP_TIMED_S) + 1]
    parked = bool(np.ptp(cells) <= max(UNMOVED_DEG, UNMOVED_COUNTS * cam.command_step_deg))
    if not parked and away.near_deg[standing[-1]] - at_first < away.threshold_deg:
        return None
    at_break = float(np.interp(break_s, cam.command_time_s, cam.command_deg))
    error = float(direction * (at_break - level + np.median(a[standing] - away.angle_deg[standing])))
    faster, jump = _after(cam, standing, after, direction, level, error)
    before_s = max(t[begin] - LOOK_BACK_S, t[0])
    reversal = bool(direction * (a[np.searchsorted(t, before_s)] - level) > band)
    cells = grid.command_deg[grid.cell(before_s) : grid.cell(break_s) + 1]
    travelled = float(direction * at_break - np.min(direction * cells))
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


def _after(
    cam: CamData, standing: np.ndarray, after: int, direction: int, level: float, error: float
) -> tuple[float, float]:
    """How many times faster for its distance the cam moved after the plateau than on it, and how far at once.
    """
    t, a, away, noise = cam.actual_time_s, cam.actual_deg, find_away(cam), settled_noise_deg(cam)
    soon = np.arange(after, np.searchsorted(t, t[after] + JUMP_WITHIN_S, side="right"))
    ends = np.searchsorted(t, t[soon] + JUMP_TIMED_S)
    soon, ends = soon[ends < len(a)], ends[ends < len(a)]
    good = t[ends] - t[soon] <= cam.actual_max_gap_s + JUMP_TIMED_S
    soon, ends = soon[good], ends[good]
    if not len(soon):
        return 0.0, 0.0
    # On the plateau: at most this fast, and at least this far from the command.
    edge = max(len(standing) // 4, 1)
    crept = abs(float(np.mean(a[standing[-edge:]]) - np.mean(a[standing[:edge]])))
    crept += max(NOISE_SIGMAS * noise * np.sqrt(2.0 / edge), 0.5 * cam.actual_step_deg)
    slow = crept / (t[standing[-1]] - t[standing[0]])
    near = float(np.mean(away.near_deg[standing]))
    # After it: at least this fast, and at most this far from the command.
    gained = direction * (a[ends] - a[soon]) - NOISE_SIGMAS * np.sqrt(2.0) * noise
    fast = gained / (t[ends] - t[soon])
    command, angle, to_end = cam.command_at_actual, away.angle_deg, slice(after + 1, ends[-1] + 1)
    far = np.fmax(np.fmax(away.far_deg[soon], np.abs(command[ends] - angle[soon])), near)
    faster = float(np.max(np.minimum(fast / slow, fast / far * near / slow)))
    left = direction * (command[to_end] - angle[to_end])
    made_up = error - float(np.nanmin(left)) if np.isfinite(left).any() else 0.0
    moved = float(np.max(direction * (a[soon[0] : ends[-1] + 1] - level)))
    return max(faster, 0.0), max(min(made_up, moved), 0.0)
