"""Gates: what must be shown before a repair counts as proven, and the registry of all gates.

A gate is a function of a `Case` in a module of `camlog.verify.gates`, registered by `@gate`. Its title and sentences
are a table in `messages.toml`. It returns `passed`, `failed`, `not_shown` or `not_applicable` with the name of a
sentence. On missing evidence it must be neither passed nor not applicable.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property, partial
from importlib import import_module
from pkgutil import iter_modules
from typing import Any

from camlog.analysis.findings import Findings
from camlog.drive import Drive
from camlog.messages import Messages, capital
from camlog.verify.memory import Memory

PASSED, FAILED, NOT_SHOWN, NOT_APPLICABLE = "passed", "failed", "not_shown", "not_applicable"
# What a gate may need: the codes read at the end of the drive, or a drive before the repair.
CLOSING, FIRST_DRIVE = "closing", "first_drive"
messages = Messages("camlog.verify")


@dataclass(frozen=True, slots=True)
class Gate:
    """One gate with its evidence.

    `state` is "passed", "failed", "not_shown", or "not_applicable" (evidence shows that the question does not apply to
    this car). `evidence` says what the files contain, `todo` the shortest way to close an open gate. `answerable` is
    False if this car cannot give the answer: the gate never passes, and the technician must judge it by other means.
    `shows_fault` marks a failed gate whose evidence is the fault itself, not a flaw of the proof."""

    name: str
    title: str
    state: str
    evidence: str
    todo: str = ""
    answerable: bool = True
    shows_fault: bool = False

    @property
    def is_open(self) -> bool:
        """True if the gate prevents the repair from being verified."""
        return self.state not in (PASSED, NOT_APPLICABLE)

    @property
    def words(self) -> str:
        return messages(f"states.{self.state if self.answerable else 'not_answerable'}")


@dataclass(frozen=True)
class Case:
    """What is judged: the drive `after` the repair, and the first drive. `before` is None if only the drive file of the
    first drive was given, `before_drive` if nothing was."""

    after: Findings
    before: Findings | None
    before_drive: Drive | None
    memory: Memory

    @property
    def has_before(self) -> bool:
        return self.before is not None or self.before_drive is not None

    @cached_property
    def drives(self) -> list[tuple[str, Drive | None]]:
        """The drives, each with its name in a sentence."""
        first = [("first", self.before_drive)] if self.has_before else []
        return [*first, ("second", self.after.drive)]

    @property
    def all_simulated(self) -> bool:
        """True if no drive was recorded on a vehicle."""
        return all(d is not None and d.is_simulated for _, d in self.drives)


class Outcome:
    """The result of a gate's function: a state, the name of a sentence in `topic` (empty: the gate's own), and its
    values. `fault=True`: the evidence is the fault itself. `answerable=False`: this car cannot give the answer."""

    def __init__(
        self, state: str, sentence: str, /, topic: str = "", fault: bool = False, answerable: bool = True, **values: Any
    ):
        self.state, self.sentence, self.values = state, sentence, values
        self.topic, self.fault, self.answerable = topic, fault, answerable


passed, failed, not_shown, not_applicable = (
    partial(Outcome, state) for state in (PASSED, FAILED, NOT_SHOWN, NOT_APPLICABLE)
)


@dataclass(frozen=True)
class Registered:
    """One registered gate: its place, name, table of sentences, function, the items it is run for, and what it
    needs."""

    order: int
    name: str
    topic: str
    decide: Callable[..., Outcome | None]
    each: Callable[[Case], Iterable[str]] | None
    label: Callable[[str], str]
    needs: str

    def gates(self, case: Case) -> Iterable[Gate]:
        """The gate of a case, or one for each of its items; none if the question does not arise."""
        closing = [case.memory.closing] if self.needs == CLOSING else []
        for item in [""] if self.each is None else self.each(case):
            if closing == [None]:
                outcome: Outcome | None = not_shown("not_read", topic="shared")
            elif self.needs == FIRST_DRIVE and not case.has_before:
                continue
            else:
                outcome = self.decide(case, *closing, *([item] if self.each else []))
            if outcome is None:
                continue
            label, sentence = self.label(item), f"{outcome.topic or self.topic}.{outcome.sentence}"
            evidence, *todo = messages.several(sentence, item=label, **outcome.values)
            name, title = self.name.format(item), capital(messages(f"{self.topic}.title", item=label))
            yield Gate(name, title, outcome.state, evidence, "".join(todo), outcome.answerable, outcome.fault)


_REGISTRY: list[Registered] = []


def gate(
    order: int, name: str, topic: str = "", *,
    each: Callable[[Case], Iterable[str]] | None = None, label: Callable[[str], str] = str, needs: str = "",
) -> Callable:  # fmt: skip
    """Register a function of a Case as the gate `name`; `order` is its place in the list.

    `topic` is its table in `messages.toml` (default: the name). `each` returns items, with one gate for each: the
    function gets the item as its last argument, `{}` in the name and {item} in sentences are replaced by it, the latter
    in the words of `label`. The function returns None if the question does not arise. With `needs` CLOSING its second
    argument is the codes read at the end of the drive, and the gate is "not_shown" if there are none. With FIRST_DRIVE
    there is no gate without a first drive."""

    def register(decide: Callable[..., Outcome | None]) -> Callable[..., Outcome | None]:
        _REGISTRY.append(Registered(order, name, topic or name, decide, each, label, needs))
        return decide

    return register


def registered() -> list[Registered]:
    """The gates of all modules of `camlog.verify.gates`, in the declared order."""
    package = import_module("camlog.verify.gates")
    for module in iter_modules(package.__path__):
        import_module(f"{package.__name__}.{module.name}")
    return sorted(_REGISTRY, key=lambda entry: entry.order)
