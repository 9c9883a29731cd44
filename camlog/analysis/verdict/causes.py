"""What is behind it, ranked over all cams: each cause with its evidence for and against, and the next checks.

The verdicts say what a cam does; here several cams, oil temperature, codes and misfires together say why.
Two cams weak together with hot oil is oil supply, one alone its phaser or valve, an offset on all cams of a
bank the chain. Support is a weight of evidence on the logistic scale (0 to 1); causes do not exclude each
other.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from camlog.analysis.code_evidence import CodeEvidence
from camlog.analysis.misfire.rates import Misfire
from camlog.analysis.oil_pressure import LowPressure
from camlog.analysis.verdict.checks import (
    CAUSES,
    CONTROL_VALVE,
    IGNITION,
    MECHANICAL_TIMING,
    NEXT_CHECKS,
    NOTHING,
    OIL_SUPPLY,
    PHASER,
    SENSOR,
    SEPARATED_BY,
    Check,
)
from camlog.analysis.verdict.engine_supply import EngineSupply
from camlog.analysis.verdict.judge import Verdict
from camlog.analysis.verdict.oil_effect import OilPattern
from camlog.cams import bank_of, cam_words

PRIOR = -3.0  # of any cause before evidence: about one in twenty
CLOSE = 0.25  # two causes whose support differs by less cannot be told apart
WORTH_SAYING = 0.3
FEW_RISES = 2


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause of CAUSES with its support (0 to 1), sentences for and against, and checks in order."""

    cause: str
    support: float
    evidence_for: tuple[str, ...]
    evidence_against: tuple[str, ...]
    next_checks: tuple[Check, ...]

    def to_dict(self) -> dict[str, Any]:
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
    """Evidence as it is laid on the scale."""

    weight: dict[str, float] = field(default_factory=lambda: dict.fromkeys(CAUSES, PRIOR))
    speaks_for: dict[str, list[str]] = field(default_factory=lambda: {c: [] for c in CAUSES})
    against: dict[str, list[str]] = field(default_factory=lambda: {c: [] for c in CAUSES})

    def put(self, sentence: str, strength: float = 1.0, **weights: float) -> None:
        """One piece of evidence: its weight for each cause it touches (negative: against), times its
        strength."""
        for key, weight in weights.items():
            cause = _KEYS[key]
            self.weight[cause] += strength * weight
            (self.speaks_for if weight > 0 else self.against)[cause].append(sentence)


_KEYS = {
    "phaser": PHASER,
    "valve": CONTROL_VALVE,
    "oil": OIL_SUPPLY,
    "timing": MECHANICAL_TIMING,
    "sensor": SENSOR,
    "ignition": IGNITION,
    "nothing": NOTHING,
}


def rank_causes(
    verdicts: Mapping[str, Verdict],
    oil_patterns: Mapping[str, OilPattern],
    misfire: Misfire,
    codes: CodeEvidence,
    *,
    sufficient: bool,
    with_supply: int = 0,
    pressure: LowPressure | None = None,
    supply: EngineSupply | None = None,
) -> tuple[Cause, ...]:
    """All causes, best supported first.

    `with_supply` is how often a cam that stood still moved off only as engine speed rose, `pressure` the lowest oil
    pressure where one was too low, `supply` what the engine's own signals say of fuel trims and voltage.
    """
    scale = _Scale()
    faulty = {c: v for c, v in verdicts.items() if v.condition not in ("healthy", "insufficient_data")}
    for cam, verdict in faulty.items():
        _one_cam(scale, cam, verdict, oil_patterns.get(cam), _rattles(verdict))
    _together(scale, verdicts, faulty, oil_patterns, with_supply)
    _codes(scale, codes)
    if pressure is not None:
        scale.put(f"Oil pressure is low: {pressure.figure}.", 1.0, oil=4.0, phaser=-1.0, valve=-0.5)
    if supply is not None:
        _supply(scale, supply)
    _misfires(scale, misfire, faulty)
    _nothing(scale, verdicts, faulty, misfire, codes, sufficient)
    causes = [
        Cause(
            cause,
            1.0 / (1.0 + math.exp(-scale.weight[cause])),
            tuple(dict.fromkeys(scale.speaks_for[cause])),
            tuple(dict.fromkeys(scale.against[cause])),
            NEXT_CHECKS[cause],
        )
        for cause in CAUSES
    ]
    causes.sort(key=lambda c: -c.support)
    return tuple(_with_separation(causes))


