"""A cam's two angles against each other: do they fit, and if not, which single mistake of the profile would explain it?

A working cam follows its command, so the two differ by a lag and a few degrees. Every mistake that a profile can hold is
undone in turn, and what then remains between the two, at rest and beyond the cam's range, is compared.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from camlog.profile import SignalDefinition, VehicleProfile
from camlog.trial.mistakes import KINDS, Correction, corrected, discrete
from camlog.trial.readings import Readings, Series, series

MOVES_DEG = 6.0  # both angles must have moved this far before one judges the other
FITS_DEG = 2.5  # what a sound pair may differ by, the fastest tenth left out; common practice, no source
MUCH_BETTER = 0.4  # a mistake is named where without it at most this share of the misfit remains
REST_DEG, RANGE_DEG = 4.0, 5.0  # allowed off rest with the engine standing, and beyond the range
TRAVEL_MOST_DEG = 120.0  # no phaser moves a cam further, crankshaft degrees
OTHER_MEASURE_DEG = 10.0  # added to the misfit where one clearly moves by another measure than the other
SAME_MEASURE = (0.75, 1.33)  # slope of actual over commanded that a working cam, sampled as it moves, can show
CLEARLY = 0.8  # share of the motion that a straight line explains
LAGS_S = (0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.45)
SWAPPED_LAG_S = 0.015  # an actual angle that is ahead of its command by more is no actual angle
SWAPPED_CLEARLY = 1.05  # by how much moving it back must fit better than moving it further ahead
_LEAST_READINGS = 20
_RATIOS = (0.15, 8.0)  # of a right to a wrong factor, as far as one is believed

Definitions = tuple[SignalDefinition, SignalDefinition]  # of a cam's commanded and actual angle
Angles = tuple[Series, Series]  # likewise
Named = list[tuple[str, Correction]]  # signals with the correction of each


@dataclass(frozen=True)
class Suspect:
    """A signal and the mistake its definition likely holds; `shared`: it may as well be in the other of the pair, and
    `timing`: the cam itself may stand off, and the profile be right."""

    signal: str
    correction: Correction
    shared: bool = False
    timing: bool = False


def suspects(profile: VehicleProfile, cam: str, pair: Definitions, readings: Readings) -> list[Suspect]:
    """The likely mistake in the two definitions (commanded, actual) of a cam; none where they fit or cannot be judged."""
    judge = _Pair(profile, cam, readings)
    both = series(pair[0], readings), series(pair[1], readings)
    if max(len(s.value) for s in both) < _LEAST_READINGS:
        return []
    now = judge.misfit(*both)
    if now <= FITS_DEG:
        return _swapped(pair, both)
    trials = [
        _Trial(judge.misfit(*new, clearly=True), number, corrections, kind, fitted)
        for number, (new, corrections, kind, fitted) in enumerate(judge.corrections(pair, both))
    ]
    # What fits, fits: smaller misfits say nothing more, and a fitted figure always has one.
    trials = [t for t in trials if t.misfit <= min(FITS_DEG, MUCH_BETTER * now)]
    if not trials:
        return []
    chosen = min(trials, key=lambda t: (t.fitted, len(t.corrections), KINDS.index(t.kind), t.number))
    alike = [t for t in trials if (t.kind, t.fitted, len(t.corrections)) == (chosen.kind, chosen.fitted, 1)]
    if len(chosen.corrections) > 1:
        alike = [chosen]
    named: dict[str, Correction] = {}
    for trial in sorted(alike, key=lambda t: (round(t.misfit, 1), t.number)):
        for signal, correction in trial.corrections:
            named.setdefault(signal, correction)
    shared = len(named) > 1 and len(chosen.corrections) == 1
    # Two that are scaled alike and stand apart: the cam may stand off, and the profile be right.
    timing = chosen.kind == "offset" and len(chosen.corrections) == 1 and _alike(*pair)
    return [Suspect(signal, correction, shared, timing) for signal, correction in named.items()]


@dataclass(frozen=True)
class _Trial:
    """What remains between the pair with `corrections` to it; `number` in the order of trying."""

    misfit: float
    number: int
    corrections: Named
    kind: str
    fitted: bool


class _Pair:
    def __init__(self, profile: VehicleProfile, cam: str, readings: Readings):
        known = profile.cam(cam)
        self.readings = readings
        self.range_deg = known.range_deg if known else None
        self.known = profile.signals

    def misfit(self, commanded: Series, actual: Series, clearly: bool = False) -> float:
        """Degrees between the two, off rest and beyond the range; infinite where one of them has no readings.

        `clearly`: that they move by one measure must be seen, not only be possible.
        """
        if min(len(commanded.value), len(actual.value)) < _LEAST_READINGS:
            return np.inf
        alone = max(self._alone(commanded), self._alone(actual))
        if not moves(commanded) or not moves(actual):
            # One that stands may be a stuck cam: only what each is by itself counts.
            return alone
        apart, lag_s = min((_apart(commanded, actual, lag_s), lag_s) for lag_s in LAGS_S)
        return alone + apart + (0.0 if _same_measure(commanded, actual, lag_s, clearly) else OTHER_MEASURE_DEG)

    def _alone(self, one: Series) -> float:
        low, high = self.range_deg or (-TRAVEL_MOST_DEG, TRAVEL_MOST_DEG)
        least, most = np.percentile(one.value, (3, 97))
        beyond = max(0.0, low - RANGE_DEG - least, most - high - RANGE_DEG)
        rest = one.typical("key_on")
        return float(beyond + (0.0 if rest is None else max(0.0, abs(rest[1]) - REST_DEG)))

    def corrections(self, pair: Definitions, both: Angles) -> Iterator[tuple[Angles, Named, str, bool]]:
        """Each possible mistake: the pair without it, the corrected signals, its kind, and whether it was fitted."""
        for place, definition in enumerate(pair):
            others = [d for d in self.known if d.name != definition.name]
            fitted = self._fitted(definition, pair[1 - place], both[place], both[1 - place])
            tried = [(c, False) for c in discrete(definition, self.readings)] + [(c, True) for c in fitted]
            for correction, is_fitted in tried:
                changed = correction.definition
                if not is_fitted and any(changed.source == d.source and changed.bits & d.bits for d in others):
                    continue  # it would read what another signal of the profile is
                new = series(changed, self.readings)
                if is_fitted or moves(new):
                    angles = (new, both[1]) if place == 0 else (both[0], new)
                    yield angles, [(definition.name, correction)], correction.kind, is_fitted
        yield from self._in_both(pair, both)

    def _in_both(self, pair: Definitions, both: Angles) -> Iterator[tuple[Angles, Named, str, bool]]:
        """The same mistake in both definitions, as where both were copied from one table: each must show it by itself."""
        if not all(len(s.value) and self._alone(s) for s in both):
            return
        turned = [corrected(d, "sign", positive="retard" if d.positive == "advance" else "advance") for d in pair]
        angled = [corrected(d, "angle", angle="cam" if d.angle == "crank" else "crank") for d in pair]
        rests = [s.typical("key_on") for s in both]
        moved = [_shifted(d, -r[1]) for d, r in zip(pair, rests, strict=True) if r is not None and abs(r[1]) > REST_DEG]
        for corrections in (turned, angled, moved):
            if len(corrections) == 2:
                one, other = (series(c.definition, self.readings) for c in corrections)
                named = [(d.name, c) for d, c in zip(pair, corrections, strict=True)]
                yield (one, other), named, corrections[0].kind, corrections is moved

    def _fitted(
        self, definition: SignalDefinition, other: SignalDefinition, own: Series, partner: Series
    ) -> Iterator[Correction]:
        """Offset, factor, or both, fitted to the other angle or to rest."""
        rest = own.typical("key_on")
        if rest is not None and abs(rest[1]) > REST_DEG:
            yield _shifted(definition, -rest[1], other)
        if not len(own.value) or not moves(own) or not moves(partner):
            return
        target = np.interp(own.time_s, partner.time_s, partner.value)
        yield _shifted(definition, float(np.median(target - own.value)), other)
        raw = np.array([definition.raw(data) for data in own.data], dtype=float)
        slope, level = np.polyfit(raw, target, 1)
        turn = _turn(definition)
        ratio = slope / (definition.factor * turn)
        if not _RATIOS[0] < ratio < _RATIOS[1] or SAME_MEASURE[0] < ratio < SAME_MEASURE[1]:
            return
        factor = _near(slope / turn, other.factor, 0.06)
        yield corrected(definition, "factor", factor=factor)
        if _alike(definition, other):
            return  # two keys wrong in one of two that are scaled alike: rather the cam than the profile
        offset = _near((level + definition.rest_deg) / turn, other.offset, abs(FITS_DEG / turn))
        yield corrected(definition, "factor", factor=factor, offset=offset)


def _swapped(pair: Definitions, both: Angles) -> list[Suspect]:
    """Both, where the one called actual is ahead of the one called commanded."""
    if not all(map(moves, both)):
        return []
    lags = np.arange(-0.3, 0.31, 0.01)
    misfits = np.array([_apart(*both, lag_s, share=1.0) for lag_s in lags])
    ahead, behind = misfits[lags < 0].mean(), misfits[lags > 0].mean()
    if lags[int(np.argmin(misfits))] > -SWAPPED_LAG_S or behind < SWAPPED_CLEARLY * ahead:
        return []
    return [Suspect(d.name, corrected(d, "swapped", name=o.name)) for d, o in zip(pair, reversed(pair), strict=True)]


def moves(one: Series) -> bool:
    """True where an angle moved far enough to be compared."""
    return one.spread >= MOVES_DEG


def _apart(commanded: Series, actual: Series, lag_s: float, share: float = 0.9) -> float:
    """Root mean square of actual minus the command `lag_s` before, of the smallest `share` of them."""
    error = np.abs(actual.value - np.interp(actual.time_s - lag_s, commanded.time_s, commanded.value))
    kept = np.sort(error)[: max(1, int(share * len(error)))]
    return float(np.sqrt(np.mean(kept**2)))


def _same_measure(commanded: Series, actual: Series, lag_s: float, clearly: bool) -> bool:
    """False where actual is a straight line of the command with another slope than 1, and with `clearly` where it is none."""
    x = np.interp(actual.time_s - lag_s, commanded.time_s, commanded.value)
    if np.ptp(x) == 0.0 or np.ptp(actual.value) == 0.0:
        return True
    slope = np.polyfit(x, actual.value, 1)[0]
    explained = np.corrcoef(x, actual.value)[0, 1] ** 2
    if explained < CLEARLY:
        return not clearly
    return bool(SAME_MEASURE[0] < slope < SAME_MEASURE[1])


def _alike(one: SignalDefinition, other: SignalDefinition) -> bool:
    """True where two definitions make values of raw counts in the same way."""
    keys = ("factor", "offset", "signed", "angle", "positive", "length_bits")
    return all(getattr(one, key) == getattr(other, key) for key in keys)


def _turn(definition: SignalDefinition) -> float:
    """Crankshaft degrees, advance positive, of one unit of the definition."""
    turn = 2.0 if definition.angle == "cam" else 1.0
    return -turn if definition.positive == "retard" else turn


def _shifted(definition: SignalDefinition, by_deg: float, like: SignalDefinition | None = None) -> Correction:
    offset = definition.offset + by_deg / _turn(definition)
    offset = _near(offset, like.offset if like else round(offset), abs(FITS_DEG / _turn(definition)))
    return corrected(definition, "offset", offset=offset)


def _near(value: float, known: float, within: float) -> float:
    """`known` where it is within so much (a share for factors) of the fitted value, else that with four digits."""
    close = abs(value - known) <= (within * abs(known) if within < 0.1 else within)
    return known if close else float(f"{value:.4g}")
