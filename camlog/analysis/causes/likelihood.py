"""From what a drive showed to the probability of each cause (Bayes; one fault or none). A cause befalls
one cam, every cam of a bank, or every cam; which one it is, is summed over. Evidence of the cams counts by
the verdict's own probabilities, so an uncertain verdict moves little. What was not measured moves nothing."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from camlog.analysis.causes.causes import (
    BANK,
    CAM,
    CAUSES,
    CODE_BY_CHANCE,
    CODE_FAMILIES,
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


# The likelihood of one piece of evidence under each cause, by its key.
Likelihood = Mapping[str, float]


def pieces(seen: Seen) -> list[Likelihood]:
    """Every piece of evidence of a drive, each independent of the others given the cause."""
    found: list[Likelihood] = [{c.key: _cams(c, seen.cams) for c in CAUSES}] if seen.cams else []
    if seen.codes is not None:
        for family in CODE_FAMILIES:
            found.append(_there(family in seen.codes, {c.key: c.codes.get(family, CODE_BY_CHANCE) for c in CAUSES}))
    if seen.misfire in (*MISFIRE_BY_CHANCE, "none"):
        found.append({c.key: pattern_chance(c.misfire, MISFIRE_BY_CHANCE, seen.misfire) for c in CAUSES})
    if seen.low_pressure is not None:
        found.append(_there(seen.low_pressure, {c.key: c.pressure for c in CAUSES}))
    return found


def posterior(evidence: Sequence[Likelihood]) -> dict[str, float]:
    """The probability of each cause of CAUSES by key; they sum to 1."""
    weights = {c.key: math.log(c.prior) for c in CAUSES}
    for piece in evidence:
        for key, likelihood in piece.items():
            weights[key] += math.log(max(likelihood, 1e-9))
    top = max(weights.values())
    total = sum(math.exp(w - top) for w in weights.values())
    return {key: math.exp(w - top) / total for key, w in weights.items()}


def _there(there: bool, chances: Likelihood) -> Likelihood:
    """The likelihood of something that was seen, or was looked for and not seen."""
    return chances if there else {key: 1.0 - chance for key, chance in chances.items()}


def _cams(cause: Cause, cams: Mapping[str, CamSeen]) -> float:
    """The likelihood of what all cams showed: mean over which of them the cause befalls."""
    cases = list(befallen(cause, list(cams)))
    return sum(math.prod(_cam(cause if c in case else None, cams[c]) for c in cams) for case in cases) / len(cases)


def befallen(cause: Cause, cams: Sequence[str]) -> Iterator[set[str]]:
    """The sets of cams that a cause may befall, each as likely as the others."""
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
