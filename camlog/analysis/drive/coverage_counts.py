"""What a drive contained for each cam, counted tick by tick: moves, holds, rest, cold start, sampling.

All counts are integers over ticks or microseconds, so a live drive taken in
pieces and a saved trace taken whole give the same numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from camlog import cams as cam_names
from camlog.analysis.drive.ticks import (
    DRIVE_SIGNALS,
    IDLE,
    TICK_S,
    EngineClassifier,
    EngineStates,
    Ticks,
    trailing,
)
from camlog.oil_windows import OPEN_SENSOR_COOLANT_DEGC, OPEN_SENSOR_DEGC, OilWindow, window_index

# A move the cam's response can be taken from: well above quantisation, quick against a warm phaser.
MOVE_DEG = 5.0
MOVE_S = 2.0
# The command counts as held once it stayed within this band this long: dither and a coarse count stay inside.
HOLD_BAND_DEG = 2.0
HOLD_S = 1.5
# Commanded away from rest by this much, or to rest within this much.
OFF_REST_DEG = 5.0
AT_REST_DEG = 1.5
AFTER_START_S = 10.0  # the cold-start rattle shows in these first seconds
RATE_GAP_S = 2.0  # two readings farther apart than this are a hole in the recording, not its rate

_MOVE_TICKS = int(MOVE_S / TICK_S) + 1
_HOLD_TICKS = int(HOLD_S / TICK_S) + 1
_KEEP_TICKS = max(_MOVE_TICKS, _HOLD_TICKS) - 1


class Intervals:
    """Mean time between the readings of one signal, holes left out; exact in whole microseconds."""

    def __init__(self) -> None:
        self.readings = 0
        self._last_us = np.empty(0, dtype=np.int64)
        self._total_us = self._count = 0

    def add(self, time_s: np.ndarray) -> None:
        """Take the times of the next readings, shape (n,)."""
        us = np.concatenate([self._last_us, np.rint(np.asarray(time_s) * 1e6).astype(np.int64)])
        steps = np.diff(us)
        steps = steps[(steps > 0) & (steps <= round(RATE_GAP_S * 1e6))]
        self.readings += len(time_s)
        self._total_us += int(steps.sum())
        self._count += len(steps)
        self._last_us = us[-1:]

    @property
    def mean_s(self) -> float | None:
        """Mean interval in seconds; None without two readings in a row."""
        return self._total_us / self._count / 1e6 if self._count else None


class CamCounts:
    """Counts of one cam, each an array with one entry a window and a last one for unknown temperature.

    `advance_moves` and `retard_moves` of the command; ticks of `hold` away from rest, of `rest`, of
    `idle_rest`, of `idle` with the command known, at rest or not, and of `cold_start`.
    """

    def __init__(self, windows: int):
        names = ("advance_moves", "retard_moves", "hold", "rest", "idle_rest", "idle", "cold_start")
        self.counts = {name: np.zeros(windows + 1, dtype=np.int64) for name in names}
        self.command, self.actual = Intervals(), Intervals()
        self._index, self._angle = np.empty(0, dtype=np.int64), np.empty(0)
        self._moving = {"advance_moves": False, "retard_moves": False}

    @property
    def read(self) -> tuple[str, ...]:
        """Which of `command` and `actual` were read at all."""
        return tuple(name for name in ("command", "actual") if getattr(self, name).readings)

    @property
    def pair_interval_s(self) -> float | None:
        """The slower angle's mean sampling interval."""
        command, actual = self.command.mean_s, self.actual.mean_s
        return None if command is None or actual is None else max(command, actual)

    def add(
        self, index: np.ndarray, angle: np.ndarray, where: np.ndarray, states: EngineStates, cold: np.ndarray
    ) -> None:
        """Take the next ticks: the command `angle` (deg), `where` the window, `cold` oil below cold."""
        old = len(self._index)
        all_index, all_angle = np.concatenate([self._index, index]), np.concatenate([self._angle, angle])
        low, high = (v[old:] for v in trailing(all_angle, all_index, _MOVE_TICKS))
        held_low, held_high = (v[old:] for v in trailing(all_angle, all_index, _HOLD_TICKS))
        # A command read with the engine known to stand still moves nothing.
        usable, known, idle = ~states.stopped, np.isfinite(angle), states.state == IDLE
        held = (held_high - held_low <= HOLD_BAND_DEG) & usable
        rest = held & (np.abs(angle) <= AT_REST_DEG)
        ticks = {
            "hold": held & (np.abs(angle) >= OFF_REST_DEG),
            "rest": rest,
            "idle_rest": rest & idle,
            "idle": idle & known,
            "cold_start": states.running & (states.since_start_s <= AFTER_START_S) & cold & known,
        }
        for name, moved_deg in (("advance_moves", angle - low), ("retard_moves", high - angle)):
            moving = (moved_deg >= MOVE_DEG) & usable
            ticks[name] = moving & ~np.concatenate([[self._moving[name]], moving[:-1]])
            self._moving[name] = bool(moving[-1])
        for name, flags in ticks.items():
            self.counts[name] += np.bincount(where[flags], minlength=len(self.counts[name]))
        self._index, self._angle = all_index[-_KEEP_TICKS:], all_angle[-_KEEP_TICKS:]


