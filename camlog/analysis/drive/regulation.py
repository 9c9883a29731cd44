"""The regulation's own definitions of what a drive must have contained to count as proof.

Warm-up cycle and similar conditions: 13 CCR 1968.2(c). The drive that lets
permanent codes erase themselves: 13 CCR 1968.2(d).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from camlog.analysis.drive import engine
from camlog.analysis.drive.ticks import TICK_S, Ticks, run_bounds, tick_table
from camlog.trace import Trace

# 13 CCR 1968.2(c), warm-up cycle
WARM_UP_RISE_DEGC = 22.0
WARM_UP_REACHED_DEGC = 71.0
# 13 CCR 1968.2(d), the drive that lets permanent codes erase themselves
PERMANENT_RUNNING_S = 600.0
PERMANENT_ROAD_S = 300.0
PERMANENT_ROAD_KM_H = 40.0
PERMANENT_IDLE_S = 30.0
# 13 CCR 1968.2(c), similar conditions
SIMILAR_SPEED_RPM = 375.0
SIMILAR_LOAD_FRACTION = 0.20
LOAD_STEP_PERCENT = 100.0 / 255.0  # one count of the standard's load scaling: what "within" cannot resolve
SIMILAR_SECONDS = 1.0  # shorter than this is a passing through, not a condition met


@dataclass(frozen=True, slots=True)
class WarmUp:
    """Warm-up cycle per 13 CCR 1968.2(c); `met` None where it cannot be told, `reason` says why."""

    met: bool | None
    coolant_start_degc: float | None
    coolant_max_degc: float | None
    reason: str

    @property
    def rise_degc(self) -> float | None:
        if self.coolant_start_degc is None or self.coolant_max_degc is None:
            return None
        return self.coolant_max_degc - self.coolant_start_degc


@dataclass(frozen=True, slots=True)
class PermanentCodeDrive:
    """The best driving cycle recorded against 13 CCR 1968.2(d); None where a signal was not recorded."""

    met: bool | None
    running_s: float
    road_s: float | None
    longest_idle_s: float | None
    missing: tuple[str, ...]


def driving_cycles(ticks: Ticks, states: engine.EngineStates) -> list[slice]:
    """Stretches of ticks from one start (or the recording's beginning) to the engine standing still."""
    # A restart after a stall or at a stop-start begins a new cycle here: it can only make the proof harder.
    running = np.flatnonzero(states.running)
    if not len(running):
        return []
    cuts = np.flatnonzero(states.started)
    edges = [running[0], *[c for c in cuts if c > running[0]], len(states.state)]
    return [slice(int(a), int(b)) for a, b in zip(edges[:-1], edges[1:], strict=True)]


def warm_up(trace: Trace, ticks: Ticks, states: engine.EngineStates, cycles: Sequence[slice]) -> WarmUp:
    coolant = ticks.get("coolant_temp")
    if not len(trace.samples("coolant_temp")[0]):
        return WarmUp(None, None, None, "The coolant temperature was not recorded.")
    time_s, degc = trace.samples("coolant_temp")
    edges = [float(ticks.time_s[c.start]) for c in cycles] + [math.inf]
    best: WarmUp | None = None
    for cycle, begin_s, end_s in zip(cycles, edges[:-1], edges[1:], strict=True):
        known = degc[(time_s >= begin_s) & (time_s < end_s)]
        if np.isfinite(coolant[cycle.start]):
            known = np.concatenate([coolant[[cycle.start]], known])  # read shortly before the start
        if not len(known):
            continue
        start, top = float(known[0]), float(known.max())
        met = top - start >= WARM_UP_RISE_DEGC and top >= WARM_UP_REACHED_DEGC
        seen = bool(states.started[cycle.start])
        text = (
            f"Coolant rose by {round(top - start, 1):g} °C to {round(top, 1):g} °C; a warm-up cycle "
            f"rises by at least {WARM_UP_RISE_DEGC:.0f} °C to at least {WARM_UP_REACHED_DEGC:.0f} °C "
            "(13 CCR 1968.2(c))."
        )
        if not met and not seen and top >= WARM_UP_REACHED_DEGC:
            text += " The start was not recorded, so the rise from the start is not known."
            found = WarmUp(None, start, top, text)
        else:
            found = WarmUp(met, start, top, text)
        if best is None or (found.met is True, found.rise_degc) > (best.met is True, best.rise_degc):
            best = found
    return best or WarmUp(None, None, None, "The engine was not seen running.")


def permanent_code_drive(
    ticks: Ticks, states: engine.EngineStates, cycles: Sequence[slice]
) -> PermanentCodeDrive:
    speed = ticks.get("vehicle_speed")
    if not np.isfinite(ticks.get("engine_speed")).any():
        return PermanentCodeDrive(None, 0.0, None, None, ("The engine speed was not recorded.",))
    road_known = np.isfinite(speed).any()
    best = PermanentCodeDrive(False, 0.0, 0.0 if road_known else None, 0.0 if road_known else None, ())
    best_score = -1.0
    for cycle in cycles:
        running = float(states.running[cycle].sum() * TICK_S)
        road = idle = None
        if road_known:
            road = float(np.sum(states.running[cycle] & (speed[cycle] >= PERMANENT_ROAD_KM_H)) * TICK_S)
            # Idle here needs the road speed itself; engine speed alone is no proof of standing still.
            standing = (states.state[cycle] == engine.IDLE) & (speed[cycle] <= engine.STANDSTILL_KM_H)
            first, last = run_bounds(standing, ticks.index[cycle])
            idle = float((last - first + 1).max() * TICK_S) if len(first) else 0.0
        score = min(running / PERMANENT_RUNNING_S, 1.0)
        if road_known:
            score += min(road / PERMANENT_ROAD_S, 1.0) + min(idle / PERMANENT_IDLE_S, 1.0)
        if score > best_score:
            best_score, best = score, PermanentCodeDrive(False, running, road, idle, ())
    missing = []
    if best.running_s < PERMANENT_RUNNING_S:
        missing.append(
            f"{best.running_s:.0f} s of engine running in one drive; {PERMANENT_RUNNING_S:.0f} s are needed."
        )
    if not road_known:
        missing.append("The vehicle speed was not recorded; road time and standing idle cannot be shown.")
    else:
        if best.road_s < PERMANENT_ROAD_S:
            missing.append(
                f"{best.road_s:.0f} s at {PERMANENT_ROAD_KM_H:.0f} km/h or more; "
                f"{PERMANENT_ROAD_S:.0f} s are needed."
            )
        if best.longest_idle_s < PERMANENT_IDLE_S:
            missing.append(
                f"The longest idle lasted {best.longest_idle_s:.0f} s; "
                f"{PERMANENT_IDLE_S:.0f} s without a break are needed."
            )
    met = None if not road_known and best.running_s >= PERMANENT_RUNNING_S else not missing
    return PermanentCodeDrive(met, best.running_s, best.road_s, best.longest_idle_s, tuple(missing))


@dataclass(frozen=True, slots=True)
class SimilarConditions:
    """Whether a freeze frame's conditions were met again, `seconds` of it; `met` None where unknown."""

    met: bool | None
    seconds: float | None
    reason: str


def similar_conditions(trace: Trace, freeze_frame: Mapping[str, Any] | None) -> SimilarConditions:
    """Were the conditions of a freeze frame met again in this drive (13 CCR 1968.2(c), similar conditions)?

    `freeze_frame` maps signal names to values, as a drive file holds it. Engine speed within 375 rpm, load within
    20 percent of the stored value, and the same warm-up state (coolant below or from 71 °C).
    """
    frame = {
        name: float(v)
        for name, v in (freeze_frame or {}).items()
        if isinstance(v, (int, float)) and not isinstance(v, bool) and np.isfinite(v)
    }
    needed = ("engine_speed", "engine_load", "coolant_temp")
    absent = [n.replace("_", " ") for n in needed if n not in frame]
    if absent:
        return SimilarConditions(None, None, f"The freeze frame does not hold {' and '.join(absent)}.")
    unread = [n.replace("_", " ") for n in needed if not len(trace.samples(n)[0])]
    if unread:
        return SimilarConditions(None, None, f"This drive did not record {' and '.join(unread)}.")
    ticks = tick_table(trace)
    rpm, load, coolant = (ticks.get(n) for n in needed)
    slack = max(SIMILAR_LOAD_FRACTION * frame["engine_load"], LOAD_STEP_PERCENT)
    with np.errstate(invalid="ignore"):
        same = (np.abs(rpm - frame["engine_speed"]) <= SIMILAR_SPEED_RPM) & (
            np.abs(load - frame["engine_load"]) <= slack
        )
        same &= np.isfinite(coolant)
        same &= (coolant >= WARM_UP_REACHED_DEGC) == (frame["coolant_temp"] >= WARM_UP_REACHED_DEGC)
    seconds = float(same.sum() * TICK_S)
    warm = "warm" if frame["coolant_temp"] >= WARM_UP_REACHED_DEGC else "cold"
    what = (
        f"{frame['engine_speed']:.0f} rpm ± {SIMILAR_SPEED_RPM:.0f}, load {frame['engine_load']:.0f} % "
        f"± {slack:.0f}, engine {warm}"
    )
    first, last = run_bounds(same, ticks.index)
    longest = float((last - first + 1).max() * TICK_S) if len(first) else 0.0
    if longest >= SIMILAR_SECONDS:
        return SimilarConditions(
            True, seconds, f"The freeze frame's conditions ({what}) were met for {seconds:.0f} s."
        )
    return SimilarConditions(False, seconds, f"The freeze frame's conditions ({what}) were not met again.")
