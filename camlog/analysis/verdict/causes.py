"""What is behind it, ranked over all cams: each cause with its evidence for and against, and the next checks.

The verdicts say what a cam does; here several cams, oil temperature, codes and misfires together say why.
Two cams weak together with hot oil is oil supply, one alone its phaser or valve, an offset on all cams of a
bank the chain. Support is a weight of evidence on the logistic scale (0 to 1); causes do not exclude each
other. Weights and sentences stand in `causes.toml`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from camlog.analysis.code_evidence import CodeEvidence
from camlog.analysis.engine_supply import Supply
from camlog.analysis.misfire.rates import Misfire
from camlog.analysis.verdict import messages
from camlog.analysis.verdict.checks import CAUSES, NAMES, NEXT_CHECKS, SEPARATED_BY, TABLE, Check
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


@dataclass
class _Scale:
    """Evidence as it is laid on the scale: the weight of each cause, and the sentences for and against it."""

    weight: dict[str, float] = field(default_factory=lambda: dict.fromkeys(CAUSES, PRIOR))
    speaks_for: dict[str, list[str]] = field(default_factory=lambda: {c: [] for c in CAUSES})
    against: dict[str, list[str]] = field(default_factory=lambda: {c: [] for c in CAUSES})

    def put(self, evidence: str, strength: float = 1.0, **values: Any) -> None:
        """Lay one piece of evidence of the table on it, times its strength, its sentence with these values."""
        entry = TABLE["evidence"][evidence]
        self.put_sentence(entry["words"].format(**values), entry["weights"], strength)

    def put_sentence(self, sentence: str, weights: Mapping[str, float], strength: float = 1.0) -> None:
        for key, weight in weights.items():
            self.weight[NAMES[key]] += strength * weight
            (self.speaks_for if weight > 0 else self.against)[NAMES[key]].append(sentence)

    def causes(self) -> list[Cause]:
        """All causes, best supported first."""
        causes = [
            Cause(
                cause, 1.0 / (1.0 + math.exp(-self.weight[cause])), tuple(dict.fromkeys(self.speaks_for[cause])),
                tuple(dict.fromkeys(self.against[cause])), NEXT_CHECKS[cause],
            )
            for cause in CAUSES
        ]  # fmt: skip
        return sorted(causes, key=lambda c: -c.support)


def rank_causes(
    verdicts: Mapping[str, Verdict], oil_patterns: Mapping[str, OilPattern], misfire: Misfire, codes: CodeEvidence, *,
    sufficient: bool, with_supply: int = 0, supply: Supply | None = None,
) -> tuple[Cause, ...]:  # fmt: skip
    """All causes, best supported first.

    `sufficient` says whether the drive could have cleared every cam, `with_supply` how often a cam that stood still
    moved off only as engine speed rose, `supply` what the engine's own signals say of oil pressure, voltage and fuel.
    """
    scale = _Scale()
    faulty = {c: v for c, v in verdicts.items() if v.condition not in ("healthy", "insufficient_data")}
    slow_when = {cam: _slow_when(verdict, oil_patterns.get(cam)) for cam, verdict in faulty.items()}
    for cam, verdict in faulty.items():
        kind = verdict.condition
        if kind == "unstable" and _rattles(verdict):
            kind = "rattling"
        if kind == "slow" and slow_when[cam] in ("cold_only", "hot_only"):
            kind = f"slow_{slow_when[cam]}"
        scale.put(kind, verdict.confidence, cam=cam_words(cam))
    judged = [c for c, v in verdicts.items() if v.condition != "insufficient_data"]
    _weak_together(scale, judged, faulty, slow_when, oil_patterns, with_supply)
    _offset_together(scale, judged, faulty)
    _codes(scale, codes)
    for name, values in supply.evidence() if supply is not None else ():
        scale.put(name, **values)
    _misfires(scale, misfire, bool(faulty))
    _nothing(scale, verdicts, bool(faulty), misfire, codes, sufficient)
    return tuple(_with_separation(scale.causes()))


def _rattles(verdict: Verdict) -> bool:
    """Is it only the start that is not quiet?"""
    starts, holds = verdict.questions.get("starts_quietly"), verdict.questions.get("holds")
    return starts is not None and starts.answer == "no" and (holds is None or holds.answer != "no")


def _slow_when(verdict: Verdict, oil: OilPattern | None) -> str:
    """The oil pattern, also where only the cam's lag against its own with warm oil shows it."""
    kind = oil.kind if oil else "unknown"
    lags_cold = any(w.figure.name == "cold_slowness_ratio" and w.times_limit > 1.0 for w in verdict.evidence)
    return "cold_only" if lags_cold and kind in ("unknown", "none") else kind


