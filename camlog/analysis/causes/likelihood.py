"""The probability of each cause given a drive (Bayes; one fault or none). A cause affects one cam, every cam of a bank,
or every cam; the unknown choice is averaged over. Evidence of the cams enters with the verdict's probabilities, so an
uncertain verdict changes little. A quantity that was not measured changes nothing."""

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

# Largest probability of a cam's condition that enters the probabilities of causes.
MOST_SURE = 0.97


@dataclass(frozen=True)
class CamEvidence:
    """Evidence of one cam: `chances` of the data under each condition (equal where unknown), `oil` pattern of a slow
    cam or "", `way` of an offset (+1 advanced, -1 retarded, 0 not known), `rattles` (None: no start was recorded)."""

    chances: Mapping[str, float]
    oil: str = ""
    way: int = 0
    rattles: bool | None = None


@dataclass(frozen=True)
class DriveEvidence:
    """All evidence of a drive. `codes` are the families read, None where codes were not read; `misfire` is the kind of
    the pattern or ""; `low_pressure` is None where oil pressure was not measured."""

    cams: Mapping[str, CamEvidence]
    codes: frozenset[str] | None = None
    misfire: str = ""
    low_pressure: bool | None = None


# The likelihood of one piece of evidence under each cause, by its key.
Likelihood = Mapping[str, float]


def pieces(seen: DriveEvidence) -> list[Likelihood]:
    """The likelihoods of a drive's pieces of evidence, which are independent given the cause."""
    likelihoods: list[Likelihood] = [{c.key: _cams(c, seen.cams) for c in CAUSES}] if seen.cams else []
    if seen.codes is not None:
        for family in CODE_FAMILIES:
            likelihoods.append(
                _sign_likelihood(family in seen.codes, {c.key: c.codes.get(family, CODE_BY_CHANCE) for c in CAUSES})
            )
    if seen.misfire in (*MISFIRE_BY_CHANCE, "none"):
        likelihoods.append({c.key: pattern_chance(c.misfire, MISFIRE_BY_CHANCE, seen.misfire) for c in CAUSES})
    if seen.low_pressure is not None:
        likelihoods.append(_sign_likelihood(seen.low_pressure, {c.key: c.pressure for c in CAUSES}))
    return likelihoods


def posterior(evidence: Sequence[Likelihood]) -> dict[str, float]:
    """The probability of each cause of CAUSES by key; they sum to 1."""
    weights = {c.key: math.log(c.prior) for c in CAUSES}
    for piece in evidence:
        for key, likelihood in piece.items():
            weights[key] += math.log(max(likelihood, 1e-9))
    top = max(weights.values())
    total = sum(math.exp(w - top) for w in weights.values())
    return {key: math.exp(w - top) / total for key, w in weights.items()}


def _sign_likelihood(present: bool, chances: Likelihood) -> Likelihood:
    """The likelihood of a sign that is `there`, or was looked for and is not; `chances` are those of the sign."""
    return chances if present else {key: 1.0 - chance for key, chance in chances.items()}


def _cams(cause: Cause, cams: Mapping[str, CamEvidence]) -> float:
    """The likelihood of the evidence of all cams: mean over the sets of cams the cause may affect."""
    cases = list(befallen(cause, list(cams)))
    return sum(math.prod(_cam(cause if c in case else None, cams[c]) for c in cams) for case in cases) / len(cases)


def befallen(cause: Cause, cams: Sequence[str]) -> Iterator[set[str]]:
    """The sets of cams that a cause may affect, equally likely."""
    if cause.reach == CAM:
        yield from ({cam} for cam in cams)
    elif cause.reach == BANK:
        for bank in sorted({bank_of(c) for c in cams}):
            yield {c for c in cams if bank_of(c) == bank}
    else:
        yield set(cams)


def _cam(cause: Cause | None, cam: CamEvidence) -> float:
    """The likelihood of one cam's evidence if `cause` affects it; None: if nothing is wrong with it."""
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
    """Likelihood of a cam's data under each condition, scaled to sum 1: the verdict's probabilities over its priors."""
    ratio = {c: probabilities.get(c, 0.0) / max(priors.get(c, 1e-6), 1e-6) for c in SOUND}
    total = sum(ratio.values()) or 1.0
    spread = (1.0 - MOST_SURE) / len(SOUND)
    return {c: MOST_SURE * r / total + spread for c, r in ratio.items()}
