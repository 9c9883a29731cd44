"""The causes of a drive: their probabilities, the evidence for and against each, and the checks in order of worth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from camlog.analysis.causes.causes import BY_KEY, CAUSES, GROUPS
from camlog.analysis.causes.checks import CHECKS, Check, Sentence
from camlog.analysis.causes.evidence import Evidence, evidence, offset_direction, sentences, slow_when
from camlog.analysis.causes.likelihood import CamEvidence, DriveEvidence, chances_of, pieces, posterior
from camlog.analysis.causes.troubleshoot import Rates, Step, cost_of_opening_first, expected_cost, plan
from camlog.analysis.code_evidence import CodeEvidence
from camlog.analysis.engine_supply import Supply
from camlog.analysis.figures import CONDITIONS
from camlog.analysis.misfire.rates import Misfire
from camlog.analysis.verdict.judge import Verdict
from camlog.analysis.verdict.oil_effect import OilPattern
from camlog.analysis.verdict.weigh import table

RATES = Rates()
WORTH_SAYING = 0.2  # probability from which a group of causes is named
# A check is listed with a group of causes if its chance to show something, given that one of them is the fault, is at
# least this for each hour it takes. A check of a few minutes thus needs a small chance only.
TELLS_AN_HOUR = 0.2


@dataclass(frozen=True, slots=True)
class Cause:
    """One group of causes: its probability (`support`), the causes `within` it (name and probability), the sentences
    for and against, and the checks that can show it, best value for their cost first."""

    cause: str
    support: float
    within: tuple[tuple[str, float], ...]
    evidence_for: tuple[str, ...]
    evidence_against: tuple[str, ...]
    next_checks: tuple[Sentence, ...]

    def to_dict(self) -> dict[str, Any]:
        return {
            "cause": self.cause,
            "support": round(self.support, 3),
            "within": {name: round(p, 3) for name, p in self.within},
            "evidence_for": list(self.evidence_for),
            "evidence_against": list(self.evidence_against),
            "next_checks": [str(c) for c in self.next_checks],
            "check_cautions": [list(c.cautions) for c in self.next_checks],
        }


@dataclass(frozen=True)
class Diagnosis:
    """All causes of a drive: `probabilities` by key (they sum to 1), `causes` by group, the likeliest first. The plan
    of checks is computed on demand; if `standing`, it has no check that runs the engine."""

    probabilities: Mapping[str, float]
    causes: tuple[Cause, ...]
    standing: bool = False

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        """The checks in the order of least expected cost, as long as each finds nothing."""
        return tuple(plan(self.probabilities, RATES, standing=self.standing))

    @cached_property
    def expected_cost(self) -> float:
        """Expected cost until the fault is repaired when `steps` are followed."""
        return expected_cost(self.probabilities, RATES, standing=self.standing)

    @property
    def opening_first(self) -> float:
        """Expected cost when the engine is opened at once."""
        return cost_of_opening_first(self.probabilities, RATES)

    def checks(self, cause: Cause) -> tuple[Sentence, ...]:
        """The checks of the plan as sentences; where repairing at once costs less than any check, those for `cause`."""
        return tuple(s.check.sentence for s in self.steps) or cause.next_checks

    def to_dict(self) -> dict[str, Any]:
        return {
            "labour_per_hour": RATES.labour_per_hour,
            "expected_cost": round(self.expected_cost),
            "expected_cost_opening_first": round(self.opening_first),
            "checks": [
                {"key": s.check.key, "check": s.check.text, "minutes": s.check.minutes, "cost": round(s.cost),
                 "expected_cost": round(s.expected_cost)}
                for s in self.steps
            ],
        }  # fmt: skip


def diagnose(
    verdicts: Mapping[str, Verdict], oil_patterns: Mapping[str, OilPattern], misfire: Misfire, codes: CodeEvidence, *,
    sufficient: bool, with_supply: int = 0, supply: Supply | None = None,
) -> Diagnosis:  # fmt: skip
    """The causes of a drive. `sufficient` says whether the drive could have shown every cam healthy, `with_supply` how
    often a standing cam moved off only as engine speed rose, `supply` what the engine's own signals say about oil
    pressure, voltage and fuel."""
    probabilities = posterior(pieces(_drive_evidence(verdicts, oil_patterns, misfire, codes, supply)))
    facts = evidence(verdicts, oil_patterns, misfire, codes, supply, with_supply, sufficient)
    groups = [_group(name, probabilities, facts) for name in GROUPS]
    return Diagnosis(probabilities, tuple(sorted(groups, key=lambda c: -c.support)))


def _drive_evidence(
    verdicts: Mapping[str, Verdict], oil_patterns: Mapping[str, OilPattern], misfire: Misfire, codes: CodeEvidence,
    supply: Supply | None,
) -> DriveEvidence:  # fmt: skip
    """The evidence of a drive in the form the model of causes takes."""
    odds = {c: math.exp(w) for c, w in table().prior.items()}
    priors = {c: odds.get(c, 1.0) / (1.0 + sum(odds.values())) for c in CONDITIONS}
    families = {
        "valve_circuit" if code.facts.kind.startswith("valve_circuit") else family
        for family, group in codes.by_family.items()
        for code in group
        # A permanent code alone is about the past: it stays after a repair until its monitor has run.
        if code.stored is not False or code.pending
    }
    return DriveEvidence(
        cams={cam: _cam(v, priors, oil_patterns.get(cam)) for cam, v in verdicts.items()},
        codes=frozenset(families) if families or codes.surely_none else None,
        misfire=misfire.pattern.kind,
        low_pressure=True if supply is not None and supply.pressure is not None else None,
    )


def _cam(verdict: Verdict, priors: Mapping[str, float], oil: OilPattern | None) -> CamEvidence:
    answer = verdict.questions.get("starts_quietly")
    known = verdict.condition != "insufficient_data"
    pattern = slow_when(verdict, oil)
    return CamEvidence(
        chances=chances_of(verdict.probabilities if known else priors, priors),
        oil=pattern if pattern in ("cold_only", "hot_only") else "",
        way=offset_direction(verdict),
        rattles=None if answer is None or answer.answer == "cannot_tell" else answer.answer == "no",
    )


def _group(name: str, probabilities: Mapping[str, float], pieces: list[Evidence]) -> Cause:
    members = {c.key: probabilities[c.key] for c in CAUSES if c.group == name}
    return Cause(
        name,
        sum(members.values()),
        tuple((BY_KEY[key].name, p) for key, p in sorted(members.items(), key=lambda m: -m[1])),
        sentences(name, pieces, "for"),
        sentences(name, pieces, "against"),
        tuple(c.sentence for c in telling(members)),
    )


def telling(members: Mapping[str, float]) -> list[Check]:
    """The checks that can show something under the causes `members` (key to weight), best value for the cost first."""
    total = sum(members.values()) or 1.0
    chances = {
        c.key: sum(p * by_cause.get(key, 0.0) for key, p in members.items() for by_cause in c.shows.values()) / total
        for c in CHECKS
    }
    useful = [c for c in CHECKS if chances[c.key] * 60.0 / c.minutes > TELLS_AN_HOUR]
    return sorted(useful, key=lambda c: -chances[c.key] / RATES.cost(c))