def _one_cam(scale: _Scale, cam: str, verdict: Verdict, oil: OilPattern | None, rest_flutter: bool) -> None:
    name, strength, kind = cam_words(cam), verdict.confidence, _slow_when(verdict, oil)
    match verdict.condition:
        case "sticking":
            scale.put(f"The {name} sticks, then jumps.", strength, phaser=3.0, valve=2.5, oil=1.0)
        case "stuck":
            scale.put(
                f"The {name} does not follow its command.",
                strength,
                phaser=3.0,
                valve=2.8,
                oil=1.0,
                sensor=0.8,
            )
        case "unstable" if rest_flutter:
            scale.put(
                f"The {name} rattles at rest after the start: its lock pin does not hold.",
                strength,
                phaser=4.5,
            )
        case "unstable":
            scale.put(
                f"The {name} does not hold a steady command.", strength, phaser=3.0, valve=2.4, oil=1.2
            )
        case "offset":
            scale.put(
                f"The {name} stands off its rest position.", strength, timing=3.5, sensor=1.0, phaser=0.8
            )
        case "sensor":
            scale.put(f"The {name}'s angle reading is not that of a moving cam.", strength, sensor=5.0)
        case "slow" if kind == "cold_only":
            scale.put(f"The {name} is slow only with cold oil.", strength, oil=4.2, phaser=1.9, valve=1.9)
        case "slow" if kind == "hot_only":
            scale.put(f"The {name} is weak only with hot oil.", strength, oil=2.5, phaser=2.7, valve=1.0)
        case "slow":
            scale.put(f"The {name} is slow.", strength, oil=2.3, valve=2.6, phaser=2.2)


def _rattles(verdict: Verdict) -> bool:
    """Is it only the start that is not quiet?"""
    starts, holds = verdict.questions.get("starts_quietly"), verdict.questions.get("holds")
    return starts is not None and starts.answer == "no" and (holds is None or holds.answer != "no")


def _way(verdict: Verdict) -> int:
    """Which way an offset cam stands off: +1 advanced, -1 retarded, 0 not known."""
    for w in verdict.evidence:
        if w.figure.name in ("rest_offset_deg", "constant_error_deg") and w.measured.estimate.value:
            return 1 if w.measured.estimate.value > 0 else -1
    return 0


def _supply(scale: _Scale, supply: EngineSupply) -> None:
    if supply.low_voltage:
        scale.put(supply.low_voltage, 1.0, valve=0.8, sensor=0.8)
    if supply.fuel_trim:
        scale.put(supply.fuel_trim, 1.0, ignition=0.8)


def _slow_when(verdict: Verdict, oil: OilPattern | None) -> str:
    """The oil pattern, also where only the cam's lag against its own with warm oil shows it."""
    if any(w.figure.name == "cold_slowness_ratio" and w.times_limit > 1.0 for w in verdict.evidence):
        return "cold_only" if oil is None or oil.kind in ("unknown", "none") else oil.kind
    return oil.kind if oil else "unknown"


def _together(
    scale: _Scale,
    verdicts: Mapping[str, Verdict],
    faulty: Mapping[str, Verdict],
    patterns: Mapping[str, OilPattern],
    with_supply: int,
) -> None:
    weak = [c for c, v in faulty.items() if v.condition in ("slow", "stuck", "unstable", "sticking")]
    judged = [c for c, v in verdicts.items() if v.condition != "insufficient_data"]
    if len(weak) >= 2 and len(weak) == len(judged):
        scale.put(
            "All cams are weak together: what they share is the oil.", 1.0, oil=2.5, phaser=-1.5, valve=-1.5
        )
        if all(patterns[c].kind == "hot_only" for c in weak if c in patterns):
            scale.put("They are weak together only with hot oil: pressure.", 1.0, oil=1.0)
        if with_supply >= FEW_RISES:
            scale.put(
                f"{with_supply} times one moved off only as engine speed, and with it oil pressure, rose.", 1.0,
                oil=1.5, phaser=-0.5, valve=-0.5,
            )  # fmt: skip
    elif len(weak) == 1 and len(judged) >= 2:
        # Thick oil slows every cam, but narrow passages of one cam make it the first to show.
        thick = _slow_when(faulty[weak[0]], patterns.get(weak[0])) == "cold_only"
        scale.put("Another cam on the same oil is right.", 1.0, oil=-1.0 if thick else -2.0, phaser=0.4, valve=0.4)
    off = [c for c, v in faulty.items() if v.condition == "offset"]
    for bank in sorted({bank_of(c) for c in judged}):
        of_bank = [c for c in judged if bank_of(c) == bank]
        here = [c for c in of_bank if c in off]
        ways = {_way(faulty[c]) for c in here}
        if len(of_bank) >= 2 and len(here) == len(of_bank) and ways <= {0, -1}:
            scale.put(
                f"Every cam of bank {bank} stands off retarded: what they share is the chain, which only retards as it wears.",
                1.0, timing=2.5, sensor=-1.5, phaser=-1.0,
            )  # fmt: skip
        elif len(of_bank) >= 2 and len(here) == len(of_bank) and ways <= {0, 1}:
            scale.put(
                f"Every cam of bank {bank} stands off advanced: no worn chain does that; a chain set some teeth off, or a "
                "sensor or its wheel, can.",
                1.0, timing=0.8, sensor=0.5, phaser=-1.0,
            )  # fmt: skip
        elif len(of_bank) >= 2 and len(here) == len(of_bank):
            scale.put(
                f"The cams of bank {bank} stand off opposite ways, which a shared chain cannot do.",
                1.0, timing=-1.0, sensor=0.8, phaser=0.5,
            )  # fmt: skip
        elif here and len(of_bank) >= 2:
            scale.put(
                f"Only one cam of bank {bank} stands off.", 1.0, timing=-0.5, sensor=0.8, phaser=0.8
            )


