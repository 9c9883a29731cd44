"""What a drive contained for each cam, counted tick by tick: moves, holds, rest, cold start, sampling.

All counts are integers over ticks or microseconds, so a live drive taken in
pieces and a saved trace taken whole give the same numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from camlog import signals
from camlog.analysis.drive.engine import IDLE, EngineClassifier, EngineStates
from camlog.analysis.drive.ticks import DRIVE_SIGNALS, TICK_S, Ticks, trailing
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
# The cold-start rattle shows in these first seconds.
AFTER_START_S = 10.0
# Two readings farther apart than this are a hole in the recording, not its rate.
RATE_GAP_S = 2.0

_MOVE_TICKS = int(MOVE_S / TICK_S) + 1
_HOLD_TICKS = int(HOLD_S / TICK_S) + 1
_KEEP_TICKS = max(_MOVE_TICKS, _HOLD_TICKS) - 1
_GAP_US = round(RATE_GAP_S * 1e6)


def coverage_signals(cams: Sequence[str]) -> tuple[str, ...]:
    """The signals whose ticks the counts need."""
    return (*DRIVE_SIGNALS, *(signals.commanded(c) for c in cams))


@dataclass
class IntervalSum:
    """Mean time between the readings of one signal, holes left out; exact in whole microseconds."""

    last_us: int | None = None
    total_us: int = 0
    count: int = 0
    readings: int = 0

    def add(self, time_s: float) -> None:
        """Take one reading's time."""
        now_us = round(time_s * 1e6)
        self.readings += 1
        if self.last_us is not None and 0 < now_us - self.last_us <= _GAP_US:
            self.total_us += now_us - self.last_us
            self.count += 1
        self.last_us = now_us

    @classmethod
    def of(cls, time_s: np.ndarray) -> IntervalSum:
        """The same from all times at once, shape (n,)."""
        us = np.rint(time_s * 1e6).astype(np.int64)
        steps = np.diff(us)
        kept = steps[(steps > 0) & (steps <= _GAP_US)]
        return cls(int(us[-1]) if len(us) else None, int(kept.sum()), len(kept), len(us))

    @property
    def mean_s(self) -> float | None:
        return self.total_us / self.count / 1e6 if self.count else None


@dataclass
class CamCounts:
    """One cam; arrays have one entry a window and a last one for unknown temperature, in ticks or moves."""

    advance_moves: np.ndarray
    retard_moves: np.ndarray
    hold_ticks: np.ndarray
    rest_ticks: np.ndarray
    idle_rest_ticks: np.ndarray
    idle_ticks: np.ndarray  # idle with the command known, at rest or not
    cold_start_ticks: int = 0
    command: IntervalSum = field(default_factory=IntervalSum)
    actual: IntervalSum = field(default_factory=IntervalSum)
    _index: np.ndarray = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    _angle: np.ndarray = field(default_factory=lambda: np.empty(0))
    _rising: bool = False
    _falling: bool = False

    @classmethod
    def empty(cls, windows: int) -> CamCounts:
        return cls(*(np.zeros(windows + 1, dtype=np.int64) for _ in range(6)))

    def add(
        self, index: np.ndarray, angle: np.ndarray, where: np.ndarray, states: EngineStates, cold: np.ndarray
    ) -> None:
        """Take the next ticks: the command `angle` (deg), `where` the window, `cold` oil below cold."""
        old = len(self._index)
        all_index, all_angle = np.concatenate([self._index, index]), np.concatenate([self._angle, angle])
        low, high = (v[old:] for v in trailing(all_angle, all_index, _MOVE_TICKS))
        # A command read with the engine known to stand still moves nothing.
        usable = ~states.stopped
        rising = (angle - low >= MOVE_DEG) & usable
        falling = (high - angle >= MOVE_DEG) & usable
        self.advance_moves += self._edges(rising, self._rising, where)
        self.retard_moves += self._edges(falling, self._falling, where)
        if len(index):
            self._rising, self._falling = bool(rising[-1]), bool(falling[-1])
        low, high = (v[old:] for v in trailing(all_angle, all_index, _HOLD_TICKS))
        held = (high - low <= HOLD_BAND_DEG) & usable
        at_rest = held & (np.abs(angle) <= AT_REST_DEG)
        idle = states.state == IDLE
        self.hold_ticks += self._count(held & (np.abs(angle) >= OFF_REST_DEG), where)
        self.rest_ticks += self._count(at_rest, where)
        self.idle_rest_ticks += self._count(at_rest & idle, where)
        self.idle_ticks += self._count(idle & np.isfinite(angle), where)
        self.cold_start_ticks += int(
            np.sum(states.running & (states.since_start_s <= AFTER_START_S) & cold & np.isfinite(angle))
        )
        self._index, self._angle = all_index[-_KEEP_TICKS:], all_angle[-_KEEP_TICKS:]

    def _edges(self, flags: np.ndarray, before: bool, where: np.ndarray) -> np.ndarray:
        first = flags & ~np.concatenate([[before], flags[:-1]])[: len(flags)]
        return self._count(first, where)

    def _count(self, flags: np.ndarray, where: np.ndarray) -> np.ndarray:
        return np.bincount(where[flags], minlength=len(self.hold_ticks))


