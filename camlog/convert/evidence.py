"""Checks the mapping of cam columns by their values: an actual angle follows its command, later and about as far.

A command follows engine speed and load. A wrong pair, a swapped pair, a wrong sign, the other shaft's degrees and a
shifted clock show in lag and gain. A match that contradicts its values is put in doubt, with the alternative that fits
better. A faulty cam still follows its own command best, so a fault is not taken for a wrong mapping.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from camlog.cams import CAM_IDS, actual, commanded, is_angle
from camlog.convert.mapping import Mapping
from camlog.convert.model import ColumnMatch
from camlog.convert.table import Table
from camlog.convert.words import say

# All common practice, no source: a phaser needs tenths of a second, a slow one some seconds.
_EARLIEST_S, _LATEST_S = -30.0, 30.0
_SHIFTED_S = 8.0
_MOST_POINTS = 6000
_LEAST_POINTS = 60
_LEAST_SPAN_DEG = 5.0
_LEAST_MOVES = 6
_CLOSE = 0.85  # least squared correlation of values that surely follow others
_LOOSE = 0.5
_NEAR_HALF = (0.46, 0.54)
_NEAR_DOUBLE = (1.85, 2.15)
_GAIN = (0.33, 3.0)
_CONTRADICTED = 0.6  # highest score of a match that contradicts its values
# Share of an angle's variance explained by engine speed and load: at least _MAPPED if it follows them, at most
# _UNMAPPED without lag if its clock is shifted, at most _FREE if it does not follow them.
_MAPPED, _UNMAPPED, _FREE = 0.7, 0.35, 0.15
_ENGINE_BINS, _ENGINE_POINTS, _ENGINE_LAG_S = 6, 2000, 2.0
_LOADS = ("engine_load", "manifold_pressure", "mass_air_flow", "throttle_position")

Slope = tuple[float, float]  # and the squared correlation
Judge = Callable[[np.ndarray, np.ndarray], Slope]


@dataclass(frozen=True)
class Fit:
    """How one column follows another: `lag_s` later, `gain` times as far (negative: in the other direction), with
    squared correlation `r2`; `r2_at_once` is the squared correlation without a lag."""

    lag_s: float
    gain: float
    r2: float
    r2_at_once: float

    @property
    def needs_lag(self) -> bool:
        """True if the lag at least halves the unexplained variance."""
        return 1.0 - self.r2 < 0.5 * (1.0 - self.r2_at_once)


@dataclass(frozen=True)
class Series:
    """A column's readings: times in seconds and values."""

    time_s: np.ndarray
    values: np.ndarray

    @cached_property
    def moves(self) -> int:
        """How often the value goes from its lower to its upper third, or back."""
        low, high = np.min(self.values), np.max(self.values)
        third = np.where(
            self.values > high - (high - low) / 3, 1, np.where(self.values < low + (high - low) / 3, -1, 0)
        )
        return int(np.count_nonzero(np.diff(third[third != 0])))

    @cached_property
    def interval_s(self) -> float:
        """The median time (s) between readings."""
        return float(np.median(np.diff(self.time_s)))


def series_of(table: Table, index: int) -> Series:
    """The readings of a column of the table, by its index in the file."""
    place = next(place for place, c in enumerate(table.columns, start=1) if c.index == index)
    values = table.store.column(place)
    finite = np.isfinite(values)
    return Series(table.time_s[finite], values[finite])


def _grid(series: Sequence[Series], most: int) -> tuple[np.ndarray, float] | None:
    """Times (s) covered by all series, at most about `most`, and their step (s); None if there are too few readings or
    too few moves.

    The step is the interval of the slowest series, which limits the resolution.
    """
    if min(len(s.time_s) for s in series) < _LEAST_POINTS or min(s.moves for s in series) < _LEAST_MOVES:
        return None
    begin, end = max(s.time_s[0] for s in series), min(s.time_s[-1] for s in series)
    slowest = max(s.interval_s for s in series)
    step = max(slowest, (end - begin) / most)
    grid = np.arange(begin, end, step) if slowest > 0.0 else np.empty(0)
    return (grid, step) if len(grid) >= _LEAST_POINTS else None