def _codes(scale: _Scale, codes: CodeEvidence) -> None:
    weights: dict[str, dict[str, float]] = {
        "cam_performance": {"phaser": 0.6, "valve": 0.6, "oil": 0.4},
        "slow_response": {"phaser": 0.5, "valve": 0.5, "oil": 0.6},
        "cam_crank_correlation": {"timing": 1.6, "sensor": 0.6},
        "sensor_circuit": {"sensor": 1.8},
        "misfire": {"ignition": 0.8},
        "oil_pressure_temperature": {"oil": 1.5},
        "fuel_trim": {"ignition": 0.5},
    }
    for family, seen in codes.by_family.items():
        if family not in weights:
            continue
        names = ", ".join(c.code for c in seen)
        circuit = [c for c in seen if c.facts.kind == "circuit"]
        if family == "cam_performance" and circuit:
            scale.put(f"{', '.join(c.code for c in circuit)}: the oil control valve's circuit.", 1.0, valve=2.5)
            continue
        scale.put(f"The vehicle's own monitor says {names}.", 1.0, **weights[family])
    if codes.surely_none:
        scale.put("The vehicle holds no codes.", 1.0, timing=-0.4, sensor=-0.4)


def _misfires(scale: _Scale, misfire: Misfire, faulty: Mapping[str, Verdict]) -> None:
    kind, reason = misfire.pattern.kind, misfire.pattern.reason
    tied = [a for a in misfire.association if a.kind == "cam_error" and a.holds]
    if kind == "single":
        where = ", ".join(str(c) for c in misfire.pattern.cylinders)
        scale.put(f"Cylinder {where} alone misfires: that is not the cam.", 1.0, ignition=5.0)
    elif kind in ("bank", "all", "several"):
        if tied:
            scale.put(f"Misfires follow the error of the {cam_words(tied[0].cam)}.", 1.0, ignition=-1.0)
        elif faulty:
            scale.put(f"{reason}", 1.0, ignition=0.5)
        else:
            scale.put(f"{reason} The cams follow their commands.", 1.0, ignition=3.5)
    elif kind == "none":
        scale.put("No cylinder misfires.", 1.0, ignition=-2.0)


def _nothing(
    scale: _Scale,
    verdicts: Mapping[str, Verdict],
    faulty: Mapping[str, Verdict],
    misfire: Misfire,
    codes: CodeEvidence,
    sufficient: bool,
) -> None:
    if faulty:
        scale.put("A cam does not do what it is told.", 1.0, nothing=-4.0)
    if codes.codes:
        scale.put("The vehicle holds codes.", 1.0, nothing=-2.5)
    if misfire.pattern.kind not in ("none", "unknown"):
        scale.put("Cylinders misfire.", 1.0, nothing=-3.0)
    if verdicts and all(v.condition == "healthy" for v in verdicts.values()):
        surest = min(v.confidence for v in verdicts.values())
        scale.put("Every cam follows its command.", surest, nothing=5.5)
        scale.put(
            "Every cam follows its command.",
            surest,
            phaser=-2.0,
            valve=-2.0,
            oil=-1.5,
            timing=-2.0,
            sensor=-1.5,
        )
    elif not sufficient:
        scale.put("The drive was not enough to clear every cam.", 1.0, nothing=-1.0)


def _with_separation(causes: list[Cause]) -> list[Cause]:
    """Where the two best cannot be told apart, the check that does comes first on both."""
    if len(causes) < 2:
        return causes
    first, second = causes[:2]
    check = SEPARATED_BY.get(frozenset({first.cause, second.cause}))
    if check is None or second.support < WORTH_SAYING or first.support - second.support > CLOSE:
        return causes
    note = check.with_text(f"The data cannot tell {first.cause} from {second.cause}. {check}")
    told = [
        Cause(c.cause, c.support, c.evidence_for, c.evidence_against, (note, *c.next_checks))
        for c in (first, second)
    ]
    return [*told, *causes[2:]]
