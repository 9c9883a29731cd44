"""Compares a cam's two angles: do they fit, and if not, which single mistake in the profile would explain it?

A working cam follows its command, so the two differ by a lag and a few degrees. Each possible mistake is corrected in
turn, and the misfits that remain (between the angles, at rest, beyond the cam's range) are compared.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from camlog.profile import SignalDefinition, VehicleProfile
from camlog.trial.mistakes import KINDS, Correction, corrected, discrete
from camlog.trial.readings import Readings, Series, series

MOVES_DEG = 6.0  # both angles must have moved this far before they are compared
FITS_DEG = 2.5  # most difference of a correct pair, without the largest tenth; common practice, no source
MUCH_BETTER = 0.4  # a mistake is named if at most this share of the misfit remains after its correction
REST_DEG, RANGE_DEG = 4.0, 5.0  # allowed distance from rest with the engine off, and beyond the range
TRAVEL_MOST_DEG = 120.0  # no phaser moves a cam further, crankshaft degrees
OTHER_MEASURE_DEG = 10.0  # added to the misfit if the two angles clearly move by different scales
SAME_MEASURE = (0.75, 1.33)  # slope of actual over commanded possible for a working cam that is sampled while it moves
CLEARLY = 0.8  # share of the motion that a straight line explains
LAGS_S = (0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.45)
SWAPPED_LAG_S = 0.015  # an angle that is ahead of its command by more is not the actual angle
SWAPPED_CLEARLY = 1.05  # moving it back must fit better than moving it ahead by this factor
_LEAST_READINGS = 20
_RATIOS = (0.15, 8.0)  # credible ratios of a correct to a wrong factor

Definitions = tuple[SignalDefinition, SignalDefinition]  # of a cam's commanded and actual angle
Angles = tuple[Series, Series]  # likewise
Named = list[tuple[str, Correction]]  # signals with the correction of each


@dataclass(frozen=True)
class Suspect:
    """A signal and the likely mistake in its definition. `shared`: the other of the pair may have it instead. `timing`:
    the cam itself may be offset, and the profile correct."""

    signal: str
    correction: Correction
    shared: bool = False
    timing: bool = False


def suspects(profile: VehicleProfile, cam: str, pair: Definitions, readings: Readings) -> list[Suspect]:
    """The likely mistake in a cam's two definitions (commanded, actual); empty if they fit or cannot be judged."""
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
    # All trials below the bound count alike: a smaller misfit says nothing more, and fitted values always have one.
    trials = [t for t in trials if t.misfit <= min(FITS_DEG, MUCH_BETTER * now)]
    if not trials:
        return []
    chosen = min(trials, key=lambda t: (t.fitted, len(t.corrections), KINDS.index(t.kind), t.number))
    alike = [t for t in trials if (t.kind, t.fitted, len(t.corrections)) == (chosen.kind, chosen.fitted, 1)]
    if len(chosen.corrections) > 1:
        alike = [chosen]
    suspected: dict[str, Correction] = {}
    for trial in sorted(alike, key=lambda t: (round(t.misfit, 1), t.number)):
        for signal, correction in trial.corrections:
            suspected.setdefault(signal, correction)
    shared = len(suspected) > 1 and len(chosen.corrections) == 1
    # If both are scaled alike and differ by an offset, the cam itself may be offset and the profile correct.
    timing = chosen.kind == "offset" and len(chosen.corrections) == 1 and _alike(*pair)
    return [Suspect(signal, correction, shared, timing) for signal, correction in suspected.items()]


