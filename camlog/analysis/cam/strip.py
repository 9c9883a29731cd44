"""The state of one cam at every moment of a drive: the verdict over time.

Every reading gets one of STATES from the detector, with the same limit, whose figure judges the cam. "stood" and
"jumped" come from the plateaus that count as sticking, "off" from the errors that lasted, "hunting" from the residuals
of held readings and from swings, "late" from the T63 limit of the oil window. A strip therefore never disagrees with
the figures. Neighbouring readings of one state form one `Segment`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.hold import Hold, held_readings
from camlog.analysis.cam.rest import WATCHED_S, Rest
from camlog.analysis.cam.segments import (
    SLOW_HEALTHY_DEAD_TIME_S,
    cell_of_reading,
    command_grid,
    lagged,
    outside,
    rest_commanded,
    runs,
    steady_segments,
)
from camlog.analysis.cam.standing import Plateau, find_away, find_plateaus
from camlog.analysis.cam.tracking import lasting_error
from camlog.analysis.drive.conditions import Segment
from camlog.analysis.estimate import blocks_of
from camlog.analysis.sensor.measure import Sensor
from camlog.analysis.sticking.measure import Sticking, sticking_jumps, stuck_readings
from camlog.analysis.sticking.swings import Swings
from camlog.limits import Limit
from camlog.oil_windows import window_word

# From the least to the most important: of several states at one moment the last is shown.
STATES = ("resting", "followed", "late", "hunting", "off", "stood", "jumped", "unreadable")
FAULTY = STATES[2:]
JUMP_SHOWN_S = 0.3  # a jump is shorter; it is drawn this long to be visible
LATE_LEAST_DEG, LATE_LEAST_S = 1.5, 0.3
JOIN_S = 0.5  # faulty stretches nearer to each other than this are one moment
MOST_MOMENTS = 12  # of each state
LEAST_CELL_SHARE = 0.04


@dataclass(frozen=True, slots=True)
class Moment:
    """A stretch in one of the FAULTY states, from when the command left the cam, or the fault began, to its end.
    `deg` is the largest distance from the command, `deg_s` distance times time. For a stand that ended in a jump,
    `break_s` is when the cam moved again and `jump_deg` the size of the jump."""

    state: str
    start_s: float
    end_s: float
    deg: float
    deg_s: float
    break_s: float | None = None
    jump_deg: float | None = None


@dataclass(frozen=True)
class Strip:
    """One cam over the whole drive. `segments`, each in one of STATES, are in time order; there are none while the
    engine stands. `moments` are ordered worst first."""

    segments: tuple[Segment, ...]
    moments: tuple[Moment, ...]

    def seconds(self, state: str) -> float:
        return sum(s.seconds for s in self.segments if s.state == state)

    def cells(self, end_s: float, count: int) -> list[str]:
        """The drive up to `end_s` in `count` equal cells: for each, the most important state that fills at least
        LEAST_CELL_SHARE of it, "" where there is none."""
        width, cells = end_s / count, [dict.fromkeys(STATES, 0.0) for _ in range(count)]
        for s in self.segments:
            for i in range(int(s.start_s / width), min(int(s.end_s / width) + 1, count)):
                cells[i][s.state] += max(min(s.end_s, (i + 1) * width) - max(s.start_s, i * width), 0.0)
        return [_of_cell(cell, width) for cell in cells]

    def to_dict(self) -> dict[str, Any]:
        return {
            "segments": [
                {"start_s": round(s.start_s, 2), "end_s": round(s.end_s, 2), "state": s.state} for s in self.segments
            ],
            "seconds": {state: round(self.seconds(state), 1) for state in STATES},
            "moments": [asdict(m) for m in self.moments],
        }

    @staticmethod
    def from_dict(saved: Mapping[str, Any]) -> Strip:
        """A strip from a findings file. Raises KeyError or TypeError where `saved` is no strip."""
        segments = tuple(Segment(**s) for s in saved["segments"])
        return Strip(segments, tuple(Moment(**m) for m in saved.get("moments", ())))


def _of_cell(seconds: Mapping[str, float], width_s: float) -> str:
    states = [s for s in STATES if seconds[s] > (0.0 if s == "jumped" else LEAST_CELL_SHARE * width_s)]
    return states[-1] if states else ""


def make_strip(
    whole: CamData,
    cam: CamData,
    *,
    sensor: Sensor,
    rest: Rest,
    hold: Hold,
    sticking: Sticking,
    limits: Mapping[str, Limit],
) -> Strip:
    """The strip of a cam. `whole` has all its readings, `cam` only those that can be angles of it."""
    jumps = sticking_jumps(find_plateaus(cam)) if sticking.sticks else []
    stuck, off_rest = stuck_readings(cam, jumps), _off_rest(cam, rest, limits)
    if off_rest.any():  # an error even at rest comes from timing, not from sticking
        stuck &= ~lasting_error(cam, limits)
    state = np.where(rest_commanded(cam), 0, 1)
    marks = {
        "late": _late(cam, limits),
        "hunting": _unsteady(cam, rest, hold, sticking.swings, limits),
        "off": lasting_error(cam, limits) | off_rest,
        "stood": stuck,
        "jumped": cam.inside((p.break_s, p.break_s + JUMP_SHOWN_S) for p in jumps),
        "unreadable": cam.inside(sensor.frozen.stretches_s) if sensor.frozen.kind == "frozen" else False,
    }
    for name, mask in marks.items():
        state = np.where(mask, STATES.index(name), state)
    state = np.where(cam.known, state, np.where(cam.running, STATES.index("unreadable"), -1))
    segments = tuple(_segments(whole, cam, state))
    return Strip(segments, _worst(_moments(cam, segments, jumps)))


def _late(cam: CamData, limits: Mapping[str, Limit]) -> np.ndarray:
    """True (n,) where a cam just within the T63 limit of its oil window would be nearer to the command by at least
    LATE_LEAST_DEG."""
    grid, cell = command_grid(cam), cell_of_reading(cam)
    window = cam.window_at(cam.actual_time_s)
    least = max(LATE_LEAST_DEG, find_away(cam).threshold_deg)
    late = np.zeros(len(cell), dtype=bool)
    for i in np.unique(window):
        window_name = window_word(cam.windows[i], limits) if i >= 0 else "cold"
        t63_s = limits[f"t63_{window_name}_s"].value
        dead_s = min(SLOW_HEALTHY_DEAD_TIME_S, 0.5 * t63_s)
        reference = lagged(grid.command_deg, dead_s, t63_s - dead_s)[cell]
        command = cam.command_at_actual
        low, high = np.fmin(reference, command), np.fmax(reference, command)
        late |= (window == i) & (np.abs(outside(cam.actual_deg, low, high)) > least)
    late &= ~steady_segments(cam).settled & (np.abs(cam.error_deg) > least)
    for first, last in zip(*runs(late), strict=True):
        if np.sum(cam.duration_s[first:last]) < LATE_LEAST_S:
            late[first:last] = False
    return late


def _unsteady(cam: CamData, rest: Rest, hold: Hold, swings: Swings, limits: Mapping[str, Limit]) -> np.ndarray:
    """True (n,) in held blocks whose flutter, and that of their oil window, is beyond the limit; in swings of a cam
    that hunts; in a rattling start."""
    limit = limits["flutter_rms_deg"].value
    flutters = [cam.windows.index(w) for w, h in hold.windows if (h.flutter_rms_deg.value or 0.0) > limit]
    if not hold.windows and (hold.flutter_rms_deg.value or 0.0) > limit:
        flutters = [-1]
    held, unsteady = held_readings(cam), np.zeros(len(cam.actual_deg), dtype=bool)
    if len(held.index):
        blocks = blocks_of(held.block)
        rms = np.sqrt(blocks.sum(held.residual_deg**2) / held.freedom[held.block[blocks.starts]])
        unsteady[held.index] = blocks.spread(rms > limit)
        unsteady &= np.isin(cam.window_at(cam.actual_time_s), flutters)
    if swings.hunts or swings.sticks:
        unsteady |= cam.inside((t, t + (swings.half_cycle_s or 0.0)) for t in swings.begun_s)
    start = rest.cold_start
    if start.start_s is not None and (start.flutter_rms_deg.value or 0.0) > limits["cold_start_flutter_deg"].value:
        unsteady |= cam.inside([(start.start_s, start.start_s + WATCHED_S)]) & rest_commanded(cam)
    return unsteady


def _off_rest(cam: CamData, rest: Rest, limits: Mapping[str, Limit]) -> np.ndarray:
    """True (n,) where the cam is held at rest, if its rest offset is surely beyond the limit; else all False."""
    ends, limit = rest.offset_deg.interval, limits["rest_offset_deg"].value
    if ends is None or -limit <= ends[1] and ends[0] <= limit:
        return np.zeros(len(cam.actual_deg), dtype=bool)
    return rest_commanded(cam) & steady_segments(cam).settled & (np.abs(cam.actual_deg) > limit)


def _segments(whole: CamData, cam: CamData, state: np.ndarray) -> Iterator[Segment]:
    """Runs of one state. Stretches without readings, or with readings that cannot be angles, are `unreadable`."""
    t, hole_s = whole.actual_time_s, whole.actual_max_gap_s
    known = np.searchsorted(cam.actual_time_s, t)
    known = np.minimum(known, len(cam.actual_time_s) - 1)
    label = np.where(cam.actual_time_s[known] == t, state[known], STATES.index("unreadable"))
    ends = np.append(t[1:], t[-1:])
    broken = ends - t > hole_s
    edges = np.flatnonzero((np.diff(label) != 0) | broken[:-1]) + 1
    for first, past in zip([0, *edges], [*edges, len(t)], strict=True):
        end_s = float(t[past - 1] if broken[past - 1] else ends[past - 1])
        if label[first] >= 0 and end_s > t[first]:
            yield Segment(STATES[label[first]], float(t[first]), end_s)
        if broken[past - 1]:
            yield Segment("unreadable", end_s, float(ends[past - 1]))


def _moments(cam: CamData, segments: tuple[Segment, ...], jumps: list[Plateau]) -> Iterator[Moment]:
    """Each stand that ended in a jump, and each other stretch of one faulty state."""
    area = np.concatenate([[0.0], np.cumsum(np.nan_to_num(np.abs(cam.error_deg)) * cam.duration_s)])

    def moment(state: str, start_s: float, end_s: float, *jump: float) -> Moment:
        first, past = np.searchsorted(cam.actual_time_s, [start_s, end_s])
        deg = float(np.nanmax(np.abs(cam.error_deg[first:past]), initial=0.0))
        return Moment(state, start_s, end_s, deg, float(area[past] - area[first]), *jump)

    away = find_away(cam).side != 0
    for p in jumps:
        standing = slice(*np.searchsorted(cam.actual_time_s, [p.start_s, p.break_s]))
        leaves = np.flatnonzero(away[standing])
        leaves_s = float(cam.actual_time_s[standing][leaves[0]]) if len(leaves) else p.start_s
        yield moment("stood", leaves_s, p.break_s + JUMP_SHOWN_S, p.break_s, p.jump_deg)
    joined: list[tuple[str, float, float]] = []
    for s in segments:
        if joined and joined[-1][0] == s.state and s.start_s - joined[-1][2] <= JOIN_S:
            joined[-1] = (s.state, joined[-1][1], s.end_s)
        elif s.state in FAULTY and s.state != "jumped":
            joined.append((s.state, s.start_s, s.end_s))
    jumped_s = np.array([p.break_s for p in jumps])
    for state, start_s, end_s in joined:
        if state != "stood" or not np.any((start_s <= jumped_s) & (jumped_s <= end_s + JOIN_S)):
            yield moment(state, start_s, end_s)


def _worst(moments: Iterator[Moment]) -> tuple[Moment, ...]:
    """The worst moments of each state, worst first: stands that ended in a jump by time and jump, others by distance
    times time."""
    worst: list[Moment] = []

    def rank(m: Moment) -> tuple[bool, float]:
        if m.break_s is None or m.jump_deg is None:
            return False, m.deg_s
        return True, (m.break_s - m.start_s) * m.jump_deg

    for m in sorted(moments, key=rank, reverse=True):
        if sum(k.state == m.state and (k.jump_deg is None) == (m.jump_deg is None) for k in worst) < MOST_MOMENTS:
            worst.append(m)
    return tuple(worst)
