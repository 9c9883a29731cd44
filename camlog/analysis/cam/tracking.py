"""Tracking: how near the cam is to its command once it has had time to arrive.

Bias, root mean square and 95th percentile use settled readings only. Lasting errors follow the usual OBD shape, "more
than X degrees for more than Y seconds" (common practice, no source). They are searched for over the whole drive as the
distance outside everything commanded in the last second, so that a lag never counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import (
    FINE_BLOCK_S,
    envelope_error,
    rest_commanded,
    settled_blocks,
    settled_noise_deg,
    steady_segments,
)
from camlog.analysis.estimate import Blocks, Estimate, blocks_of, lacking, quantile, ratio, root_mean_square, say
from camlog.limits import LIMITS, Limit
from camlog.oil_windows import OilWindow

MIN_SETTLED_READINGS = 5


@dataclass(frozen=True, slots=True)
class Excursions:
    """Errors beyond the limit: `lasting` is the number of long ones and `time_over_limit_s` their total time,
    `beyond_s` the time of all, `longest_s` of the longest, `watched_s` the time in which the error was known. None,
    with a `reason`, where it never was."""

    time_over_limit_s: float | None = None
    lasting: int = 0
    beyond_s: float | None = None
    longest_s: float | None = None
    watched_s: float = 0.0
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Tracking:
    """Error (actual minus command, degrees) over the drive and in each oil window that occurred. `bias_deg`, `rms_deg`,
    `p95_abs_deg` over `settled_s` of settled readings; `moving_rms_deg` over the others."""

    bias_deg: Estimate
    rms_deg: Estimate
    p95_abs_deg: Estimate
    moving_rms_deg: Estimate
    excursions: Excursions
    settled_s: float
    windows: tuple[tuple[OilWindow, Tracking], ...] = ()


def measure_tracking(cam: CamData, limits: Mapping[str, Limit] = LIMITS) -> Tracking:
    """Measure tracking; `limits` gives `hold_error_deg` and `hold_error_time_s`."""
    whole = _measure(cam, np.ones(len(cam.actual_deg), dtype=bool), limits)
    return replace(whole, windows=tuple((w, _measure(cam, mask, limits)) for w, mask in cam.by_window))


def _measure(cam: CamData, mask: np.ndarray, limits: Mapping[str, Limit]) -> Tracking:
    settled = steady_segments(cam).settled & mask
    moving = ~steady_segments(cam).settled & mask & cam.known
    count = int(np.sum(settled))
    if count < MIN_SETTLED_READINGS:
        bias = rms = p95 = lacking("settled" if count else "steady", count)
    else:
        e, blocks = cam.error_deg[settled], settled_blocks(cam, settled)
        bias = mean_of(e, blocks, cam.actual_step_deg)
        rms = root_mean_square(blocks.sum(e**2), blocks.size.astype(float))
        p95 = quantile(np.abs(e), blocks, 0.95)
    if np.sum(moving) < MIN_SETTLED_READINGS:
        moving_rms = lacking("moved")
    else:
        blocks = blocks_of((cam.actual_time_s[moving] / FINE_BLOCK_S).astype(np.int64))
        moving_rms = root_mean_square(blocks.sum(cam.error_deg[moving] ** 2), blocks.size.astype(float))
    return Tracking(bias, rms, p95, moving_rms, _excursions(cam, mask, limits), cam.seconds(settled))


def mean_of(value: np.ndarray, blocks: Blocks, step: float) -> Estimate:
    """Mean of readings (n,) in `blocks`. Where they stand still, half a count `step` is added to the interval: moving
    readings average the rounding error out, a still one repeats it."""
    mean = ratio(blocks.sum(value), blocks.size.astype(float))
    if mean.interval is None or step <= 0:
        return mean
    spread = float(np.sqrt(np.mean(blocks.centred(value) ** 2)))
    return mean.widened(max(0.5 * step - spread, 0.0))


def lasting_error(cam: CamData, limits: Mapping[str, Limit]) -> np.ndarray:
    """True (n,) in the errors beyond the limit that lasted long enough to count."""
    side, runs, lasted = _errors(cam, cam.running, limits)
    return (side != 0) & runs.spread(lasted > limits["hold_error_time_s"].value)


def _errors(cam: CamData, where: np.ndarray, limits: Mapping[str, Limit]) -> tuple[np.ndarray, Blocks, np.ndarray]:
    """The side (n,) on which the cam is beyond the limit outside its command's envelope, the runs of one side, and the
    duration (s) of each run."""
    outside_deg, t = np.nan_to_num(envelope_error(cam)), cam.actual_time_s
    side = np.where(where & (np.abs(outside_deg) > limits["hold_error_deg"].value), np.sign(outside_deg), 0.0)
    # One label a run: the unbroken stretch of readings it lies in, and the side.
    stretch = np.cumsum(np.diff(t, prepend=t[0]) > cam.actual_max_gap_s)
    runs = blocks_of(3.0 * stretch + side)
    return side, runs, runs.lasted(t)


def _excursions(cam: CamData, mask: np.ndarray, limits: Mapping[str, Limit]) -> Excursions:
    """Runs of readings whose error beyond the command's envelope exceeds the limit on one side."""
    known = np.isfinite(envelope_error(cam)) & mask & cam.running
    if not known.any():
        return Excursions(reason=say("missing.together"))
    side, runs, lasted = _errors(cam, known, limits)
    lasted = lasted[side[runs.starts] != 0]
    lasting = lasted[lasted > limits["hold_error_time_s"].value]
    return Excursions(
        time_over_limit_s=float(np.sum(lasting)),
        lasting=len(lasting),
        beyond_s=cam.seconds(side != 0),
        longest_s=float(lasted.max(initial=0.0)),
        watched_s=cam.seconds(known),
    )