@dataclass(frozen=True)
class _Trial:
    """The misfit (deg) that remains with `corrections` to the pair; `number` is its place in the order of trials."""

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
        """The misfit in degrees: between the two, from rest and beyond the range; infinite if one has no readings.

        `clearly`: the readings must show that both move by one scale; it is not enough that they may.
        """
        if min(len(commanded.value), len(actual.value)) < _LEAST_READINGS:
            return np.inf
        alone = max(self._alone(commanded), self._alone(actual))
        if not moves(commanded) or not moves(actual):
            # An angle that does not move may be a stuck cam, so each angle is judged by itself.
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
        """Each possible mistake: the corrected pair, the corrected signals, its kind, and whether a value was
        fitted."""
        for place, definition in enumerate(pair):
            others = [d for d in self.known if d.name != definition.name]
            fitted = self._fitted(definition, pair[1 - place], both[place], both[1 - place])
            tried = [(c, False) for c in discrete(definition, self.readings)] + [(c, True) for c in fitted]
            for correction, is_fitted in tried:
                changed = correction.definition
                if not is_fitted and any(changed.source == d.source and changed.bits & d.bits for d in others):
                    continue  # it would read the same bytes as another signal of the profile
                new = series(changed, self.readings)
                if is_fitted or moves(new):
                    angles = (new, both[1]) if place == 0 else (both[0], new)
                    yield angles, [(definition.name, correction)], correction.kind, is_fitted
        yield from self._in_both(pair, both)

    def _in_both(self, pair: Definitions, both: Angles) -> Iterator[tuple[Angles, Named, str, bool]]:
        """The same mistake in both definitions, for example copied from one table; each must show it by itself."""
        if not all(len(s.value) and self._alone(s) for s in both):
            return
        reversed_pair = [
            corrected(d, "sign", positive="retard" if d.positive == "advance" else "advance") for d in pair
        ]
        angled = [corrected(d, "angle", angle="cam" if d.angle == "crank" else "crank") for d in pair]
        rests = [s.typical("key_on") for s in both]
        moved = [_shifted(d, -r[1]) for d, r in zip(pair, rests, strict=True) if r is not None and abs(r[1]) > REST_DEG]
        for corrections in (reversed_pair, angled, moved):
            if len(corrections) == 2:
                one, other = (series(c.definition, self.readings) for c in corrections)
                named = [(d.name, c) for d, c in zip(pair, corrections, strict=True)]
                yield (one, other), named, corrections[0].kind, corrections is moved

    def _fitted(
        self, definition: SignalDefinition, other: SignalDefinition, own: Series, partner: Series
    ) -> Iterator[Correction]:
        """Corrections of offset, factor or both, fitted to the other angle or to rest."""
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
            return  # with equal scales, two wrong keys in one definition are less likely than a fault of the cam
        offset = _near((level + definition.rest_deg) / turn, other.offset, abs(FITS_DEG / turn))
        yield corrected(definition, "factor", factor=factor, offset=offset)


def _swapped(pair: Definitions, both: Angles) -> list[Suspect]:
    """Both signals, if the actual angle is ahead of the commanded one; else empty."""
    if not all(map(moves, both)):
        return []
    lags = np.arange(-0.3, 0.31, 0.01)
    misfits = np.array([_apart(*both, lag_s, share=1.0) for lag_s in lags])
    ahead, behind = misfits[lags < 0].mean(), misfits[lags > 0].mean()
    if lags[int(np.argmin(misfits))] > -SWAPPED_LAG_S or behind < SWAPPED_CLEARLY * ahead:
        return []
    return [Suspect(d.name, corrected(d, "swapped", name=o.name)) for d, o in zip(pair, reversed(pair), strict=True)]


def moves(one: Series) -> bool:
    """True if an angle moved far enough to be compared."""
    return one.spread >= MOVES_DEG


def _apart(commanded: Series, actual: Series, lag_s: float, share: float = 0.9) -> float:
    """Root mean square (deg) of actual minus the command `lag_s` earlier, over the smallest `share` of the
    differences."""
    error = np.abs(actual.value - np.interp(actual.time_s - lag_s, commanded.time_s, commanded.value))
    kept = np.sort(error)[: max(1, int(share * len(error)))]
    return float(np.sqrt(np.mean(kept**2)))


def _same_measure(commanded: Series, actual: Series, lag_s: float, clearly: bool) -> bool:
    """False if actual is a linear function of the command with a slope other than 1; with `clearly`, also if it is not
    linear."""
    x = np.interp(actual.time_s - lag_s, commanded.time_s, commanded.value)
    if np.ptp(x) == 0.0 or np.ptp(actual.value) == 0.0:
        return True
    slope = np.polyfit(x, actual.value, 1)[0]
    explained = np.corrcoef(x, actual.value)[0, 1] ** 2
    if explained < CLEARLY:
        return not clearly
    return bool(SAME_MEASURE[0] < slope < SAME_MEASURE[1])


def _alike(one: SignalDefinition, other: SignalDefinition) -> bool:
    """True if two definitions convert raw counts to values in the same way."""
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
    """`known` if it is `within` the fitted value (a share for factors), else the fitted value with four digits."""
    close = abs(value - known) <= (within * abs(known) if within < 0.1 else within)
    return known if close else float(f"{value:.4g}")
