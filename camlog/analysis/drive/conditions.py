"""What a drive consisted of: engine states, warm-up, oil windows, gaps, and whether it counts as proof.
Engine states and gaps are found here; `regulation` holds the definitions that count as proof, `camlog.oil_windows` the
oil temperature."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from camlog.analysis.drive import say
from camlog.analysis.drive.regulation import PermanentCodeDrive, WarmUp, driving_cycles, permanent_code_drive, warm_up
from camlog.analysis.drive.ticks import DRIVEN, TICK_S, EngineClassifier, EngineStates, Ticks, tick_table, trailing
from camlog.drive import Drive
from camlog.limits import Limit, limits_for
from camlog.oil_windows import OIL_WINDOWS, OilWindow, Windows, oil_temperature, window_index
from camlog.trace import Trace

# The first states are those of `ticks` up to idle, in the same order; DRIVEN is split into cruise and transient.
STATES = ("unknown", "engine_off", "cranking", "idle", "cruise", "transient")

# Steady driving: what stays this even for three seconds lets oil pressure and cam settle.
CRUISE_S = 3.0
CRUISE_RPM = 150.0
CRUISE_RPM_FRACTION = 0.06
CRUISE_KM_H = 4.0
# A gap: no row for GAP_INTERVALS usual row intervals, and for at least GAP_MIN_S.
GAP_MIN_S = 2.0
GAP_INTERVALS = 10.0
GAP_EVENT_SLACK_S = 2.0  # largest time between a gap and the event that explains it (two clocks of the recorder)
START_TEMPERATURE_S = 15.0  # the first temperature after a start is polled within this time


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of a drive in one `state`, from `start_s` to `end_s`; for the engine, `state` is one of STATES."""

    state: str
    start_s: float
    end_s: float

    @property
    def seconds(self) -> float:
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch in which nothing was recorded, and the recorder's text about it."""

    start_s: float
    end_s: float
    text: str = ""


@dataclass(frozen=True, slots=True)
class EngineStart:
    """An engine start in the recording; `cold` is None where no temperature was read near it."""

    time_s: float
    oil_temp_degc: float | None
    cold: bool | None


@dataclass(frozen=True)
class Conditions:
    """What a drive consisted of. Times are in seconds; `seconds` maps each of STATES to its time. `cold_start` says
    whether a cold start was recorded; None: a temperature is unknown."""

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
        return self.seconds["idle"] + self.seconds["cruise"] + self.seconds["transient"]

    @property
    def gap_intervals(self) -> tuple[tuple[float, float], ...]:
        return tuple((g.start_s, g.end_s) for g in self.gaps)

    def to_dict(self) -> dict[str, Any]:
        windows = zip(self.windows.windows, self.windows.seconds or (), strict=True)
        proof = asdict(self.permanent_code_drive)
        proof["at_40_km_h_s"] = proof.pop("road_s")
        return {
            "duration_s": round(self.duration_s, 3),
            "oil_temp_source": self.windows.source,
            "oil_windows": [{**w.to_dict(), "seconds": s} for w, s in windows],
            "running_s": self.running_s,
            **{f"{state}_s": self.seconds[state] for state in STATES},
            "engine_starts": [asdict(s) for s in self.starts],
            "cold_start": self.cold_start,
            "warm_up_cycle": {**asdict(self.warm_up), "rise_degc": self.warm_up.rise_degc},
            "permanent_code_drive": proof,
            "gaps": [asdict(g) for g in self.gaps],
            "notes": list(self.notes),
        }


def conditions(
    trace: Trace,
    drive: Drive | None = None,
    windows: Sequence[OilWindow] = OIL_WINDOWS,
    limits: Mapping[str, Limit] | None = None,
) -> Conditions:
    """The conditions of a drive from its trace, with the reasons of gaps from the drive file's events.
    A missing signal raises nothing: values that cannot be determined are None, with a note."""
    limits = limits or limits_for()
    ticks = tick_table(trace)
    engine_states = EngineClassifier().classify(ticks)
    state = _named_states(ticks, engine_states)
    oil = oil_temperature(trace)
    oil_degc = oil.at(ticks.time_s)
    index = window_index(windows, oil_degc)
    # Without any engine speed it is unknown when the engine ran, so all time counts.
    speed_known = np.isfinite(ticks.get("engine_speed")).any()
    counted = (engine_states.running | ~speed_known) & (index >= 0)
    starts = _starts(ticks, engine_states, oil_degc, limits["cold_oil_degc"].value)
    colds = [s.cold for s in starts]
    cycles = driving_cycles(engine_states)
    in_window = np.bincount(index[counted], minlength=len(windows)) * TICK_S
    in_state = np.bincount(state, minlength=len(STATES)) * TICK_S
    return Conditions(
        duration_s=trace.duration_s,
        windows=Windows(tuple(windows), oil, tuple(in_window.tolist())),
        seconds=dict(zip(STATES, in_state.tolist(), strict=True)),
        segments=_segments(ticks, state),
        starts=starts,
        cold_start=True if True in colds else None if None in colds else False,
        warm_up=warm_up(trace, ticks, engine_states, cycles),
        permanent_code_drive=permanent_code_drive(ticks, engine_states, cycles),
        gaps=find_gaps(trace, drive),
        notes=_notes(trace, oil.source),
    )


