"""Sentences by name. Each package has its own in `messages.toml`.

A translation is a file beside it, such as `messages.de.toml`, selected by `CAMLOG_LANGUAGE=de`. Sentences missing in it
are shown in the original."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from functools import cache, cached_property
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from camlog.errors import InputError
from camlog.numbers import UnitFormatter, duration, in_whole, number, percent, unit_words, with_unit

if TYPE_CHECKING:
    from jinja2 import Environment, Template

LANGUAGE = "CAMLOG_LANGUAGE"
_FORMATTER = UnitFormatter()
_OF_UNITS = re.compile(rf":\+?({'|'.join(map(re.escape, UnitFormatter.units))})}}")


def capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def plural(count: float, one: str = "", many: str = "s") -> str:
    """The ending of a word for `count` things."""
    return one if count == 1 else many


# The filters of Jinja2 sentences and page templates.
FILTERS: Mapping[str, Callable] = {
    f.__name__: f for f in (number, percent, unit_words, with_unit, in_whole, capital, duration, plural)
}


class Messages:
    """The sentences of one package: `messages("name", value=1)` fills in the template of that name.

    A name in a table of the file is written with a dot: `need.hold`. A template is filled in by `UnitFormatter`; one
    that contains `{{` or `{%` is a Jinja2 template with FILTERS, for plurals and optional parts. Raises KeyError for an
    unknown name."""

    def __init__(self, package: str):
        self._package = package
        self._compiled: dict[str, Any] = {}

    def __call__(self, name: str, /, **values: object) -> str:
        """The sentence `name`, with its template filled in with `values`."""
        return self._filled(name, self.templates[name], values)

    def several(self, name: str, /, **values: object) -> tuple[str, ...]:
        """The sentences of an entry that is a list of templates, each with the same `values`."""
        return tuple(self._filled(f"{name}.{i}", text, values) for i, text in enumerate(self.templates[name]))

    def _filled(self, name: str, text: str, values: Mapping[str, object]) -> str:
        if "{{" not in text and "{%" not in text:
            return _FORMATTER.vformat(text, (), values) if _OF_UNITS.search(text) else text.format(**values)
        if name not in self._compiled:
            self._compiled[name] = _environment().from_string(" ".join(text.split()))
        return re.sub(" {2,}", " ", self._compiled[name].render(values)).strip(" ")

    def error(
        self, name: str, /, file: str | Path | None = None, *, line: int | None = None,
        column: str | int | None = None, **values: object,
    ) -> InputError:  # fmt: skip
        """The error `name` from `error.NAME.what` and `error.NAME.remedy`, about `file` (or a port) and a place in it.

        `error.NAME.on_page`, if present, is what to do when a page shows the error.
        """
        parts = {part: f"error.{name}.{part}" for part in ("what", "remedy", "on_page")}
        words = {part: self(key, **values) for part, key in parts.items() if key in self or part != "on_page"}
        return InputError(**words, file=file, line=line, column=column)

    def __contains__(self, name: str) -> bool:
        return name in self.templates

    def table(self, name: str) -> dict[str, str]:
        """One table of the file: its texts by key."""
        return {
            key.removeprefix(f"{name}."): text for key, text in self.templates.items() if key.startswith(f"{name}.")
        }

    @cached_property
    def templates(self) -> dict[str, Any]:
        """Every template of the package by name, in the selected language."""
        language = os.environ.get(LANGUAGE, "")
        names = ["messages.toml", *([f"messages.{language}.toml"] if language.isalpha() else [])]
        by_name: dict[str, Any] = {}
        for place in (files(self._package) / name for name in names):
            if place.is_file():
                by_name |= _dotted(tomllib.loads(place.read_text(encoding="utf-8")))
        return by_name


def _dotted(table: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, str]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _dotted(value, f"{above}{key}.")
        else:
            yield f"{above}{key}", value


say = Messages("camlog")  # of the modules beside this one


@cache
def _environment() -> Environment:
    from jinja2 import Environment, StrictUndefined

    environment = Environment(undefined=StrictUndefined)
    environment.filters |= FILTERS
    return environment


@cache
def text_template(package: str, name: str, **filters: Callable) -> Template:
    """A file of a package as a Jinja2 template of lines of text, with FILTERS and those given."""
    environment = _environment().overlay(trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True)
    environment.filters = environment.filters | filters
    return environment.from_string(files(package).joinpath(name).read_text(encoding="utf-8"))