@dataclass
class DriveCounts:
    """Counts of a drive for the named cams and oil windows, taken in pieces or at once."""

    cams: tuple[str, ...]
    windows: tuple[OilWindow, ...]
    cold_degc: float

    def __post_init__(self) -> None:
        self._engine = EngineClassifier()
        self.cam = {c: CamCounts.empty(len(self.windows)) for c in self.cams}
        self._intervals = {signals.commanded(c): k.command for c, k in self.cam.items()} | {
            signals.actual(c): k.actual for c, k in self.cam.items()
        }
        self.running_ticks = np.zeros(len(self.windows) + 1, dtype=np.int64)
        self.speed_known = False
        self.temperature_known = False
        self._oil_seen = False

    def add(self, ticks: Ticks) -> None:
        """Take the next ticks, made for `coverage_signals(cams)`."""
        if not len(ticks):
            return
        states = self._engine.classify(ticks)
        oil = self._oil(ticks)
        where = window_index(self.windows, oil)  # -1 is the last entry: unknown
        where[where < 0] = len(self.windows)
        self.speed_known |= bool(np.isfinite(ticks.get("engine_speed")).any())
        self.temperature_known |= bool(np.isfinite(oil).any())
        self.running_ticks += np.bincount(where[states.running], minlength=len(self.running_ticks))
        cold = oil < self.cold_degc
        for cam, counts in self.cam.items():
            counts.add(ticks.index, ticks.get(signals.commanded(cam)), where, states, cold)

    def _oil(self, ticks: Ticks) -> np.ndarray:
        """Oil temperature, or coolant until an oil temperature was read."""
        oil, coolant = ticks.get("oil_temp"), ticks.get("coolant_temp")
        oil = np.where((oil <= OPEN_SENSOR_DEGC) & (coolant > OPEN_SENSOR_COOLANT_DEGC), np.nan, oil)
        seen = np.logical_or.accumulate(np.concatenate([[self._oil_seen], np.isfinite(oil)]))[1:]
        self._oil_seen = bool(seen[-1])
        return np.where(seen, oil, coolant)

    def add_reading_times(self, time_s: float, values: Mapping[str, float]) -> None:
        """Take the time of one batch's angle readings, for the sampling rate."""
        for name in values:
            intervals = self._intervals.get(name)
            if intervals is not None:
                intervals.add(time_s)

    def set_reading_times(self, signal: str, time_s: np.ndarray) -> None:
        """Take all times of one angle signal at once, shape (n,)."""
        cam = next(c for c in self.cams if signal in (signals.commanded(c), signals.actual(c)))
        kind = "command" if signal == signals.commanded(cam) else "actual"
        self._intervals[signal] = IntervalSum.of(time_s)
        setattr(self.cam[cam], kind, self._intervals[signal])