def _by_lag(
    x: np.ndarray, y: np.ndarray, earliest: int, latest: int, judge: Judge, digits: int
) -> tuple[int, Slope, Slope]:
    """The lag of `y` behind `x` (in steps) with the best squared correlation, the result of `judge` there, and its
    result without a lag."""
    most = len(x) // 3
    found = {
        k: judge(x[max(0, -k) : len(x) - max(0, k)], y[max(0, k) : len(y) - max(0, -k)])
        for k in range(max(-most, earliest), min(most, latest) + 1)
    }
    best = max(found, key=lambda k: (round(found[k][1], digits), -abs(k)))
    return best, found[best], found[0]


def fit(leader: Series, follower: Series) -> Fit | None:
    """How `follower` follows `leader` at the best lag; None if they do not move enough."""
    shared = _grid((leader, follower), _MOST_POINTS)
    if shared is None:
        return None
    grid, step = shared
    # A command holds until the next. The small margin allows for rounding in the sums of steps.
    x = leader.values[np.searchsorted(leader.time_s, grid + 1e-6 * step, side="right") - 1]
    y = np.interp(grid, follower.time_s, follower.values)
    lag, (slope, r2), (_, at_once) = _by_lag(x, y, round(_EARLIEST_S / step), round(_LATEST_S / step), _regression, 3)
    # A regression of lagging values underestimates the gain, so the gain is the ratio of the two ranges.
    spans = [float(np.ptp(np.quantile(s.values, (0.02, 0.98)))) for s in (leader, follower)]
    gain = float(np.copysign(spans[1] / spans[0], slope)) if spans[0] > 0.0 else 0.0
    return Fit(float(lag * step), gain, r2, at_once)


def sure_lag_s(leader: Series, follower: Series) -> float | None:
    """By how many seconds `follower` follows `leader`; None if that is not sure."""
    found = fit(leader, follower)
    if found is None or found.r2 < _CLOSE or found.gain <= 0.0 or not found.needs_lag:
        return None
    return found.lag_s if abs(found.lag_s) <= _SHIFTED_S else None


def mapped(follower: Series, engine: Sequence[Series]) -> Fit | None:
    """How surely an angle is a function of engine speed and load (`engine`), and its lag behind them; None if it moves
    too little.

    `r2` is the share of its variance explained by cells of speed and load, minus the share expected by chance.
    """
    series = (follower, *engine)
    shared = _grid(series, _ENGINE_POINTS)
    if shared is None:
        return None
    grid, step = shared
    y, *by = (np.interp(grid, s.time_s, s.values) for s in series)
    edges = np.linspace(0, 1, _ENGINE_BINS + 1)[1:-1]
    cell = sum(np.searchsorted(np.quantile(x, edges), x) * _ENGINE_BINS**place for place, x in enumerate(by))
    lag, (_, r2), (_, at_once) = _by_lag(
        np.asarray(cell), y, round(_EARLIEST_S / step), round(_LATEST_S / step), _explained, 2
    )
    return Fit(lag * step, 1.0, r2, at_once)


def _explained(cell: np.ndarray, y: np.ndarray) -> Slope:
    """1, and the share of the variance of `y` between cells, minus that of chance; 0 if there is none."""
    count = np.bincount(cell)
    used = int((count > 0).sum())
    with np.errstate(over="ignore", invalid="ignore"):
        total = float(((y - y.mean()) ** 2).sum())
        means = np.bincount(cell, y) / np.maximum(count, 1)
        rest = float(((y - means[cell]) ** 2).sum())
    if not total > 0 or not np.isfinite(total) or len(y) <= used + 1:
        return 1.0, 0.0
    return 1.0, max(0.0, 1.0 - (rest / (len(y) - used)) / (total / (len(y) - 1)))


def _regression(x: np.ndarray, y: np.ndarray) -> Slope:
    """Slope and squared correlation."""
    with np.errstate(over="ignore", invalid="ignore"):
        x, y = x - x.mean(), y - y.mean()
        xx, yy, xy = float(x @ x), float(y @ y), float(x @ y)
    return (xy / xx, xy * xy / (xx * yy)) if xx > 0 and yy > 0 and np.isfinite(xx * yy) else (0.0, 0.0)


