"""Doubts put to a person, one question at a time; each answer is a rule, as if it stood in a mapping file."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from camlog.convert.cams import is_cam_angle
from camlog.convert.mapping import ColumnRule, Mapping
from camlog.convert.model import Ask, ColumnMatch, Question
from camlog.convert.ranges import possible_units
from camlog.convert.timing import SECONDS_IN
from camlog.signals import CAM_IDS, SIGNALS, actual, commanded

_TRIES = 3
Matches = tuple[ColumnMatch, ...]


def settle(
    matches: Matches, mapping: Mapping, rematch: Callable[[Mapping], Matches], ask: Ask
) -> tuple[Matches, Mapping]:
    """Ask about every doubt; what is not answered stays in doubt. Returns the matches and the rules."""
    asked: set[tuple[int, str]] = set()
    while True:
        doubt = next(
            ((m, d) for m in matches if m.doubtful for d in m.doubts if _key(m, d) not in asked), None
        )
        if doubt is None:
            return matches, mapping
        match, about = doubt
        asked.add(_key(match, about))
        answer = _answered(_question(match, about, _taken(matches, mapping, match)), ask)
        if answer is None:
            continue
        mapping = _with_answer(mapping, match, about, answer)
        matches = rematch(mapping)


def _key(match: ColumnMatch, about: str) -> tuple[int, str]:
    return (-1, about) if about in ("angle", "positive") else (match.index, about)


def _taken(matches: Matches, mapping: Mapping, asked: ColumnMatch) -> set[str]:
    """Signals that other columns surely are, or were said to be: no two columns mean the same."""
    return {
        m.signal
        for m in matches
        if m.index != asked.index and m.signal
        and (m.certain or (rule := mapping.rule(m.name, m.index)) is not None and rule.signal == m.signal)
    }  # fmt: skip


def _question(match: ColumnMatch, about: str, taken: set[str]) -> Question:
    name = match.name or f"column {match.index + 1}"
    why = match.reason[:1].upper() + match.reason[1:] + "."
    if about == "signal":
        likely = [match.signal]
        if is_cam_angle(match.signal):
            likely += [s for cam in CAM_IDS for s in (commanded(cam), actual(cam)) if s != match.signal]
        choices = [(s, SIGNALS[s].title) for s in likely if s not in taken]
        suggestion = match.signal if match.signal not in taken else ""
        choices.append(("-", "none of these; keep it under its own name"))
        return Question(about, name, f"What is {name!r}?", tuple(choices), suggestion, why)
    if about == "unit":
        choices = tuple((u, "") for u in possible_units(match.signal))
        return Question(
            about,
            name,
            f"In which unit is {name!r} ({SIGNALS[match.signal].title})?",
            choices,
            match.unit,
            why,
        )
    if about == "angle":
        choices = (("crank", "crankshaft degrees"), ("cam", "camshaft degrees, which count double"))
        return Question(about, "", "Are the cam angles of this file in crank or in cam degrees?", choices, "")
    if about == "positive":
        choices = (("advance", "a positive angle is advance"), ("retard", "a positive angle is retard"))
        return Question(about, "", f"Does {name!r} count advance or retard positive?", choices, "", why)
    if about == "rest_deg":
        return Question(
            about, name, f"What does {name!r} read, in degrees, with the cam at its locked position?"
        )
    text = f"What makes {name!r} its value? Number * factor + offset; write both, as in: 0.5 -64"
    return Question(about, name, text, why=why)


def _answered(question: Question, ask: Ask) -> str | None:
    for _ in range(_TRIES):
        answer = ask(question)
        if answer is None or not answer.strip():
            return None
        answer = answer.strip()
        if question.choices:
            if answer in [value for value, _ in question.choices]:
                return answer
        elif _numbers(answer) is not None:
            return answer
    return None


def _numbers(text: str) -> tuple[float, ...] | None:
    try:
        found = tuple(float(part) for part in text.split())
    except ValueError:
        return None
    return found if 1 <= len(found) <= 2 and all(map(math.isfinite, found)) and found[0] is not None else None


def _with_answer(mapping: Mapping, match: ColumnMatch, about: str, answer: str) -> Mapping:
    if about in ("angle", "positive"):
        return replace(mapping, **{about: answer})
    rule = mapping.rule(match.name, match.index) or ColumnRule(number=match.index + 1)
    rule = replace(rule, heading=None, number=match.index + 1)
    if about == "signal":
        rule = replace(rule, signal="" if answer == "-" else answer)
    elif about == "unit":
        rule = replace(rule, signal=match.signal, unit=answer)
    elif about == "rest_deg":
        rule = replace(rule, signal=match.signal, rest_deg=_numbers(answer)[0])
    else:
        factor, offset = (*_numbers(answer), 0.0)[:2]
        rule = replace(rule, signal=match.signal, factor=factor or 1.0, offset=offset)
    return replace(mapping, columns=(*mapping.columns, rule))


def ask_time_unit(column: str, reason: str, ask: Ask) -> str | None:
    """The unit of a time column, as somebody says it; None where nobody does."""
    choices = tuple((unit, "") for unit in SECONDS_IN)
    return _answered(
        Question("time_unit", column, f"In which unit is the time ({reason})?", choices, ""), ask
    )


def ask_rate(ask: Ask) -> float | None:
    """Rows a second of a table without a time, as somebody says it; None where nobody does."""
    answer = _answered(
        Question("rate_hz", "", "No column tells the time. How many rows a second were recorded?"), ask
    )
    rate = _numbers(answer)[0] if answer else None
    return rate if rate and rate > 0 else None
