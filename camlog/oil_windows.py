"""Oil-temperature windows, and the window of each moment of a drive.

Oil viscosity drives the phaser, so every metric is taken per window. The temperature is `oil_temp` if the vehicle
reports it, else `coolant_temp` as a declared stand-in, else unknown."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from camlog.limits import LIMITS, OIL_EDGES, Limit
from camlog.numbers import UNIT_WORDS, unit_words
from camlog.trace import Trace, interpolated
from camlog.units import shown_value

# A reading is valid this long, in which oil changes by well under 1 degC.
TEMPERATURE_HOLD_S = 60.0
# Raw zero of the standard's scaling, which an open or absent sensor reports.
OPEN_SENSOR_DEGC = -40.0
# Oil starts within a few degrees of coolant and ends near it; -40 beside a coolant above this is no reading.
OPEN_SENSOR_COOLANT_DEGC = -25.0


@dataclass(frozen=True, slots=True, order=True)
class OilWindow:
    """Oil from `min_degc` (included) up to `max_degc` (excluded); infinite ends are open."""

    min_degc: float
    max_degc: float

    def __contains__(self, degc: float) -> bool:
        return self.min_degc <= degc < self.max_degc

    @property
    def label(self) -> str:
        """In words, in the shop's unit: `below 40 °C`, `40–70 °C`, `above 100 °C`, `all temperatures`."""
        return self._named("–")

    @property
    def words(self) -> str:
        """For a sentence: `below 40 °C`, `40 to 70 °C`; "" for all temperatures."""
        return self._named(" to ") if math.isfinite(self.min_degc) or math.isfinite(self.max_degc) else ""

    @property
    def key(self) -> str:
        """`words` in degrees Celsius for any unit of the shop: the key of a window in the library."""
        return self._named(" to ", canonical=True) if self.words else ""

    @classmethod
    def of_key(cls, key: str) -> OilWindow | None:
        """The window of a `key`; None for the empty key, which stands for the whole drive."""
        edges = [float(edge) for edge in re.findall(r"-?\d[\d.]*", key)]
        if len(edges) == 1:
            edges = [-math.inf, *edges] if key.startswith("below") else [*edges, math.inf]
        return cls(*edges) if edges else None

    def _named(self, between: str, *, canonical: bool = False) -> str:
        edges = (self.min_degc, self.max_degc)
        low, high = (f"{edge if canonical else shown_value(edge, 'degC'):.3g}" for edge in edges)
        unit = UNIT_WORDS["degC"] if canonical else unit_words("degC")
        if math.isfinite(self.min_degc):
            return f"{low}{between}{high} {unit}" if math.isfinite(self.max_degc) else f"above {low} {unit}"
        return f"below {high} {unit}" if math.isfinite(self.max_degc) else "all temperatures"

    def to_dict(self) -> dict[str, float | None]:
        """The window's two keys in Findings; None for an open end."""
        return {
            "oil_temp_min_degc": self.min_degc if math.isfinite(self.min_degc) else None,
            "oil_temp_max_degc": self.max_degc if math.isfinite(self.max_degc) else None,
        }


def oil_windows(limits: Mapping[str, Limit] = LIMITS) -> tuple[OilWindow, ...]:
    """The windows between the limits' oil temperatures: cold, warm, hot, very hot."""
    edges = [limits[name].value for name in OIL_EDGES]
    return tuple(OilWindow(low, high) for low, high in zip([-math.inf, *edges], [*edges, math.inf], strict=True))


OIL_WINDOWS: tuple[OilWindow, ...] = oil_windows()
WINDOW_WORDS = ("cold", "warm", "hot", "very_hot")


def window_word(window: OilWindow, limits: Mapping[str, Limit] = LIMITS) -> str:
    """The one of WINDOW_WORDS in the names of the limits for a window."""
    for word, edge in zip(WINDOW_WORDS, OIL_EDGES, strict=False):
        if window.max_degc <= limits[edge].value:
            return word
    # A window open at the top is very hot only if it begins at that limit; "above 70" counts as hot.
    return "very_hot" if window.min_degc >= limits[OIL_EDGES[-1]].value else "hot"


def t63_limit(limits: Mapping[str, Limit], window: OilWindow) -> Limit:
    return limits[f"t63_{window_word(window, limits)}_s"]


@dataclass(frozen=True)
class OilTemperature:
    """Oil temperature (degC) over time (s), shape (n,); `source` is "oil_temp", "coolant_temp" or None."""

    source: str | None
    time_s: np.ndarray = field(default_factory=lambda: np.empty(0))
    degc: np.ndarray = field(default_factory=lambda: np.empty(0))

    def at(self, time_s: np.ndarray) -> np.ndarray:
        """Temperature at given times, linear between samples; NaN farther than a minute from any sample."""
        return interpolated(time_s, self.time_s, self.degc, TEMPERATURE_HOLD_S)


def oil_temperature(trace: Trace) -> OilTemperature:
    """The oil temperature of a trace: `oil_temp`, else `coolant_temp` as a stand-in, else unknown.

    Oil readings of -40 degC with a much warmer coolant come from an open or absent sensor and are left out."""
    t, degc = trace.samples("oil_temp")
    coolant_t, coolant = trace.samples("coolant_temp")
    if len(t) and len(coolant_t):
        absent = (degc <= OPEN_SENSOR_DEGC) & (np.interp(t, coolant_t, coolant) > OPEN_SENSOR_COOLANT_DEGC)
        t, degc = t[~absent], degc[~absent]
    if len(t):
        return OilTemperature("oil_temp", t, degc)
    if len(coolant_t):
        return OilTemperature("coolant_temp", coolant_t, coolant)
    return OilTemperature(None)


@dataclass(frozen=True)
class Windows:
    """Oil-temperature windows of one drive.

    `windows` are ascending and do not overlap; `seconds` is the time in each with the engine running (None until set by
    `conditions`)."""

    windows: tuple[OilWindow, ...]
    oil: OilTemperature
    seconds: tuple[float, ...] | None = None

    @property
    def source(self) -> str | None:
        return self.oil.source

    def index_at(self, time_s: np.ndarray) -> np.ndarray:
        """Index into `windows` at given times (int array of the same shape); -1 where unknown or in none."""
        return window_index(self.windows, self.oil.at(time_s))


def window_index(windows: Sequence[OilWindow], degc: np.ndarray) -> np.ndarray:
    """Index into `windows` for each temperature (int array of the same shape); -1 where NaN or in none."""
    degc = np.asarray(degc, dtype=float)
    index = np.full(degc.shape, -1, dtype=np.int64)
    for i, window in enumerate(windows):
        index[(degc >= window.min_degc) & (degc < window.max_degc)] = i
    return index


def windows_of(trace: Trace, windows: Sequence[OilWindow] = OIL_WINDOWS) -> Windows:
    """Windows of a trace, without times spent (`conditions` gives those)."""
    return Windows(tuple(windows), oil_temperature(trace))
