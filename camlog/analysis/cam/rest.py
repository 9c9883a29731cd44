"""Rest: where the cam stands when it is told to rest, and the first seconds after a start.

At rest the phaser is locked, so the reading shows mechanical timing (chain and sprockets) with nothing to correct
it; while the cam is being moved the control loop may trim an offset out, and an end stop shows it again. One
crank-sprocket tooth of N is 360/N crank degrees; elongation e over n loaded links turns the cam by e n / N
360 crank degrees.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.coldstart import ColdStart, measure_cold_start
from camlog.analysis.cam.segments import REST_BAND_DEG, Segments, by_window, rest_commanded, steady_segments
from camlog.analysis.cam.tracking import settled_blocks, unresolved
from camlog.analysis.estimate import Estimate, missing, ratio, root_mean_square
from camlog.limits import LIMITS, Limit
from camlog.oil_windows import OilWindow, Windows

if TYPE_CHECKING:
    from camlog.profile.model import Engine

IDLE_RPM = 1200.0
OFF_REST_DEG = 5.0
MIN_REST_READINGS = 5
MIN_REST_S = 2.0
# A stop shows mechanical timing only while the valve pushes against it with all it has.
STOP_BAND_DEG = 1.0
SATURATED_LOW_PCT, SATURATED_HIGH_PCT = 5.0, 95.0
# Rest visits whose means differ by less than this agree, whatever their intervals.
SAME_OFFSET_DEG = 1.0


@dataclass(frozen=True, slots=True)
class StopOffset:
    """Actual minus the end of the travel at `limit_deg`, with the command there; `saturated` None without
    duty."""

    limit_deg: float
    offset_deg: Estimate
    saturated: bool | None


@dataclass(frozen=True, slots=True)
class Rest:
    """Rest offset of one cam, crankshaft degrees, advance positive.

    `offset_deg` at warm idle commanded to rest; `conditions` says in words what was not known or not met for
    that. `spread_deg` is the standard deviation between the visits to rest (`visits`): mechanical timing gives the
    same offset every time, a cam that sticks does not. `teeth` the offset in crank-sprocket teeth,
    `nearest_teeth` rounded; `chain_elongation_percent` the elongation that would turn the cam that far (a
    longer chain retards: an advanced cam is not explained by it). `held_offset_deg` is the error while held
    off rest, `shift_deg` how far the rest position moved once within the drive, `trimmed` whether control takes the offset out. `stops` the offsets at the ends of the travel,
    `beyond_range_deg` how far the cam was ever steadily read outside its travel. `flutter_rms_deg` at warm
    rest.
    """

    offset_deg: Estimate
    spread_deg: float | None
    visits: int
    conditions: str
    teeth: Estimate
    nearest_teeth: int | None
    chain_elongation_percent: Estimate
    held_offset_deg: Estimate
    trimmed: bool | None
    stops: tuple[StopOffset, ...]
    beyond_range_deg: float | None
    flutter_rms_deg: Estimate
    cold_start: ColdStart
    consistent: bool | None
    shift_deg: Estimate
    windows: tuple[tuple[OilWindow, Estimate], ...] = ()


def measure_rest(
    cam: CamData,
    windows: Windows | Iterable[OilWindow] | None = None,
    limits: Mapping[str, Limit] = LIMITS,
    *,
    engine: Engine | None = None,
    segments: Segments | None = None,
) -> Rest:
    """Measure the rest offset, per oil window too, and the cold start; `engine` gives teeth and links."""
    segments = segments or steady_segments(cam)
    t = cam.actual_time_s
    at_rest = segments.settled & rest_commanded(cam)
    speed, oil = cam.speed_at(t), cam.oil_temp_at_actual
    warm = oil >= limits["warm_oil_degc"].value
    idle = at_rest & ~(speed > IDLE_RPM)
    notes = []
    if np.isnan(speed).all():
        notes.append("engine speed unknown: not only at idle")
    if np.isnan(oil).all():
        notes.append("oil temperature unknown: not only warm")
        warm = np.ones(len(t), dtype=bool)
    elif cam.oil_source == "coolant_temp":
        notes.append("coolant stands in for oil temperature")
    chosen = idle & warm
    offset = _offset(cam, segments, chosen, at_rest, idle)
    visits = _visit_means(cam, segments, chosen) if offset else np.empty(0)
    per_window = tuple(
        (w, _offset(cam, segments, idle & mask, at_rest, idle)) for w, mask in by_window(cam, windows)
    )
    off_rest = segments.settled & (np.abs(cam.command_at_actual - cam.rest_deg) >= OFF_REST_DEG)
    held = _mean(cam, segments, off_rest, cam.error_deg, "the cam was never held away from rest")
    teeth, nearest, elongation = geometry(offset, engine)
    return Rest(
        offset_deg=offset,
        spread_deg=float(np.std(visits, ddof=1)) if len(visits) > 1 else None,
        visits=len(visits),
        conditions="; ".join(notes),
        teeth=teeth,
        nearest_teeth=nearest,
        chain_elongation_percent=elongation,
        held_offset_deg=held,
        trimmed=_differs(offset, held),
        stops=tuple(_stops(cam, segments)),
        beyond_range_deg=_beyond_range(cam, segments),
        flutter_rms_deg=_flutter(cam, segments, chosen),
        cold_start=measure_cold_start(cam, rest_commanded(cam), limits["cold_oil_degc"].value),
        consistent=_consistent([estimate for _, estimate in per_window]),
        shift_deg=_shift(_visit_means(cam, segments, at_rest)),
        windows=per_window,
    )


def geometry(offset_deg: Estimate, engine: Engine | None) -> tuple[Estimate, int | None, Estimate]:
    """An offset in crank-sprocket teeth, the nearest whole number of them, and as chain elongation in
    percent."""
    sprocket = engine.crank_sprocket_teeth if engine is not None else None
    links = engine.loaded_chain_links if engine is not None else None
    if offset_deg.value is None:
        return missing(offset_deg.reason), None, missing(offset_deg.reason)
    if not sprocket:
        reason = "the vehicle profile does not give crank_sprocket_teeth"
        return missing(reason), None, missing(reason)
    teeth = _scaled(offset_deg, sprocket / 360.0)
    nearest = round(teeth.value)
    if not links:
        return teeth, nearest, missing("the vehicle profile does not give loaded_chain_links")
    # Elongation is a length: its size whatever the direction, which the offset's sign tells.
    percent = _scaled(offset_deg, np.sign(offset_deg.value or 1.0) * sprocket / (360.0 * links) * 100.0)
    return teeth, nearest, percent


def _scaled(estimate: Estimate, factor: float) -> Estimate:
    interval = estimate.interval
    ends = (None, None) if interval is None else sorted((interval[0] * factor, interval[1] * factor))
    return Estimate(float(estimate.value * factor), ends[0], ends[1], estimate.count, estimate.reason)


def _offset(
    cam: CamData, segments: Segments, chosen: np.ndarray, at_rest: np.ndarray, idle: np.ndarray
) -> Estimate:
    if chosen.any():
        reason = ""
    elif not at_rest.any():
        reason = "the cam was never commanded to rest for long enough"
    elif not idle.any():
        reason = "the cam was commanded to rest only above idle speed"
    else:
        reason = "the cam was commanded to rest at idle only at another oil temperature"
    return _mean(cam, segments, chosen, cam.actual_deg - cam.rest_deg, reason)


def _mean(cam: CamData, segments: Segments, keep: np.ndarray, value: np.ndarray, reason: str) -> Estimate:
    keep = keep & np.isfinite(value)
    count, seconds = int(np.sum(keep)), float(np.sum(segments.duration_s[keep]))
    if count < MIN_REST_READINGS or seconds < MIN_REST_S:
        return missing(reason or f"only {count} readings in {seconds:.1f} s", count)
    blocks = settled_blocks(cam, segments, keep)
    mean = ratio(blocks.sum(value[keep]), blocks.size.astype(float))
    return unresolved(mean, value[keep], blocks, cam.actual_step_deg)


def _visit_means(cam: CamData, segments: Segments, keep: np.ndarray) -> np.ndarray:
    number = segments.segment[keep]
    _, visit = np.unique(number, return_inverse=True)
    size = np.bincount(visit)
    means = np.bincount(visit, cam.actual_deg[keep]) / size
    return means[size >= MIN_REST_READINGS]


def _shift(means: np.ndarray) -> Estimate:
    """How far the rest position moved once for good within the drive: the best single step through the visits' means.

    Known as well as the visits before and after agree among themselves.
    """
    if len(means) < 2:
        return missing("fewer than two visits to rest", len(means))
    best = None
    for split in range(1, len(means)):
        before, after = means[:split], means[split:]
        left = float(np.sum((before - before.mean()) ** 2) + np.sum((after - after.mean()) ** 2))
        if best is None or left < best[0]:
            best = (left, float(after.mean() - before.mean()))
    left, shift = best
    half = 2.0 * (max(left, 0.01 * len(means)) / max(len(means) - 2, 1)) ** 0.5
    return Estimate(shift, shift - half, shift + half, len(means))


def _flutter(cam: CamData, segments: Segments, keep: np.ndarray) -> Estimate:
    if np.sum(keep) < MIN_REST_READINGS:
        return missing("no readings at warm rest")
    blocks = settled_blocks(cam, segments, keep)
    value = cam.actual_deg[keep]
    value = value - blocks.spread(blocks.sum(value) / blocks.size)
    freedom = np.maximum(blocks.size - 1.0, 0.0)
    if freedom.sum() < MIN_REST_READINGS - 1:
        return missing("too few readings at warm rest")
    return root_mean_square(blocks.sum(value**2), freedom, cam.actual_step_deg**2 / 12.0)


def _differs(offset: Estimate, held: Estimate) -> bool | None:
    if offset.interval is None or held.interval is None:
        return None
    apart = offset.low > held.high or held.low > offset.high
    return bool(apart and abs(offset.value - held.value) > SAME_OFFSET_DEG)


def _consistent(offsets: list[Estimate]) -> bool | None:
    """True where the windows' offsets agree, False where two surely differ, None with fewer than two."""
    known = [e for e in offsets if e.interval is not None]
    if len(known) < 2:
        return None
    return not any(_differs(a, b) for i, a in enumerate(known) for b in known[i + 1 :])


