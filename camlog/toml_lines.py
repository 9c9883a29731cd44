"""The line of each key in a TOML text.

`tomllib` gives the place of a syntax error, but not the lines of keys, and no maintained library does. The text here
has been accepted by `tomllib`, so only strings, comments, brackets and statements have to be distinguished."""

from __future__ import annotations

import re
import tomllib

Where = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY_PART = re.compile(r"""[ \t]*("(?:\\.|[^"\\\n])*"|'[^'\n]*'|[A-Za-z0-9_-]+)[ \t]*""")
_STRING = re.compile(
    r'''"""(?:\\.|[^\\])*?"""(?:""?(?!"))?|\'\'\'.*?\'\'\'(?:\'\'?(?!\'))?|"(?:\\.|[^"\\\n])*"|'[^'\n]*\'''', re.DOTALL
)
_SCALAR = re.compile(r"[^,\]}#\r\n]+")


def key_lines(text: str) -> dict[Where, int]:
    """Line (from 1) of every key and table of a valid TOML text.

    A path is the keys from the top, with the index (from 0) of a table in an array of tables: `("signal", 2,
    "factor")`. A table's own path has the line of its header."""
    return _Walk(text.replace("\r\n", "\n")).document()


class _Walk:
    def __init__(self, text: str):
        self.text = text
        self.place = 0
        self.found: dict[Where, int] = {}
        self.tables_in_array: dict[Where, int] = {}
        self._line, self._line_place = 1, 0

    def line(self) -> int:
        self._line += self.text.count("\n", self._line_place, self.place)
        self._line_place = self.place
        return self._line

    def note(self, path: Where, line: int) -> None:
        for end in range(1, len(path) + 1):
            self.found.setdefault(path[:end], line)

    def document(self) -> dict[Where, int]:
        table: Where = ()
        while self.blank() < len(self.text):
            line = self.line()
            if self.text.startswith("[[", self.place):
                self.place += 2
                array = self.within(self.key())
                self.place += 2
                index = self.tables_in_array.get(array, -1) + 1
                self.tables_in_array[array] = index
                table = (*array, index)
                self.note(table, line)
            elif self.text[self.place] == "[":
                self.place += 1
                table = self.within(self.key())
                self.place += 1
                self.note(table, line)
            else:
                self.pair(table)
        return self.found

    def within(self, header: Where) -> Where:
        """A header's path with the current index after each array of tables in it."""
        path: Where = ()
        for position, part in enumerate(header):
            path = (*path, part)
            if position < len(header) - 1 and path in self.tables_in_array:
                path = (*path, self.tables_in_array[path])
        return path

    def take(self, pattern: re.Pattern[str]) -> re.Match[str]:
        """Match `pattern` at the present place and move behind it; it always matches, because the text is valid."""
        match = pattern.match(self.text, self.place)
        if match is None:
            raise ValueError(f"no TOML at character {self.place}")
        self.place = match.end()
        return match

    def blank(self) -> int:
        self.take(_BLANK)
        return self.place

    def key(self) -> Where:
        parts = []
        while True:
            word = self.take(_KEY_PART)[1]
            parts.append(tomllib.loads(f"k = {word}")["k"] if word[0] in "\"'" else word)
            if not self.text.startswith(".", self.place):
                return tuple(parts)
            self.place += 1

    def pair(self, table: Where) -> None:
        line = self.line()
        path = (*table, *self.key())
        self.note(path, line)
        self.place += 1  # the equals sign
        self.value(path)

    def value(self, path: Where) -> None:
        self.blank()
        start = self.text[self.place]
        if start in "\"'":
            self.take(_STRING)
        elif start == "[":
            self.items(path)
        elif start == "{":
            self.inline(path)
        else:
            self.take(_SCALAR)

    def items(self, path: Where) -> None:
        self.place += 1
        index = 0
        while self.text[self.blank()] != "]":
            self.note((*path, index), self.line())
            self.value((*path, index))
            index += 1
            if self.text[self.blank()] == ",":
                self.place += 1
        self.place += 1

    def inline(self, path: Where) -> None:
        self.place += 1
        while self.text[self.blank()] != "}":
            self.pair(path)
            if self.text[self.blank()] == ",":
                self.place += 1
        self.place += 1
