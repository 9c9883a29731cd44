"""Known plants behind a known command, read the way a recorder reads a cam: the truth for response tests.

Linear plants answer through their step response from `scipy.signal`, superposed at the exact time of each
reading, so no simulation grid stands between truth and reading. The rate-limited lag is stepped at 0.5 ms.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import signal

from camlog.analysis.cam.camdata import CamData

FINE_S = 0.0005


@dataclass(frozen=True)
class Recording:
    """How a recorder reads: pairs a second, jitter (part of the interval), actual after command, noise."""

    hz: float = 30.0
    jitter: float = 0.3
    skew_s: float = 0.0
    noise_deg: float = 0.2
    count_deg: float = 0.1


@dataclass(frozen=True)
class Command:
    """Random levels held for random times; `ramp_s` long moves; `sizes` the range of steps in degrees."""

    duration_s: float = 150.0
    hold_s: tuple[float, float] = (2.0, 5.0)
    ramp_s: float = 0.0
    sizes: tuple[float, float] = (8.0, 40.0)

    def draw(self, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """Times and levels of the moves; the level before the first is 0."""
        times, levels, now, level = [], [], 1.5, 0.0
        while now < self.duration_s - 1.0:
            size = rng.uniform(*self.sizes)
            up, down = level + size <= 48.0, level - size >= 0.0
            level += size if up and (not down or rng.random() < 0.5) else -size
            times.append(now)
            levels.append(level)
            now += rng.uniform(*self.hold_s) + self.ramp_s
        return np.array(times), np.array(levels)


def first_order(tau_s: float) -> signal.lti:
    return signal.lti([1.0], [tau_s, 1.0])


def second_order(natural_rad_per_s: float, damping: float) -> signal.lti:
    w = natural_rad_per_s
    return signal.lti([w * w], [1.0, 2.0 * damping * w, w * w])


class LinearPlant:
    """A scipy.signal system of unit gain behind a dead time, with a gain and an offset."""

    def __init__(self, system: signal.lti, dead_s: float, gain: float = 1.0, offset_deg: float = 0.0):
        self.dead_s, self.gain, self.offset_deg = dead_s, gain, offset_deg
        slowest = 1.0 / float(np.min(-system.poles.real))
        self._t = np.arange(0.0, 14.0 * slowest, max(FINE_S, slowest / 4000.0))
        self._system = system

    @cached_property
    def _s(self) -> np.ndarray:
        return signal.step(self._system, T=self._t)[1]

    def share_s(self, level: float) -> float:
        """Time from a step until `level` of the way is covered."""
        k = int(np.argmax(self._s >= level))
        part = (level - self._s[k - 1]) / (self._s[k] - self._s[k - 1])
        return self.dead_s + self._t[k - 1] + part * (self._t[k] - self._t[k - 1])

    @property
    def overshoot(self) -> float:
        """Part of a step beyond its end."""
        return max(0.0, float(self._s.max()) - 1.0)

    @property
    def onset_s(self) -> float:
        """Where a straight line through 10 and 30 % meets zero: the dead time a technician sees."""
        return 1.5 * self.share_s(0.1) - 0.5 * self.share_s(0.3)

    def answer(self, at_s: np.ndarray, times: np.ndarray, levels: np.ndarray, ramp_s: float) -> np.ndarray:
        y = np.zeros(len(at_s))
        parts = 40 if ramp_s else 1
        for when, size in zip(times, np.diff(levels, prepend=0.0), strict=True):
            for i in range(parts):
                begin = when + self.dead_s + (i + 0.5) * ramp_s / parts
                k = int(np.searchsorted(at_s, begin))
                y[k:] += size / parts * np.interp(at_s[k:] - begin, self._t, self._s)
        return self.gain * y + self.offset_deg


class RateLimitedPlant:
    """First order with different slew limits up and down (deg/s) behind a dead time."""

    def __init__(self, tau_s: float, dead_s: float, up: float, down: float):
        self.tau_s, self.dead_s, self.up, self.down = tau_s, dead_s, up, down

    def t63_s(self, size_deg: float) -> float:
        """From the differential equation: full speed, then the lag's own approach."""
        slew, size = (self.up if size_deg > 0 else self.down), abs(size_deg)
        end = size * np.exp(-1.0)
        turn = min(max(slew * self.tau_s, end), size)
        return self.dead_s + (size - turn) / slew + self.tau_s * np.log(turn / end)

    def answer(self, at_s: np.ndarray, times: np.ndarray, levels: np.ndarray, ramp_s: float) -> np.ndarray:
        grid = np.arange(0.0, at_s[-1] + 0.1, FINE_S)
        target = command_at(grid - self.dead_s, times, levels, ramp_s).tolist()
        share = 1.0 - np.exp(-FINE_S / self.tau_s)
        up, down = self.up * FINE_S, -self.down * FINE_S
        x, out = 0.0, np.empty(len(grid))
        for i, u in enumerate(target):
            out[i] = x
            move = (u - x) * share
            x += up if move > up else down if move < down else move
        return np.interp(at_s, grid, out)


class TwoLags:
    """First order with one time constant on the way up and another on the way down."""

    def __init__(self, up_s: float, down_s: float, dead_s: float):
        self.up_s, self.down_s, self.dead_s = up_s, down_s, dead_s

    def answer(self, at_s: np.ndarray, times: np.ndarray, levels: np.ndarray, ramp_s: float) -> np.ndarray:
        grid = np.arange(0.0, at_s[-1] + 0.1, 0.002)
        up, down = 1.0 - np.exp(-0.002 / self.up_s), 1.0 - np.exp(-0.002 / self.down_s)
        x, out = 0.0, np.empty(len(grid))
        for i, u in enumerate(command_at(grid - self.dead_s, times, levels, ramp_s).tolist()):
            out[i] = x
            x += (u - x) * (up if u > x else down)
        return np.interp(at_s, grid, out)


def command_at(at_s: np.ndarray, times: np.ndarray, levels: np.ndarray, ramp_s: float) -> np.ndarray:
    """The command itself at any time: jumps, or ramps of `ramp_s`."""
    if not ramp_s:
        return np.concatenate([[0.0], levels])[np.searchsorted(times, at_s, side="right")]
    knots = np.column_stack([times, times + ramp_s]).ravel()
    values = np.column_stack([np.concatenate([[0.0], levels[:-1]]), levels]).ravel()
    return np.interp(at_s, knots, values)


def record(plant, command: Command, how: Recording, seed: int, cam: str = "intake_b1") -> CamData:
    """One drive: `plant` under `command` as the recorder reads it."""
    rng = np.random.default_rng(seed)
    times, levels = command.draw(rng)
    count = int(command.duration_s * how.hz * 1.3) + 10
    read = np.cumsum((1.0 + how.jitter * rng.uniform(-1.0, 1.0, count)) / how.hz) + rng.uniform(0.0, 1.0 / how.hz)
    read = read[read < command.duration_s]
    actual = plant.answer(read + how.skew_s, times, levels, command.ramp_s)
    actual = actual + how.noise_deg * rng.standard_normal(len(read))
    return CamData(
        cam,
        read,
        rounded(command_at(read, times, levels, command.ramp_s), how.count_deg),
        read + how.skew_s,
        rounded(actual, how.count_deg),
    )


def rounded(value: np.ndarray, count: float) -> np.ndarray:
    """As the module reports it: in whole counts."""
    return np.round(value / count) * count if count else value
