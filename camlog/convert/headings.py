"""A foreign heading taken apart: plain words, unit, bank, cylinder, parameter number."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

from camlog.convert.words import CAM_UNITS, CRANK_UNITS, SAME_WORDS, UNITS

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
# Single letters are units only where a heading cannot mean a name by them.
_TAIL_UNITS = (
    frozenset(UNITS) - set("kxalmg#/") - {"ma", "ratio", "lambda", "km", "mi", "m", "min", "day", "ft", "a"}
)


@dataclass(frozen=True)
class Heading:
    """`words` in one spelling each and their order, `unit` as a trace heading writes it (None: none given).

    `unit_text` is the unit as it stands in the file; `shaft` is `crank` or `cam` where the unit says whose
    degrees they are; `bank`, `cylinder` and `pid` are None where the heading names none.
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
    """Unit for a trace heading, and whose degrees it is, of a unit as written; None where it is none."""
    plain = re.sub(r"[\s_]+", "", text).strip("[](){}<>").lower()
    # Powers and dots of products, one way.
    for candidate in (plain, plain.replace("·", "").replace(".", "")):
        if candidate in CRANK_UNITS:
            return "deg", "crank"
        if candidate in CAM_UNITS:
            return "deg", "cam"
        if candidate in UNITS:
            return UNITS[candidate], None
    return None


@lru_cache(maxsize=8192)
def parse_heading(text: str, unit_cell: str = "", tail_unit: bool = True) -> Heading:
    """Take a heading apart; `unit_cell` is the cell under it in a units row or beside it in a long table.

    `tail_unit` False leaves a last word that could be a unit (`_c`, `_v`) among the words.
    """
    name, unit_text = text.strip(), ""
    found = None
    for match in list(_BRACKETS.finditer(name))[::-1]:
        found = read_unit(match[1])
        if found:
            unit_text = match[1].strip()
            name = name[: match.start()] + " " + name[match.end() :]
            break
    last = re.split(r"[\s_]+", name.strip())
    if not found and len(last) > 1 and _is_tail(last[-1], tail_unit) and (found := read_unit(last[-1])):
        name, unit_text = name.strip()[: -len(last[-1])], last[-1]
    if not found and (match := _TAIL.match(name)) and (found := read_unit(match[2])):
        name, unit_text = match[1], match[2]
    if unit_cell.strip() and (given := read_unit(unit_cell)):
        found, unit_text = given, unit_cell.strip()
    pid, place = _pid(text)
    if pid is not None and text[: place[1]].strip() and (found is None or place[1] <= len(name)):
        name = name.replace(text[place[0] : place[1]], " ", 1)
    words = plain_words(name)
    # The C of 010C is a digit, not a unit.
    if (
        not found
        and tail_unit
        and len(words) > 1
        and words[-1] in _TAIL_UNITS - {"pa"}
        and (pid is None or len(words[-1]) > 1)
    ):
        found, unit_text = read_unit(words[-1]), words[-1]
        words = words[:-1]
        if words[-1] in ("deg", "degrees"):
            words = words[:-1]
    joined = " ".join(_folded(words))
    bank, cylinder = _BANK.search(joined), _CYLINDER.search(joined)
    if bank:
        joined = joined[: bank.start()] + " " + joined[bank.end() :]
        cylinder = _CYLINDER.search(joined)
    if cylinder:
        joined = joined[: cylinder.start()] + "cylinder" + joined[cylinder.end() :]
    return Heading(
        text=text.strip(),
        words=tuple(joined.split()),
        unit=found[0] if found else None,
        unit_text=unit_text,
        shaft=found[1] if found else None,
        bank=int(bank[1]) if bank else None,
        cylinder=int(cylinder[1]) if cylinder else None,
        pid=pid,
    )


def _is_tail(token: str, tail_unit: bool) -> bool:
    """True where a heading's last word can only be a unit (km/h, °C, kPa), or may be taken for one."""
    return not token.isalnum() or (tail_unit and token.lower() in _TAIL_UNITS and not token[0].isdigit())


def plain_letters(text: str) -> str:
    """Lower case, and letters without their accents."""
    plain = unicodedata.normalize("NFKD", text.translate(_LETTERS)).lower()
    return "".join(c for c in plain if not unicodedata.combining(c))


def plain_words(name: str) -> list[str]:
    """The words of a heading in plain lower-case letters, as they stand."""
    plain = plain_letters(_CAMEL.sub(" ", name)).replace("b+", "battery voltage")
    plain = re.sub(r"(?<=[a-z])(?=\d)|(?<=\d)(?=[a-z])", " ", plain)
    return re.findall(r"[a-z]+|\d+|%|°", plain.replace("'", " "))


def _folded(words: list[str]) -> list[str]:
    out: list[str] = []
    for word in words:
        out.extend(SAME_WORDS.get(word, word).split())
    return out


def _pid(text: str) -> tuple[int | None, tuple[int, int]]:
    """Parameter number a heading names (None: none), and where it stands in the text."""
    # The bare form of a request stands alone or before the name: 010C.
    match = _PID.search(text[:64]) or re.match(r"\s*01([0-9A-Fa-f]{2})(?:\b|_)", text[:64])
    digits = next((g for g in match.groups() if g), None) if match else None
    return (int(digits, 16), match.span()) if digits else (None, (0, 0))
