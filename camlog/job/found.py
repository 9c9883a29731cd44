"""Turns what a technician writes about a check into the outcome of that check."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from camlog.analysis.causes.checks import CHECKS, IN_ORDER, Check
from camlog.errors import InputError

_GOOD = frozenset("ok okay good fine right clean order normal passed nothing free".split())
_BAD = frozenset(
    "low bad sticks stuck sticking blocked worn broken open short off old wrong dirty black overdue slack play moves gone".split()
)
_EMPTY = frozenset("the a an is are was of in at and with to l 1 2".split())


# Words that occur more than once in the words of all checks; they count less than words that name one check.
_SHARED = frozenset(w for w, n in Counter(w for c in CHECKS for w in c.words.split()).items() if n > 1)


@dataclass(frozen=True)
class Outcome:
    """One outcome of one check."""

    check: Check
    outcome: str

    def __str__(self) -> str:
        return f"{self.check.key}: {self.outcome}"


def understand(text: str, check: str | None = None) -> Outcome:
    """The outcome that a person's words mean: `oil 1 l low`, `screen blocked`, `marks ok`.

    `check` names the check if the words do not. Raises InputError with the possible outcomes if the words fit none or
    several.
    """
    exact = [o for o in _outcomes(check) if check is not None and o.outcome == text.strip().lower()]
    if exact:
        return exact[0]
    words = frozenset(re.findall(r"[a-z']+", text.lower())) - _EMPTY
    scored = sorted(((_score(words, o), i, o) for i, o in enumerate(_outcomes(check))), key=lambda s: (-s[0], s[1]))
    best = scored[0][0] if scored else 0.0
    fitting = [o for score, _, o in scored if score == best]
    if best <= 0.0 or len(fitting) > 1:
        if best <= 0.0 and check is None:
            each = "; ".join(f"{c.key} {' or '.join(repr(o) for o in c.outcomes if o != IN_ORDER)}" for c in CHECKS)
            raise InputError(
                f"{text[:60]!r} is no outcome of a check",
                remedy=f"Outcomes are, of each check {IN_ORDER!r}, and of --check {each}.",
                on_page="Press the outcome at its check, or write it as it stands there.",
            )
        several = fitting if best > 0.0 else [o for _, _, o in scored]
        options = "; ".join(f'--check {o.check.key} "{o.outcome}"' for o in several[:6])
        fault = "may mean several outcomes" if best > 0.0 else "is no outcome of a check"
        raise InputError(f"{text[:60]!r} {fault}", remedy=f"Say it as one of: {options}.")
    return fitting[0]


def _outcomes(check: str | None) -> Iterator[Outcome]:
    keys = [c.key for c in CHECKS]
    if check is not None and check not in keys:
        raise InputError(f"there is no check {check[:40]!r}", remedy="One of: " + ", ".join(keys) + ".")
    yield from (Outcome(c, o) for c in CHECKS if check in (None, c.key) for o in c.outcomes)


def _score(words: frozenset[str], outcome: Outcome) -> float:
    """How many of the words speak for an outcome; 0 if none names its check or none its finding."""
    about = words & frozenset(outcome.check.words.split())
    if outcome.outcome == IN_ORDER:
        finding = words & _GOOD if not words & _BAD else frozenset()
    else:
        own = frozenset(re.findall(r"[a-z']+", outcome.outcome)) - _EMPTY
        finding = (words & own) | (words & _BAD if len(outcome.check.shows) == 1 else frozenset())
        if words & _GOOD and not words & _BAD:
            finding = frozenset()
    return 2 * len(about - _SHARED) + len(about) + len(finding) if about and finding else 0.0
