"""Drives with known cams for the tests of verdict and causes: a test drive, plants behind it, a recorder.

Invented data; the plants are those of `steady_plants`.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from camlog.trace import Trace
from tests.steady_plants import STEP_S, lag, recorded

TAU_S, DEAD_S = 0.15, 0.05


@dataclasses.dataclass(frozen=True)
class TestDrive:
    """Per STEP_S: share of the travel commanded (0 at rest), engine speed, oil temperature."""

    __test__ = False

    share: np.ndarray
    rpm: np.ndarray
    oil: np.ndarray

    def command(self, reach: float = 40.0) -> np.ndarray:
        return reach * self.share

    @property
    def t(self) -> np.ndarray:
        return np.arange(len(self.share)) * STEP_S


def drive(rng: np.random.Generator, seconds: float = 220.0, oil_degc: tuple[float, float] = (75.0, 92.0)) -> TestDrive:
    """Warm idle at rest, then levels held for 3 to 9 s at 2,000 rpm, and again."""
    share, rpm = [], []
    while sum(map(len, share)) * STEP_S < seconds:
        share.append(np.zeros(int(14.0 / STEP_S)))
        rpm.append(np.full(len(share[-1]), 700.0))
        last = 0.0
        for _ in range(5):
            level = rng.uniform(0.15, 0.95)
            while abs(level - last) < 0.25:
                level = rng.uniform(0.15, 0.95)
            last = level
            share.append(np.full(int(rng.uniform(3.0, 9.0) / STEP_S), level))
            rpm.append(np.full(len(share[-1]), 2000.0))
    share, rpm = np.concatenate(share), np.concatenate(rpm)
    return TestDrive(share, rpm, np.linspace(*oil_degc, len(share)))


def sound(x: np.ndarray, tau: float = TAU_S) -> np.ndarray:
    """A healthy phaser's answer to a command."""
    return lag(x, tau, DEAD_S)


def trace_of(d: TestDrive, rng: np.random.Generator, cams: dict[str, tuple[np.ndarray, np.ndarray]], **how) -> Trace:
    """What a recorder would have of the cams (commanded, actual each STEP_S), engine speed and oil
    temperature."""
    how = {"hz": 20.0, "noise": 0.15, "step": 0.1} | how
    parts = [recorded(c, a, rng, cam=cam, engine_speed=d.rpm, oil_temp=d.oil, **how) for cam, (c, a) in cams.items()]
    rows = np.unique(np.concatenate([p.time_s for p in parts]))
    columns: dict[str, np.ndarray] = {}
    for part in parts:
        place = np.searchsorted(rows, part.time_s)
        for name, value in part.columns.items():
            column = columns.setdefault(name, np.full(len(rows), np.nan))
            here = np.isfinite(value)
            column[place[here]] = value[here]
    return Trace(rows, columns)


def changed(trace: Trace, name: str, change) -> Trace:
    """The trace with one column replaced by `change(times, values)`."""
    columns = {k: v.copy() for k, v in trace.columns.items()}
    columns[name] = change(trace.time_s, columns[name])
    return dataclasses.replace(trace, columns=columns)
