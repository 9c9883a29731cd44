"""Make text from files, cars and people safe to show: control characters are written out instead of sent.

A control character can move the cursor, set colours, rename the window or answer for the user; a direction or invisible
character makes a text look like another. `visible` shows each as `[U+001B]`. Pages use it for every value. On a
terminal all output passes through it: `VisibleStream` wraps standard output and error while a command runs, and
`camlog.console` uses it too."""

from __future__ import annotations

import json
import sys
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, TextIO

# Control characters that are not replaced.
_KEPT_CONTROLS = frozenset("\n\t")
_HIDDEN_CLASSES = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})
LONGEST_TEXT = 2000  # longest text of one value, in characters


def visible(text: str, longest: int | None = LONGEST_TEXT) -> str:
    """`text` with control, invisible and direction-changing characters written as `[U+202E]`.

    Line ends and tabs stay. A text longer than `longest` characters (None: no limit) is cut, with a remark."""
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


# Replacements for signs that a console's code page may lack.
_PLAIN = str.maketrans(
    {"°": "deg", "±": "+/-", "→": "->", "←": "<-", "×": "x", "−": "-", "–": "-", "—": "-", "…": "...", "≥": ">=",
     "≤": "<=", "≈": "~", "µ": "u", "μ": "u", "²": "2", "³": "3", "·": "-", "•": "-", "‘": "'", "’": "'", "“": '"',
     "”": '"', "„": '"', "✓": "yes", "✗": "no"}
)  # fmt: skip


def encodable(text: str, encoding: str | None) -> str:
    """`text` with characters that `encoding` lacks replaced: signs by plain letters (`°C` by `degC`), accented letters
    by plain ones, all others by escapes."""
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
    """Standard output or error, passed through `visible` and `encodable`."""

    def __init__(self, raw: TextIO):
        self.raw = raw

    def write(self, text: str) -> int:
        """Write `text` made visible; returns its length, as streams do."""
        self.raw.write(encodable(visible(text, None), getattr(self.raw, "encoding", None)))
        return len(text)

    def writelines(self, lines) -> None:
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str):
        return getattr(self.raw, name)


def raw_stream(stream: TextIO) -> TextIO:
    """The stream inside a VisibleStream, for callers that make their text visible themselves."""
    return stream.raw if isinstance(stream, VisibleStream) else stream


@contextmanager
def visible_output() -> Iterator[None]:
    """Context manager: wrap standard output and error in a VisibleStream."""
    before = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = (s if s is None or isinstance(s, VisibleStream) else VisibleStream(s) for s in before)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before
