"""Gross motion: does the cam move where its command moves, where does it stand, did the controller give up?

Cost grows with the readings, not with the span of the recording; about one reading a second is enough.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import envelope_error, rest_commanded, settled_noise_deg, steady_segments
from camlog.analysis.estimate import blocks_of

TILE_S = 1.0
# A window of tiles: long enough for any phaser that works to have moved, doubled up to the longest looked at.
WINDOW_TILES, LONGEST_TILES = 8, 1024
# A window may hold missing tiles up to this share; beyond, the recording was broken there.
BROKEN_SHARE = 0.5
COMMAND_MOVED_DEG = 5.0
AWAY_DEG = 3.0
STILL_MIN_DEG, STILL_SIGMAS, STILL_COUNTS = 0.8, 6.0, 2.0
# A cam that covers this share of its command's move or less did not answer it.
ANSWERED_SHARE = 0.15
STOP_BAND_DEG = 1.0
TRAVEL_SHARES = (0.005, 0.995)  # a spike or two is no travel
DRIVING_RPM = 1200.0
GIVEN_UP_SPAN_DEG = 1.0
USED_SHARE, MIN_USED_S = 0.15, 20.0
REPEATS_MOVE_DEG, REPEATS_COUNTS = 1.0, 3.0


@dataclass(frozen=True, slots=True)
class Motion:
    """What the cam's angle did beside its command.

    `dead_share` is the share of the 8 s windows with a moving command (`windows`, overlapping ones counted
    once) in which the cam did not move; `dead_s` the longest time it stood away from a moving command.
    `stop_share` of the time away from a steady command (`away_s`) it stood at the end of its travel with the
    command beyond. `quiet_s` is the time driven with a command that no longer moved, after one that had
    (None: speed unknown). `repeats_share` of the readings the actual repeats the command digit for digit,
    also at the `repeats_count` at which it had moved.
    """

    dead_share: float | None
    windows: float
    dead_s: float
    stop_share: float | None
    away_s: float
    quiet_s: float | None
    repeats_share: float | None
    repeats_count: int


def span(angle_deg: np.ndarray) -> float:
    """How far an angle (n,) travelled, degrees; a spike or two is no travel."""
    return float(np.ptp(np.quantile(angle_deg, TRAVEL_SHARES)))


def measure_motion(cam: CamData) -> Motion:
    """Measure gross motion."""
    return Motion(*_dead(cam), *_stops(cam), _quiet_s(cam), *_repeats(cam))


def _dead(cam: CamData) -> tuple[float | None, float, float]:
    t, known = cam.actual_time_s[cam.known], cam.known
    if len(t) < 2:
        return None, 0.0, 0.0
    still = max(STILL_MIN_DEG, STILL_SIGMAS * settled_noise_deg(cam), STILL_COUNTS * cam.actual_step_deg)
    tile = (t / TILE_S).astype(np.int64)
    tiles = blocks_of(tile)
    away = np.nan_to_num(np.abs(envelope_error(cam)[known])) > AWAY_DEG
    away_s = np.cumsum(np.append(0.0, tiles.sum(np.where(away, cam.duration_s[known], 0.0))))
    # Lowest and highest of the cam (row 0) and of its command (row 1) in windows of 1, 2, 4 ... tiles.
    angles = np.stack([cam.actual_deg[known], cam.command_at_actual[known]])
    low = np.minimum.reduceat(angles, tiles.starts, axis=1)
    high = np.maximum.reduceat(angles, tiles.starts, axis=1)
    number, share, count, dead_s, length = tile[tiles.starts], None, 0.0, 0.0, 1
    while length <= min(LONGEST_TILES, len(number)):
        whole = number[length - 1 :] - number[: len(number) - length + 1] < length * (1.0 + BROKEN_SHARE)
        moved, asked = high - low
        wanted = whole & (asked >= COMMAND_MOVED_DEG)
        if length >= 2:
            dead = (away_s[length:] - away_s[:-length])[wanted & (moved <= still)]
            dead_s = max(dead_s, float(dead.max(initial=0.0)))
        if length == WINDOW_TILES and wanted.any():
            count = float(wanted.sum()) / WINDOW_TILES
            share = float(np.mean(moved[wanted] <= np.maximum(still, ANSWERED_SHARE * asked[wanted])))
        low = np.minimum(low[:, :-length], low[:, length:])
        high = np.maximum(high[:, :-length], high[:, length:])
        length *= 2
    return share, count, dead_s


def _stops(cam: CamData) -> tuple[float | None, float]:
    a, error, settled = cam.actual_deg, cam.error_deg, steady_segments(cam).settled
    if not settled.any():
        return None, 0.0
    low, high = np.quantile(a[cam.running] if cam.running.any() else a, TRAVEL_SHARES)
    away = settled & (np.abs(error) > AWAY_DEG)
    away_s = cam.seconds(away)
    if high - low < COMMAND_MOVED_DEG or away_s <= 0.0:
        return None, away_s
    beyond = ((error < 0) & (a >= high - STOP_BAND_DEG)) | ((error > 0) & (a <= low + STOP_BAND_DEG))
    return cam.seconds(away & beyond) / away_s, away_s


def _quiet_s(cam: CamData) -> float | None:
    """Seconds driven above idle after the command's last move, where it had been used before."""
    speed, command = cam.speed_at(cam.actual_time_s), cam.command_at_actual
    if np.isnan(speed).all():
        return None
    driving = cam.known & (speed > DRIVING_RPM)
    if not driving.any():
        return 0.0
    moved = np.flatnonzero(cam.known & (np.abs(command - command[cam.known][-1]) > GIVEN_UP_SPAN_DEG))
    if not len(moved):
        return 0.0
    after = np.arange(len(command)) > moved[-1]
    used_s = cam.seconds(driving & ~after & ~rest_commanded(cam))
    if used_s < MIN_USED_S and used_s < USED_SHARE * cam.seconds(driving & ~after):
        return 0.0
    return cam.seconds(driving & after)


def _repeats(cam: CamData) -> tuple[float | None, int]:
    """Share and number of readings after a visible move of the command at which the actual equals it exactly.

    Coarse counts agree by chance: the command must have moved by several; steady readings must agree, too.
    """
    command = cam.command_at_actual
    known = np.isfinite(command)
    least = max(REPEATS_MOVE_DEG, REPEATS_COUNTS * cam.command_step_deg)
    moved = np.append(False, np.abs(np.diff(command)) >= least)
    if not moved.any():
        return None, 0
    same = cam.actual_deg == command
    return min(float(np.mean(same[moved])), float(np.mean(same[known]))), int(moved.sum())
