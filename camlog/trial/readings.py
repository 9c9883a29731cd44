"""The answers of a car to the identifiers of a profile, and the series of values that a definition makes of them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from camlog.profile import SignalDefinition

Source = tuple[int, int, int | None]  # service, identifier and request header, as `SignalDefinition.source`
RUNNING_RPM = 300.0
IDLE_RPM = 1300.0


@dataclass(frozen=True)
class Readings:
    """`answers` are the data bytes after the echoed identifier with their time (s). `speed` (rpm) and `standard` are
    (time, value) from the standard requests. `elsewhere` is the header of another module that answers an identifier if
    the module in the profile does not; `refusals` are the replies in place of an answer."""

    answers: dict[Source, list[tuple[float, bytes]]] = field(default_factory=dict)
    speed: list[tuple[float, float]] = field(default_factory=list)
    standard: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    elsewhere: dict[Source, int] = field(default_factory=dict)
    refusals: dict[Source, str] = field(default_factory=dict)

    def size(self, source: Source) -> int:
        """The number of data bytes of the shortest answer; 0 if there was none."""
        return min((len(data) for _, data in self.answers.get(source, ())), default=0)

    def speed_at(self, times_s: np.ndarray) -> np.ndarray:
        """Engine speed (rpm) at `times_s`; NaN where it is unknown."""
        if not len(self.speed):
            return np.full(len(times_s), np.nan)
        known = np.array(self.speed, dtype=float)
        return np.interp(times_s, known[:, 0], known[:, 1])


@dataclass(frozen=True)
class Series:
    """One signal's readings: `time_s`, engine `speed` (rpm), `value` in the canonical unit, and the raw bytes."""

    time_s: np.ndarray
    speed: np.ndarray
    value: np.ndarray
    data: tuple[bytes, ...]

    def at(self, engine: str) -> np.ndarray:
        """True for the readings at `key_on` (engine off) or `idle`."""
        if engine == "key_on":
            return self.speed < 1.0
        return (self.speed > RUNNING_RPM) & (self.speed < IDLE_RPM)

    def typical(self, engine: str) -> tuple[bytes, float] | None:
        """The bytes and value of the median reading at `key_on` or `idle`; None if there are none."""
        places = np.flatnonzero(self.at(engine))
        if not len(places):
            return None
        middle = places[np.argsort(self.value[places], kind="stable")[len(places) // 2]]
        return self.data[middle], float(self.value[middle])

    @property
    def spread(self) -> float:
        """The range of the value from its 2nd to its 98th percentile."""
        if not len(self.value):
            return 0.0
        low, high = np.percentile(self.value, (2, 98))
        return float(high - low)


def series(definition: SignalDefinition, readings: Readings) -> Series:
    """The readings of a signal, decoded by its definition; answers that are too short are left out."""
    answers = readings.answers.get(definition.source, ())
    decoded = [(time_s, v, data) for time_s, data in answers if (v := definition.decode(data)) is not None]
    times_s = np.array([f[0] for f in decoded], dtype=float)
    return Series(times_s, readings.speed_at(times_s), np.array([f[1] for f in decoded]), tuple(f[2] for f in decoded))
