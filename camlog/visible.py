"""Text from files, cars and people, safe to show: what would steer a screen is written out instead of sent.

A control character can move the cursor, set colours, rename the window or answer for the user; a direction or invisible
character makes a text read as another. `visible` shows each as `[U+001B]`. Pages use it for every value, and on a
terminal everything goes through it: `VisibleStream` stands before standard output and error for as long as a command
runs, and `camlog.console` draws with it."""

from __future__ import annotations

import json
import sys
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, TextIO

# Shown as they are: everything else of Unicode's control, format and separator classes is shown by number.
_KEPT_CONTROLS = frozenset("\n\t")
_HIDDEN_CLASSES = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})
LONGEST_TEXT = 2000  # of any one value: a name of a megabyte would bury the answer


def visible(text: str, longest: int | None = LONGEST_TEXT) -> str:
    """`text` with control, invisible and direction-changing characters written as `[U+202E]`.

    Line ends and tabs stay. What is longer than `longest` characters (None: any) is cut, and says so."""
    if longest is not None and len(text) > longest:
        text = text[:longest] + " [cut]"
    if text.isprintable() or text.replace("\n", "").replace("\t", "").isprintable():
        return text
    return "".join(f"[U+{ord(c):04X}]" if _hidden(c) else c for c in text)


def visible_json(value: Any) -> str:
    """`value` as indented JSON in which hidden characters are `\\u` escapes: safe to print, the same to a program.

    Raises ValueError for a number that is not finite."""
    text = json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False)
    if text.replace("\n", "").isprintable():
        return text
    return "".join(c if c == "\n" or not _hidden(c) else json.dumps(c)[1:-1] for c in text)


def _hidden(character: str) -> bool:
    return character not in _KEPT_CONTROLS and unicodedata.category(character) in _HIDDEN_CLASSES


# What a console's code page may lack, in letters that all have.
_PLAIN = str.maketrans(
    {"°": "deg", "±": "+/-", "→": "->", "←": "<-", "×": "x", "−": "-", "–": "-", "—": "-", "…": "...", "≥": ">=",
     "≤": "<=", "≈": "~", "µ": "u", "μ": "u", "²": "2", "³": "3", "·": "-", "•": "-", "‘": "'", "’": "'", "“": '"',
     "”": '"', "„": '"', "✓": "yes", "✗": "no"}
)  # fmt: skip


def encodable(text: str, encoding: str | None) -> str:
    """`text` in what `encoding` can write: signs it lacks in plain letters, `°C` as `degC`, letters without their
    accents, and what is left as an escape."""
    try:
        text.encode(encoding or "utf-8")
        return text
    except (UnicodeEncodeError, LookupError):
        pass
    return "".join(_each_encodable(character, encoding or "ascii") for character in text)


def _each_encodable(character: str, encoding: str) -> str:
    for plain in (character, character.translate(_PLAIN), unicodedata.normalize("NFKD", character)[:1]):
        try:
            plain.encode(encoding)
            return plain
        except (UnicodeEncodeError, LookupError):
            continue
    return character.encode("ascii", "backslashreplace").decode("ascii")


class VisibleStream:
    """Standard output or error, through `visible`; what its encoding lacks is written in plain letters."""

    def __init__(self, raw: TextIO):
        self.raw = raw

    def write(self, text: str) -> int:
        """Write `text`, shown; returns its length, as streams do."""
        self.raw.write(encodable(visible(text, None), getattr(self.raw, "encoding", None)))
        return len(text)

    def writelines(self, lines) -> None:
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str):
        return getattr(self.raw, name)


def raw_stream(stream: TextIO) -> TextIO:
    """The stream beneath a VisibleStream; only for who shows what it writes itself."""
    return stream.raw if isinstance(stream, VisibleStream) else stream


@contextmanager
def visible_output() -> Iterator[None]:
    """Standard output and error stand behind a VisibleStream while this lasts."""
    before = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = (s if s is None or isinstance(s, VisibleStream) else VisibleStream(s) for s in before)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before
