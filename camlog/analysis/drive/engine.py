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
        self._start_index = -np.inf

    def classify(self, ticks: Ticks) -> EngineStates:
        """The states of the next ticks."""
        rpm, throttle, speed = (ticks.get(n) for n in ("engine_speed", "throttle_position", "vehicle_speed"))
        lowest = np.fmin.accumulate(np.concatenate([[self._throttle_min], throttle]))
        # Accelerator released and vehicle standing, as far as the signals at hand can tell.
        released = ~(throttle > lowest[1:] + THROTTLE_CLOSED_PERCENT)
        top_rpm = np.where(np.isfinite(speed), IDLE_MAX_RPM, IDLE_MAX_RPM_BLIND)
        idle = (rpm <= top_rpm) & ~(speed > STANDSTILL_KM_H) & released
        running = rpm >= RUNNING_RPM
        state = np.select(
            [running & idle, running, rpm < OFF_RPM, rpm < RUNNING_RPM],
            [IDLE, DRIVEN, OFF, CRANKING],
            UNKNOWN,
        )
        # The module drops out while cranking, so the last state that was known decides, not the last tick.
        known = np.concatenate([[self._last_known], state])
        last_known = known[np.maximum.accumulate(np.where(known == UNKNOWN, 0, np.arange(len(known))))]
        before = last_known[:-1]
        first = (before == UNKNOWN) & (ticks.get("run_time") <= JUST_STARTED_S)
        started = running & ((before == OFF) | (before == CRANKING) | first)
        start = np.maximum.accumulate(
            np.concatenate([[self._start_index], np.where(started, ticks.index, -np.inf)])
        )
        self._throttle_min, self._last_known, self._start_index = lowest[-1], last_known[-1], start[-1]
        return EngineStates(state, started, (ticks.index - start[1:]) * TICK_S)
