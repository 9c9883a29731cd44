"""What a cell of a foreign table says: a number, nothing, or something else. One definition, used
everywhere."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

NAN = float("nan")

# Cells that mean "not read", in lower case; beside them any run of dashes, dots, stars or marks.
MISSING_WORDS = frozenset(
    "na n/a n.a. n.a n/d nd #n/a #na nan null none nil nodata no_data unavailable unsupported "
    "invalid missing unknown "
    "error err timeout inf -inf +inf infinity -infinity k.a. k.a s/o s.o. #ref! #value! #div/0! "
    "#num! #null! #name? "
    "void".split()
) | {
    "no data", "not available", "not supported", "timed out", "no response", "keine angabe", "no reading",
    "out of range", "not sampled", "no value",
}  # fmt: skip
_ONLY_MARKS = re.compile(r"[-–—−_.…*?#/~ ]+\Z")
_BLANKS = " \u00a0\u2007\u202f\u2009\ufeff\t \x0b\x0c"
_PLAIN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\Z", re.ASCII)
_GROUPS = {
    ",": re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+(?:\.\d*)?\Z", re.ASCII),
    ".": re.compile(r"[+-]?[1-9]\d{0,2}(?:\.\d{3})+(?:,\d*)?\Z", re.ASCII),
    " ": re.compile(r"[+-]?[1-9]\d{0,2}(?:[ \u00a0\u2009\u202f]\d{3})+(?:[.,]\d*)?\Z", re.ASCII),
    "'": re.compile(r"[+-]?[1-9]\d{0,2}(?:['’]\d{3})+(?:[.,]\d*)?\Z", re.ASCII),
}


def is_missing(cell: str) -> bool:
    """True where a cell says that nothing was read: empty, dashes, `N/A` and the like."""
    text = cell.strip(_BLANKS)
    if not text:
        return True
    if len(text) > 24:
        return not text.strip("-–—_.*# ")
    if text.isdigit():
        return False
    return text.lower() in MISSING_WORDS or bool(_ONLY_MARKS.match(text))


@dataclass(frozen=True)
class Numbers:
    """How numbers are written in a file: the decimal mark, and the mark between groups of three ("" for
    none)."""

    decimal: str = "."
    group: str = ""

    def read(self, cell: str) -> float | None:
        """The number a cell holds, None where it is none; never infinite."""
        text = cell.strip(_BLANKS)
        if self.group and self._groups.match(text):
            for mark in " \u00a0\u2009\u202f'’" if self.group in " '" else self.group:
                text = text.replace(mark, "")
        if self.decimal != ".":
            if "." in text:
                return None
            text = text.replace(self.decimal, ".", 1)
        if text[:1] == "−":
            text = "-" + text[1:]
        if not _PLAIN.match(text):
            return None
        number = float(text)
        return number if abs(number) != float("inf") else None

    @cached_property
    def _groups(self) -> re.Pattern[str]:
        return _GROUPS[self.group]


_WITH_UNIT = re.compile(r"\s*([+-]?[\d.,' \u00a0]*\d[.,]?)\s*([^\d\s.,;][^\d;]{0,11}?)\s*\Z")


def split_unit(cell: str) -> tuple[str, str] | None:
    """Number text and unit text of a cell such as `88.5 °C`; None where it is not of that form."""
    match = _WITH_UNIT.match(cell[:64])
    return (match[1], match[2]) if match and len(cell) <= 64 else None


def common_suffix(cells: Sequence[str]) -> str:
    """The one unit text that ends nearly all cells that hold something; "" where there is none."""
    parts = [split_unit(c) for c in cells if not is_missing(c)]
    units = {p[1] for p in parts if p}
    if len(parts) and len(units) == 1 and sum(p is not None for p in parts) >= 0.8 * len(parts):
        return units.pop()
    return ""


_POINT = re.compile(r"[+-]?\d*\.\d+\Z", re.ASCII)
_COMMA = re.compile(r"[+-]?\d*,\d+\Z", re.ASCII)
_THREE = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}\Z", re.ASCII)


def find_numbers(cells: Sequence[str], separator: str) -> Numbers | None:
    """How the numbers among `cells` are written; None where a comma could be either mark.

    Evidence is what can be only one thing: `0,5` a decimal comma, `1,234.5` a group mark. Three digits after
    a lone mark (`1,234`) are no evidence.
    """
    points = commas = open_points = open_commas = 0
    groups = set()
    for cell in cells:
        text = cell.strip(_BLANKS)
        parts = split_unit(text) if text and not text[-1].isdigit() else None
        text = parts[0].strip(_BLANKS) if parts else text
        three = bool(_THREE.match(text))
        for mark, pattern in _GROUPS.items():
            if not three and pattern.match(text):
                groups.add(mark)
        if _POINT.match(text):
            points, open_points = points + (not three), open_points + three
        elif _COMMA.match(text):
            commas, open_commas = commas + (not three), open_commas + three
    if "," in groups or (points and not commas):
        decimal = "."
        group = "," if open_commas or "," in groups else ""
    elif "." in groups or (commas and not points):
        decimal = ","
        group = "." if open_points or "." in groups else ""
    elif points and commas:
        return None
    elif open_commas and not open_points:
        # Within comma-separated columns a number in quotes has its comma for thousands or for decimals.
        return None
    else:
        decimal, group = ".", ""
    if groups & {" ", "'"}:
        group = " " if " " in groups else "'"
    return Numbers(decimal, group)
