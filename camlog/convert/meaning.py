"""What a heading means: which of camlog's signals it could be, how surely, and why."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

from camlog import signals
from camlog.convert.headings import Heading, parse_heading
from camlog.convert.words import (
    CAM_ANGLE_WORDS,
    CAM_WORDS,
    EMPTY_WORDS,
    OTHER_FOR,
    OTHER_THINGS,
    PHRASES,
    QUANTITIES,
    ROLE_WORDS,
)
from camlog.signals import BY_PID, SIGNALS
from camlog.trace_headings import parse_heading as parse_trace_heading
from camlog.units import conversion

CERTAIN = 0.9
DOUBTFUL = 0.5
# What one word that nothing explains leaves of a score.
_UNEXPLAINED = 0.75
_UNIT_FITS_WEAK_PHRASE = 0.35
_NEVER = 0.98
OWN_NAME = "camlog's own name for it"


@dataclass(frozen=True)
class Candidate:
    """A signal a column could carry: `score` 0 to 1, `reason` in words.

    For cam signals `side` (intake, exhaust or None), `role` (commanded, actual, duty or None), `bank` (None
    where the heading names none) and `sign` (advance or retard, where it says so) are as far as the heading
    tells; `signal` is then None until the other columns have been looked at.
    """

    signal: str | None
    score: float
    reason: str
    side: str | None = None
    role: str | None = None
    bank: int | None = None
    sign: str | None = None

    @property
    def is_cam(self) -> bool:
        return self.side is not None or self.role is not None or self.signal is None


def convertible(unit: str, canonical: str) -> bool:
    """True where a value in `unit` can be written in `canonical`."""
    if unit == canonical:
        return True
    try:
        conversion(unit, canonical)
    except ValueError:
        return False
    return True


def candidates(text: str, unit_cell: str = "") -> tuple[tuple[Heading, Candidate], ...]:
    """Every signal the heading could be, best first, each with the heading as it was then read."""
    own = _own_name(text)
    if own is not None:
        return (own,)
    found: dict[str | None, tuple[Heading, Candidate]] = {}
    # `temp_c` ends in a unit, `tps_b` in a name: both ways are tried.
    for tail_unit in (True, False):
        heading = parse_heading(text, unit_cell, tail_unit)
        for candidate in _of_heading(heading):
            known = found.get(candidate.signal)
            if known is None or candidate.score > known[1].score:
                found[candidate.signal] = (heading, candidate)
    return tuple(sorted(found.values(), key=lambda pair: -pair[1].score))


def _own_name(text: str) -> tuple[Heading, Candidate] | None:
    parsed = parse_trace_heading(text)
    if parsed is None or parsed[0] not in SIGNALS:
        return None
    name, unit = parsed
    heading = parse_heading(text)
    if unit is not None and heading.unit is None:
        return None
    if heading.unit is None and text.strip() != name:
        return None
    if name.startswith("cam_") and not name.endswith("_duty"):
        side, bank, role = name.removeprefix("cam_").split("_")
        return heading, Candidate(name, 1.0, OWN_NAME, side, role, int(bank[1:]), "advance")
    return heading, Candidate(name, 1.0, OWN_NAME)


def _of_heading(heading: Heading) -> list[Candidate]:
    words = heading.words
    if not words and heading.pid is None:
        return []
    cam = _cam(heading)
    if cam is not None:
        return [cam]
    misfire = _misfire(heading)
    if misfire is not None:
        return [misfire]
    found = []
    for name in PHRASES:
        candidate = _phrase(name, heading)
        if candidate is not None and candidate.score >= 0.3:
            found.append(candidate)
    if heading.pid is not None:
        found = _with_pid(heading, found)
    return found


def _with_pid(heading: Heading, found: list[Candidate]) -> list[Candidate]:
    signal = BY_PID.get(heading.pid)
    if signal is None:
        return found
    by_words = next((c for c in found if c.signal == signal.name), None)
    others = [c for c in found if c.signal != signal.name]
    if by_words is not None:
        return [
            Candidate(signal.name, 1.0, f"PID {heading.pid:02X} and its words say so (SAE J1979)"),
            *others,
        ]
    if max((c.score for c in others), default=0.0) >= DOUBTFUL:
        return [
            Candidate(signal.name, 0.6, f"PID {heading.pid:02X} says so, but the words say something else"),
            *(
                replace(
                    c,
                    score=min(c.score, 0.6),
                    reason=f"{c.reason}, but PID {heading.pid:02X} says something else",
                )
                for c in others
            ),
        ]
    plain = [
        w
        for w in heading.words
        if not w.isdigit() and w not in EMPTY_WORDS and w not in ("x", "c", "d", "e", "b", "f")
    ]
    return [Candidate(signal.name, 0.95 if not plain else 0.6, f"PID {heading.pid:02X} (SAE J1979)"), *others]


@lru_cache(maxsize=1)
def _phrases() -> dict[str, list[tuple[frozenset[str], float, str]]]:
    return {n: [(frozenset(p.split()), s, p) for p, s in given] for n, given in PHRASES.items()}


def _phrase(name: str, heading: Heading) -> Candidate | None:
    words = set(heading.words)
    bank = ""
    if "fuel_trim" in name:
        bank = f"_b{heading.bank or 1}"
        trailing = [w for w in heading.words if w.isdigit()]
        if heading.bank is None and trailing[-1:] in (["1"], ["2"]):
            bank = f"_b{trailing[-1]}"
            words -= {"2"}
    signal = SIGNALS[name + bank]
    best: Candidate | None = None
    for phrase, score, text in _phrases()[name]:
        if not phrase <= words:
            continue
        rest = words - phrase - EMPTY_WORDS
        rest |= words & OTHER_FOR.get(name, frozenset())
        if rest & (OTHER_THINGS | QUANTITIES | OTHER_FOR.get(name, frozenset())) or rest & {
            "commanded",
            "cam",
            "phaser",
            "misfire",
            "cylinder",
        }:
            score *= 0.3
            why = "but it also says " + " ".join(sorted(rest))
        elif rest - {"actual"}:
            extra = rest - {"actual"}
            score *= _UNEXPLAINED ** len(extra)
            why = "beside words that are not known: " + " ".join(sorted(extra))
        else:
            why = ""
        if heading.unit is not None:
            if not convertible(heading.unit, signal.unit) and heading.unit not in ("deg", "ratio", "count"):
                continue
            if not convertible(heading.unit, signal.unit):
                score *= 0.6
            elif score < CERTAIN and not why and not (_unit_shared(signal) and phrase & QUANTITIES):
                score = min(_NEVER, score + _UNIT_FITS_WEAK_PHRASE)
        if heading.bank is not None and not bank:
            score *= 0.8
        reason = f"the words {text!r}" + (f", {why}" if why else "")
        if best is None or score > best.score:
            best = Candidate(signal.name, round(min(score, 1.0), 3), reason)
    return best


def _unit_shared(signal: signals.Signal) -> bool:
    """True where the unit says little: many other quantities have it."""
    return signal.unit in ("%", "deg", "V", "s", "count")


def _misfire(heading: Heading) -> Candidate | None:
    words = set(heading.words)
    if "misfire" not in words:
        return None
    numbers = [int(w) for w in words if w.isdigit() and len(w) < 3]
    if (
        heading.cylinder is None
        and len(numbers) == 1
        and 1 <= numbers[0] <= signals.MAX_CYLINDERS
        and len(words) == 2
    ):
        return Candidate(
            signals.misfire(numbers[0]), 0.8, f"misfires, and a number that could be cylinder {numbers[0]}"
        )
    if heading.cylinder is None or not 1 <= heading.cylinder <= signals.MAX_CYLINDERS:
        return Candidate("", 0.0, "misfires, but of no one cylinder")
    rest = (
        words
        - EMPTY_WORDS
        - {"misfire", "cylinder", "count", "counter", "cycle", "driving", "this", "number", "counts"}
    )
    score = 1.0 * 0.6 ** len(rest)
    if heading.unit is not None and heading.unit != "count":
        score = 0.0
    reason = f"misfires of cylinder {heading.cylinder}"
    return Candidate(
        signals.misfire(heading.cylinder),
        score,
        reason + (f", beside {' '.join(sorted(rest))}" if rest else ""),
    )


def _cam(heading: Heading) -> Candidate | None:
    # Short words that mean something else where no cam is spoken of.
    words = [{"act": "actual", "int": "intake", "ex": "exhaust"}.get(w, w) for w in heading.words]
    plain = set(words)
    valve_timing = {"valve", "timing"} <= plain and plain & {"intake", "exhaust", "variable"}
    valve_duty = {"valve", "duty"} <= plain and plain & {"intake", "exhaust", "oil"}
    side = "exhaust" if "exhaust" in plain else "intake" if plain & {"intake", "in"} else None
    if {"exhaust", "intake"} <= plain:
        side = None
    if not (plain & CAM_WORDS or valve_timing or valve_duty):
        return None
    roles = [r for r in ROLE_WORDS if r in plain]
    if "duty" in plain or ("valve" in plain and heading.unit == "%"):
        role = "duty"
    elif len(roles) == 1:
        role = roles[0]
    else:
        role = None
    sign = None
    if len(plain & {"advance", "retard"}) == 1:
        sign = "advance" if "advance" in plain else "retard"
    bank = heading.bank
    rest = plain - EMPTY_WORDS - CAM_ANGLE_WORDS - {side or "", "in", "oil", *ROLE_WORDS, "control", "system"}
    numbers = {w for w in words if w in ("1", "2")}
    if bank is None and len(numbers) == 1 and len([w for w in words if w.isdigit()]) == 1:
        rest -= numbers
    score = 1.0
    what = "a cam's " + (role or "angle")
    others = rest & (OTHER_THINGS | QUANTITIES)
    if others or (len(roles) > 1 and role != "duty"):
        score = 0.2
        what += ", but it also says " + " ".join(sorted(others) or roles)
    elif rest:
        score *= 0.8 ** len(rest)
        what += ", beside words that are not known: " + " ".join(sorted(rest))
    wanted = "%" if role == "duty" else "deg"
    if heading.unit is not None and not convertible(heading.unit, wanted):
        score = 0.0
        what += f", but in {heading.unit_text}"
    return Candidate(None, round(score, 3), what, side, role, bank, sign)