def _named_states(ticks: Ticks, states: EngineStates) -> np.ndarray:
    """Positions in STATES, shape (n,): driven time is cruise where speed stayed even for CRUISE_S, else transient."""
    width = int(CRUISE_S / TICK_S) + 1
    driven = states.state == DRIVEN
    low, high = trailing(np.where(driven, ticks.get("engine_speed"), np.nan), ticks.index, width)
    speed_low, speed_high = trailing(ticks.get("vehicle_speed"), ticks.index, width)
    even = high - low <= np.maximum(CRUISE_RPM, CRUISE_RPM_FRACTION * high)
    even &= ~(speed_high - speed_low > CRUISE_KM_H)  # where road speed is unknown, engine speed alone decides
    # Every tick of an even stretch is cruise, not only its last.
    ends = np.flatnonzero(even)
    edge = np.zeros(len(ticks) + 1, dtype=np.int64)
    np.add.at(edge, ends - width + 1, 1)
    np.add.at(edge, ends + 1, -1)
    cruise = np.cumsum(edge[:-1]) > 0
    return np.where(cruise, STATES.index("cruise"), np.where(driven, STATES.index("transient"), states.state))


def _segments(ticks: Ticks, state: np.ndarray) -> tuple[Segment, ...]:
    if not len(state):
        return ()
    cut = np.flatnonzero((np.diff(state) != 0) | (np.diff(ticks.index) != 1)) + 1
    first, last = np.concatenate([[0], cut]), np.concatenate([cut, [len(state)]]) - 1
    starts, ends = ticks.time_s[first].tolist(), (ticks.time_s[last] + TICK_S).tolist()
    return tuple(Segment(STATES[s], a, b) for s, a, b in zip(state[first], starts, ends, strict=True))


def _starts(ticks: Ticks, states: EngineStates, oil_degc: np.ndarray, cold_degc: float) -> tuple[EngineStart, ...]:
    each = []
    time_s = ticks.time_s
    for i in np.flatnonzero(states.started):
        temperatures = oil_degc[i : np.searchsorted(time_s, time_s[i] + START_TEMPERATURE_S, side="right")]
        degc = next(iter(temperatures[np.isfinite(temperatures)].tolist()), None)
        each.append(EngineStart(float(time_s[i]), degc, None if degc is None else degc < cold_degc))
    return tuple(each)


def find_gaps(trace: Trace, drive: Drive | None = None) -> tuple[Gap, ...]:
    """The gaps of a recording, with the drive file's reason if any: times between rows far above the usual interval."""
    t = trace.time_s
    if len(t) < 2:
        return ()
    steps = np.diff(t)
    events = [(e.time_s, e.text or e.kind) for e in (drive.events if drive else ()) if e.kind != "marker"]
    gaps = []
    for i in np.flatnonzero(steps > max(GAP_MIN_S, GAP_INTERVALS * float(np.median(steps)))):
        start, end = float(t[i]), float(t[i + 1])
        low, high = start - GAP_EVENT_SLACK_S, end + GAP_EVENT_SLACK_S
        texts = dict.fromkeys(text for at, text in events if low <= at <= high)
        gaps.append(Gap(start, end, "; ".join(texts)))
    return tuple(gaps)


def _notes(trace: Trace, oil_source: str | None) -> tuple[str, ...]:
    names = []
    if oil_source != "oil_temp":
        names.append("no_temperature" if oil_source is None else "coolant_for_oil")
    unread = [n for n in ("engine_speed", "vehicle_speed") if not len(trace.samples(n)[0])]
    names += [f"no_{n}" for n in unread[:1]]  # without engine speed, road speed adds nothing
    return tuple(say(f"note.{name}") for name in names)