def _weak_together(
    scale: _Scale, judged: list[str], faulty: Mapping[str, Verdict], slow_when: Mapping[str, str],
    patterns: Mapping[str, OilPattern], with_supply: int,
) -> None:  # fmt: skip
    weak = [c for c, v in faulty.items() if v.condition in WEAK]
    if len(judged) < 2:
        return
    if len(weak) == len(judged):
        scale.put("all_weak")
        if all(patterns[c].kind == "hot_only" for c in weak if c in patterns):
            scale.put("all_weak_hot")
        if with_supply >= FEW_RISES:
            scale.put("waits_for_speed", times=with_supply)
    elif len(weak) == 1:
        scale.put("other_right_cold" if slow_when[weak[0]] == "cold_only" else "other_right")


def _offset_together(scale: _Scale, judged: list[str], faulty: Mapping[str, Verdict]) -> None:
    for bank in sorted({bank_of(c) for c in judged}):
        of_bank = [c for c in judged if bank_of(c) == bank]
        off = [c for c in of_bank if c in faulty and faulty[c].condition == "offset"]
        if len(of_bank) < 2 or not off:
            continue
        ways = {_way(faulty[c]) for c in off}
        if len(off) < len(of_bank):
            kind = "bank_one"
        elif ways <= {0, -1}:
            kind = "bank_retarded"
        else:
            kind = "bank_advanced" if ways <= {0, 1} else "bank_opposite"
        scale.put(kind, bank=bank)


def _way(verdict: Verdict) -> int:
    """Which way an offset cam stands off: +1 advanced, -1 retarded, 0 not known."""
    for w in verdict.evidence:
        if w.figure.name in ("rest_offset_deg", "constant_error_deg") and w.measured.estimate.value:
            return 1 if w.measured.estimate.value > 0 else -1
    return 0


def _codes(scale: _Scale, codes: CodeEvidence) -> None:
    table = TABLE["codes"]
    for family, seen in codes.by_family.items():
        circuit = [c.code for c in seen if c.facts.kind == "circuit"]
        if family == "cam_performance" and circuit:
            scale.put("valve_circuit", codes=", ".join(circuit))
        elif family in table["weights"]:
            sentence = table["words"].format(codes=", ".join(c.code for c in seen))
            scale.put_sentence(sentence, table["weights"][family])
    if codes.surely_none:
        scale.put("no_codes")


def _misfires(scale: _Scale, misfire: Misfire, faulty: bool) -> None:
    pattern = misfire.pattern
    tied = [a for a in misfire.association if a.kind == "cam_error" and a.holds]
    if pattern.kind == "single":
        scale.put("one_cylinder", cylinders=", ".join(map(str, pattern.cylinders)))
    elif pattern.kind == "none":
        scale.put("no_misfires")
    elif pattern.kind in ("bank", "all", "several"):
        if tied:
            scale.put("misfires_follow_cam", cam=cam_words(tied[0].cam))
        else:
            scale.put("misfires_with_fault" if faulty else "misfires_alone", pattern=pattern.reason)


def _nothing(
    scale: _Scale, verdicts: Mapping[str, Verdict], faulty: bool, misfire: Misfire, codes: CodeEvidence, sufficient: bool
) -> None:
    if faulty:
        scale.put("cam_faulty")
    if codes.codes:
        scale.put("codes_held")
    if misfire.pattern.kind not in ("none", "unknown"):
        scale.put("misfires_there")
    if verdicts and all(v.condition == "healthy" for v in verdicts.values()):
        scale.put("all_healthy", min(v.confidence for v in verdicts.values()))
    elif not sufficient:
        scale.put("drive_too_short")


def _with_separation(causes: list[Cause]) -> list[Cause]:
    """Where the two best cannot be told apart, the check that does comes first on both."""
    first, second = causes[:2]
    check = SEPARATED_BY.get(frozenset({first.cause, second.cause}))
    if check is None or second.support < WORTH_SAYING or first.support - second.support > CLOSE:
        return causes
    note = check.with_text(messages("causes.not_apart", first=first.cause, second=second.cause, check=check))
    return [*(replace(c, next_checks=(note, *c.next_checks)) for c in (first, second)), *causes[2:]]
