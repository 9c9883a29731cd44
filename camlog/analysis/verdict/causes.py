"""What is behind it, ranked over all cams: each cause with its evidence for and against, and the next checks.

The verdicts say what a cam does; here several cams, oil temperature, codes and misfires together say why.
Two cams weak together with hot oil is oil supply, one alone its phaser or valve, an offset on all cams of a
bank the chain. Support is a weight of evidence on the logistic scale (0 to 1); causes do not exclude each
other. Weights and sentences stand in `causes.toml`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from camlog.analysis.code_evidence import CodeEvidence
from camlog.analysis.engine_supply import Supply
from camlog.analysis.misfire.rates import Misfire
from camlog.analysis.verdict import messages
from camlog.analysis.verdict.checks import NAMES, NEXT_CHECKS, SEPARATED_BY, TABLE, Check
from camlog.analysis.verdict.judge import Verdict
from camlog.analysis.verdict.oil_effect import OilPattern
from camlog.cams import bank_of, cam_words

PRIOR = -3.0  # of any cause before evidence: about one in twenty
CLOSE = 0.25  # two causes whose support differs by less cannot be told apart
WORTH_SAYING = 0.3
FEW_RISES = 2
WEAK = ("slow", "stuck", "unstable", "sticking")


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause of CAUSES with its support (0 to 1), sentences for and against, and checks in order."""

    cause: str
    support: float
    evidence_for: tuple[str, ...]
    evidence_against: tuple[str, ...]
    next_checks: tuple[Check, ...]

    def to_dict(self) -> dict[str, Any]:
        """The cause as it stands in Findings."""
        return {
            "cause": self.cause,
            "support": round(self.support, 3),
            "evidence_for": list(self.evidence_for),
            "evidence_against": list(self.evidence_against),
            "next_checks": [str(c) for c in self.next_checks],
            "check_cautions": [list(c.cautions) for c in self.next_checks],
        }


# One piece of evidence: its name in the table, its strength (1 is all of its weight) and the values of its
# sentence.
Evidence = tuple[str, float, dict[str, Any]]


def rank_causes(
    verdicts: Mapping[str, Verdict], oil_patterns: Mapping[str, OilPattern], misfire: Misfire,
    codes: CodeEvidence, *, sufficient: bool, with_supply: int = 0, supply: Supply | None = None,
) -> tuple[Cause, ...]:  # fmt: skip
    """All causes, best supported first.

    `sufficient` says whether the drive could have cleared every cam, `with_supply` how often a cam that stood
    still moved off only as engine speed rose, `supply` what the engine's own signals say of oil pressure,
    voltage and fuel.
    """
    faulty = {c: v for c, v in verdicts.items() if v.condition not in ("healthy", "insufficient_data")}
    judged = [c for c, v in verdicts.items() if v.condition != "insufficient_data"]
    evidence = [
        *_each_cam(faulty, oil_patterns),
        *_weak_together(judged, faulty, oil_patterns, with_supply),
        *_offset_together(judged, faulty),
        *_codes(codes),
        *((name, 1.0, values) for name, values in (supply.evidence if supply is not None else ())),
        *_misfires(misfire, bool(faulty)),
        *_nothing(verdicts, bool(faulty), misfire, codes, sufficient),
    ]
    causes = [_cause(key, evidence) for key in NAMES]
    return tuple(_with_separation(sorted(causes, key=lambda c: -c.support)))


def _cause(key: str, evidence: list[Evidence]) -> Cause:
    """One cause with the evidence that touches it."""
    weight, sentences = PRIOR, ({}, {})  # dicts keep the order and each sentence once
    for name, strength, values in evidence:
        entry = TABLE["evidence"][name]
        if key in entry["weights"]:
            weight += strength * entry["weights"][key]
            sentences[entry["weights"][key] < 0][entry["words"].format(**values)] = None
    support = 1.0 / (1.0 + math.exp(-weight))
    return Cause(NAMES[key], support, tuple(sentences[0]), tuple(sentences[1]), NEXT_CHECKS[NAMES[key]])


def _each_cam(faulty: Mapping[str, Verdict], patterns: Mapping[str, OilPattern]) -> Iterator[Evidence]:
    for cam, verdict in faulty.items():
        kind = verdict.condition
        slow_when = _slow_when(verdict, patterns.get(cam))
        if kind == "slow" and slow_when in ("cold_only", "hot_only"):
            kind = f"slow_{slow_when}"
        only_at_start = _answer(verdict, "starts_quietly") == "no" and _answer(verdict, "holds") != "no"
        if kind == "unstable" and only_at_start:
            kind = "rattling"
        yield kind, verdict.confidence, {"cam": cam_words(cam)}


