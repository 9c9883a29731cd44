"""The regulation's definitions of a drive that counts as proof. Warm-up cycle and similar conditions: 13 CCR 1968.2(c).
The drive after which permanent codes erase themselves: 13 CCR 1968.2(d)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from camlog.analysis.drive import say
from camlog.analysis.drive.ticks import IDLE, STANDSTILL_KM_H, TICK_S, EngineStates, Ticks, tick_table
from camlog.trace import Trace

# 13 CCR 1968.2(c), warm-up cycle
WARM_UP_RISE_DEGC = 22.0
WARM_UP_REACHED_DEGC = 71.0
# 13 CCR 1968.2(d), the drive after which permanent codes erase themselves
PERMANENT_RUNNING_S = 600.0
PERMANENT_ROAD_S = 300.0
PERMANENT_ROAD_KM_H = 40.0
PERMANENT_IDLE_S = 30.0
# 13 CCR 1968.2(c), similar conditions
SIMILAR_SPEED_RPM = 375.0
SIMILAR_LOAD_FRACTION = 0.20
LOAD_STEP_PERCENT = 100.0 / 255.0  # one count of the standard's load scaling, the tolerance of "within"
SIMILAR_SECONDS = 1.0  # the conditions count as met only after this long
_SIMILAR_SIGNALS = ("engine_speed", "engine_load", "coolant_temp")


@dataclass(frozen=True, slots=True)
class WarmUp:
    """Warm-up cycle per 13 CCR 1968.2(c). `met` is None where unknown; `reason` says why."""

    met: bool | None
    coolant_start_degc: float | None
    coolant_max_degc: float | None
    reason: str

    @property
    def rise_degc(self) -> float | None:
        """Rise of the coolant temperature since the start (°C); None where unknown."""
        if self.coolant_start_degc is None or self.coolant_max_degc is None:
            return None
        return self.coolant_max_degc - self.coolant_start_degc


@dataclass(frozen=True, slots=True)
class PermanentCodeDrive:
    """The recorded driving cycle nearest to 13 CCR 1968.2(d); a value is None where its signal was not recorded."""

    met: bool | None
    running_s: float
    road_s: float | None
    longest_idle_s: float | None
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SimilarConditions:
    """Whether a freeze frame's conditions were met again; `met` is None where unknown."""

    met: bool | None
    reason: str


def driving_cycles(states: EngineStates) -> list[slice]:
    """Stretches of ticks from an engine start (or the recording's beginning) to the engine standing still."""
    # A restart after a stall or at a stop-start begins a new cycle, which can only make the proof harder.
    running = np.flatnonzero(states.running)
    if not len(running):
        return []
    starts = np.flatnonzero(states.started)
    edges = [running[0], *starts[starts > running[0]], len(states.state)]
    return [slice(int(a), int(b)) for a, b in zip(edges[:-1], edges[1:], strict=True)]


def warm_up(trace: Trace, ticks: Ticks, states: EngineStates, cycles: Sequence[slice]) -> WarmUp:
    time_s, degc = trace.samples("coolant_temp")
    if not len(time_s):
        return WarmUp(None, None, None, say("warm_up.no_coolant"))
    at_tick = ticks.get("coolant_temp")
    edges = [float(ticks.time_s[c.start]) for c in cycles] + [math.inf]
    each = []
    for cycle, begin_s, end_s in zip(cycles, edges[:-1], edges[1:], strict=True):
        coolant = degc[(time_s >= begin_s) & (time_s < end_s)]
        if np.isfinite(at_tick[cycle.start]):
            coolant = np.concatenate([at_tick[[cycle.start]], coolant])  # read shortly before the start
        if not len(coolant):
            continue
        start, top = float(coolant[0]), float(coolant.max())
        hot = top >= WARM_UP_REACHED_DEGC
        met: bool | None = hot and top - start >= WARM_UP_RISE_DEGC
        reason = say(
            "warm_up.rise", rise=round(top - start, 1), top=round(top, 1), least_rise=WARM_UP_RISE_DEGC,
            least_top=WARM_UP_REACHED_DEGC,
        )  # fmt: skip
        if hot and not met and not states.started[cycle.start]:
            met, reason = None, reason + say("warm_up.start_missed")
        each.append(WarmUp(met, start, top, reason))
    if not each:
        return WarmUp(None, None, None, say("warm_up.not_running"))
    return max(each, key=lambda w: (w.met is True, w.rise_degc))


