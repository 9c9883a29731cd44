"""Sentences by name. A package keeps its own in its `messages.toml`: another language is another set of files."""

from __future__ import annotations

import tomllib
from functools import cached_property
from importlib.resources import files


class Messages:
    """The sentences of one package: `messages("name", value=1)` fills in the template of that name.

    A name in a table of the file is written with a dot: `need.hold`. Raises KeyError for a name that is not
    there.
    """

    def __init__(self, package: str):
        self._package = package

    def __call__(self, name: str, **values: object) -> str:
        """The sentence `name` with `values` in the places its template names (as `str.format` does)."""
        return self.templates[name].format(**values)

    def __contains__(self, name: str) -> bool:
        return name in self.templates

    @cached_property
    def templates(self) -> dict[str, str]:
        """Every template of the package by its name."""
        read = tomllib.loads((files(self._package) / "messages.toml").read_text(encoding="utf-8"))
        tables = {name: entry for name, entry in read.items() if isinstance(entry, dict)}
        dotted = {f"{name}.{key}": text for name, table in tables.items() for key, text in table.items()}
        return {name: text for name, text in read.items() if name not in tables} | dotted
