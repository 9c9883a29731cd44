"""The verdict on each cam: which condition its figures speak for, how surely, and why.

`signs` sets every figure against its limit, as the chance that it is really beyond. A condition is named
where its strongest mark is more likely than not and no grosser condition explains the same figures; "healthy"
only after a drive that could have shown a fault. The cams of an engine are judged together: mechanical timing turns
every cam of a bank alike.
"""

from __future__ import annotations

from collections.abc import Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace

from camlog.analysis.cam.examine import Examination
from camlog.analysis.drive.coverage import CamCoverage
from camlog.analysis.limits import Limit
from camlog.analysis.verdict.late import DESCRIBES_R2, bank_marks
from camlog.analysis.verdict.marks import HIGH_CHANCE, LIKELY, LOW_CHANCE, SPAN_DEG, Mark, likely
from camlog.analysis.verdict.scale import scale_problem
from camlog.analysis.verdict.signs import all_marks, jumps_for_sure

CONDITIONS = ("healthy", "sticking", "slow", "stuck", "unstable", "offset", "sensor", "insufficient_data")
FAULTS = ("sensor", "stuck", "offset", "unstable", "sticking", "slow")

# A hunting cam stands still only at its turning points, a sticking one in between: share of the time it
# should move.
STICKY_SHARE = 0.05
OTHER_BANK = {"1": "2", "2": "1"}
# From the chance the figures give to the share of verdicts that are right, chosen on the tuning half of the
# validity benchmark: at even odds, at most, and how fast it rises.
CONFIDENCE_LEAST, CONFIDENCE_MOST, CONFIDENCE_POWER = 0.50, 0.97, 1.5
# A swing of this amplitude for each degree rms of flutter is most of the flutter (a pure sinusoid: 1.41).
SWING_SHARE = 0.7
# So surely slow that what it does at a steady command is still its arriving.
SURELY = 0.9
# Weaker signs of sticking, enough to name a cam that is surely not where it should be.
SOME_P, SOME_EXPLAINED, SOME_SHARE = 0.05, 0.3, 0.1
SOME_WANDER = 0.2
# A cam that sticks jumps most times it has stood; one without oil pressure moves off as softly as it stopped.
JUMPS_OF_STANDS = 0.4
WEAK = ("slow", "sticking", "stuck")
WITH_SUPPLY = 2


@dataclass(frozen=True)
class Verdict:
    """`condition` is one of CONDITIONS; `confidence` 0 to 1 is the chance that it is right, 0 where none is
    named.

    `reasons` are sentences, gravest first; `chances` the chance of each fault's signature; `marks` every
    figure that was judged.
    """

    condition: str
    confidence: float
    reasons: tuple[str, ...]
    chances: Mapping[str, float]
    marks: tuple[Mark, ...] = ()


def judge_all(
    examined: Mapping[str, Examination], covered: Mapping[str, CamCoverage], limits: Mapping[str, Limit]
) -> dict[str, Verdict]:
    """The verdict on every cam of an engine from its figures and from what the drive contained."""
    marks = {cam: all_marks(x, limits) for cam, x in examined.items()}
    for cam, x in examined.items():
        if (twin := examined.get(cam[:-1] + OTHER_BANK[cam[-1]])) is not None:
            marks[cam] += tuple(bank_marks(x, twin, limits))
    alike = _offset_alike(examined, marks, limits["rest_offset_deg"].value)
    verdicts = {
        cam: _judge(x, marks[cam], covered.get(cam), limits, cam in alike) for cam, x in examined.items()
    }
    return _weak_together(examined, _same_chain(examined, verdicts, limits["rest_offset_deg"].value))


def _judge(
    x: Examination,
    marks: tuple[Mark, ...],
    covered: CamCoverage | None,
    limits: Mapping[str, Limit],
    alike: bool,
) -> Verdict:
    chances = dict.fromkeys(FAULTS, LOW_CHANCE)
    for mark in marks:
        if mark.condition:
            chances[mark.condition] = max(chances[mark.condition], mark.chance)
    problem = scale_problem(x, limits)
    if problem:
        return Verdict("insufficient_data", 0.0, (problem,), chances, marks)
    condition, chance = _name(x, marks, chances, alike)
    if condition in FAULTS and chances[condition] <= LIKELY:
        # Only that it is not where it should be is sure: that is what the verdict rests on.
        marks = tuple(
            replace(m, condition=condition) if not m.condition and m.chance > LIKELY else m for m in marks
        )
    lacking = _lacking(x, condition, covered, limits, alike)
    if lacking:
        return Verdict("insufficient_data", 0.0, lacking, chances, marks)
    confidence = calibrated(chance)
    if condition == "healthy":
        return Verdict(condition, confidence, _why_healthy(x), chances, marks)
    told = [m for m in marks if m.chance > LIKELY]
    told.sort(key=lambda m: (m.condition != condition, -m.chance))
    return Verdict(condition, confidence, tuple(dict.fromkeys(m.sentence for m in told)), chances, marks)


