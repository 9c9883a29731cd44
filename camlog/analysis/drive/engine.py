"""Engine state at each tick: off, cranking, idle or driven, and the time since the last start.

Causal: a tick's state rests on that tick and what came before, so the same
classifier serves a live drive in pieces and a saved trace whole.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.drive.ticks import TICK_S, Ticks

UNKNOWN, OFF, CRANKING, IDLE, DRIVEN = range(5)

OFF_RPM = 30.0  # a stopped engine may read a few rpm of noise
RUNNING_RPM = 400.0  # above every cranking speed, below every idle
IDLE_MAX_RPM = 1600.0  # fast idle just after a cold start, with the vehicle seen to stand still
IDLE_MAX_RPM_BLIND = 1100.0  # with neither road speed nor throttle to confirm
STANDSTILL_KM_H = 1.6  # 13 CCR 1968.2(d): vehicle speed of 1 mph or less
THROTTLE_CLOSED_PERCENT = 4.0  # above the lowest throttle reading seen so far
JUST_STARTED_S = 5.0  # module run time at which a start counts as seen

_LONG_AGO = np.iinfo(np.int64).max // 2


@dataclass(frozen=True)
class EngineStates:
    """`state` (n,) of UNKNOWN, OFF, CRANKING, IDLE, DRIVEN; `started` (n,) True at a tick where a start was
    seen; `since_start_s` (n,) seconds since that start, infinite before the first."""

    state: np.ndarray
    started: np.ndarray
    since_start_s: np.ndarray

    @property
    def running(self) -> np.ndarray:
        """True where the engine is known to run."""
        return self.state >= IDLE

    @property
    def stopped(self) -> np.ndarray:
        """True where the engine is known not to run by itself."""
        return (self.state == OFF) | (self.state == CRANKING)


class EngineClassifier:
    """Classifies ticks in pieces or at once; holds what later ticks need of earlier ones."""

    def __init__(self) -> None:
        self._throttle_min = np.inf
        self._last_known = UNKNOWN
        self._start_index = -_LONG_AGO

    def classify(self, ticks: Ticks) -> EngineStates:
        """The states of the next ticks."""
        rpm, throttle = ticks.get("engine_speed"), ticks.get("throttle_position")
        lowest = np.minimum.accumulate(
            np.concatenate([[self._throttle_min], np.where(np.isnan(throttle), np.inf, throttle)])
        )
        self._throttle_min = lowest[-1]
        state = np.full(len(ticks), UNKNOWN, dtype=np.int64)
        state[rpm < RUNNING_RPM] = CRANKING
        state[rpm < OFF_RPM] = OFF
        running = rpm >= RUNNING_RPM
        state[running] = DRIVEN
        state[running & _at_idle(rpm, ticks.get("vehicle_speed"), throttle, lowest[1:])] = IDLE
        started = self._starts(state, running, ticks.get("run_time"))
        at = np.where(started, ticks.index, -_LONG_AGO)
        last = np.maximum.accumulate(np.concatenate([[self._start_index], at]))
        self._start_index = last[-1]
        since = np.where(last[1:] > -_LONG_AGO, (ticks.index - last[1:]) * TICK_S, np.inf)
        return EngineStates(state, started, since)

    def _starts(self, state: np.ndarray, running: np.ndarray, run_time: np.ndarray) -> np.ndarray:
        # The module drops out while cranking, so the last state that was known decides, not the last tick.
        known = np.flatnonzero(state != UNKNOWN)
        previous = np.full(len(state), self._last_known)
        if len(known):
            before = np.concatenate([[self._last_known], state[known]])
            previous[known] = before[:-1]
            self._last_known = int(before[-1])
        first = (previous == UNKNOWN) & (run_time <= JUST_STARTED_S)
        return running & ((previous == OFF) | (previous == CRANKING) | first)


def _at_idle(
    rpm: np.ndarray, speed: np.ndarray, throttle: np.ndarray, throttle_min: np.ndarray
) -> np.ndarray:
    """Accelerator released and vehicle standing, as far as the signals at hand can tell."""
    standing, released = speed <= STANDSTILL_KM_H, throttle <= throttle_min + THROTTLE_CLOSED_PERCENT
    speed_known, throttle_known = np.isfinite(speed), np.isfinite(throttle)
    top_rpm = np.where(speed_known, IDLE_MAX_RPM, IDLE_MAX_RPM_BLIND)
    return (rpm <= top_rpm) & (standing | ~speed_known) & (released | ~throttle_known)
