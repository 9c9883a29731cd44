"""Tracking: how near the cam is to its command where it has had time to arrive.

Bias, root mean square and 95th percentile rest on settled readings only. Lasting errors follow the usual OBD
shape, "more than X degrees for more than Y seconds" (common practice, no source), and are looked for over the
whole drive as the distance outside everything commanded in the last second, so that a lag never counts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.segments import FINE_BLOCK_S, envelope_error, settled_blocks, steady_segments
from camlog.analysis.estimate import Blocks, Estimate, blocks_of, missing, quantile, ratio, root_mean_square
from camlog.limits import LIMITS, Limit
from camlog.oil_windows import OilWindow

MIN_SETTLED_READINGS = 5
NOT_SETTLED = "the command was never steady long enough for a healthy phaser to arrive"


@dataclass(frozen=True, slots=True)
class Excursions:
    """Errors beyond the limit: `time_over_limit_s` in the `lasting` ones, `beyond_s` however short, the
    longest, all of `watched_s`; None, with a `reason`, where the error was never known."""

    time_over_limit_s: float | None = None
    lasting: int = 0
    beyond_s: float | None = None
    longest_s: float | None = None
    watched_s: float = 0.0
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Tracking:
    """Error (actual minus command, degrees) over the drive and in each oil window that occurred.

    `bias_deg`, `rms_deg`, `p95_abs_deg` over `settled_s` of settled readings; `moving_rms_deg` over the
    others.
    """

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
        bias = rms = p95 = missing(NOT_SETTLED if count == 0 else f"only {count} settled readings", count)
    else:
        e, blocks = cam.error_deg[settled], settled_blocks(cam, settled)
        bias = mean_of(e, blocks, cam.actual_step_deg)
        rms = root_mean_square(blocks.sum(e**2), blocks.size.astype(float))
        p95 = quantile(np.abs(e), blocks, 0.95)
    if np.sum(moving) < MIN_SETTLED_READINGS:
        moving_rms = missing("the command hardly moved")
    else:
        blocks = blocks_of((cam.actual_time_s[moving] / FINE_BLOCK_S).astype(np.int64))
        moving_rms = root_mean_square(blocks.sum(cam.error_deg[moving] ** 2), blocks.size.astype(float))
    return Tracking(bias, rms, p95, moving_rms, _excursions(cam, mask, limits), cam.seconds(settled))


def mean_of(value: np.ndarray, blocks: Blocks, step: float) -> Estimate:
    """Mean of readings (n,) in `blocks`; half a count `step` is added to its interval where they stand still.

    Readings that move over several counts average the rounding out; a still one repeats the same error.
    """
    mean = ratio(blocks.sum(value), blocks.size.astype(float))
    if mean.interval is None or step <= 0:
        return mean
    centre = blocks.spread(blocks.sum(value) / blocks.size)
    spread = float(np.sqrt(np.mean((value - centre) ** 2)))
    half = 0.5 * step * max(1.0 - spread / (0.5 * step), 0.0)
    return replace(mean, low=mean.low - half, high=mean.high + half)


def lasting_error(cam: CamData, limits: Mapping[str, Limit]) -> np.ndarray:
    """True (n,) in the errors beyond the limit that lasted long enough to count."""
    side, runs, lasted = _errors(cam, cam.running, limits)
    return (side != 0) & runs.spread(lasted > limits["hold_error_time_s"].value)


def _errors(cam: CamData, where: np.ndarray, limits: Mapping[str, Limit]) -> tuple[np.ndarray, Blocks, np.ndarray]:
    """On which side (n,) of its command's envelope the cam is beyond the limit, runs of one side, and how long each
    lasted (s)."""
    outside_deg, t = np.nan_to_num(envelope_error(cam)), cam.actual_time_s
    side = np.where(where & (np.abs(outside_deg) > limits["hold_error_deg"].value), np.sign(outside_deg), 0.0)
    # One label a run: the unbroken stretch of readings it lies in, and the side.
    stretch = np.cumsum(np.diff(t, prepend=t[0]) > cam.actual_max_gap_s)
    runs = blocks_of(3.0 * stretch + side)
    return side, runs, t[runs.starts + runs.size - 1] - t[runs.starts]


def _excursions(cam: CamData, mask: np.ndarray, limits: Mapping[str, Limit]) -> Excursions:
    """Runs of readings whose error beyond the command's envelope exceeds the limit on one side."""
    known = np.isfinite(envelope_error(cam)) & mask & cam.running
    if not known.any():
        return Excursions(reason="actual and command were never known together")
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
