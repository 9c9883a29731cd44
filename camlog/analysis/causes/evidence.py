"""The evidence of a drive for and against causes: names of sentences in `evidence.toml`, each with its values."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from camlog.analysis.causes.causes import read_table
from camlog.analysis.code_evidence import CodeEvidence
from camlog.analysis.engine_supply import Supply
from camlog.analysis.figures import FAULTS
from camlog.analysis.misfire.rates import Misfire
from camlog.analysis.verdict.judge import Answer, Verdict
from camlog.analysis.verdict.oil_effect import OilPattern
from camlog.cams import bank_of, cam_words

TABLE: Mapping[str, Any] = read_table("evidence.toml")
FEW_RISES = 2
WEAK = ("slow", "stuck", "unstable", "sticking")

# One piece of evidence: its name in the table and the values of its sentence.
Evidence = tuple[str, dict[str, Any]]


def evidence(
    verdicts: Mapping[str, Verdict], oil_patterns: Mapping[str, OilPattern], misfire: Misfire, codes: CodeEvidence,
    supply: Supply | None, with_supply: int, sufficient: bool,
) -> list[Evidence]:  # fmt: skip
    """All evidence of a drive for or against causes. Arguments as for `rank.diagnose`."""
    faulty = {c: v for c, v in verdicts.items() if v.condition in FAULTS}
    judged = [c for c, v in verdicts.items() if v.condition != "insufficient_data"]
    return [
        *_each_cam(faulty, oil_patterns),
        *_weak_together(judged, faulty, oil_patterns, with_supply),
        *_offset_together(judged, faulty),
        *_codes(codes),
        *(supply.evidence if supply is not None else ()),
        *_misfires(misfire, bool(faulty)),
        *_nothing(verdicts, bool(faulty), misfire, codes, sufficient),
    ]


def sentences(group: str, pieces: Sequence[Evidence], side: str) -> tuple[str, ...]:
    """The sentences that speak "for" or "against" a group of causes, each once."""
    texts = (TABLE[name]["words"].format(**values) for name, values in pieces if group in TABLE[name].get(side, ()))
    return tuple(dict.fromkeys(texts))


def _each_cam(faulty: Mapping[str, Verdict], patterns: Mapping[str, OilPattern]) -> Iterator[Evidence]:
    for cam, verdict in faulty.items():
        kind, answers = verdict.condition, verdict.questions
        kind_by_oil = slow_when(verdict, patterns.get(cam))
        if kind == "slow" and kind_by_oil in ("cold_only", "hot_only"):
            kind = f"slow_{kind_by_oil}"
        elif kind == "unstable" and _answer(answers, "starts_quietly") == "no" and _answer(answers, "holds") != "no":
            kind = "rattling"  # only the start is not quiet
        yield kind, {"cam": cam_words(cam)}


def _answer(answers: Mapping[str, Answer], question: str) -> str:
    return answers[question].answer if question in answers else ""


def slow_when(verdict: Verdict, oil: OilPattern | None) -> str:
    """The oil pattern; also taken from the ratio of the cam's cold to its warm lag if no pattern was named."""
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
        yield "all_weak", {}
        if all(patterns[c].kind == "hot_only" for c in weak if c in patterns):
            yield "all_weak_hot", {}
        if with_supply >= FEW_RISES:
            yield "waits_for_speed", {"times": with_supply}
    elif len(weak) == 1:
        cold = slow_when(faulty[weak[0]], patterns.get(weak[0])) == "cold_only"
        yield "other_right_cold" if cold else "other_right", {}


def _offset_together(judged: list[str], faulty: Mapping[str, Verdict]) -> Iterator[Evidence]:
    for bank in sorted({bank_of(c) for c in judged}):
        of_bank = [c for c in judged if bank_of(c) == bank]
        offset = [c for c in of_bank if c in faulty and faulty[c].condition == "offset"]
        if len(of_bank) < 2 or not offset:
            continue
        directions = {offset_direction(faulty[c]) for c in offset}
        kind = (
            "bank_retarded" if directions <= {0, -1} else "bank_advanced" if directions <= {0, 1} else "bank_opposite"
        )
        yield kind if len(offset) == len(of_bank) else "bank_one", {"bank": bank}


def offset_direction(verdict: Verdict) -> int:
    """Direction of a cam's offset: +1 advanced, -1 retarded, 0 not known."""
    for w in verdict.evidence:
        if w.figure.name in ("rest_offset_deg", "constant_error_deg") and w.measured.estimate.value:
            return 1 if w.measured.estimate.value > 0 else -1
    return 0


def _codes(codes: CodeEvidence) -> Iterator[Evidence]:
    for family, family_codes in codes.by_family.items():
        circuit = [c.code for c in family_codes if c.facts.kind.startswith("valve_circuit")]
        name = "valve_circuit" if circuit else f"codes_{family}"
        if name in TABLE:
            yield name, {"codes": ", ".join(circuit or (c.code for c in family_codes))}
    if codes.surely_none:
        yield "no_codes", {}


def _misfires(misfire: Misfire, faulty: bool) -> Iterator[Evidence]:
    pattern = misfire.pattern
    tied = [a.cam for a in misfire.association if a.cam is not None and a.holds]
    if pattern.kind == "single":
        yield "one_cylinder", {"cylinders": ", ".join(map(str, pattern.cylinders))}
    elif pattern.kind == "none":
        yield "no_misfires", {}
    elif pattern.kind in ("bank", "all", "several"):
        if tied:
            yield "misfires_follow_cam", {"cam": cam_words(tied[0])}
        else:
            yield "misfires_with_fault" if faulty else "misfires_alone", {"pattern": pattern.reason}


def _nothing(
    verdicts: Mapping[str, Verdict], faulty: bool, misfire: Misfire, codes: CodeEvidence, sufficient: bool
) -> Iterator[Evidence]:
    against = {
        "cam_faulty": faulty, "codes_held": bool(codes.codes),
        "misfires_there": misfire.pattern.kind not in ("none", "unknown"),
    }  # fmt: skip
    yield from ((name, {}) for name, holds in against.items() if holds)
    if verdicts and all(v.condition == "healthy" for v in verdicts.values()):
        yield "all_healthy", {}
    elif not sufficient:
        yield "drive_too_short", {}
