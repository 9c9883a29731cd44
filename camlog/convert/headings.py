"""Splits a foreign heading into plain words, unit, bank, cylinder and parameter number."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

from camlog.convert.words import SAME_WORDS, UNITS, words
from camlog.signals import SIGNALS

_SHAFT_UNITS = {"crank": words("crank_units"), "cam": words("cam_units")}
_LETTERS = str.maketrans({"ß": "ss", "æ": "ae", "ø": "o", "ı": "i"})
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_BRACKETS = re.compile(r"\s*[\[({<]\s*([^\[\](){}<>]{0,32}(?:\(a\))?)\s*[\])}>]")
_TAIL = re.compile(r"\A(.+?)\s*(?:,|/|;|:|\bin\b)\s*([^,;:/]{1,14}(?:/[^,;:/]{1,5})?)\s*\Z")
_BANK = re.compile(r"\b(?:b|bank|bk|banc|rangee)\s*([12])(?:\s*s(?:ensor)?\s*[12])?\b")
_CYLINDER = re.compile(r"\b(?:cylinder)\s*(\d{1,2})\b")
_PID = re.compile(
    r"\b(?:(?:pid|mode|service|srv|sid)\s*[:#$-]?\s*)?(?:\$|0x)?(?:01)[\s_:.,/x$-]{0,3}(?:pid\s*)?(?:0x|\$)?([0-9a-f]{2})\b"
    r"|\bpid\s*[:#$-]?\s*(?:0x|\$)?([0-9a-f]{2})\b|\A\s*(?:0x|\$)([0-9a-f]{2})\s*\Z",
    re.IGNORECASE,
)
# A request such as 010C, alone or before the name.
_BARE_PID = re.compile(r"\s*01([0-9A-Fa-f]{2})(?:\b|_)")
# At the end of a heading these may be part of the name, not a unit.
_TAIL_UNITS = frozenset(UNITS) - set("kxalmg#/") - {"ma", "ratio", "lambda", "km", "mi", "min", "day", "ft"}


@dataclass(frozen=True)
class Heading:
    """`words` are in order and in standard spelling, `unit` is as a trace heading writes it (None: none given).

    `unit_text` is the unit as written in the file; `shaft` is `crank` or `cam` if the unit says so; `bank`, `cylinder`
    and `pid` are None if the heading names none.
    """

    text: str
    words: tuple[str, ...]
    unit: str | None = None
    unit_text: str = ""
    shaft: str | None = None
    bank: int | None = None
    cylinder: int | None = None
    pid: int | None = None


def read_unit(text: str) -> tuple[str, str | None] | None:
    """The unit for a trace heading, and the shaft of its degrees, from a unit as written; None if it is no unit."""
    plain = re.sub(r"[\s_]+", "", text).strip("[](){}<>").lower()
    # One spelling for powers and products.
    for candidate in (plain, plain.replace("·", "").replace(".", "")):
        for shaft, units in _SHAFT_UNITS.items():
            if candidate in units:
                return "deg", shaft
        if candidate in UNITS:
            return UNITS[candidate], None
    return None


@lru_cache(maxsize=8192)
def parse_heading(text: str, unit_cell: str = "", tail_unit: bool = True) -> Heading:
    """Split a heading; `unit_cell` is the cell below it in a units row or beside it in a long table.

    With `tail_unit` False, a last word that could be a unit (`_c`, `_v`) counts as a word.
    """
    name, found, unit_text = _without_unit(text.strip(), tail_unit)
    if unit_cell.strip() and (beside := read_unit(unit_cell)):
        found, unit_text = beside, unit_cell.strip()
    pid, (start, end) = _pid(text)
    if pid is not None and text[:end].strip() and (found is None or end <= len(name)):
        name = name.replace(text[start:end], " ", 1)
    plain = plain_words(name)
    # The C of 010C is a digit, not a unit.
    is_unit = len(plain) > 1 and plain[-1] in _TAIL_UNITS - {"pa"} and (pid is None or len(plain[-1]) > 1)
    if is_unit and tail_unit and not found:
        unit_text = plain.pop()
        found = read_unit(unit_text)
        if plain[-1] in ("deg", "degrees"):
            plain.pop()
    joined = " ".join(SAME_WORDS.get(word, word) for word in plain)
    bank = _BANK.search(joined)
    if bank:
        joined = joined[: bank.start()] + " " + joined[bank.end() :]
    cylinder = _CYLINDER.search(joined)
    if cylinder:
        joined = joined[: cylinder.start()] + "cylinder" + joined[cylinder.end() :]
    unit, shaft = found or (None, None)
    bank_number, cylinder_number = (int(match[1]) if match else None for match in (bank, cylinder))
    return Heading(text.strip(), tuple(joined.split()), unit, unit_text, shaft, bank_number, cylinder_number, pid)


def _without_unit(name: str, tail_unit: bool) -> tuple[str, tuple[str, str | None] | None, str]:
    """The heading without the unit at its end or in brackets, that unit as read, and as written."""
    for match in list(_BRACKETS.finditer(name))[::-1]:
        if found := read_unit(match[1]):
            return name[: match.start()] + " " + name[match.end() :], found, match[1].strip()
    last = re.split(r"[\s_]+", name)[-1]
    # Some last words can only be a unit (km/h, °C, kPa), others may be one.
    is_tail = not last.isalnum() or (tail_unit and last.lower() in _TAIL_UNITS and not last[0].isdigit())
    if len(last) < len(name) and is_tail and (found := read_unit(last)):
        return name[: -len(last)], found, last
    tail = _TAIL.match(name)
    if tail and (found := read_unit(tail[2])):
        return tail[1], found, tail[2]
    return name, None, ""


def plain_letters(text: str) -> str:
    """The text in lower case without accents."""
    plain = unicodedata.normalize("NFKD", text.translate(_LETTERS)).lower()
    return "".join(c for c in plain if not unicodedata.combining(c))


def plain_words(name: str) -> list[str]:
    """The words of a heading in plain lower-case letters, in order."""
    plain = plain_letters(_CAMEL.sub(" ", name)).replace("b+", "battery voltage")
    plain = re.sub(r"(?<=[a-z])(?=\d)|(?<=\d)(?=[a-z])", " ", plain)
    return re.findall(r"[a-z]+|\d+|%|°", plain.replace("'", " "))


def _pid(text: str) -> tuple[int | None, tuple[int, int]]:
    """The parameter number in a heading (None: none), and its place in the text."""
    match = _PID.search(text[:64]) or _BARE_PID.match(text[:64])
    digits = next((g for g in match.groups() if g), "") if match else ""
    return (int(digits, 16), match.span()) if match and digits else (None, (0, 0))


def own_name(heading: str) -> str:
    """The name of a trace column whose heading is no signal of camlog."""
    bare = re.sub(r"\s*[\[({][^\[({]*[\])}]\s*\Z", "", heading) or heading
    name = "_".join(re.findall(r"[a-z0-9]+", plain_letters(bare)))[:60].strip("_") or "column"
    name = name if name[0].isalpha() else "column_" + name
    return name + "_as_found" if name in SIGNALS else name
