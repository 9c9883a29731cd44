"""Gates: what must be shown before a repair counts as proven, and the registry in which each gate stands.

A gate is a function of a `Case`, registered where it stands by `@gate`, in a module of `camlog.verify.gates`;
its title and sentences are a table in `messages.toml`. It returns `passed`, `failed`, `not_shown` or
`not_applicable` with the name of a sentence. It may never pass, nor be not applicable, on missing evidence.
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
# What a gate may need: the snapshot at the end of the drive, or a drive before the repair.
CLOSING, FIRST_DRIVE = "closing", "first_drive"
messages = Messages("camlog.verify")


@dataclass(frozen=True, slots=True)
class Gate:
    """One gate with its evidence.

    `state` is "passed", "failed", "not_shown", or "not_applicable" where the car gave nothing to hold the
    drive against, which is known from evidence and never from missing evidence; `evidence` says what the
    files hold, `todo` the shortest thing to do where the gate is open. `answerable` is False where this
    car cannot give the answer at all: such a gate never passes, and the technician must judge it by other
    means. `shows_fault` marks a failed gate whose evidence is the fault itself, not a flaw of the proof."""

    name: str
    title: str
    state: str
    evidence: str
    todo: str = ""
    answerable: bool = True
    shows_fault: bool = False

    @property
    def is_open(self) -> bool:
        """True where the gate keeps a repair from being verified."""
        return self.state not in (PASSED, NOT_APPLICABLE)

    @property
    def words(self) -> str:
        return messages(f"states.{self.state if self.answerable else 'not_answerable'}")


@dataclass(frozen=True)
class Case:
    """What is judged: the drive `after` the repair, and what is there of the first drive. `before` is None
    where only the first drive's file was given, `before_drive` where nothing was."""

    after: Findings
    before: Findings | None
    before_drive: Drive | None
    memory: Memory

    @property
    def has_before(self) -> bool:
        return self.before is not None or self.before_drive is not None

    @cached_property
    def drives(self) -> list[tuple[str, Drive | None]]:
        """The drives in question, each with its name in a sentence."""
        first = [("first", self.before_drive)] if self.has_before else []
        return [*first, ("second", self.after.drive)]

    @property
    def all_simulated(self) -> bool:
        """True where no drive in question was recorded on a vehicle."""
        return all(d is not None and d.is_simulated for _, d in self.drives)


class Outcome:
    """What a gate's function returns: a state, the name of a sentence in `topic` (empty: the gate's own),
    its values. `fault=True` says that the evidence is the fault itself, `answerable=False` that this car
    cannot give the answer at all."""

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
    """One registered gate: its place, name and table of sentences, its function, the items it is run for, what it needs."""

    order: int
    name: str
    topic: str
    decide: Callable[..., Outcome | None]
    each: Callable[[Case], Iterable[str]] | None
    label: Callable[[str], str]
    needs: str

    def gates(self, case: Case) -> Iterable[Gate]:
        """The gate of a case, or one for each of its items; none where the question does not arise."""
        closing = [case.memory.closing] if self.needs == CLOSING else []
        for item in [""] if self.each is None else self.each(case):
            if closing == [None]:
                found: Outcome | None = not_shown("not_read", topic="shared")
            elif self.needs == FIRST_DRIVE and not case.has_before:
                continue
            else:
                found = self.decide(case, *closing, *([item] if self.each else []))
            if found is None:
                continue
            label, sentence = self.label(item), f"{found.topic or self.topic}.{found.sentence}"
            evidence, *todo = messages.several(sentence, item=label, **found.values)
            name, title = self.name.format(item), capital(messages(f"{self.topic}.title", item=label))
            yield Gate(name, title, found.state, evidence, "".join(todo), found.answerable, found.fault)


_REGISTRY: list[Registered] = []


def gate(
    order: int, name: str, topic: str = "", *,
    each: Callable[[Case], Iterable[str]] | None = None, label: Callable[[str], str] = str, needs: str = "",
) -> Callable:  # fmt: skip
    """Register a function of a Case as the gate `name`; `order` is its place in the list.

    `topic` is its table in `messages.toml` (default: the name). With `each` there is one gate for every
    item it gives: the function takes the item too, `{}` in the name stands for it, and sentences have it
    as {item}, in the words of `label`. The function returns None where the question does not arise.

    With `needs` CLOSING the function takes the codes read at the end of the drive after the case, and the gate is not shown
    where there are none; with FIRST_DRIVE there is no gate without one."""

    def register(decide: Callable[..., Outcome | None]) -> Callable[..., Outcome | None]:
        _REGISTRY.append(Registered(order, name, topic or name, decide, each, label, needs))
        return decide

    return register


def registered() -> list[Registered]:
    """What every module of `camlog.verify.gates` has registered, in the declared order."""
    package = import_module("camlog.verify.gates")
    for module in iter_modules(package.__path__):
        import_module(f"{package.__name__}.{module.name}")
    return sorted(_REGISTRY, key=lambda entry: entry.order)
