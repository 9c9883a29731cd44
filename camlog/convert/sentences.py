"""Sentences a person reads about a conversion, made by name and values; `messages.toml` holds them."""

from __future__ import annotations

from pathlib import Path

from camlog.errors import InputError
from camlog.messages import Messages

say = Messages(__package__)


def counted(name: str, count: int, /, **values) -> str:
    """The sentence of that name for one thing, or for several."""
    return say(f"counted.{name}.{'one' if count == 1 else 'more'}", count=count, **values)


def choice(question: str, answer: str) -> str:
    """What an answer to a question means."""
    return say(f"choices.{question}.{answer}")


def refusal(
    name: str,
    /,
    *,
    file: str | Path | None = None,
    line: int | None = None,
    column: str | None = None,
    **values,
) -> InputError:
    """The refusal of that name: what is wrong and what to do."""
    error = say.error(name, file, **values)
    error.line, error.column = line, column
    return error