def calibrated(chance: float) -> float:
    """The chance that a verdict is right, from the chance its figures alone give it.

    A figure beside its limit says less than its interval claims, and no figure knows what was never thought
    of. The validity benchmark shows on halves that chose nothing that of verdicts given at 0.9 nine in ten
    hold.
    """
    sure = (min(max(chance, LIKELY), HIGH_CHANCE) - LIKELY) / (HIGH_CHANCE - LIKELY)
    return CONFIDENCE_LEAST + (CONFIDENCE_MOST - CONFIDENCE_LEAST) * sure**CONFIDENCE_POWER


def _offset_alike(
    examined: Mapping[str, Examination], marks: Mapping[str, tuple[Mark, ...]], same_deg: float
) -> AbstractSet[str]:
    """Cams that stand off at rest by the same angle as every other of their bank, or engine: they share the
    chain."""
    at_rest = {cam: offset for cam, x in examined.items() if (offset := _rest_offset(x)) is not None}
    alike: set[str] = set()
    for group in ("b1", "b2", ""):
        here = {cam: offset for cam, offset in at_rest.items() if cam.endswith(group)}
        if len(here) < 2 or max(here.values()) - min(here.values()) > same_deg:
            continue
        if all(likely(marks[cam], "offset") for cam in here):
            alike |= set(here)
    return alike


def _same_chain(
    examined: Mapping[str, Examination], verdicts: Mapping[str, Verdict], same_deg: float
) -> dict[str, Verdict]:
    """A cam that was never seen at rest has the chain of the other cam of its bank, which stands off there.

    Where it is only known to be off, or off by that very angle: mechanical timing may hold it against a stop.
    """
    found = dict(verdicts)
    for cam, v in verdicts.items():
        if v.condition not in (*WEAK, "unstable"):
            continue
        for other, o in verdicts.items():
            if other == cam or other[-2:] != cam[-2:] or o.condition != "offset":
                continue
            p95, off = examined[cam].tracking.p95_abs_deg.value, _rest_offset(examined[other])
            unseen = _rest_offset(examined[cam]) is None and p95 is not None and off is not None
            if v.chances[v.condition] <= LIKELY or (unseen and abs(p95 - abs(off)) <= same_deg):
                why = "The other cam on the same chain stands off its rest position by as much."
                marks = tuple(
                    replace(m, condition="offset") if m.name == "p95_abs_deg" else m for m in v.marks
                )
                found[cam] = replace(v, condition="offset", reasons=(*v.reasons, why), marks=marks)
    return found


def _weak_together(
    examined: Mapping[str, Examination], verdicts: Mapping[str, Verdict]
) -> dict[str, Verdict]:
    """Cams that are all weak, and moved off as engine speed rose, lack oil pressure: slow, whatever their
    jumps."""
    told = {cam: v for cam, v in verdicts.items() if v.condition != "insufficient_data"}
    rose = sum(examined[cam].sticking.with_supply for cam in told)
    if len(told) < 2 or rose < WITH_SUPPLY or any(v.condition not in WEAK for v in told.values()):
        return dict(verdicts)
    why = (
        f"All cams are weak together, and {rose} times one moved off only as engine speed, and with it oil "
        "pressure, rose."
    )
    return {
        cam: replace(v, condition="slow", reasons=(*v.reasons, why)) if v.condition == "sticking" else v
        for cam, v in verdicts.items()
    }


def _rest_offset(x: Examination) -> float | None:
    if x.rest.offset_deg.value is not None:
        return x.rest.offset_deg.value
    return next((e.value for _, e in x.rest.windows if e.value is not None), None)


