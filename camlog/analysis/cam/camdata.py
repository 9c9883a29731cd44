"""One cam prepared for measuring: its readings, the command at their times, oil windows.

Commanded and actual angle each keep their own sample times and are never compared row by row. A further step of
preparation is a function of the cam decorated with `once_per_cam`, which caches the result in the cam."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import cached_property, wraps
from typing import Any, TypeVar

import numpy as np

from camlog import cams
from camlog.analysis.drive.ticks import RUNNING_RPM
from camlog.oil_windows import OIL_WINDOWS, OilTemperature, OilWindow, oil_temperature, window_index
from camlog.profile import VehicleProfile
from camlog.trace import Trace, interpolated

# The command is known between two samples that are at most GAP_INTERVALS sampling intervals apart, at least GAP_MIN_S
# (a short hiccup of a fast recording stays usable) and at most GAP_MAX_S (a long hole is not bridged).
GAP_INTERVALS = 4.0
GAP_MIN_S, GAP_MAX_S = 0.5, 2.0
# The command between two readings farther apart than this is unknown, however slow the recording.
GAP_LONGEST_S = 5.0
# Larger than any real angle, speed or count. Readings beyond it are dropped, so squares cannot overflow.
LARGEST_VALUE = 1e7
# No adapter reads faster. The bound keeps divisions by the sampling interval finite.
INTERVAL_LEAST_S = 1e-6
ENGINE_MAX_AGE_S = 5.0  # engine speed changes fast: an older reading says nothing about now
# Levels farther apart than this are not neighbouring counts of the signal.
LARGEST_STEP_DEG = 2.0

_EMPTY = np.empty(0)
Result = TypeVar("Result")


@dataclass(frozen=True, eq=False)
class CamData:
    """The readings of one cam, and of the engine speed, run time and oil temperature it depends on.

    Times (seconds) increase strictly, values are finite, each pair of arrays has shape (n,). Angles are crankshaft
    degrees, advance positive, zero at rest. `range_deg` is the travel (lowest, highest) from the profile, or None.
    `windows` are the oil-temperature windows that figures are given for. For each of the two angles, `..._interval_s`
    is the median sampling interval (NaN below two readings), `...max_gap_s` the longest time between two readings that
    counts as unbroken, and `..._step_deg` the size of one count (0: none visible)."""

    cam: str
    command_time_s: np.ndarray
    command_deg: np.ndarray
    actual_time_s: np.ndarray
    actual_deg: np.ndarray
    range_deg: tuple[float, float] | None = None
    oil: OilTemperature = field(default_factory=lambda: OilTemperature(None))
    speed_time_s: np.ndarray = field(default_factory=lambda: _EMPTY)
    speed_rpm: np.ndarray = field(default_factory=lambda: _EMPTY)
    run_time_time_s: np.ndarray = field(default_factory=lambda: _EMPTY)
    run_time_s: np.ndarray = field(default_factory=lambda: _EMPTY)
    windows: tuple[OilWindow, ...] = OIL_WINDOWS
    _cached: dict[str, Any] = field(default_factory=dict, init=False, repr=False)

    actual_interval_s = cached_property(lambda self: _median_interval(self.actual_time_s))
    command_interval_s = cached_property(lambda self: _median_interval(self.command_time_s))
    actual_max_gap_s = cached_property(lambda self: _max_gap(self.actual_interval_s))
    max_gap_s = cached_property(lambda self: _max_gap(self.command_interval_s))
    actual_step_deg = cached_property(lambda self: quantisation_step(self.actual_deg))
    command_step_deg = cached_property(lambda self: quantisation_step(self.command_deg))

    def command_at(self, time_s: np.ndarray) -> np.ndarray:
        """The command at the given times by linear interpolation; NaN where its readings are too far apart."""
        time_s = np.asarray(time_s, dtype=float)
        right = np.minimum(np.searchsorted(self.command_time_s, time_s), len(self.command_time_s) - 1)
        before, after = self.command_time_s[np.maximum(right - 1, 0)], self.command_time_s[right]
        known = (after == time_s) | (after - before <= self.max_gap_s)
        value = np.interp(time_s, self.command_time_s, self.command_deg, np.nan, np.nan)
        return np.where(known, value, np.nan)

    @cached_property
    def command_at_actual(self) -> np.ndarray:
        """The command at the times of the actual readings, shape of `actual_deg`; NaN where unknown."""
        together = np.array_equal(self.actual_time_s, self.command_time_s)
        return self.command_deg if together else self.command_at(self.actual_time_s)

    @cached_property
    def error_deg(self) -> np.ndarray:
        """Actual minus command at the times of the actual readings; NaN where the command is unknown."""
        return self.actual_deg - self.command_at_actual

    def window_at(self, time_s: np.ndarray) -> np.ndarray:
        """Index into `windows` at the given times; -1 where the temperature is unknown or outside every window."""
        return window_index(self.windows, self.oil.at(time_s))

    @cached_property
    def by_window(self) -> tuple[tuple[OilWindow, np.ndarray], ...]:
        """Each oil-temperature window that occurs, with a mask (n,) of the actual readings in it."""
        index = self.window_at(self.actual_time_s)
        return tuple((w, index == i) for i, w in enumerate(self.windows) if np.any(index == i))

    def speed_at(self, time_s: np.ndarray) -> np.ndarray:
        """Engine speed (rpm) at the given times; NaN more than ENGINE_MAX_AGE_S from a reading."""
        return interpolated(time_s, self.speed_time_s, self.speed_rpm, ENGINE_MAX_AGE_S)

    def running_at(self, time_s: np.ndarray) -> np.ndarray:
        """True where the engine runs; an unknown engine speed counts as running."""
        return ~(self.speed_at(time_s) < RUNNING_RPM)

    @cached_property
    def running(self) -> np.ndarray:
        return self.running_at(self.actual_time_s)

    @cached_property
    def known(self) -> np.ndarray:
        """True (n,) for the actual readings with the engine running and the command known."""
        return self.running & np.isfinite(self.command_at_actual)

    @cached_property
    def duration_s(self) -> np.ndarray:
        """Duration (s) of each actual reading: half the time to each neighbour, gaps left out."""
        if len(self.actual_time_s) < 2:
            return np.zeros(len(self.actual_time_s))
        gap = np.diff(self.actual_time_s)
        gap = np.where(gap > self.actual_max_gap_s, 0.0, gap)
        return 0.5 * (np.concatenate([[0.0], gap]) + np.concatenate([gap, [0.0]]))

    def inside(self, stretches_s: Iterable[tuple[float, float]]) -> np.ndarray:
        """True (n,) for the actual readings in any of the stretches (start_s, end_s)."""
        chosen = np.zeros(len(self.actual_time_s), dtype=bool)
        for stretch in stretches_s:
            chosen[slice(*np.searchsorted(self.actual_time_s, stretch))] = True
        return chosen

    def seconds(self, keep: np.ndarray) -> float:
        """Total duration (s) of the actual readings selected by `keep` (n,)."""
        return float(np.sum(self.duration_s[keep]))

    @cached_property
    def gaps(self) -> tuple[tuple[float, float], ...]:
        """Stretches (start_s, end_s) in which neither angle was read."""
        both = np.union1d(self.command_time_s, self.actual_time_s)
        at = np.flatnonzero(np.diff(both) > max(self.max_gap_s, self.actual_max_gap_s))
        return tuple(zip(both[at].tolist(), both[at + 1].tolist(), strict=True))

    def without(self, bad: np.ndarray) -> CamData:
        """A copy without the actual readings marked in `bad` (n,); `self` where none is marked or too few remain."""
        if not bad.any() or np.sum(~bad) < 5:
            return self
        return replace(self, actual_time_s=self.actual_time_s[~bad], actual_deg=self.actual_deg[~bad])

    def forget(self) -> None:
        """Free the results cached by `once_per_cam`; they are computed again on demand."""
        self._cached.clear()


def once_per_cam(prepare: Callable[[CamData], Result]) -> Callable[[CamData], Result]:
    """Decorator for a function of the cam alone: compute once for each cam and cache the result in the cam."""
    name = f"{prepare.__module__}.{prepare.__qualname__}"

    @wraps(prepare)
    def cached(cam: CamData) -> Result:
        if name not in cam._cached:
            cam._cached[name] = prepare(cam)
        return cam._cached[name]

    return cached


def cam_data(
    trace: Trace, cam: str, profile: VehicleProfile | None = None, windows: Iterable[OilWindow] = OIL_WINDOWS
) -> CamData | None:
    """The readings of `cam` (`intake_b1`) in a trace; None where either angle was never read."""
    command, actual, speed, run_time = (
        _clean(*trace.samples(name)) for name in (cams.commanded(cam), cams.actual(cam), "engine_speed", "run_time")
    )
    if not len(command[0]) or not len(actual[0]):
        return None
    setup = profile.cam(cam) if profile is not None else None
    travel = setup.range_deg if setup is not None else None
    return CamData(cam, *command, *actual, travel, oil_temperature(trace), *speed, *run_time, tuple(windows))


def quantisation_step(value: np.ndarray) -> float:
    """The step between neighbouring levels of a quantised signal, in its unit; 0 where none is visible.
    It is the smallest difference between levels, and counts only where all levels are multiples of it."""
    levels = np.unique(value)
    if len(levels) < 2 or len(levels) > 0.5 * len(value):
        return 0.0
    differences = np.diff(levels)
    # Differences below a thousandth of the spread are rounding of a unit conversion, not levels.
    differences = differences[differences > 1e-4 * (levels[-1] - levels[0]) + 1e-9]
    if not len(differences) or np.min(differences) > LARGEST_STEP_DEG:
        return 0.0
    step = float(np.min(differences))
    counts = differences / step
    return step if np.mean(np.abs(counts - np.round(counts)) < 0.1) > 0.9 else 0.0


def _clean(time_s: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The finite readings within LARGEST_VALUE, in time order; of several at one time the last."""
    keep = np.isfinite(time_s) & np.isfinite(value)
    if not keep.all():  # spares a copy: signals of one row share their times
        time_s, value = time_s[keep], value[keep]
    time_s, value = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    if np.any(np.diff(time_s) <= 0):
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
    # In a recording slower than GAP_MAX_S, neighbours still count as unbroken, but only one lost sample is bridged.
    longest = max(min(max(GAP_INTERVALS * interval_s, GAP_MIN_S), GAP_MAX_S), 1.5 * interval_s)
    return float(min(longest, GAP_LONGEST_S))