class DriveCounts:
    """Counts of a drive for the named cams and oil windows, taken in pieces or at once."""

    def __init__(self, cams: Sequence[str], windows: Sequence[OilWindow], cold_degc: float):
        self.windows = tuple(windows)
        self.cam = {c: CamCounts(len(windows)) for c in cams}
        self.intervals = {cam_names.commanded(c): k.command for c, k in self.cam.items()}
        self.intervals |= {cam_names.actual(c): k.actual for c, k in self.cam.items()}
        self.signals = (*DRIVE_SIGNALS, *(cam_names.commanded(c) for c in cams))
        self.running = np.zeros(len(windows) + 1, dtype=np.int64)
        self.speed_known = self.temperature_known = self._oil_seen = False
        self._cold_degc = cold_degc
        self._engine = EngineClassifier()

    def add(self, ticks: Ticks, reading_times: Mapping[str, np.ndarray]) -> None:
        """Take the next ticks of `signals`, and the times at which each signal of `intervals` was read."""
        for name, time_s in reading_times.items():
            self.intervals[name].add(time_s)
        if not len(ticks):
            return
        states = self._engine.classify(ticks)
        oil, coolant = ticks.get("oil_temp"), ticks.get("coolant_temp")
        oil = np.where((oil <= OPEN_SENSOR_DEGC) & (coolant > OPEN_SENSOR_COOLANT_DEGC), np.nan, oil)
        # The coolant stands in until an oil temperature was read.
        oil_seen = np.logical_or.accumulate(np.concatenate([[self._oil_seen], np.isfinite(oil)]))[1:]
        oil = np.where(oil_seen, oil, coolant)
        where = window_index(self.windows, oil)
        where[where < 0] = len(self.windows)
        self._oil_seen = bool(oil_seen[-1])
        self.speed_known |= bool(np.isfinite(ticks.get("engine_speed")).any())
        self.temperature_known |= bool(np.isfinite(oil).any())
        self.running += np.bincount(where[states.running], minlength=len(self.running))
        for cam, counts in self.cam.items():
            counts.add(ticks.index, ticks.get(cam_names.commanded(cam)), where, states, oil < self._cold_degc)

    def within(self, counted: np.ndarray, low_degc: float, high_degc: float) -> int:
        """Sum of `counted` (one entry a window) over the windows from `low_degc` to `high_degc`."""
        inside = [low_degc <= w.min_degc and w.max_degc <= high_degc for w in self.windows]
        return int(np.sum(counted[:-1][inside]))
