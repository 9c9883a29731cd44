"""Sentences people read, kept as data: one TOML file a package, a table a topic, a line a sentence.

Code chooses a sentence by topic and name and gives the values it shows; nothing compares, cuts or edits the text. So
another language is another file.
"""

from __future__ import annotations

import tomllib
from functools import cached_property
from importlib import resources
from typing import Any


class Sentences:
    """The sentences of one package, read from its `sentences.toml` when the first is asked for."""

    def __init__(self, package: str, file: str = "sentences.toml") -> None:
        self._package, self._file = package, file

    @cached_property
    def table(self) -> dict[str, Any]:
        """The whole file: topic, then name, then a text, or a list of texts that belong together."""
        return tomllib.loads(resources.files(self._package).joinpath(self._file).read_text("utf-8"))

    def __call__(self, topic: str, name: str, /, **values: Any) -> str:
        """One sentence with its values. Raises KeyError for a sentence or a value that is missing."""
        return self.table[topic][name].format_map(values)

    def several(self, topic: str, name: str, /, **values: Any) -> tuple[str, ...]:
        """All texts of an entry that holds a list, each with the same values."""
        return tuple(text.format_map(values) for text in self.table[topic][name])


def capital(text: str) -> str:
    """The text with its first letter as a capital."""
    return text[:1].upper() + text[1:]