def checked(matches: Sequence[ColumnMatch], table: Table, mapping: Mapping, known: set[int]) -> tuple[ColumnMatch, ...]:
    """The matches, with every certain cam angle that its values contradict put in doubt, with the reason.

    A person's answer is not doubted, but the contradiction is noted. `known` columns (by index) are not checked.
    """
    certain = {m.signal: m for m in matches if m.certain}
    angles = {s: m for s, m in certain.items() if is_angle(s)}
    series = {}
    for signal, m in angles.items():
        read = series_of(table, m.index)
        if len(read.values) and np.ptp(read.values) > 0.0 and m.factor:
            series[signal] = Series(read.time_s, read.values * m.factor + m.offset)
    speed, load = ((s for s in names if s in certain) for names in (("engine_speed",), _LOADS))
    engine = [series_of(table, certain[s].index) for s in (*list(speed), *list(load)[:1])]
    doubts: dict[str, tuple[str, str]] = {}
    for cam in CAM_IDS:
        names = commanded(cam), actual(cam)
        if any(name not in series or angles[name].deviation for name in names):
            continue
        if max(np.ptp(series[name].values) for name in names) >= _LEAST_SPAN_DEG:
            found = _contradiction(names, series, angles)
            doubts |= found or (_engine_contradiction(names, series, angles, engine) if len(engine) == 2 else {})
    return tuple(
        _doubted(m, doubts[m.signal], mapping) if m.certain and m.index not in known and m.signal in doubts else m
        for m in matches
    )


def _contradiction(
    names: tuple[str, str], series: dict[str, Series], angles: dict[str, ColumnMatch]
) -> dict[str, tuple[str, str]]:
    """Signal -> its doubt and the reason, for the two angles of one cam."""
    command, angle = names
    own = fit(series[command], series[angle])
    if own is None or _LOOSE <= own.r2 < _CLOSE:
        return {}
    texts = {"command": repr(angles[command].label), "actual": repr(angles[angle].label)}
    if own.r2 < _LOOSE:
        rivals = [s for s in series if s not in names and s.endswith("commanded")]
        fits = [(f, s) for s in rivals if (f := fit(series[s], series[angle])) and f.r2 >= _CLOSE]
        _, other = max(((f.r2, s) for f, s in fits if 0.0 <= f.lag_s <= _SHIFTED_S), default=(0.0, ""))
        why = say("follows_another", other=repr(angles[other].label), **texts) if other else ""
        return {angle: ("signal", why)} if other else {}
    about, name = "", ""
    if own.gain < 0:
        about, name = "positive", "moves_against"
    elif abs(own.lag_s) > _SHIFTED_S and own.needs_lag:
        about, name = "signal", "shifted"
    elif own.lag_s < 0 and own.needs_lag:
        about, name = "signal", "leads"
    elif any(low <= own.gain <= high for low, high in (_NEAR_HALF, _NEAR_DOUBLE)):
        about, name = "angle", "half_as_far"
    elif not _GAIN[0] <= own.gain <= _GAIN[1]:
        about, name = "factor", "gain_off"
    why = say(name, **texts, lag=abs(own.lag_s), gain=own.gain) if name else ""
    return dict.fromkeys(names, (about, why)) if name else {}


def _engine_contradiction(
    names: tuple[str, str], series: dict[str, Series], angles: dict[str, ColumnMatch], engine: Sequence[Series]
) -> dict[str, tuple[str, str]]:
    """As `_contradiction`, but by engine speed and load, of which a command is a function without lag."""
    command, angle = names
    texts = {"command": repr(angles[command].label), "actual": repr(angles[angle].label)}
    own = mapped(series[command], engine)
    if own is None:
        return {}
    if own.r2 >= _MAPPED and own.r2_at_once <= _UNMAPPED and abs(own.lag_s) > _ENGINE_LAG_S:
        return dict.fromkeys(names, ("signal", say("shifted_from_engine", lag=abs(own.lag_s), **texts)))
    other = mapped(series[angle], engine)
    if own.r2 <= _FREE and other is not None and other.r2 >= _MAPPED:
        return {command: ("signal", say("follows_no_engine", **texts))}
    return {}


def _doubted(match: ColumnMatch, doubt: tuple[str, str], mapping: Mapping) -> ColumnMatch:
    about, why = doubt
    rule = mapping.rule(match.name, match.index)
    if rule is not None and getattr(rule, about) is not None:
        return replace(match, reasons=(*match.reasons, why), contradiction=why)
    score = min(match.score, _CONTRADICTED)
    return replace(match, certain=False, doubts=(about,), score=score, reasons=(*match.reasons[:1], why))
