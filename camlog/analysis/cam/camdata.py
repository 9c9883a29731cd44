"""One cam's readings, made once from a trace: the input of every measure of that cam.

Commanded angle, actual angle and duty keep the times at which each was sampled. They are never
compared row by row: `command_at` gives the command at any other time, and nothing where it is not known.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from camlog import signals
from camlog.oil_windows import OilTemperature, oil_temperature

if TYPE_CHECKING:
    from camlog.profile import VehicleProfile
    from camlog.trace import Trace

# The command is known between two samples while they are at most a few sampling intervals apart; the
# bounds keep a fast recording's short hiccup usable and a slow one's long hole from being bridged.
GAP_INTERVALS = 4.0
GAP_MIN_S = 0.5
GAP_MAX_S = 2.0
# Beyond every angle, speed and count: a reading of 1e300 is as wrong as one of this, and its square is a number.
LARGEST_VALUE = 1e7
# No adapter reads faster: times nearer to each other are no times, and counts of them would have no end.
INTERVAL_LEAST_S = 1e-6
# Nobody knows what a command did between two readings further apart than this, however slow the recording.
GAP_LONGEST_S = 5.0
ENGINE_MAX_AGE_S = 5.0  # engine speed and load change fast: an older reading says nothing about now
# Levels farther apart than this are where the signal was, not counts of it (a command of 0 and 20 has two
# levels).
LARGEST_STEP_DEG = 2.0
RUNNING_RPM = 400.0  # above every cranking speed, below every idle

_EMPTY = np.empty(0)


@dataclass(frozen=True, eq=False)
class CamData:
    """The readings of one cam and of what drives it.

    Every `*_time_s` array is strictly increasing (seconds, float64) and its value array has the same
    shape (n,), all finite. Angles are crankshaft degrees, advance positive, zero at rest; `range_deg` is
    the travel from rest (lowest, highest) where a vehicle profile gives it. `gaps` are (start_s, end_s)
    stretches in which nothing was recorded.
    """

    cam: str
    command_time_s: np.ndarray
    command_deg: np.ndarray
    actual_time_s: np.ndarray
    actual_deg: np.ndarray
    rest_deg: float = 0.0
    range_deg: tuple[float, float] | None = None
    duty_time_s: np.ndarray = field(default_factory=lambda: _EMPTY)
    duty_pct: np.ndarray = field(default_factory=lambda: _EMPTY)
    oil: OilTemperature = field(default_factory=lambda: OilTemperature(None))
    speed_time_s: np.ndarray = field(default_factory=lambda: _EMPTY)
    speed_rpm: np.ndarray = field(default_factory=lambda: _EMPTY)
    load_time_s: np.ndarray = field(default_factory=lambda: _EMPTY)
    load_pct: np.ndarray = field(default_factory=lambda: _EMPTY)
    run_time_time_s: np.ndarray = field(default_factory=lambda: _EMPTY)
    run_time_s: np.ndarray = field(default_factory=lambda: _EMPTY)
    gaps: tuple[tuple[float, float], ...] = ()

    @cached_property
    def actual_interval_s(self) -> float:
        """Median interval between two actual readings; NaN below two readings."""
        return _median_interval(self.actual_time_s)

    @cached_property
    def command_interval_s(self) -> float:
        """Median interval between two command readings; NaN below two readings."""
        return _median_interval(self.command_time_s)

    @cached_property
    def max_gap_s(self) -> float:
        """Longest distance between two command samples across which the command is interpolated."""
        return _max_gap(self.command_interval_s)

    @cached_property
    def actual_max_gap_s(self) -> float:
        """Longest distance between two actual samples that still counts as unbroken recording."""
        return _max_gap(self.actual_interval_s)

    @cached_property
    def actual_step_deg(self) -> float:
        """Size of one count of the actual angle, as the readings show it; 0 where none is visible."""
        return quantisation_step(self.actual_deg)

    @cached_property
    def command_step_deg(self) -> float:
        """Size of one count of the commanded angle, as the readings show it; 0 where none is visible."""
        return quantisation_step(self.command_deg)

    def command_at(self, time_s: np.ndarray) -> np.ndarray:
        """The command at the given times (shape kept), linear between neighbours.

        NaN where the neighbours are more than `max_gap_s` apart, inside a gap, or outside the readings.
        """
        time_s = np.asarray(time_s, dtype=float)
        value = _between(time_s, self.command_time_s, self.command_deg, self.max_gap_s)
        return np.where(self.in_gap(time_s), np.nan, value) if self.gaps else value

    @cached_property
    def command_at_actual(self) -> np.ndarray:
        """The command at the times of the actual readings, shape of `actual_deg`; NaN where unknown."""
        if np.array_equal(self.actual_time_s, self.command_time_s):
            return np.where(self.in_gap(self.actual_time_s), np.nan, self.command_deg)
        return self.command_at(self.actual_time_s)

    @cached_property
    def error_deg(self) -> np.ndarray:
        """Actual minus command at the times of the actual readings; NaN where the command is unknown."""
        return self.actual_deg - self.command_at_actual

    def duty_at(self, time_s: np.ndarray) -> np.ndarray:
        """Control-valve duty in percent at the given times; NaN where unknown."""
        return _between(time_s, self.duty_time_s, self.duty_pct, _max_gap(_median_interval(self.duty_time_s)))

    def oil_temp_at(self, time_s: np.ndarray) -> np.ndarray:
        """Oil temperature (or its declared fallback) in degC at the given times; NaN where unknown."""
        return self.oil.at(time_s)

    @cached_property
    def oil_temp_at_actual(self) -> np.ndarray:
        """`oil_temp_at` the actual readings, shape of `actual_deg`."""
        return self.oil_temp_at(self.actual_time_s)

    @property
    def oil_source(self) -> str | None:
        """What `oil_temp_at` rests on: "oil_temp", "coolant_temp" as a stand-in, or None."""
        return self.oil.source

    def speed_at(self, time_s: np.ndarray) -> np.ndarray:
        """Engine speed in rpm at the given times; NaN where unknown."""
        return _held(time_s, self.speed_time_s, self.speed_rpm, ENGINE_MAX_AGE_S)

    def load_at(self, time_s: np.ndarray) -> np.ndarray:
        """Engine load in percent at the given times; NaN where unknown."""
        return _held(time_s, self.load_time_s, self.load_pct, ENGINE_MAX_AGE_S)

    def running_at(self, time_s: np.ndarray) -> np.ndarray:
        """True where the engine runs; an unknown engine speed counts as running."""
        speed = self.speed_at(time_s)
        return ~(speed < RUNNING_RPM)

    @cached_property
    def running(self) -> np.ndarray:
        """`running_at` the actual readings, shape of `actual_deg`."""
        return self.running_at(self.actual_time_s)

    @cached_property
    def _gap_bounds(self) -> np.ndarray:
        return np.asarray(self.gaps, dtype=float).T

    def in_gap(self, time_s: np.ndarray) -> np.ndarray:
        """True strictly inside a stretch in which nothing was recorded."""
        time_s = np.asarray(time_s, dtype=float)
        if not self.gaps:
            return np.zeros(time_s.shape, dtype=bool)
        starts, ends = self._gap_bounds
        before = np.searchsorted(starts, time_s, side="left") - 1
        return (before >= 0) & (time_s < ends[np.maximum(before, 0)])


def cam_data(
    trace: Trace, cam: str, profile: VehicleProfile | None = None, gaps: Iterable[tuple[float, float]] = ()
) -> CamData | None:
    """The readings of `cam` (`intake_b1`) in a trace; None where either angle was never read.

    `gaps` are (start_s, end_s) stretches known to hold no recording; holes of both angles are added.
    A trace is zero at rest (the profile's rest angle was taken off on reading), so `rest_deg` is 0.
    """
    command_time, command = _clean(*trace.samples(signals.commanded(cam)))
    actual_time, actual = _clean(*trace.samples(signals.actual(cam)))
    if not len(command_time) or not len(actual_time):
        return None
    duty_time, duty = _clean(*trace.samples(signals.duty(cam)))
    speed_time, speed = _clean(*trace.samples("engine_speed"))
    load_time, load = _clean(*trace.samples("engine_load"))
    run_time_time, run_time = _clean(*trace.samples("run_time"))
    known = profile.cam(cam) if profile is not None else None
    return CamData(
        cam=cam,
        command_time_s=command_time,
        command_deg=command,
        actual_time_s=actual_time,
        actual_deg=actual,
        rest_deg=0.0,
        range_deg=known.range_deg if known is not None else None,
        duty_time_s=duty_time,
        duty_pct=duty,
        oil=oil_temperature(trace),
        speed_time_s=speed_time,
        speed_rpm=speed,
        load_time_s=load_time,
        load_pct=load,
        run_time_time_s=run_time_time,
        run_time_s=run_time,
        gaps=_merge([*gaps, *_holes(command_time, actual_time)]),
    )


def quantisation_step(value: np.ndarray) -> float:
    """The step between neighbouring levels of a quantised signal, in its unit; 0 where none is visible.

    A recording of n readings spread over k levels repeats itself when quantised. The step is the smallest
    difference between levels in use, taken only where the levels lie on multiples of it.
    """
    levels = np.unique(value)
    if len(levels) < 2 or len(levels) > 0.5 * len(value):
        return 0.0
    differences = np.diff(levels)
    # Differences below a thousandth of the spread are rounding of a unit conversion, not a level.
    spread = levels[-1] - levels[0]
    differences = differences[differences > 1e-4 * spread + 1e-9]
    if not len(differences):
        return 0.0
    step = float(np.min(differences))
    if step > LARGEST_STEP_DEG:
        return 0.0
    counts = differences / step
    on_grid = np.abs(counts - np.round(counts)) < 0.1
    return step if np.mean(on_grid) > 0.9 else 0.0


def _clean(time_s: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Finite and within LARGEST_VALUE, in time order, one value a time (the last replaces an earlier answer)."""
    keep = np.isfinite(time_s) & np.isfinite(value)
    if not keep.all():
        time_s, value = time_s[keep], value[keep]
    time_s, value = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    if len(time_s) > 1 and np.any(np.diff(time_s) <= 0):
        order = np.argsort(time_s, kind="stable")
        time_s, value = time_s[order], value[order]
        last = np.append(np.diff(time_s) > 0, True)
        time_s, value = time_s[last], value[last]
    return time_s, np.clip(value, -LARGEST_VALUE, LARGEST_VALUE)


def _median_interval(time_s: np.ndarray) -> float:
    return max(float(np.median(np.diff(time_s))), INTERVAL_LEAST_S) if len(time_s) > 1 else float("nan")


def _max_gap(interval_s: float) -> float:
    if not np.isfinite(interval_s):
        return GAP_MIN_S
    # A recording slower than the cap still has neighbours; it may not bridge more than one lost sample.
    usual = max(min(max(GAP_INTERVALS * interval_s, GAP_MIN_S), GAP_MAX_S), 1.5 * interval_s)
    return float(min(usual, GAP_LONGEST_S))


def _between(time_s: np.ndarray, at_s: np.ndarray, value: np.ndarray, max_gap_s: float) -> np.ndarray:
    """Linear interpolation; NaN outside and between samples further apart than `max_gap_s`."""
    time_s = np.asarray(time_s, dtype=float)
    if not len(at_s):
        return np.full(time_s.shape, np.nan)
    right = np.searchsorted(at_s, time_s, side="left")
    inside = (right < len(at_s)) & (time_s >= at_s[0])
    right = np.minimum(right, len(at_s) - 1)
    exact = at_s[right] == time_s
    left = np.maximum(right - 1, 0)
    near = (at_s[right] - at_s[left]) <= max_gap_s
    return np.where(inside & (exact | near), np.interp(time_s, at_s, value), np.nan)


def _held(time_s: np.ndarray, at_s: np.ndarray, value: np.ndarray, max_age_s: float) -> np.ndarray:
    """Interpolation, held at the ends; NaN further than `max_age_s` from the nearest sample."""
    time_s = np.asarray(time_s, dtype=float)
    if not len(at_s):
        return np.full(time_s.shape, np.nan)
    right = np.searchsorted(at_s, time_s, side="left")
    after = at_s[np.minimum(right, len(at_s) - 1)]
    before = at_s[np.maximum(right - 1, 0)]
    age = np.minimum(np.abs(after - time_s), np.abs(time_s - before))
    return np.where(age <= max_age_s, np.interp(time_s, at_s, value), np.nan)


def _holes(command_time_s: np.ndarray, actual_time_s: np.ndarray) -> list[tuple[float, float]]:
    """Stretches in which neither angle was read: the recording itself stopped."""
    both = command_time_s
    if not np.array_equal(command_time_s, actual_time_s):
        both = np.union1d(command_time_s, actual_time_s)
    limit = max(_max_gap(_median_interval(command_time_s)), _max_gap(_median_interval(actual_time_s)))
    wide = np.flatnonzero(np.diff(both) > limit)
    return [(float(both[i]), float(both[i + 1])) for i in wide]


def _merge(gaps: Iterable[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    merged: list[tuple[float, float]] = []
    for start_s, end_s in sorted((float(a), float(b)) for a, b in gaps):
        if merged and start_s <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end_s))
        else:
            merged.append((start_s, end_s))
    return tuple(merged)
