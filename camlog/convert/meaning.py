"""The meaning of a heading: which of camlog's signals it could be, how surely, and why."""

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
# Factor on the score for each unexplained word.
_UNEXPLAINED = 0.75
_UNIT_FITS_WEAK_PHRASE = 0.35
_NEVER = 0.98
# The source of a match: camlog's own name, a person's rule, or the words of the heading.
OWN_NAME, TOLD, WORDS = "own name", "told", "words"
_CAM, _CAM_ANGLE = words("cam"), words("cam_angle")
# Words for a figure of a cam or cylinder; with them, a heading is none of the other signals.
_OF_SOMETHING_ELSE = frozenset({"commanded", "cam", "phaser", "misfire", "cylinder"})
_OF_MISFIRES = frozenset(["misfire", "cylinder", "count", "counter", "cycle", "driving", "this", "number", "counts"])
# Parts of the intake other than cams that have an angle.
_FLAPS = frozenset({"throttle", "manifold", "air", "flap", "runner"})
# Short words that have these meanings only in headings of cams.
_SHORT_FOR_CAMS = {"act": "actual", "int": "intake", "ex": "exhaust"}


@dataclass(frozen=True)
class Candidate:
    """A signal that a column could be ("" for none): `score` 0 to 1, `reason` in words, `source` of the match.

    If `is_cam`, the heading gives `side` (intake, exhaust or None), `role` (commanded, actual, duty or None), `bank`
    (or None) and `sign` (advance, retard or None); `signal` is then "" until the other columns are known.
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
    """The candidate for a named cam signal."""
    cam, role = cams.parts(signal) or ("", "")
    return Candidate(signal, 1.0, reason, cams.side_of(cam), role, cams.bank_of(cam), sign, source, True)


def candidates(text: str, unit_cell: str = "") -> tuple[tuple[Heading, Candidate], ...]:
    """Every signal that the heading could be, best first, each with the heading as read for it."""
    own = _own_name(text)
    if own is not None:
        return (own,)
    by_signal: dict[str, tuple[Heading, Candidate]] = {}
    # `temp_c` ends in a unit, `tps_b` in a name, so both readings are tried.
    for tail_unit in (True, False):
        heading = parse_heading(text, unit_cell, tail_unit)
        for candidate in _of_heading(heading):
            if candidate.signal not in by_signal or candidate.score > by_signal[candidate.signal][1].score:
                by_signal[candidate.signal] = (heading, candidate)
    return tuple(sorted(by_signal.values(), key=lambda pair: -pair[1].score))


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
    matches = [c for c in (_phrase(name, heading) for name in PHRASES) if c is not None and c.score >= 0.3]
    return _with_pid(heading, matches)


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
    """The best match of a heading with the phrases of one signal; None if it contains none of them."""
    heading_words = set(heading.words)
    bank = ""
    if "fuel_trim" in name:
        bank = f"_b{heading.bank or 1}"
        trailing = [w for w in heading.words if w.isdigit()]
        if heading.bank is None and trailing[-1:] in (["1"], ["2"]):
            bank = f"_b{trailing[-1]}"
            heading_words -= {"2"}
    signal = SIGNALS[name + bank]
    fits = heading.unit is not None and convertible(heading.unit, signal.unit)
    if heading.unit is not None and not fits and heading.unit not in ("deg", "ratio", "count"):
        return None
    # A unit of many quantities is weak evidence.
    telling_unit = signal.unit not in ("%", "deg", "V", "s", "count")
    other_for = OTHER_FOR.get(name, frozenset())
    best: Candidate | None = None
    for phrase, score, text in _phrases()[name]:
        if not phrase <= heading_words:
            continue
        # A module has its own temperature and voltage, so with a module's name a weak phrase means another signal.
        unexplained = (heading_words - phrase - (EMPTY if score >= CERTAIN else EMPTY - PLACES)) | (
            heading_words & other_for
        )
        other, unknown = (
            unexplained & (OTHER_THINGS | QUANTITIES | other_for | _OF_SOMETHING_ELSE),
            unexplained - {"actual"},
        )
        reason = say("phrase", words=repr(text))
        if other:
            score *= 0.3
            reason = say("phrase_but", words=repr(text), others=" ".join(sorted(unexplained)))
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
    heading_words = set(heading.words)
    if "misfire" not in heading_words:
        return None
    numbers = [int(w) for w in heading_words if w.isdigit() and len(w) < 3]
    if (
        heading.cylinder is None
        and len(numbers) == 1
        and 1 <= numbers[0] <= signals.MAX_CYLINDERS
        and len(heading_words) == 2
    ):
        return Candidate(signals.misfire(numbers[0]), 0.8, say("misfire_number", number=numbers[0]))
    if heading.cylinder is None or not 1 <= heading.cylinder <= signals.MAX_CYLINDERS:
        return Candidate("", 0.0, say("misfire_of_no_cylinder"))
    unexplained = sorted(heading_words - EMPTY - _OF_MISFIRES)
    score = 0.6 ** len(unexplained) if heading.unit in (None, "count") else 0.0
    name = "misfire_beside" if unexplained else "misfire"
    return Candidate(
        signals.misfire(heading.cylinder), score, say(name, number=heading.cylinder, others=" ".join(unexplained))
    )


def _cam(heading: Heading) -> Candidate | None:
    word_list = [_SHORT_FOR_CAMS.get(w, w) for w in heading.words]
    heading_words = set(word_list)
    valve_timing = {"valve", "timing"} <= heading_words and heading_words & {"intake", "exhaust", "variable"}
    valve_duty = {"valve", "duty"} <= heading_words and heading_words & {"intake", "exhaust", "oil"}
    side_angle = (
        "angle" in heading_words
        and heading_words & {"intake", "exhaust"}
        and heading_words & {"commanded", "actual"}
        and not heading_words & _FLAPS
    )
    if not (heading_words & _CAM or valve_timing or valve_duty or side_angle):
        return None
    side = "exhaust" if "exhaust" in heading_words else "intake" if heading_words & {"intake", "in"} else None
    if {"exhaust", "intake"} <= heading_words:
        side = None
    roles = [r for r in cams.QUANTITIES if r in heading_words]
    is_duty = "duty" in heading_words or ("valve" in heading_words and heading.unit == "%")
    role = "duty" if is_duty else roles[0] if len(roles) == 1 else None
    signs = heading_words & {"advance", "retard"}
    unexplained = heading_words - EMPTY - _CAM_ANGLE - {side or "", "in", "oil", *cams.QUANTITIES, "control", "system"}
    numbers = [w for w in word_list if w.isdigit()]
    if heading.bank is None and numbers in (["1"], ["2"]):
        unexplained -= set(numbers)
    others = unexplained & (OTHER_THINGS | QUANTITIES) - words("cam_beside")
    kind = say("cam_angle") if role is None else say(f"cam_{role}")
    score, reason = 1.0, say("cam", kind=kind)
    if others or (len(roles) > 1 and not is_duty):
        score, reason = 0.2, say("cam_but", kind=kind, others=" ".join(sorted(others) or roles))
    elif unexplained:
        score, reason = 0.8 ** len(unexplained), say("cam_beside", kind=kind, others=" ".join(sorted(unexplained)))
    if heading.unit is not None and not convertible(heading.unit, "%" if is_duty else "deg"):
        score, reason = 0.0, say("but_in_unit", reason=reason, unit=heading.unit_text)
    sign = signs.pop() if len(signs) == 1 else None
    return Candidate("", round(score, 3), reason, side, role, heading.bank, sign, is_cam=True)
