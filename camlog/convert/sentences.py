"""Sentences a person reads about a conversion, made by name and values; `sentences.toml` holds them."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path

from camlog.errors import InputError

_DATA = tomllib.loads(resources.files(__package__).joinpath("sentences.toml").read_text("utf-8"))


def say(name: str, /, **values) -> str:
    """The sentence of that name with its values put in."""
    return _DATA["say"][name].format(**values)


def counted(name: str, count: int, /, **values) -> str:
    """The sentence of that name for one thing, or for several."""
    one, more = _DATA["counted"][name]
    return (one if count == 1 else more).format(count=count, **values)


def choice(question: str, answer: str) -> str:
    """What an answer to a question means."""
    return _DATA["choices"][question][answer]


def refusal(
    name: str, /, *, file: str | Path | None = None, line: int | None = None, column: str | None = None, **values
) -> InputError:
    """The refusal of that name: what is wrong and what to do."""
    what, remedy = _DATA["refused"][name]
    return InputError(
        what.format(**values), file=file, line=line, column=column, remedy=remedy.format(**values)
    )