def _stops(cam: CamData, segments: Segments) -> Iterable[StopOffset]:
    if cam.range_deg is None:
        return
    duty = cam.duty_at(cam.actual_time_s)
    full = (duty <= SATURATED_LOW_PCT) | (duty >= SATURATED_HIGH_PCT)
    known = np.isfinite(duty).any()
    for limit in cam.range_deg:
        if abs(limit - cam.rest_deg) <= REST_BAND_DEG:
            continue
        here = segments.settled & (np.abs(cam.command_at_actual - limit) <= STOP_BAND_DEG)
        if known:
            here &= full
        reason = "never commanded to this end of the travel" + (" with the valve fully open" if known else "")
        yield StopOffset(
            float(limit), _mean(cam, segments, here, cam.actual_deg - limit, reason), True if known else None
        )


def _beyond_range(cam: CamData, segments: Segments) -> float | None:
    """How far outside its travel the cam was read, steadily (1 % of the settled readings), signed; 0
    inside."""
    settled = cam.actual_deg[segments.settled]
    if cam.range_deg is None or len(settled) < MIN_REST_READINGS:
        return None
    low, high = np.quantile(settled, [0.01, 0.99])
    above, below = max(high - cam.range_deg[1], 0.0), min(low - cam.range_deg[0], 0.0)
    return float(above if above >= -below else below)
