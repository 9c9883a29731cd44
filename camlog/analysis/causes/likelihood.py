"""From what a drive showed to the probability of each cause (Bayes; one fault or none).

A cause befalls one cam, every cam of a bank, or every cam; which one it is, is summed over. Evidence of the cams counts
by the verdict's own probabilities, so an uncertain verdict moves little. What was not measured moves nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from camlog.analysis.causes.causes import (
    BANK,
    CAM,
    CAUSES,
    CODE_BY_CHANCE,
    MISFIRE_BY_CHANCE,
    OIL_OTHERWISE,
    SOUND,
    Cause,
    look,
    pattern_chance,
)
from camlog.cams import bank_of

# No verdict of a drive is surer than this of a cam's condition when it is to say why.
MOST_SURE = 0.97
# A piece of evidence speaks for or against a cause from this factor on, against the average of all causes.
SPEAKS_FROM = 1.5


@dataclass(frozen=True)
class CamSeen:
    """What a drive said of one cam: `chances` of each condition (flat where nothing was said), `oil` pattern of a slow
    cam or "", `way` +1 advanced, -1 retarded, 0 not known, `rattles` True, False or None where the start was not seen."""

    chances: Mapping[str, float]
    oil: str = ""
    way: int = 0
    rattles: bool | None = None


@dataclass(frozen=True)
class Seen:
    """What a drive said in all. `codes` are the families seen, None where codes were not read; `misfire` the pattern's
    kind or ""; `low_pressure` True, False or None where oil pressure was not measured."""

    cams: Mapping[str, CamSeen]
    codes: frozenset[str] | None = None
    misfire: str = ""
    low_pressure: bool | None = None
    complaint_rattle: bool = False


@dataclass(frozen=True)
class Piece:
    """One piece of evidence: `name` and `values` of its sentence, and its likelihood under each cause."""

    name: str
    values: Mapping[str, object]
    likelihood: Mapping[str, float]

    def factor(self, cause: str, probabilities: Mapping[str, float]) -> float:
        """How much likelier this is under one cause than under the others on average."""
        rest = sum(p for key, p in probabilities.items() if key != cause) or 1.0
        others = sum(p * self.likelihood[key] for key, p in probabilities.items() if key != cause) / rest
        return self.likelihood[cause] / max(others, 1e-12)


def pieces(seen: Seen) -> list[Piece]:
    """Every piece of evidence of a drive, each independent of the others given the cause."""
    found = [Piece("cams", {}, _each(lambda c: _cams(c, seen.cams)))] if seen.cams else []
    if seen.codes is not None:
        for family in ("cam_performance", "slow_response", "cam_crank_correlation", "sensor_circuit", "misfire",
                       "valve_circuit", "oil_pressure_temperature", "fuel_trim"):  # fmt: skip
            here = family in seen.codes
            name = "code" if here else "no_code"
            chance = _each(lambda c, f=family: c.codes.get(f, CODE_BY_CHANCE))
            found.append(Piece(name, {"family": family}, {k: p if here else 1.0 - p for k, p in chance.items()}))
    if seen.misfire in (*MISFIRE_BY_CHANCE, "none"):
        found.append(Piece(f"misfire_{seen.misfire}", {}, _each(lambda c: pattern_chance(c.misfire, MISFIRE_BY_CHANCE, seen.misfire))))
    if seen.low_pressure is not None:
        low = _each(lambda c: c.pressure)
        found.append(Piece("low_pressure" if seen.low_pressure else "good_pressure", {},
                           {k: p if seen.low_pressure else 1.0 - p for k, p in low.items()}))  # fmt: skip
    if seen.complaint_rattle:
        found.append(Piece("rattle_heard", {}, _each(lambda c: max(c.rattles, 0.1))))
    return found


def posterior(evidence: Sequence[Piece], priors: Mapping[str, float] | None = None) -> dict[str, float]:
    """The probability of each cause of CAUSES by key; they sum to 1. `priors` replace the table's weights."""
    weights = {c.key: math.log((priors or {}).get(c.key, c.prior)) for c in CAUSES}
    for piece in evidence:
        for key, likelihood in piece.likelihood.items():
            weights[key] += math.log(max(likelihood, 1e-9))
    top = max(weights.values())
    total = sum(math.exp(w - top) for w in weights.values())
    return {key: math.exp(w - top) / total for key, w in weights.items()}


def _each(chance: Callable[[Cause], float]) -> dict[str, float]:
    return {cause.key: chance(cause) for cause in CAUSES}


def _cams(cause: Cause, cams: Mapping[str, CamSeen]) -> float:
    """The likelihood of what all cams showed: mean over which of them the cause befalls."""
    cases = list(_befallen(cause, list(cams)))
    return sum(math.prod(_cam(cause if c in case else None, cams[c]) for c in cams) for case in cases) / len(cases)


def _befallen(cause: Cause, cams: Sequence[str]) -> Iterator[set[str]]:
    if cause.reach == CAM:
        yield from ({cam} for cam in cams)
    elif cause.reach == BANK:
        for bank in sorted({bank_of(c) for c in cams}):
            yield {c for c in cams if bank_of(c) == bank}
    else:
        yield set(cams)


def _cam(cause: Cause | None, cam: CamSeen) -> float:
    """The likelihood of one cam's evidence where it suffers from `cause`, or from nothing."""
    total = 0.0
    for condition, chance in cam.chances.items():
        p = look(cause, condition)
        if condition == "slow" and cam.oil:
            p *= pattern_chance(cause.oil if cause else {}, OIL_OTHERWISE, cam.oil)
        if condition == "offset" and cam.way:
            retarded = cause.retarded if cause else 0.5
            p *= retarded if cam.way < 0 else 1.0 - retarded
        total += chance * p
    if cam.rattles is not None:
        rattle = cause.rattles if cause else 0.02
        total *= rattle if cam.rattles else 1.0 - rattle
    return total


def chances_of(probabilities: Mapping[str, float], priors: Mapping[str, float]) -> dict[str, float]:
    """How likely a cam's data are under each condition (they sum to 1), from the verdict's probabilities and its priors."""
    ratio = {c: probabilities.get(c, 0.0) / max(priors.get(c, 1e-6), 1e-6) for c in SOUND}
    total = sum(ratio.values()) or 1.0
    spread = (1.0 - MOST_SURE) / len(SOUND)
    return {c: MOST_SURE * r / total + spread for c, r in ratio.items()}