def _name(
    x: Examination, marks: tuple[Mark, ...], chances: Mapping[str, float], alike: bool
) -> tuple[str, float]:
    """The condition that explains the figures, grossest first, and the chance that it is right."""
    # A cam turned by mechanical timing may stand against its stop and never reach its command: its reading is not
    # frozen then, nor the cam stuck.
    reading = any(m.chance > LIKELY for m in marks if m.condition == "sensor" and m.name != "sensor_frozen")
    order = ("sensor", "offset", "stuck") if not alike or reading else ("offset", "sensor", "stuck")
    for gross in order if alike else ("sensor", "stuck", "offset"):
        if chances[gross] > LIKELY:
            return gross, chances[gross]
    fine = {name: chances[name] for name in ("sticking", "slow", "unstable")}
    if fine["slow"] >= SURELY and fine["sticking"] <= LIKELY:
        return "slow", fine["slow"]
    if jumps_for_sure(x) and max(fine["sticking"], fine["unstable"]) > LIKELY and _wanders_by_sticking(x):
        # It wanders because it sticks and jumps.
        return "sticking", max(fine["sticking"], fine["unstable"])
    if fine["sticking"] > LIKELY and fine["unstable"] > LIKELY:
        fine.pop("sticking")
    best = max(fine, key=fine.__getitem__)
    if fine[best] > LIKELY:
        return best, fine[best]
    astray = max((m.chance for m in marks if not m.condition), default=LOW_CHANCE)
    if astray > LIKELY and x.travel.command_span_deg >= SPAN_DEG:
        return _likeliest(x, fine), astray
    if x.sticking.sticks:
        return "healthy", LIKELY  # it jumped, too seldom or too little to be named: of such cams half are right
    return "healthy", 1.0 - min(max(*chances.values(), astray), LIKELY)


def _wanders_by_sticking(x: Examination) -> bool:
    """Is what it does at a steady command stick-slip? A steady swing shows by its shape, else it stands in
    between."""
    swings = x.sticking.swings
    if swings.sticks or swings.hunts:
        return swings.sticks
    swing, flutter = x.hold.oscillation, x.hold.flutter_rms_deg.value or 0.0
    if swing.found and (swing.amplitude_deg or 0.0) >= SWING_SHARE * flutter:
        return x.sticking.limit_cycle.kind == "stick_slip"
    return (x.sticking.stuck_time_fraction or 0.0) > STICKY_SHARE


def _likeliest(x: Examination, chances: Mapping[str, float]) -> str:
    """What a cam that is surely not where it should be most likely does."""
    s = x.sticking
    model = (
        s.fit.p_smooth is not None and s.fit.p_smooth < SOME_P and (s.fit.explained or 0.0) >= SOME_EXPLAINED
    )
    stands = (s.stuck_time_fraction or 0.0) > SOME_SHARE and s.jumps >= JUMPS_OF_STANDS * max(s.plateaus, 1)
    if model or jumps_for_sure(x) or stands:
        return "sticking"
    follows = x.response.fit.r2 is not None and x.response.fit.r2 >= DESCRIBES_R2
    if chances["unstable"] > SOME_WANDER and chances["unstable"] > chances["slow"] and not follows:
        return "unstable"
    return "slow"


def _lacking(
    x: Examination, condition: str, covered: CamCoverage | None, limits: Mapping[str, Limit], alike: bool
) -> tuple[str, ...]:
    """What the drive lacks for this verdict; empty where it holds."""
    watched, want = x.tracking.excursions.watched_s, limits["needed_running_s"].value
    said = covered.missing if covered is not None else ()
    if watched < want:
        few = f"The cam could be watched for only {watched:.0f} s; {want:.0f} s of a running engine are needed."
        return tuple(dict.fromkeys((*said, few)))
    if condition == "offset" and not alike and x.travel.command_span_deg < SPAN_DEG:
        still = (
            "The cam was never moved: one that does not come back to rest looks like mechanical timing that is off."
        )
        return tuple(dict.fromkeys((still, *said)))
    if covered is None:
        return ()
    if condition == "healthy":
        return () if covered.sufficient else said
    lost, interval = x.sensor.dropouts.fraction or 0.0, covered.pair_interval_s
    if (
        condition == "sensor"
        and interval
        and interval * (1.0 - lost) <= limits["needed_pair_interval_s"].value
    ):
        return ()  # the command came often enough; that the angle did not is the finding
    return () if covered.judgeable else said


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
    s = x.sticking
    if s.sticks:
        seen = (
            f"stood {s.plateaus} times while its command left it, and jumped after {s.jumps} of them"
            if s.jumps
            else "moved more as a cam does that sticks a little than as one that does not"
        )
        reasons.append(f"Yet it {seen}: too little to call it sticking, too much to be sure that it does not.")
    return tuple(reasons)