TILE_S = 1.0
# Windows of tiles: the shortest is long enough for any working phaser to move; then doubled up to LONGEST_TILES.
WINDOW_TILES, LONGEST_TILES = 8, 1024
# Largest share of missing tiles in a window; with more the window is not used.
BROKEN_SHARE = 0.5
COMMAND_MOVED_DEG = 5.0
AWAY_DEG = 3.0
STILL_MIN_DEG, STILL_SIGMAS, STILL_COUNTS = 0.8, 6.0, 2.0
# A cam that covers this share of its command's move or less did not follow it.
ANSWERED_SHARE = 0.15
STOP_BAND_DEG = 1.0
TRAVEL_SHARES = (0.005, 0.995)  # quantiles that bound the travel, so that single spikes do not count
DRIVING_RPM = 1200.0
GIVEN_UP_SPAN_DEG = 1.0
USED_SHARE, MIN_USED_S = 0.15, 20.0
REPEATS_MOVE_DEG, REPEATS_COUNTS = 1.0, 3.0


@dataclass(frozen=True, slots=True)
class Motion:
    """How far the cam moved, compared with its command.

    `dead_share` is the share of the 8 s windows with a moving command (`windows`, overlapping ones counted once) in
    which the cam did not move; `dead_s` the longest time it stood away from a moving command. `stop_share` is the
    share of the time away from a steady command (`away_s`) at which it stood at the end of its travel with the command
    beyond. `quiet_s` is the time driven after the command's last move, if it had moved before (None: engine speed
    unknown). `repeats_share` is the share of the `repeats_count` readings after a move of the command at which the
    actual equals it digit for digit. `command_span_deg` and `actual_span_deg` are the travel of command and cam,
    without spikes."""

    dead_share: float | None
    windows: float
    dead_s: float
    stop_share: float | None
    away_s: float
    quiet_s: float | None
    repeats_share: float | None
    repeats_count: int
    command_span_deg: float
    actual_span_deg: float


def span(angle_deg: np.ndarray) -> float:
    """How far an angle (n,) travelled (deg), without single spikes."""
    return float(np.ptp(np.quantile(angle_deg, TRAVEL_SHARES)))


def measure_motion(cam: CamData) -> Motion:
    spans = (span(angle) for angle in (cam.command_deg, cam.actual_deg))
    return Motion(*_dead(cam), *_stops(cam), _quiet_s(cam), *_repeats(cam), *spans)


def _dead(cam: CamData) -> tuple[float | None, float, float]:
    t, known = cam.actual_time_s[cam.known], cam.known
    if len(t) < 2:
        return None, 0.0, 0.0
    still_deg = max(STILL_MIN_DEG, STILL_SIGMAS * settled_noise_deg(cam), STILL_COUNTS * cam.actual_step_deg)
    tile = (t / TILE_S).astype(np.int64)
    tiles = blocks_of(tile)
    away = np.nan_to_num(np.abs(envelope_error(cam)[known])) > AWAY_DEG
    away_s = np.cumsum(np.append(0.0, tiles.sum(np.where(away, cam.duration_s[known], 0.0))))
    # Lowest and highest of the cam (row 0) and of its command (row 1) in windows of 1, 2, 4, ... tiles.
    angles = np.stack([cam.actual_deg[known], cam.command_at_actual[known]])
    low = np.minimum.reduceat(angles, tiles.starts, axis=1)
    high = np.maximum.reduceat(angles, tiles.starts, axis=1)
    number, share, count, dead_s, length = tile[tiles.starts], None, 0.0, 0.0, 1
    while length <= min(LONGEST_TILES, len(number)):
        unbroken = number[length - 1 :] - number[: len(number) - length + 1] < length * (1.0 + BROKEN_SHARE)
        moved, command_range = high - low
        commanded = unbroken & (command_range >= COMMAND_MOVED_DEG)
        if length >= 2:
            dead = (away_s[length:] - away_s[:-length])[commanded & (moved <= still_deg)]
            dead_s = max(dead_s, float(dead.max(initial=0.0)))
        if length == WINDOW_TILES and commanded.any():
            count = float(commanded.sum()) / WINDOW_TILES
            share = float(np.mean(moved[commanded] <= np.maximum(still_deg, ANSWERED_SHARE * command_range[commanded])))
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
    """Seconds driven above idle after the command's last move, if it had been used before."""
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
    """Share of readings at which the actual equals the command exactly, and number of readings after a visible move
    of the command. Coarse counts agree by chance: the move must span several, and steady readings must agree too."""
    command = cam.command_at_actual
    known = np.isfinite(command)
    least = max(REPEATS_MOVE_DEG, REPEATS_COUNTS * cam.command_step_deg)
    moved = np.append(False, np.abs(np.diff(command)) >= least)
    if not moved.any():
        return None, 0
    same = cam.actual_deg == command
    return min(float(np.mean(same[moved])), float(np.mean(same[known]))), int(moved.sum())