def permanent_code_drive(ticks: Ticks, states: EngineStates, cycles: Sequence[slice]) -> PermanentCodeDrive:
    """The driving cycle nearest to the drive of 13 CCR 1968.2(d)."""
    speed = ticks.get("vehicle_speed")
    if not np.isfinite(ticks.get("engine_speed")).any():
        return PermanentCodeDrive(None, 0.0, None, None, (say("permanent.no_engine_speed"),))
    road_known = np.isfinite(speed).any()
    # Idle needs a known road speed here; engine speed alone does not prove that the vehicle stands.
    standing = (states.state == IDLE) & (speed <= STANDSTILL_KM_H)
    on_road = states.running & (speed >= PERMANENT_ROAD_KM_H)
    needed = {"running": PERMANENT_RUNNING_S, "road": PERMANENT_ROAD_S, "idle": PERMANENT_IDLE_S}
    each = [dict.fromkeys(needed, 0.0)]
    for c in cycles:
        running_s, road_s = (float(flags[c].sum() * TICK_S) for flags in (states.running, on_road))
        each.append({"running": running_s, "road": road_s, "idle": _longest_s(standing[c], ticks.index[c])})
    best = max(each, key=lambda have: sum(min(have[k] / seconds, 1.0) for k, seconds in needed.items()))
    lacking = [k for k, seconds in needed.items() if best[k] < seconds and (road_known or k == "running")]
    if not road_known:
        lacking.append("no_vehicle_speed")
    km_h = PERMANENT_ROAD_KM_H
    missing = tuple(say(f"permanent.{k}", have=best.get(k), want=needed.get(k), km_h=km_h) for k in lacking)
    met = None if lacking == ["no_vehicle_speed"] else not lacking
    road, idle = (best["road"], best["idle"]) if road_known else (None, None)
    return PermanentCodeDrive(met, best["running"], road, idle, missing)


def _longest_s(flags: np.ndarray, index: np.ndarray) -> float:
    """The longest stretch (s) of True `flags` over consecutive ticks."""
    stretch = np.cumsum(~flags | (np.diff(index, prepend=-1) != 1))
    return float(np.bincount(stretch[flags], minlength=1).max() * TICK_S)


def similar_conditions(trace: Trace, freeze_frame: Mapping[str, Any] | None) -> SimilarConditions:
    """Whether the conditions of a freeze frame were met again in this drive (13 CCR 1968.2(c), similar conditions).

    `freeze_frame` maps signal names to values, as a drive file holds it. Engine speed within 375 rpm, load
    within 20 percent of the stored value, and the same warm-up state (coolant below or from 71 °C)."""
    stored: list[Any] = [(freeze_frame or {}).get(name) for name in _SIMILAR_SIGNALS]
    usable = [isinstance(v, (int, float)) and not isinstance(v, bool) and math.isfinite(v) for v in stored]
    recorded = [len(trace.samples(name)[0]) > 0 for name in _SIMILAR_SIGNALS]
    for problem, there in (("not_in_frame", usable), ("not_recorded", recorded)):
        if not all(there):
            absent = [n for n, known in zip(_SIMILAR_SIGNALS, there, strict=True) if not known]
            names = say("similar.and").join(n.replace("_", " ") for n in absent)
            reason = say(f"similar.{problem}", signals=names)
            return SimilarConditions(None, reason)
    ticks = tick_table(trace)
    stored_rpm, stored_load, stored_coolant = map(float, stored)
    rpm, load, coolant = (ticks.get(name) for name in _SIMILAR_SIGNALS)
    slack = max(SIMILAR_LOAD_FRACTION * stored_load, LOAD_STEP_PERCENT)
    warm = stored_coolant >= WARM_UP_REACHED_DEGC
    same = (np.abs(rpm - stored_rpm) <= SIMILAR_SPEED_RPM) & (np.abs(load - stored_load) <= slack)
    same &= np.isfinite(coolant) & ((coolant >= WARM_UP_REACHED_DEGC) == warm)
    seconds = float(same.sum() * TICK_S)
    signals_text = say(
        "similar.what", rpm=stored_rpm, rpm_slack=SIMILAR_SPEED_RPM, load=stored_load, load_slack=slack,
        state=say("similar.warm" if warm else "similar.cold"),
    )  # fmt: skip
    met = _longest_s(same, ticks.index) >= SIMILAR_SECONDS
    reason = say("similar.met" if met else "similar.not_met", what=signals_text, seconds=seconds)
    return SimilarConditions(met, reason)
