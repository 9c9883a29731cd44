"""The verdict on one cam: which condition its figures speak for, how surely, and why.

`marks` sets every figure against its limit, as the chance that it is really beyond. A condition is named where
its strongest mark is more likely than not and no grosser condition explains the same figures; "healthy" only
after a drive that could have shown a fault.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from camlog.analysis.cam.examine import Examination
from camlog.analysis.drive.coverage import CamCoverage
from camlog.analysis.limits import Limit
from camlog.analysis.verdict.marks import LOW_CHANCE, Mark, all_marks

CONDITIONS = ("healthy", "sticking", "slow", "stuck", "unstable", "offset", "sensor", "insufficient_data")
FAULTS = ("sensor", "stuck", "offset", "unstable", "sticking", "slow")
LIKELY = 0.5


@dataclass(frozen=True)
class Verdict:
    """`condition` is one of CONDITIONS; `confidence` 0 to 1 is the chance that it is right.

    `reasons` are sentences, gravest first; `chances` the chance of each fault's signature; `marks` every figure
    that was judged.
    """

    condition: str
    confidence: float
    reasons: tuple[str, ...]
    chances: Mapping[str, float]
    marks: tuple[Mark, ...] = ()


def judge(x: Examination, covered: CamCoverage | None, limits: Mapping[str, Limit]) -> Verdict:
    """The verdict on a cam from its figures and from what the drive contained."""
    marks = all_marks(x, limits)
    chances = dict.fromkeys(FAULTS, LOW_CHANCE)
    for mark in marks:
        if mark.condition:
            chances[mark.condition] = max(chances[mark.condition], mark.chance)
    condition, confidence = _name(x, chances)
    if covered is not None and not (covered.sufficient if condition == "healthy" else covered.judgeable):
        return Verdict("insufficient_data", confidence, covered.missing, chances, marks)
    if condition == "healthy":
        return Verdict(condition, confidence, _why_healthy(x), chances, marks)
    told = [m for m in marks if m.chance > LIKELY]
    told.sort(key=lambda m: (m.condition != condition, -m.chance))
    return Verdict(condition, confidence, tuple(dict.fromkeys(m.sentence for m in told)), chances, marks)


def _name(x: Examination, chances: Mapping[str, float]) -> tuple[str, float]:
    """The condition that explains the figures, grossest first, and the chance that it is right."""
    for gross in ("sensor", "stuck", "offset"):
        if chances[gross] > LIKELY:
            return gross, chances[gross]
    fine = {name: chances[name] for name in ("sticking", "unstable", "slow")}
    if chances["sticking"] > LIKELY and chances["unstable"] > LIKELY:
        # Both wander at a steady command: plateaus are stick-slip, a smooth swing is oil leaking past the vanes.
        stuck_share = x.sticking.stuck_time_fraction or 0.0
        stick_slip = x.sticking.limit_cycle.kind == "stick_slip" or stuck_share > STICKY_SHARE
        fine.pop("unstable" if stick_slip else "sticking")
    best = max(fine, key=fine.__getitem__)
    if fine[best] <= LIKELY:
        return "healthy", 1.0 - max(chances.values())
    return best, fine[best]


# A hunting cam stands still only at its turning points, a sticking one in between.
STICKY_SHARE = 0.15


def _why_healthy(x: Examination) -> tuple[str, ...]:
    reasons = []
    p95 = x.tracking.p95_abs_deg.value
    if p95 is not None:
        reasons.append(f"At a steady command the error stays within {p95:.1f} deg (95 % of readings).")
    steps = x.response.advance.steps + x.response.retard.steps
    if steps:
        reasons.append(f"It arrived in time in {steps} measured command steps.")
    rest = x.rest.offset_deg.value
    if rest is not None:
        reasons.append(f"At rest it stands {abs(rest):.1f} deg from its rest position.")
    return tuple(reasons)
