"""What a car answered to the identifiers of a profile, and the series that a signal's keys make of it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from camlog.profile import SignalDefinition

Source = tuple[int, int, int | None]  # service, identifier and request header, as `SignalDefinition.source`
RUNNING_RPM = 300.0
IDLE_RPM = 1300.0


@dataclass(frozen=True)
class Readings:
    """`answers` are data bytes after the echoed identifier with their time in seconds; `speed` and `standard` what the
    standard requests gave (time, value); `elsewhere` the header of a module that answers an identifier where the one of
    the profile does not; `refusals` what came instead of an answer."""

    answers: dict[Source, list[tuple[float, bytes]]] = field(default_factory=dict)
    speed: list[tuple[float, float]] = field(default_factory=list)
    standard: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    elsewhere: dict[Source, int] = field(default_factory=dict)
    refusals: dict[Source, str] = field(default_factory=dict)

    def size(self, source: Source) -> int:
        """Data bytes of an answer, the fewest that came; 0 where none came."""
        return min((len(data) for _, data in self.answers.get(source, ())), default=0)

    def speed_at(self, times_s: np.ndarray) -> np.ndarray:
        """Engine speed at `times_s`, rpm; NaN where it is not known."""
        if not len(self.speed):
            return np.full(len(times_s), np.nan)
        known = np.array(self.speed, dtype=float)
        return np.interp(times_s, known[:, 0], known[:, 1])


@dataclass(frozen=True)
class Series:
    """One signal's readings: `time_s`, engine speed then, `value` in the canonical unit, and the bytes behind them."""

    time_s: np.ndarray
    speed: np.ndarray
    value: np.ndarray
    data: tuple[bytes, ...]

    def at(self, engine: str) -> np.ndarray:
        """True for the readings at `key_on` (engine standing) or `idle`."""
        if engine == "key_on":
            return self.speed < 1.0
        return (self.speed > RUNNING_RPM) & (self.speed < IDLE_RPM)

    def typical(self, engine: str) -> tuple[bytes, float] | None:
        """The bytes and value in the middle of those at `key_on` or `idle`; None where there are none."""
        places = np.flatnonzero(self.at(engine))
        if not len(places):
            return None
        middle = places[np.argsort(self.value[places], kind="stable")[len(places) // 2]]
        return self.data[middle], float(self.value[middle])

    @property
    def spread(self) -> float:
        """How far the value moves, from its 2nd to its 98th percentile."""
        if not len(self.value):
            return 0.0
        low, high = np.percentile(self.value, (2, 98))
        return float(high - low)


def series(definition: SignalDefinition, readings: Readings) -> Series:
    """The readings of a signal as its definition has them; answers too short for it are left out."""
    answers = readings.answers.get(definition.source, ())
    found = [(time_s, v, data) for time_s, data in answers if (v := definition.decode(data)) is not None]
    times_s = np.array([f[0] for f in found], dtype=float)
    return Series(times_s, readings.speed_at(times_s), np.array([f[1] for f in found]), tuple(f[2] for f in found))
