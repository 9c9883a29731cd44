"""The checks and repairs a technician can do, with cost and outcomes. A new one is one entry in `checks.toml`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from camlog.analysis.causes.causes import read_table
from camlog.cautions import sentences

IN_ORDER, NOT = "in order", "not "
# Chance that a check shows something wrong although the cause is another one.
FALSE_ALARM = 0.04


class Sentence(str):
    """A check as a sentence, with the `cautions` (sentences) to print beside it; `runs` as in `Check`."""

    cautions: tuple[str, ...]
    runs: bool

    def __new__(cls, text: str, cautions: Iterable[str] = (), runs: bool = False) -> Sentence:
        sentence = super().__new__(cls, text)
        sentence.cautions, sentence.runs = sentences(cautions), runs
        return sentence


@dataclass(frozen=True)
class Check:
    """One check: what to do, how many minutes it takes, what it opens, and what it can show.

    `shows` maps each outcome other than IN_ORDER to its chance under each cause; a cause not named shows it with the
    chance FALSE_ALARM. `words` are the words a person may type to name the check. `runs`: the engine must run, or the
    vehicle be driven, for it.
    """

    key: str
    text: str
    minutes: float
    opens: str
    shows: Mapping[str, Mapping[str, float]]
    words: str
    cautions: tuple[str, ...] = ()
    runs: bool = False
    parts: float = 0.0

    @property
    def outcomes(self) -> tuple[str, ...]:
        """Every outcome, the sound one first."""
        return (IN_ORDER, *self.shows)

    @property
    def sentence(self) -> Sentence:
        return Sentence(self.text, self.cautions, self.runs)

    def chance(self, outcome: str, cause: str) -> float:
        """The chance of an outcome if `cause` is present; with NOT before the outcome, of any other outcome."""
        if outcome == IN_ORDER:
            return max(1.0 - sum(self.chance(o, cause) for o in self.shows), 0.01)
        if outcome.startswith(NOT):
            return 1.0 - self.chance(outcome.removeprefix(NOT), cause)
        return self.shows[outcome].get(cause, FALSE_ALARM / len(self.shows))

    def can_show(self, outcome: object) -> bool:
        """Whether `outcome` is an outcome of this check, or NOT before one of those in `shows`."""
        return isinstance(outcome, str) and (outcome == IN_ORDER or outcome.removeprefix(NOT) in self.shows)


@dataclass(frozen=True)
class Repair:
    """One repair: minutes (including the drive that shows whether it helped), parts in the shop's currency, what it
    opens, and the chance that it cures each cause."""

    key: str
    name: str
    minutes: float
    parts: float
    cures: Mapping[str, float] = field(default_factory=dict)
    opens: str = "nothing"


_TABLE = read_table("checks.toml")
CHECKS = tuple(Check(key, **entry) for key, entry in _TABLE["check"].items())
BY_KEY: Mapping[str, Check] = {c.key: c for c in CHECKS}
REPAIRS = tuple(Repair(key, **entry) for key, entry in _TABLE["repair"].items())
# Checks that come first where an engine may not be run.
FIRST: Mapping[str, Sentence] = {key: Sentence(**entry) for key, entry in _TABLE["first"].items()} | {
    "level": BY_KEY["oil_level"].sentence, "chain": BY_KEY["chain_look"].sentence, "by_hand": BY_KEY["marks"].sentence,
}  # fmt: skip
