"""Gross motion: does the cam move where its command moves, where does it stand, did the controller give up?

All of it works on pieces of TILE_S that hold readings, so cost grows with the readings and not with the span of
the recording. Nothing here needs more than about one reading a second.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import Segments, rest_commanded

TILE_S = 1.0
# A window of tiles: long enough for any phaser that works to have moved, doubled up to the longest looked at.
WINDOW_TILES = 8
LONGEST_TILES = 1024
# A window may hold missing tiles up to this share; beyond, the recording was broken there.
BROKEN_SHARE = 0.5
COMMAND_MOVED_DEG = 5.0
AWAY_DEG = 3.0
STILL_MIN_DEG, STILL_SIGMAS = 0.8, 6.0
# A cam that covers this share of its command's move or less did not answer it.
ANSWERED_SHARE = 0.15
STOP_BAND_DEG = 1.0
DRIVING_RPM = 1200.0
GIVEN_UP_SPAN_DEG = 1.0
USED_SHARE = 0.15
MIN_USED_S = 20.0
REPEATS_MOVE_DEG, REPEATS_COUNTS = 1.0, 3.0


@dataclass(frozen=True, slots=True)
class Motion:
    """What the cam's angle did beside its command, over the whole drive.

    `dead_share` of the 8 s windows in which the command moved (`windows` of them, overlapping ones counted once)
    the cam did not move; `dead_s` the longest time the cam stood away from a moving command without moving.
    `stop_share` of the time it stood away from a steady command (`away_s`) it stood at the end of its own travel
    with the command beyond, in `stop_visits` separate visits. `quiet_s` the time driven above idle with a command
    that no longer moved, after one that had; None where engine speed is unknown. `repeats_share` of the readings
    the actual repeats the command to the last digit, also at the `repeats_count` readings at which it had moved.
    """

    dead_share: float | None
    windows: float
    dead_s: float
    stop_share: float | None
    stop_visits: int
    away_s: float
    quiet_s: float | None
    repeats_share: float | None
    repeats_count: int


def measure_motion(cam: CamData, segments: Segments, outside_deg: np.ndarray, noise_deg: float) -> Motion:
    """Measure gross motion.

    `outside_deg` (n,) is how far each reading lies outside everything commanded in the last second
    (`segments.envelope_error`), `noise_deg` the reading's own noise.
    """
    still = max(STILL_MIN_DEG, STILL_SIGMAS * noise_deg, 2.0 * cam.actual_step_deg)
    dead_share, windows, dead_s = _dead(cam, segments, outside_deg, still)
    stop_share, visits, away_s = _stops(cam, segments)
    repeats, count = _repeats(cam)
    return Motion(
        dead_share, windows, dead_s, stop_share, visits, away_s, _quiet_s(cam, segments), repeats, count
    )


def _dead(
    cam: CamData, segments: Segments, outside_deg: np.ndarray, still: float
) -> tuple[float | None, float, float]:
    known = cam.running & np.isfinite(cam.command_at_actual)
    t, a, c = cam.actual_time_s[known], cam.actual_deg[known], cam.command_at_actual[known]
    if len(t) < 2:
        return None, 0.0, 0.0
    tile = (t / TILE_S).astype(np.int64)
    first = np.concatenate([[0], np.flatnonzero(np.diff(tile)) + 1])
    number = tile[first]
    away = np.nan_to_num(np.abs(outside_deg[known])) > AWAY_DEG
    away_s = np.add.reduceat(np.where(away, segments.duration_s[known], 0.0), first)
    low_a, high_a = np.minimum.reduceat(a, first), np.maximum.reduceat(a, first)
    low_c, high_c = np.minimum.reduceat(c, first), np.maximum.reduceat(c, first)
    total = np.concatenate([[0.0], np.cumsum(away_s)])
    share, count, dead_s, length = None, 0.0, 0.0, 1
    while length <= min(LONGEST_TILES, len(first)):
        whole = number[length - 1 :] - number[: len(number) - length + 1] < length * (1.0 + BROKEN_SHARE)
        moved, asked = high_a - low_a, high_c - low_c
        if length >= 2:
            dead = whole & (moved <= still) & (asked >= COMMAND_MOVED_DEG)
            if dead.any():
                within = total[length:] - total[:-length]
                dead_s = max(dead_s, float(within[dead].max()))
        if length == WINDOW_TILES:
            wanted = whole & (asked >= COMMAND_MOVED_DEG)
            count = float(wanted.sum()) / WINDOW_TILES
            if wanted.any():
                share = float(np.mean(moved[wanted] <= np.maximum(still, ANSWERED_SHARE * asked[wanted])))
        if len(low_a) <= length:
            break
        low_a, high_a = np.minimum(low_a[:-length], low_a[length:]), np.maximum(high_a[:-length], high_a[length:])
        low_c, high_c = np.minimum(low_c[:-length], low_c[length:]), np.maximum(high_c[:-length], high_c[length:])
        length *= 2
    return share, count, dead_s


def _stops(cam: CamData, segments: Segments) -> tuple[float | None, int, float]:
    a, error = cam.actual_deg, cam.error_deg
    settled = segments.settled & np.isfinite(error)
    if not settled.any():
        return None, 0, 0.0
    low, high = np.quantile(a[cam.running] if cam.running.any() else a, [0.005, 0.995])
    away = settled & (np.abs(error) > AWAY_DEG)
    away_s = float(np.sum(segments.duration_s[away]))
    if high - low < COMMAND_MOVED_DEG or away_s <= 0.0:
        return None, 0, away_s
    at_stop = away & (
        ((error < 0) & (a >= high - STOP_BAND_DEG)) | ((error > 0) & (a <= low + STOP_BAND_DEG))
    )
    return (
        float(np.sum(segments.duration_s[at_stop])) / away_s,
        len(np.unique(segments.segment[at_stop])),
        away_s,
    )


def _quiet_s(cam: CamData, segments: Segments) -> float | None:
    """Seconds driven above idle after the command's last move, where it had been used before."""
    speed = cam.speed_at(cam.actual_time_s)
    if np.isnan(speed).all():
        return None
    command = cam.command_at_actual
    known = np.isfinite(command) & cam.running
    driving = known & (speed > DRIVING_RPM)
    if not driving.any():
        return 0.0
    last = float(command[known][-1])
    moved = np.flatnonzero(known & (np.abs(command - last) > GIVEN_UP_SPAN_DEG))
    if not len(moved):
        return 0.0
    after = np.arange(len(command)) > moved[-1]
    used = driving & ~after & ~rest_commanded(cam)
    used_s = float(np.sum(segments.duration_s[used]))
    driven_s = float(np.sum(segments.duration_s[driving & ~after]))
    if used_s < MIN_USED_S and used_s < USED_SHARE * driven_s:
        return 0.0
    return float(np.sum(segments.duration_s[driving & after]))


def _repeats(cam: CamData) -> tuple[float | None, int]:
    """Share and number of the readings after a visible move of the command at which the actual equals it exactly.

    Coarse counts agree by chance: the command must have moved by several of them, and the readings of a steady command
    must agree as well.
    """
    command, actual = cam.command_at_actual, cam.actual_deg
    known = np.isfinite(command)
    if known.sum() < 2:
        return None, 0
    least = max(REPEATS_MOVE_DEG, REPEATS_COUNTS * cam.command_step_deg)
    moved = np.zeros(len(command), dtype=bool)
    moved[1:] = known[1:] & known[:-1] & (np.abs(np.diff(np.nan_to_num(command))) >= least)
    count = int(moved.sum())
    if not count:
        return None, 0
    same = actual == command
    return min(float(np.mean(same[moved])), float(np.mean(same[known]))), count