def _answer(verdict: Verdict, question: str) -> str:
    return verdict.questions[question].answer if question in verdict.questions else ""


def _slow_when(verdict: Verdict, oil: OilPattern | None) -> str:
    """The oil pattern, also where only the cam's lag against its own with warm oil shows it."""
    kind = oil.kind if oil else "unknown"
    lags_cold = any(w.figure.name == "cold_slowness_ratio" and w.times_limit > 1.0 for w in verdict.evidence)
    return "cold_only" if lags_cold and kind in ("unknown", "none") else kind


def _weak_together(
    judged: list[str], faulty: Mapping[str, Verdict], patterns: Mapping[str, OilPattern], with_supply: int
) -> Iterator[Evidence]:
    weak = [c for c, v in faulty.items() if v.condition in WEAK]
    if len(judged) < 2:
        return
    if len(weak) == len(judged):
        yield "all_weak", 1.0, {}
        if all(patterns[c].kind == "hot_only" for c in weak if c in patterns):
            yield "all_weak_hot", 1.0, {}
        if with_supply >= FEW_RISES:
            yield "waits_for_speed", 1.0, {"times": with_supply}
    elif len(weak) == 1:
        cold = _slow_when(faulty[weak[0]], patterns.get(weak[0])) == "cold_only"
        yield "other_right_cold" if cold else "other_right", 1.0, {}


def _offset_together(judged: list[str], faulty: Mapping[str, Verdict]) -> Iterator[Evidence]:
    for bank in sorted({bank_of(c) for c in judged}):
        of_bank = [c for c in judged if bank_of(c) == bank]
        off = [c for c in of_bank if c in faulty and faulty[c].condition == "offset"]
        if len(of_bank) < 2 or not off:
            continue
        ways = {_way(faulty[c]) for c in off}
        kind = "bank_retarded" if ways <= {0, -1} else "bank_advanced" if ways <= {0, 1} else "bank_opposite"
        yield kind if len(off) == len(of_bank) else "bank_one", 1.0, {"bank": bank}


def _way(verdict: Verdict) -> int:
    """Which way an offset cam stands off: +1 advanced, -1 retarded, 0 not known."""
    for w in verdict.evidence:
        if w.figure.name in ("rest_offset_deg", "constant_error_deg") and w.measured.estimate.value:
            return 1 if w.measured.estimate.value > 0 else -1
    return 0


def _codes(codes: CodeEvidence) -> Iterator[Evidence]:
    for family, seen in codes.by_family.items():
        circuit = [c.code for c in seen if c.facts.kind.startswith("valve_circuit")]
        name = "valve_circuit" if circuit else f"codes_{family}"
        if name in TABLE["evidence"]:
            yield name, 1.0, {"codes": ", ".join(circuit or (c.code for c in seen))}
    if codes.surely_none:
        yield "no_codes", 1.0, {}


def _misfires(misfire: Misfire, faulty: bool) -> Iterator[Evidence]:
    pattern = misfire.pattern
    tied = [a for a in misfire.association if a.kind == "cam_error" and a.holds]
    if pattern.kind == "single":
        yield "one_cylinder", 1.0, {"cylinders": ", ".join(map(str, pattern.cylinders))}
    elif pattern.kind == "none":
        yield "no_misfires", 1.0, {}
    elif pattern.kind in ("bank", "all", "several"):
        if tied:
            yield "misfires_follow_cam", 1.0, {"cam": cam_words(tied[0].cam)}
        else:
            yield "misfires_with_fault" if faulty else "misfires_alone", 1.0, {"pattern": pattern.reason}


def _nothing(
    verdicts: Mapping[str, Verdict], faulty: bool, misfire: Misfire, codes: CodeEvidence, sufficient: bool
) -> Iterator[Evidence]:
    against = {
        "cam_faulty": faulty, "codes_held": bool(codes.codes),
        "misfires_there": misfire.pattern.kind not in ("none", "unknown"),
    }  # fmt: skip
    yield from ((name, 1.0, {}) for name, there in against.items() if there)
    if verdicts and all(v.condition == "healthy" for v in verdicts.values()):
        yield "all_healthy", min(v.confidence for v in verdicts.values()), {}
    elif not sufficient:
        yield "drive_too_short", 1.0, {}


def _with_separation(causes: list[Cause]) -> list[Cause]:
    """Where the two best cannot be told apart, the check that does comes first on both."""
    first, second = causes[:2]
    check = SEPARATED_BY.get(frozenset({first.cause, second.cause}))
    if check is None or second.support < WORTH_SAYING or first.support - second.support > CLOSE:
        return causes
    note = check.with_text(messages("causes.not_apart", first=first.cause, second=second.cause, check=check))
    return [*(replace(c, next_checks=(note, *c.next_checks)) for c in (first, second)), *causes[2:]]
