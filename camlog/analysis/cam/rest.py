"""Rest: where the cam stands when it is commanded to rest, and its flutter in the first seconds after a start.

At rest the phaser is locked and the reading shows mechanical timing (chain and sprockets) uncorrected. While the cam
moves, the control loop may trim an offset out. One tooth of an N-tooth crank sprocket is 360/N crank degrees.
Elongation e over n loaded links turns the cam by e n / N 360 crank degrees."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import RUNNING_RPM, CamData
from camlog.analysis.cam.segments import rest_commanded, settled_blocks, steady_segments
from camlog.analysis.cam.tracking import mean_of
from camlog.analysis.estimate import Estimate, blocks_of, lacking, missing, root_mean_square, say
from camlog.limits import LIMITS, Limit
from camlog.oil_windows import OilWindow
from camlog.profile import Engine

WATCHED_S = 10.0  # oil pressure builds within a few seconds, so a start rattle is over by then
MIN_READINGS, MIN_WATCHED_S = 8, 2.0
BLOCK_S = 1.0
# A first run time (s) up to this means that the engine was started as the recording began.
FRESH_RUN_TIME_S = 3.0


@dataclass(frozen=True, slots=True)
class ColdStart:
    """Flutter at rest about its mean in the first WATCHED_S after the coldest engine start. `start_s` is the time of
    the start, `temp_degc` the oil temperature (or its stand-in) then, `cold` whether that is cold. None: unknown."""

    flutter_rms_deg: Estimate
    start_s: float | None = None
    temp_degc: float | None = None
    cold: bool | None = None


def measure_cold_start(cam: CamData, cold_below_degc: float) -> ColdStart:
    """Flutter while commanded to rest just after the coldest engine start."""
    starts = _engine_starts(cam)
    if not len(starts):
        return ColdStart(lacking("start"))
    degc = cam.oil.at(starts)
    flutters = []
    for k in np.argsort(degc, kind="stable"):
        start, temp = float(starts[k]), float(degc[k])
        temperature = (None, None) if np.isnan(temp) else (temp, temp < cold_below_degc)
        flutters.append(ColdStart(_start_flutter(cam, start), start, *temperature))
    return next((start for start in flutters if start.flutter_rms_deg), flutters[0])


def _engine_starts(cam: CamData) -> np.ndarray:
    runs = cam.speed_rpm >= RUNNING_RPM
    starts = list(cam.speed_time_s[1:][runs[1:] & ~runs[:-1]])
    if len(cam.run_time_s):
        # The counter runs in whole seconds, so the start is known to a second only.
        fresh = (cam.run_time_s <= FRESH_RUN_TIME_S) & (np.diff(cam.run_time_s, prepend=np.inf) < 0)
        first = min(cam.actual_time_s[0], cam.command_time_s[0])
        for start in cam.run_time_time_s[fresh] - cam.run_time_s[fresh]:
            if not any(abs(start - earlier) < 2.0 * FRESH_RUN_TIME_S for earlier in starts):
                starts.append(max(start, first))
    return np.sort(np.asarray(starts, dtype=float))


def _start_flutter(cam: CamData, start_s: float) -> Estimate:
    t, at_rest = cam.actual_time_s, rest_commanded(cam)
    after = (t >= start_s) & (t <= start_s + WATCHED_S) & cam.running
    moved = after & ~at_rest & np.isfinite(cam.command_at_actual)
    if moved.any():
        # Readings after the cam was commanded away, or while it returns, say nothing about the lock pin.
        after &= t < t[moved][0]
    keep = after & at_rest
    if np.sum(keep) < MIN_READINGS or t[keep][-1] - t[keep][0] < MIN_WATCHED_S:
        return lacking("after_start", int(np.sum(keep)))
    square = (cam.actual_deg[keep] - np.mean(cam.actual_deg[keep])) ** 2
    blocks = blocks_of(((t[keep] - start_s) / BLOCK_S).astype(np.int64))
    freedom = blocks.size * (1.0 - 1.0 / len(square))
    return root_mean_square(blocks.sum(square), freedom, cam.actual_step_deg**2 / 12.0)


IDLE_RPM = 1200.0
OFF_REST_DEG = 5.0
MIN_REST_READINGS, MIN_REST_S = 5, 2.0


@dataclass(frozen=True, slots=True)
class Rest:
    """Rest offset of one cam, crankshaft degrees, advance positive.

    `offset_deg` is taken at warm idle while commanded to rest; `conditions` says which of these was unknown.
    `spread_deg` is the standard deviation between the `visits` to rest: mechanical timing gives the same offset every
    time. `teeth` is the offset in crank-sprocket teeth, `nearest_teeth` the same rounded, `chain_elongation_percent`
    the elongation that would turn the cam that far. `held_offset_deg` is the error while held off rest, `shift_deg`
    how far the rest position moved within the drive, `beyond_range_deg` how far outside its travel the cam was
    steadily read, `flutter_rms_deg` the flutter at warm rest."""

    offset_deg: Estimate
    spread_deg: float | None
    visits: int
    conditions: str
    teeth: Estimate
    nearest_teeth: int | None
    chain_elongation_percent: Estimate
    held_offset_deg: Estimate
    beyond_range_deg: float | None
    flutter_rms_deg: Estimate
    cold_start: ColdStart
    shift_deg: Estimate
    windows: tuple[tuple[OilWindow, Estimate], ...] = ()


def measure_rest(cam: CamData, limits: Mapping[str, Limit] = LIMITS, engine: Engine | None = None) -> Rest:
    """Measure the rest offset, per oil window too, and the cold start; `engine` gives teeth and links."""
    speed, oil = cam.speed_at(cam.actual_time_s), cam.oil.at(cam.actual_time_s)
    settled = steady_segments(cam).settled
    at_rest = settled & rest_commanded(cam)
    idle = at_rest & ~(speed > IDLE_RPM)
    warm_idle, notes = idle & (oil >= limits["warm_oil_degc"].value), []
    if np.isnan(speed).all():
        notes.append(say("rest.speed_unknown"))
    if np.isnan(oil).all():
        notes.append(say("rest.oil_unknown"))
        warm_idle = idle
    elif cam.oil.source == "coolant_temp":
        notes.append(say("rest.coolant"))
    reason = "other_oil"
    if not idle.any():
        reason = "above_idle"
    if not at_rest.any():
        reason = "rest"
    offset = _mean(cam, warm_idle, cam.actual_deg, reason)
    visits = _visit_means(cam, warm_idle) if offset else np.empty(0)
    off_rest = settled & (np.abs(cam.command_at_actual) >= OFF_REST_DEG)
    held = _mean(cam, off_rest, cam.error_deg, "off_rest")
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
        beyond_range_deg=_beyond_range(cam, settled),
        flutter_rms_deg=_flutter(cam, warm_idle),
        cold_start=measure_cold_start(cam, limits["cold_oil_degc"].value),
        shift_deg=_shift(_visit_means(cam, at_rest)),
        windows=tuple((w, _mean(cam, idle & mask, cam.actual_deg, reason)) for w, mask in cam.by_window),
    )


def geometry(offset_deg: Estimate, engine: Engine | None) -> tuple[Estimate, int | None, Estimate]:
    """An offset in crank-sprocket teeth, in whole teeth, and as chain elongation in percent."""
    sprocket = engine.crank_sprocket_teeth if engine is not None else None
    links = engine.loaded_chain_links if engine is not None else None
    if offset_deg.value is None or not sprocket:
        unknown = missing(offset_deg.reason) if offset_deg.reason else lacking("sprocket")
        return unknown, None, unknown
    teeth, nearest = offset_deg.mapped(lambda deg: deg * sprocket / 360.0), round(offset_deg.value * sprocket / 360.0)
    if not links:
        return teeth, nearest, lacking("links")
    # Elongation is never negative; the offset's sign gives the direction.
    sign = -1.0 if offset_deg.value < 0 else 1.0
    return teeth, nearest, teeth.mapped(lambda of_teeth: sign * 100.0 * of_teeth / links)


def _mean(cam: CamData, keep: np.ndarray, value: np.ndarray, reason: str) -> Estimate:
    """Mean of `value` over the settled readings in `keep`; `reason` names the text where there are too few."""
    count, seconds = int(np.sum(keep)), cam.seconds(keep)
    if count < MIN_REST_READINGS or seconds < MIN_REST_S:
        return lacking("at_rest" if count else reason, count, seconds=seconds)
    return mean_of(value[keep], settled_blocks(cam, keep), cam.actual_step_deg)


def _visit_means(cam: CamData, keep: np.ndarray) -> np.ndarray:
    visits = blocks_of(steady_segments(cam).segment[keep])
    return (visits.sum(cam.actual_deg[keep]) / visits.size)[visits.size >= MIN_REST_READINGS]


def _shift(means: np.ndarray) -> Estimate:
    """How far the rest position moved once in the drive: the best single step through the means of the visits.
    Its uncertainty comes from the scatter of the visits before and after the step."""
    count = len(means)
    if count < 2:
        return lacking("visits", count)
    splits = [(means[:k], means[k:]) for k in range(1, count)]
    left = [np.sum((a - a.mean()) ** 2) + np.sum((b - b.mean()) ** 2) for a, b in splits]
    before, after = splits[int(np.argmin(left))]
    shift = float(after.mean() - before.mean())
    half = 2.0 * (max(float(min(left)), 0.01 * count) / max(count - 2, 1)) ** 0.5
    return Estimate(shift, shift - half, shift + half, count)


def _flutter(cam: CamData, keep: np.ndarray) -> Estimate:
    blocks = settled_blocks(cam, keep)
    freedom = blocks.size - 1.0
    if freedom.sum() < MIN_REST_READINGS - 1:
        return lacking("warm_rest")
    square = blocks.centred(cam.actual_deg[keep]) ** 2
    return root_mean_square(blocks.sum(square), freedom, cam.actual_step_deg**2 / 12.0)


def _beyond_range(cam: CamData, settled: np.ndarray) -> float | None:
    """How far (deg, signed) outside its travel the cam was steadily read; 0 inside."""
    if cam.range_deg is None or np.sum(settled) < MIN_REST_READINGS:
        return None
    low, high = np.quantile(cam.actual_deg[settled], [0.01, 0.99])
    above, below = max(high - cam.range_deg[1], 0.0), min(low - cam.range_deg[0], 0.0)
    return float(above if above >= -below else below)
