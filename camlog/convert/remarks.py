"""Words in a foreign table that matter: trouble codes and markers, as the drive file keeps them."""

from __future__ import annotations

import re
from collections.abc import Sequence

from camlog.convert.headings import parse_heading
from camlog.convert.layout import SourceColumn
from camlog.stream import CodeSnapshot, Event, TroubleCode

_CODE = re.compile(r"(?<![A-Za-z0-9])([PCBU][0-3][0-9A-Fa-f]{3})(?![A-Za-z0-9])")
_SPEAKS_OF_CODES = re.compile(r"\b(dtcs?|codes?|trouble|fault|fehler\w*|defaut|averia)\b", re.IGNORECASE)
_CODE_WORDS = frozenset("dtc dtcs code codes trouble fault".split())
_MAX_SNAPSHOTS = 200
_MAX_EVENTS = 2000
_MAX_TEXT = 200


def codes_in(text: str) -> tuple[str, ...]:
    """Trouble codes (SAE J2012 form) in a text, each once."""
    return tuple(dict.fromkeys(c.upper() for c in _CODE.findall(text)))


def _kind(text: str) -> str:
    low = text.lower()
    return "pending" if "pending" in low else "permanent" if "permanent" in low else "stored"


def snapshots(
    preamble: Sequence[str], remarks: Sequence[tuple[float, int, str]], columns: dict[int, SourceColumn]
) -> tuple[CodeSnapshot, ...]:
    """Code snapshots from lines above the headings and from columns of codes.

    `remarks` are (time in s, column index, text). A list of codes nobody named stays unknown, not empty.
    """
    found: list[CodeSnapshot] = []
    at_start: dict[str, tuple[str, ...]] = {}
    for line in preamble:
        codes = codes_in(line) if _SPEAKS_OF_CODES.search(line) else ()
        if codes:
            kind = _kind(line)
            at_start[kind] = tuple(dict.fromkeys((*at_start.get(kind, ()), *codes)))
    if at_start:
        found.append(_snapshot(0.0, at_start))
    for time_s, column, text in remarks:
        heading = columns[column].heading
        codes = codes_in(text)
        if codes and _CODE_WORDS & set(parse_heading(heading).words) and len(found) < _MAX_SNAPSHOTS:
            found.append(_snapshot(time_s, {_kind(heading): codes}))
    return tuple(found)


def _snapshot(time_s: float, lists: dict[str, tuple[str, ...]]) -> CodeSnapshot:
    return CodeSnapshot(
        time_s, **{kind: tuple(TroubleCode(c) for c in codes) for kind, codes in lists.items()}
    )


def events(remarks: Sequence[tuple[float, int, str]], columns: dict[int, SourceColumn]) -> tuple[Event, ...]:
    """Markers from columns of remarks; what is a code is in the snapshots already."""
    found = []
    for time_s, column, text in remarks:
        if _CODE_WORDS & set(parse_heading(columns[column].heading).words):
            continue
        found.append(Event(time_s, "marker", text[:_MAX_TEXT]))
    return tuple(found[:_MAX_EVENTS])
