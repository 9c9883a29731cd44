"""Words in a foreign table that matter: trouble codes and markers, as the drive file keeps them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from camlog.convert.headings import parse_heading
from camlog.convert.words import words
from camlog.stream import CodeSnapshot, Event, TroubleCode

_CODE = re.compile(r"(?<![A-Za-z0-9])([PCBU][0-3][0-9A-Fa-f]{3})(?![A-Za-z0-9])")
_SPEAKS_OF_CODES = re.compile(r"\b(dtcs?|codes?|trouble|fault|fehler\w*|defaut|averia)\b", re.IGNORECASE)
_CODE_WORDS = words("codes")
_MAX_SNAPSHOTS = 200
_MAX_EVENTS = 2000
_MAX_TEXT = 200
Remarks = Iterable[tuple[float, str, str]]


def codes_in(text: str) -> tuple[str, ...]:
    """Trouble codes (SAE J2012 form) in a text, each once."""
    return tuple(dict.fromkeys(c.upper() for c in _CODE.findall(text)))


def _is_of_codes(heading: str) -> bool:
    return bool(_CODE_WORDS & set(parse_heading(heading).words))


def snapshots(preamble: Sequence[str], remarks: Remarks) -> tuple[CodeSnapshot, ...]:
    """Code snapshots from lines above the headings and from columns of codes.

    `remarks` are (time in s, heading, text). A list of codes nobody named stays unknown, not empty.
    """
    at_start: dict[str, tuple[str, ...]] = {}
    for line in preamble:
        if _SPEAKS_OF_CODES.search(line) and codes_in(line):
            at_start[_kind(line)] = tuple(dict.fromkeys((*at_start.get(_kind(line), ()), *codes_in(line))))
    found = [_snapshot(0.0, at_start)] if at_start else []
    found += [
        _snapshot(time_s, {_kind(heading): codes_in(text)})
        for time_s, heading, text in remarks
        if _is_of_codes(heading) and codes_in(text)
    ]
    return tuple(found[:_MAX_SNAPSHOTS])


def _kind(text: str) -> str:
    return next((kind for kind in ("pending", "permanent") if kind in text.lower()), "stored")


def _snapshot(time_s: float, lists: dict[str, tuple[str, ...]]) -> CodeSnapshot:
    return CodeSnapshot(time_s, **{kind: tuple(map(TroubleCode, codes)) for kind, codes in lists.items()})


def events(remarks: Remarks) -> tuple[Event, ...]:
    """Markers from columns of remarks; what is a code is in the snapshots already."""
    found = (
        Event(time_s, "marker", text[:_MAX_TEXT])
        for time_s, heading, text in remarks
        if not _is_of_codes(heading)
    )
    return tuple(found)[:_MAX_EVENTS]
