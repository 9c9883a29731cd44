"""What a heading means: which of camlog's signals it could be, how surely, and why."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

from camlog import cams, signals
from camlog.convert.headings import Heading, parse_heading
from camlog.convert.words import EMPTY, OTHER_FOR, OTHER_THINGS, PHRASES, PLACES, QUANTITIES, say, words
from camlog.signals import BY_PID, SIGNALS
from camlog.trace_table import parse_heading as parse_trace_heading
from camlog.units import convertible

CERTAIN = 0.9
DOUBTFUL = 0.5
# What one word that nothing explains leaves of a score.
_UNEXPLAINED = 0.75
_UNIT_FITS_WEAK_PHRASE = 0.35
_NEVER = 0.98
# What a match rests on: camlog's own name for it, somebody's word, or the heading.
OWN_NAME, TOLD, WORDS = "own name", "told", "words"
_CAM, _CAM_ANGLE = words("cam"), words("cam_angle")
# Words that say which figure of a cam or cylinder it is: they make anything else another thing.
_OF_SOMETHING_ELSE = frozenset({"commanded", "cam", "phaser", "misfire", "cylinder"})
_OF_MISFIRES = frozenset(["misfire", "cylinder", "count", "counter", "cycle", "driving", "this", "number", "counts"])
# What turns in the intake beside a cam.
_FLAPS = frozenset({"throttle", "manifold", "air", "flap", "runner"})
# Short words that mean something else where no cam is spoken of.
_SHORT_FOR_CAMS = {"act": "actual", "int": "intake", "ex": "exhaust"}


@dataclass(frozen=True)
class Candidate:
    """A signal a column could carry ("" for none): `score` 0 to 1, `reason` in words, `source` what it rests on.

    Where `is_cam`, `side` (intake, exhaust or None), `role` (commanded, actual, duty or None), `bank` (None
    where the heading names none) and `sign` (advance or retard, where it says so) are as far as the heading
    tells; `signal` is then "" until the other columns have been looked at.
    """

    signal: str
    score: float
    reason: str
    side: str | None = None
    role: str | None = None
    bank: int | None = None
    sign: str | None = None
    source: str = WORDS
    is_cam: bool = False


def cam_candidate(signal: str, reason: str, source: str, sign: str | None = None) -> Candidate:
    """The candidate of a cam signal that is named."""
    cam, role = cams.parts(signal) or ("", "")
    return Candidate(signal, 1.0, reason, cams.side_of(cam), role, cams.bank_of(cam), sign, source, True)


def candidates(text: str, unit_cell: str = "") -> tuple[tuple[Heading, Candidate], ...]:
    """Every signal the heading could be, best first, each with the heading as it was then read."""
    own = _own_name(text)
    if own is not None:
        return (own,)
    found: dict[str, tuple[Heading, Candidate]] = {}
    # `temp_c` ends in a unit, `tps_b` in a name: both ways are tried.
    for tail_unit in (True, False):
        heading = parse_heading(text, unit_cell, tail_unit)
        for candidate in _of_heading(heading):
            if candidate.signal not in found or candidate.score > found[candidate.signal][1].score:
                found[candidate.signal] = (heading, candidate)
    return tuple(sorted(found.values(), key=lambda pair: -pair[1].score))


def _own_name(text: str) -> tuple[Heading, Candidate] | None:
    name, unit = parse_trace_heading(text) or ("", None)
    heading = parse_heading(text)
    if name not in SIGNALS or (heading.unit is None and (unit is not None or text.strip() != name)):
        return None
    if cams.is_angle(name):
        return heading, cam_candidate(name, say("own_name"), OWN_NAME, "advance")
    return heading, Candidate(name, 1.0, say("own_name"), source=OWN_NAME)


def _of_heading(heading: Heading) -> list[Candidate]:
    if not heading.words and heading.pid is None:
        return []
    special = _cam(heading) or _misfire(heading)
    if special is not None:
        return [special]
    found = [c for c in (_phrase(name, heading) for name in PHRASES) if c is not None and c.score >= 0.3]
    return _with_pid(heading, found)


def _with_pid(heading: Heading, found: list[Candidate]) -> list[Candidate]:
    signal = BY_PID.get(heading.pid) if heading.pid is not None else None
    if signal is None:
        return found
    pid = f"{heading.pid:02X}"
    others = [c for c in found if c.signal != signal.name]
    if len(others) < len(found):
        return [Candidate(signal.name, 1.0, say("pid_and_words", pid=pid)), *others]
    if max((c.score for c in others), default=0.0) >= DOUBTFUL:
        weaker = [
            replace(c, score=min(c.score, 0.6), reason=say("words_not_pid", reason=c.reason, pid=pid)) for c in others
        ]
        return [Candidate(signal.name, 0.6, say("pid_not_words", pid=pid)), *weaker]
    unexplained = [w for w in heading.words if not w.isdigit() and w not in EMPTY and w not in set("xcdebf")]
    return [Candidate(signal.name, 0.6 if unexplained else 0.95, say("pid", pid=pid)), *others]


@lru_cache(maxsize=1)
def _phrases() -> dict[str, list[tuple[frozenset[str], float, str]]]:
    return {n: [(frozenset(p.split()), s, p) for p, s in phrases] for n, phrases in PHRASES.items()}


def _phrase(name: str, heading: Heading) -> Candidate | None:
    """The best match of a heading with the phrases of one signal; None where none of them is in it."""
    said = set(heading.words)
    bank = ""
    if "fuel_trim" in name:
        bank = f"_b{heading.bank or 1}"
        trailing = [w for w in heading.words if w.isdigit()]
        if heading.bank is None and trailing[-1:] in (["1"], ["2"]):
            bank = f"_b{trailing[-1]}"
            said -= {"2"}
    signal = SIGNALS[name + bank]
    fits = heading.unit is not None and convertible(heading.unit, signal.unit)
    if heading.unit is not None and not fits and heading.unit not in ("deg", "ratio", "count"):
        return None
    # A unit says little where many other quantities have it.
    telling_unit = signal.unit not in ("%", "deg", "V", "s", "count")
    other_for = OTHER_FOR.get(name, frozenset())
    best: Candidate | None = None
    for phrase, score, text in _phrases()[name]:
        if not phrase <= said:
            continue
        # A module may have a temperature or voltage of its own: of a weak phrase its name makes something else.
        rest = (said - phrase - (EMPTY if score >= CERTAIN else EMPTY - PLACES)) | (said & other_for)
        other, unknown = (rest & (OTHER_THINGS | QUANTITIES | other_for | _OF_SOMETHING_ELSE), rest - {"actual"})
        reason = say("phrase", words=repr(text))
        if other:
            score *= 0.3
            reason = say("phrase_but", words=repr(text), others=" ".join(sorted(rest)))
        elif unknown:
            score *= _UNEXPLAINED ** len(unknown)
            reason = say("phrase_beside", words=repr(text), others=" ".join(sorted(unknown)))
        elif fits and score < CERTAIN and (telling_unit or not phrase & QUANTITIES):
            score = min(_NEVER, score + _UNIT_FITS_WEAK_PHRASE)
        if heading.unit is not None and not fits:
            score *= 0.6
        if heading.bank is not None and not bank:
            score *= 0.8
        if best is None or score > best.score:
            best = Candidate(signal.name, round(min(score, 1.0), 3), reason)
    return best


def _misfire(heading: Heading) -> Candidate | None:
    said = set(heading.words)
    if "misfire" not in said:
        return None
    numbers = [int(w) for w in said if w.isdigit() and len(w) < 3]
    if heading.cylinder is None and len(numbers) == 1 and 1 <= numbers[0] <= signals.MAX_CYLINDERS and len(said) == 2:
        return Candidate(signals.misfire(numbers[0]), 0.8, say("misfire_number", number=numbers[0]))
    if heading.cylinder is None or not 1 <= heading.cylinder <= signals.MAX_CYLINDERS:
        return Candidate("", 0.0, say("misfire_of_no_cylinder"))
    rest = sorted(said - EMPTY - _OF_MISFIRES)
    score = 0.6 ** len(rest) if heading.unit in (None, "count") else 0.0
    name = "misfire_beside" if rest else "misfire"
    return Candidate(
        signals.misfire(heading.cylinder), score, say(name, number=heading.cylinder, others=" ".join(rest))
    )


def _cam(heading: Heading) -> Candidate | None:
    spoken = [_SHORT_FOR_CAMS.get(w, w) for w in heading.words]
    said = set(spoken)
    valve_timing = {"valve", "timing"} <= said and said & {"intake", "exhaust", "variable"}
    valve_duty = {"valve", "duty"} <= said and said & {"intake", "exhaust", "oil"}
    side_angle = (
        "angle" in said and said & {"intake", "exhaust"} and said & {"commanded", "actual"} and not said & _FLAPS
    )
    if not (said & _CAM or valve_timing or valve_duty or side_angle):
        return None
    side = "exhaust" if "exhaust" in said else "intake" if said & {"intake", "in"} else None
    if {"exhaust", "intake"} <= said:
        side = None
    roles = [r for r in cams.QUANTITIES if r in said]
    is_duty = "duty" in said or ("valve" in said and heading.unit == "%")
    role = "duty" if is_duty else roles[0] if len(roles) == 1 else None
    signs = said & {"advance", "retard"}
    rest = said - EMPTY - _CAM_ANGLE - {side or "", "in", "oil", *cams.QUANTITIES, "control", "system"}
    numbers = [w for w in spoken if w.isdigit()]
    if heading.bank is None and numbers in (["1"], ["2"]):
        rest -= set(numbers)
    others = rest & (OTHER_THINGS | QUANTITIES) - words("cam_beside")
    kind = say("cam_angle") if role is None else say(f"cam_{role}")
    score, reason = 1.0, say("cam", kind=kind)
    if others or (len(roles) > 1 and not is_duty):
        score, reason = 0.2, say("cam_but", kind=kind, others=" ".join(sorted(others) or roles))
    elif rest:
        score, reason = 0.8 ** len(rest), say("cam_beside", kind=kind, others=" ".join(sorted(rest)))
    if heading.unit is not None and not convertible(heading.unit, "%" if is_duty else "deg"):
        score, reason = 0.0, say("but_in_unit", reason=reason, unit=heading.unit_text)
    sign = signs.pop() if len(signs) == 1 else None
    return Candidate("", round(score, 3), reason, side, role, heading.bank, sign, is_cam=True)
