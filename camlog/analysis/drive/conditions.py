"""What a drive consisted of: engine states, warm-up, oil windows, gaps, and whether it counts as proof.

Engine states and gaps are taken here; `regulation` holds the definitions that
count as proof, `windows` the oil temperature.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from camlog.analysis.drive import engine
from camlog.analysis.drive.regulation import (
    PermanentCodeDrive,
    WarmUp,
    driving_cycles,
    permanent_code_drive,
    warm_up,
)
from camlog.analysis.drive.ticks import TICK_S, Ticks, tick_table, trailing
from camlog.drive import Drive
from camlog.limits import Limit, limits_for
from camlog.oil_windows import (
    OIL_WINDOWS,
    OilTemperature,
    OilWindow,
    Windows,
    oil_temperature,
    window_index,
)
from camlog.trace import Trace

STATES = ("unknown", "engine_off", "cranking", "idle", "cruise", "transient")

# Steady driving: what stays this even for three seconds lets oil pressure and cam settle.
CRUISE_S = 3.0
CRUISE_RPM = 150.0
CRUISE_RPM_FRACTION = 0.06
CRUISE_KM_H = 4.0

# A hole in the recording: rows this much sparser than usual, and never less than two seconds.
GAP_MIN_S = 2.0
GAP_INTERVALS = 10.0
# An event and the hole it explains are noted by different clocks of the recorder.
GAP_EVENT_SLACK_S = 2.0
# The first temperature after a start may be polled a little late.
START_TEMPERATURE_S = 15.0


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of one engine state (one of STATES), `start_s` to `end_s`."""

    state: str
    start_s: float
    end_s: float

    @property
    def seconds(self) -> float:
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch in which nothing was recorded, and what the recorder said about it."""

    start_s: float
    end_s: float
    text: str = ""


@dataclass(frozen=True, slots=True)
class EngineStart:
    """A start seen in the recording; `cold` None where no temperature was read at it."""

    time_s: float
    oil_temp_degc: float | None
    cold: bool | None


@dataclass(frozen=True)
class Conditions:
    """What a drive consisted of. Times in seconds, `seconds` by name of STATES."""

    duration_s: float
    windows: Windows
    seconds: Mapping[str, float]
    segments: tuple[Segment, ...]
    starts: tuple[EngineStart, ...]
    cold_start: bool | None
    warm_up: WarmUp
    permanent_code_drive: PermanentCodeDrive
    gaps: tuple[Gap, ...]
    notes: tuple[str, ...]

    @property
    def running_s(self) -> float:
        """Seconds with the engine known to run."""
        return self.seconds["idle"] + self.seconds["cruise"] + self.seconds["transient"]

    @property
    def gap_intervals(self) -> tuple[tuple[float, float], ...]:
        """The gaps as (start_s, end_s), for `cam_data`."""
        return tuple((g.start_s, g.end_s) for g in self.gaps)

    def to_dict(self) -> dict[str, Any]:
        """The `conditions` object of Findings; JSON values only."""
        warm, proof = self.warm_up, self.permanent_code_drive
        seconds = self.windows.seconds or ()
        return {
            "duration_s": round(self.duration_s, 3),
            "oil_temp_source": self.windows.source,
            "oil_windows": [
                {**w.to_dict(), "seconds": s} for w, s in zip(self.windows.windows, seconds, strict=True)
            ],
            "running_s": self.running_s,
            **{f"{state}_s": self.seconds[state] for state in STATES},
            "engine_starts": [
                {"time_s": s.time_s, "oil_temp_degc": s.oil_temp_degc, "cold": s.cold} for s in self.starts
            ],
            "cold_start": self.cold_start,
            "warm_up_cycle": {
                "met": warm.met, "coolant_start_degc": warm.coolant_start_degc,
                "coolant_max_degc": warm.coolant_max_degc, "rise_degc": warm.rise_degc, "reason": warm.reason,
            },
            "permanent_code_drive": {
                "met": proof.met, "running_s": proof.running_s, "at_40_km_h_s": proof.road_s,
                "longest_idle_s": proof.longest_idle_s, "missing": list(proof.missing),
            },
            "gaps": [{"start_s": g.start_s, "end_s": g.end_s, "text": g.text} for g in self.gaps],
            "notes": list(self.notes),
        }  # fmt: skip


def conditions(
    trace: Trace,
    drive: Drive | None = None,
    windows: Sequence[OilWindow] = OIL_WINDOWS,
    limits: Mapping[str, Limit] | None = None,
) -> Conditions:
    """Take the conditions of a drive from its trace, and its gaps' reasons from the drive file's events.

    Never raises for a trace without the signals it would like: what cannot be told is None, with a note.
    """
    limits = limits or limits_for()
    ticks = tick_table(trace)
    engine_states = engine.EngineClassifier().classify(ticks)
    state = _named_states(ticks, engine_states)
    oil = oil_temperature(trace)
    oil_degc = oil.at(ticks.time_s)
    index = window_index(windows, oil_degc)
    # With no engine speed at all nobody can say when the engine ran; then all time counts.
    counted = (
        engine_states.running if np.isfinite(ticks.get("engine_speed")).any() else np.ones(len(ticks), bool)
    )
    in_window = np.bincount(index[counted & (index >= 0)], minlength=len(windows))[: len(windows)] * TICK_S
    starts = _starts(ticks, engine_states, oil_degc, limits["cold_oil_degc"].value)
    cycles = driving_cycles(ticks, engine_states)
    return Conditions(
        duration_s=trace.duration_s,
        windows=Windows(tuple(windows), oil, tuple(float(s) for s in in_window)),
        seconds={name: float(np.sum(state == i) * TICK_S) for i, name in enumerate(STATES)},
        segments=_segments(ticks, state),
        starts=starts,
        cold_start=_any_cold(starts),
        warm_up=warm_up(trace, ticks, engine_states, cycles),
        permanent_code_drive=permanent_code_drive(ticks, engine_states, cycles),
        gaps=find_gaps(trace, drive),
        notes=_notes(trace, oil),
    )


def _named_states(ticks: Ticks, states: engine.EngineStates) -> np.ndarray:
    """Positions in STATES, shape (n,): driven time is cruise where speed held CRUISE_S, else transient."""
    width = int(CRUISE_S / TICK_S) + 1
    rpm, speed = ticks.get("engine_speed"), ticks.get("vehicle_speed")
    driven = np.where(states.state == engine.DRIVEN, rpm, np.nan)
    low, high = trailing(driven, ticks.index, width)
    even = high - low <= np.maximum(CRUISE_RPM, CRUISE_RPM_FRACTION * high)
    speed_low, speed_high = trailing(speed, ticks.index, width)
    even &= ~(speed_high - speed_low > CRUISE_KM_H)  # road speed unknown: engine speed alone decides
    # Every tick of an even stretch is cruise, not only its last.
    ends = np.flatnonzero(even)
    edge = np.zeros(len(ticks) + 1, dtype=np.int64)
    np.add.at(edge, ends - width + 1, 1)
    np.add.at(edge, ends + 1, -1)
    cruise = np.cumsum(edge[:-1]) > 0
    state = states.state.copy()  # UNKNOWN, OFF, CRANKING, IDLE stand first in STATES in that order
    state[states.state == engine.DRIVEN] = STATES.index("transient")
    state[cruise] = STATES.index("cruise")
    return state


def _segments(ticks: Ticks, state: np.ndarray) -> tuple[Segment, ...]:
    if not len(state):
        return ()
    cut = np.flatnonzero((np.diff(state) != 0) | (np.diff(ticks.index) != 1)) + 1
    first, last = np.concatenate([[0], cut]), np.concatenate([cut, [len(state)]]) - 1
    time_s = ticks.time_s
    return tuple(
        Segment(STATES[state[a]], float(time_s[a]), float(time_s[b] + TICK_S))
        for a, b in zip(first, last, strict=True)
    )


def _starts(
    ticks: Ticks, states: engine.EngineStates, oil_degc: np.ndarray, cold_degc: float
) -> tuple[EngineStart, ...]:
    found = []
    time_s = ticks.time_s
    for i in np.flatnonzero(states.started):
        near = oil_degc[i : np.searchsorted(time_s, time_s[i] + START_TEMPERATURE_S, side="right")]
        near = near[np.isfinite(near)]
        degc = float(near[0]) if len(near) else None
        found.append(EngineStart(float(time_s[i]), degc, None if degc is None else degc < cold_degc))
    return tuple(found)


def _any_cold(starts: Sequence[EngineStart]) -> bool | None:
    """True where a cold start was recorded, False where none was, None where a temperature is unknown."""
    known = [s.cold for s in starts]
    if True in known:
        return True
    return None if None in known else False


def find_gaps(trace: Trace, drive: Drive | None = None) -> tuple[Gap, ...]:
    """Holes in the recording: time between rows far above the usual, with the drive file's reason if any."""
    t = trace.time_s
    if len(t) < 2:
        return ()
    steps = np.diff(t)
    limit_s = max(GAP_MIN_S, GAP_INTERVALS * float(np.median(steps)))
    events = [e for e in (drive.events if drive else ()) if e.kind != "marker"]
    found = []
    for i in np.flatnonzero(steps > limit_s):
        start, end = float(t[i]), float(t[i + 1])
        near = [
            e.text or e.kind
            for e in events
            if start - GAP_EVENT_SLACK_S <= e.time_s <= end + GAP_EVENT_SLACK_S
        ]
        found.append(Gap(start, end, "; ".join(dict.fromkeys(near))))
    return tuple(found)


def _notes(trace: Trace, oil: OilTemperature) -> tuple[str, ...]:
    notes = []
    if oil.source == "coolant_temp":
        notes.append(
            "The oil temperature was not recorded; the coolant temperature stands in for it. "
            "Oil warms up later than coolant and runs hotter under load."
        )
    elif oil.source is None:
        notes.append(
            "Neither oil nor coolant temperature was recorded; results cannot be split by oil temperature."
        )
    if not len(trace.samples("engine_speed")[0]):
        notes.append("The engine speed was not recorded; engine off, idle and driving cannot be told apart.")
    elif not len(trace.samples("vehicle_speed")[0]):
        notes.append("The vehicle speed was not recorded; idle is told from engine speed and throttle alone.")
    return tuple(notes)
