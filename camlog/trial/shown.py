"""The result of a trial as tables for the terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from camlog.numbers import UNKNOWN, number, with_unit
from camlog.profile.summary import request
from camlog.signals import unit_of
from camlog.trial import messages
from camlog.trial.judge import SignalTrial
from camlog.units import shown_value

_SHOWN_BYTES = 8


def shown(trials: Sequence[SignalTrial], adapter: str, module: str, name: str) -> Iterator[Text | Table]:
    """Rich renderables: the readings of each signal in the shop's units, then the likely mistakes with the lines to
    paste."""
    yield Text(messages("heading.title", name=name, adapter=adapter, module=module or UNKNOWN), style="bold")
    table = Table(box=SIMPLE_HEAD)
    for column in ("signal", "request", "key_on", "idle", "range", "rate", "found"):
        # Names are not wrapped, because they are searched for in the profile.
        table.add_column(messages(f"column.{column}"), no_wrap=column == "signal", overflow="fold")
    for trial in trials:
        unit = unit_of(trial.definition.name)
        table.add_row(
            trial.definition.name, request(trial.definition), _typical(trial.key_on, unit), _typical(trial.idle, unit),
            UNKNOWN if trial.low is None else f"{number(shown_value(trial.low, unit))} .. {with_unit(trial.high, unit)}",
            number(trial.hz), messages(f"word.{_word(trial)}"),
        )  # fmt: skip
    yield table
    wrong = [t for t in trials if t.suspicions]
    for trial in trials:
        for suspicion in trial.suspicions:
            yield Text(f"{trial.definition.name}: {suspicion.text}")
            for line in suspicion.line.splitlines():
                yield Text(f"    {line}", style="bold")
        for note in trial.notes:
            yield Text(f"{trial.definition.name}: {note}")
    judged = [t for t in trials if _word(t) == "good"]
    if wrong:
        yield Text(messages("heading.suspected", count=len(wrong)))
    else:
        yield Text(messages("heading.none" if judged else "heading.nothing_judged", count=len(judged), all=len(trials)))


def row(trial: SignalTrial) -> tuple[str, str, str, list[str]]:
    """One signal for a page: its name, its value at idle, the result in a word, and the notes with the lines to
    paste."""
    texts = [line for s in trial.suspicions for line in (s.text, *s.line.splitlines())]
    typical = _typical(trial.idle or trial.key_on, unit_of(trial.definition.name))
    return trial.definition.name, typical, messages(f"word.{_word(trial)}"), [*texts, *trial.notes]


def _typical(found: tuple[bytes, float] | None, unit: str) -> str:
    if found is None:
        return UNKNOWN
    data, value = found
    more = "..." if len(data) > _SHOWN_BYTES else ""
    return f"{data[:_SHOWN_BYTES].hex(' ').upper()}{more} = {with_unit(value, unit)}"


def _word(trial: SignalTrial) -> str:
    if not trial.answers:
        return "silent"
    if trial.suspicions:
        return "wrong"
    if not trial.in_range:
        return "outside"
    return "unsure" if trial.notes else "good"
