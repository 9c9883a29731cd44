"""Tracking: how near the cam is to its command where it has had time to arrive.

Bias, root mean square and 95th percentile rest on settled readings only. Lasting errors follow the usual OBD
shape, "more than X degrees for more than Y seconds" (common practice, no source), and are looked for over the
whole drive as the distance outside everything commanded in the last second, so that a lag never counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import (
    CommandGrid,
    Segments,
    by_window,
    command_grid,
    envelope_error,
    steady_segments,
)
from camlog.analysis.estimate import Blocks, Estimate, blocks_of, missing, quantile, ratio, root_mean_square
from camlog.limits import LIMITS, Limit
from camlog.oil_windows import OilWindow, Windows

MIN_SETTLED_READINGS = 5
NOT_SETTLED = "the command was never steady long enough for a healthy phaser to arrive"
# With fewer blocks than this an interval would rest on almost nothing: blocks are cut finer.
FEW_BLOCKS = 8
FINE_BLOCK_S = 3.0


@dataclass(frozen=True, slots=True)
class Excursions:
    """Errors beyond `limit_deg`, over the whole drive.

    `time_over_limit_s` is the time in excursions that lasted more than `limit_time_s`, `lasting` their
    number; `beyond_s` the time beyond the limit however short; `longest_s` the longest excursion. All None,
    with a `reason`, where the error was never known.
    """

    limit_deg: float
    limit_time_s: float
    time_over_limit_s: float | None
    lasting: int = 0
    beyond_s: float | None = None
    longest_s: float | None = None
    watched_s: float = 0.0
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Tracking:
    """Error (actual minus command, degrees) of one cam.

    `bias_deg`, `rms_deg` and `p95_abs_deg` over settled readings; `moving_rms_deg` over all others, where lag
    counts. `settled_s` and `readings` say what the first three rest on. `windows` holds the same for each oil
    window that occurred.
    """

    bias_deg: Estimate
    rms_deg: Estimate
    p95_abs_deg: Estimate
    moving_rms_deg: Estimate
    excursions: Excursions
    settled_s: float
    readings: int
    windows: tuple[tuple[OilWindow, Tracking], ...] = ()


def measure_tracking(
    cam: CamData,
    windows: Windows | Iterable[OilWindow] | None = None,
    limits: Mapping[str, Limit] = LIMITS,
    *,
    grid: CommandGrid | None = None,
    segments: Segments | None = None,
) -> Tracking:
    """Measure tracking over the whole drive and in each oil window.

    `limits` gives `hold_error_deg` and `hold_error_time_s`. `grid` and `segments` may be handed in where they
    are known already.
    """
    grid = grid or command_grid(cam)
    segments = segments or steady_segments(cam, grid)
    outside = envelope_error(cam, grid)
    whole = _measure(cam, segments, outside, np.ones(len(cam.actual_deg), dtype=bool), limits)
    return replace(
        whole,
        windows=tuple(
            (w, _measure(cam, segments, outside, mask, limits)) for w, mask in by_window(cam, windows)
        ),
    )


def _measure(
    cam: CamData, segments: Segments, outside: np.ndarray, mask: np.ndarray, limits: Mapping[str, Limit]
) -> Tracking:
    error = cam.error_deg
    settled = segments.settled & mask & np.isfinite(error)
    moving = ~segments.settled & mask & np.isfinite(error) & cam.running
    count = int(np.sum(settled))
    if count < MIN_SETTLED_READINGS:
        bias = rms = p95 = missing(NOT_SETTLED if count == 0 else f"only {count} settled readings", count)
    else:
        e = error[settled]
        blocks = settled_blocks(cam, segments, settled)
        size = blocks.size.astype(float)
        bias = unresolved(ratio(blocks.sum(e), size), e, blocks, cam.actual_step_deg)
        rms = root_mean_square(blocks.sum(e**2), size)
        p95 = quantile(np.abs(e), blocks, 0.95)
    if np.sum(moving) < MIN_SETTLED_READINGS:
        moving_rms = missing("the command hardly moved")
    else:
        e = error[moving]
        blocks = blocks_of((cam.actual_time_s[moving] / FINE_BLOCK_S).astype(np.int64))
        moving_rms = root_mean_square(blocks.sum(e**2), blocks.size.astype(float))
    return Tracking(
        bias_deg=bias,
        rms_deg=rms,
        p95_abs_deg=p95,
        moving_rms_deg=moving_rms,
        excursions=find_excursions(cam, outside, mask, segments.duration_s, limits),
        settled_s=float(np.sum(segments.duration_s[settled])),
        readings=count,
    )


def settled_blocks(cam: CamData, segments: Segments, keep: np.ndarray) -> Blocks:
    """Blocks of the kept readings: a segment, or pieces of it where there are few segments.

    The error depends on where the cam is held, so readings of one segment are alike and one segment is one
    block; a drive of few segments leaves no choice but to cut them.
    """
    by_segment = blocks_of(segments.segment[keep])
    if len(by_segment.size) >= FEW_BLOCKS:
        return by_segment
    by_block = blocks_of(segments.block[keep])
    if len(by_block.size) >= FEW_BLOCKS:
        return by_block
    seconds = float(np.sum(segments.duration_s[keep]))
    fine = (cam.actual_time_s[keep] / max(FINE_BLOCK_S, seconds / FEW_BLOCKS)).astype(np.int64)
    return blocks_of(segments.block[keep] * (int(fine.max(initial=0)) + 1) + fine)


def unresolved(mean: Estimate, value: np.ndarray, blocks: Blocks, step: float) -> Estimate:
    """`mean` of readings (n,) with its interval widened by half a count where the readings hardly leave one
    count.

    Readings that move over several counts average the rounding out; a still one repeats the same rounding
    error.
    """
    if mean.interval is None or step <= 0:
        return mean
    centre = blocks.spread(blocks.sum(value) / blocks.size)
    spread = float(np.sqrt(np.mean((value - centre) ** 2)))
    half = 0.5 * step * max(1.0 - spread / (0.5 * step), 0.0)
    return replace(mean, low=mean.low - half, high=mean.high + half)


def find_excursions(
    cam: CamData,
    outside_deg: np.ndarray,
    mask: np.ndarray,
    duration_s: np.ndarray,
    limits: Mapping[str, Limit],
) -> Excursions:
    """Runs of readings whose error beyond the command's envelope (n,) exceeds the limit on one side."""
    limit_deg, limit_time_s = limits["hold_error_deg"].value, limits["hold_error_time_s"].value
    known = np.isfinite(outside_deg) & mask & cam.running
    watched = float(np.sum(duration_s[known]))
    if not known.any():
        return Excursions(
            limit_deg, limit_time_s, None, reason="actual and command were never known together"
        )
    side = np.where(known & (np.abs(outside_deg) > limit_deg), np.sign(outside_deg), 0.0)
    broken = np.diff(cam.actual_time_s) > cam.actual_max_gap_s
    change = np.flatnonzero((np.diff(side) != 0) | broken) + 1
    starts = np.concatenate([[0], change])
    ends = np.append(change, len(side)) - 1
    over = side[starts] != 0
    lasted = cam.actual_time_s[ends[over]] - cam.actual_time_s[starts[over]]
    lasting = lasted > limit_time_s
    return Excursions(
        limit_deg,
        limit_time_s,
        time_over_limit_s=float(np.sum(lasted[lasting])),
        lasting=int(np.sum(lasting)),
        beyond_s=float(np.sum(duration_s[side != 0])),
        longest_s=float(lasted.max(initial=0.0)),
        watched_s=watched,
    )
