"""Converts clock times and dates in text (`08:11:52`, ISO 8601 or local forms) to nanoseconds.

Digits are read by their place, many rows at once, so only digits in the right places are a time (general parsers read
"now" as the current time, and `00:01:02,5` as 85 seconds). python-dateutil reads months written as words, cell by cell.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from camlog.convert.cells import is_missing

NS = 1_000_000_000
DAY_NS = 86400 * NS
NOT_A_TIME = np.iinfo(np.int64).min
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_CLOCK = (
    r"(?P<hour>\d{1,3}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,:](?P<fraction>\d{1,9}))?)?"
    r"(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?"
)
_SHORT = r"(?P<minute>\d{1,3}):(?P<second>\d{2})(?:[.,](?P<fraction>\d{1,9}))?"
_ZONE = r"(?:\s*(?:(?P<utc>Z|z|UTC|GMT)|(?P<sign>[+-])(?P<zone_hour>\d{2}):?(?P<zone_minute>\d{2})?))?"
_DATE = (
    r"(?:(?P<year>\d{4})[-/.](?P<month>\d{1,2})[-/.](?P<day>\d{1,2})"
    r"|(?P<first>\d{1,2})[-/.](?P<middle>\d{1,2})[-/.](?P<last>\d{4}|\d{2}))"
)
_COMPACT = (
    r"(?P<year>\d{4})(?P<month>\d{2})(?P<day>\d{2})[T _-]?"
    r"(?P<hour>\d{2}):?(?P<minute>\d{2}):?(?P<second>\d{2})(?:[.,](?P<fraction>\d{1,9}))?"
)
_FORMS = {
    "date": (
        re.compile(rf"{_DATE}(?:[T_,\s]\s*|\s*-\s*){_CLOCK}{_ZONE}\Z", re.ASCII),
        re.compile(rf"{_CLOCK}{_ZONE}[,\s]\s*{_DATE}\Z", re.ASCII),
        re.compile(rf"{_COMPACT}{_ZONE}\Z", re.ASCII),
    ),
    "clock": (re.compile(rf"{_CLOCK}{_ZONE}\Z", re.ASCII),),
    "stopwatch": (re.compile(rf"{_SHORT}\Z", re.ASCII),),
}
_DAY = re.compile(rf"{_DATE}\Z", re.ASCII)
_WORDS = re.compile(r"[A-Za-zäéû]{3,9}\.?[\s,/.-]")
_FIRST_YEAR, _LAST_YEAR = 1970, 2200
_TEMPLATES = 64  # more forms than any column has; further ones are read cell by cell


@dataclass(frozen=True)
class StampForm:
    """The form of a column of stamps.

    `kind` is `date` (date and time of day), `clock` (time of day), `stopwatch` (minutes and seconds) or
    `words` (a date with the month as a word). `day_first` is True if `03/04/2024` is the third of April, None if
    unknown.
    """

    kind: str
    day_first: bool | None = None
    zone: bool = False


def is_day(cell: str) -> bool:
    """True for a date without a time of day."""
    return bool(_DAY.match(cell.strip()))


def is_stamp(cell: str) -> bool:
    """True for a cell that is a clock time or a date with one."""
    text = cell.strip()
    if not 4 <= len(text) <= 40 or not text.isascii():
        return False
    return any(p.match(text) for forms in _FORMS.values() for p in forms) or _by_words(text) is not None


def find_form(cells: Sequence[str]) -> StampForm | None:
    """The form in which nearly all non-empty cells are stamps; None if there is none."""
    texts = [c.strip() for c in cells if not is_missing(c)]
    if not texts:
        return None
    for kind, patterns in _FORMS.items():
        matches = [m for m in (_match(patterns, t) for t in texts) if m]
        if len(matches) < 0.9 * len(texts):
            continue
        zone = kind != "stopwatch" and all(m["utc"] or m["sign"] for m in matches)
        if kind == "clock" and not any(m["second"] for m in matches) and not any(m["half"] for m in matches):
            # 12:34 may be hours and minutes, which stay the same for many rows, or minutes and seconds, which do not.
            if len(set(texts)) > 0.4 * len(texts) and len(texts) > 2:
                return StampForm("stopwatch")
        return StampForm(kind, _day_first([m for m in matches if "first" in m.groupdict()]), zone)
    if all(_by_words(t) is not None for t in texts[:20]):
        return StampForm("words")
    return None


def _day_first(matches: Sequence[re.Match[str]]) -> bool | None:
    local = [m for m in matches if m["first"]]
    if not local:
        return None
    if any(int(m["first"]) > 12 for m in local):
        return True
    if any(int(m["middle"]) > 12 for m in local):
        return False
    dates = {(m["first"], m["middle"]) for m in local}
    if len(dates) > 1:  # past midnight, the day is the field that increases by one
        firsts, middles = ({int(d[i]) for d in dates} for i in (0, 1))
        if len(firsts) != len(middles):
            return len(firsts) > len(middles)
    if all("." in m[0].split(":")[0] and "/" not in m[0] for m in local):
        return True  # in dates with points the day is first
    if any("half" in m.groupdict() and m["half"] for m in local):
        return False
    return None


def _match(patterns: Sequence[re.Pattern[str]], text: str) -> re.Match[str] | None:
    return next((match for pattern in patterns if (match := pattern.match(text))), None)


def _by_words(text: str) -> datetime | None:
    if not _WORDS.search(text) or ":" not in text or sum(c.isdigit() for c in text) < 5:
        return None
    from dateutil import parser  # slow to import, so only for months written as words

    far = datetime(1, 1, 1)
    try:
        parsed = parser.parse(text, default=far, ignoretz=True)
        # Fields that are not in the text must not come from a default.
        if (
            not _FIRST_YEAR <= parsed.year <= _LAST_YEAR
            or parser.parse(text, default=far.replace(month=2, day=2), ignoretz=True) != parsed
        ):
            return None
    except (ValueError, OverflowError, TypeError, AttributeError):
        return None
    return parsed.replace(tzinfo=UTC)


class StampReader:
    """Converts stamps to nanoseconds, `NOT_A_TIME` if a cell is none; continues the count across midnight."""

    def __init__(self, form: StampForm):
        self.form = form
        self._patterns = _FORMS.get(form.kind, ())
        self._days = 0
        self._last: int | None = None

    def read(self, cells: Sequence[str]) -> np.ndarray:
        """Nanoseconds, shape (cells,), int64: since 1970 for dates, since the first midnight for clocks."""
        texts = list(map(str.strip, cells))
        times_ns = np.full(len(texts), NOT_A_TIME, dtype=np.int64)
        if self.form.kind == "words":
            for i, stamp in enumerate(map(_by_words, texts)):
                if stamp is not None:
                    times_ns[i] = (stamp - _EPOCH) // timedelta(microseconds=1) * 1000
            return times_ns
        self._read_in_templates(texts, times_ns)
        return self._past_midnight(times_ns) if self.form.kind == "clock" else times_ns

    def _read_in_templates(self, texts: list[str], found: np.ndarray) -> None:
        lengths = np.fromiter(map(len, texts), np.int64, len(texts))
        tried = 0
        for length in np.unique(lengths):
            rows = np.flatnonzero(lengths == length)
            if not 3 < length <= 40:
                continue
            same_length = texts if len(rows) == len(texts) else [texts[i] for i in rows.tolist()]
            encoded = "".join(same_length).encode("ascii", "replace")
            letters = np.frombuffer(encoded, np.uint8).reshape(len(rows), length)
            shapes = np.where((letters >= 48) & (letters <= 57), np.uint8(48), letters)
            while len(rows) and tried < _TEMPLATES:
                tried += 1
                same = (shapes == shapes[0]).all(axis=1)
                match = _match(self._patterns, texts[rows[0]])
                if match:
                    found[rows[same]] = self._nanoseconds(match, letters[same])
                rows, letters, shapes = rows[~same], letters[~same], shapes[~same]
            for i in rows:
                match = _match(self._patterns, texts[i])
                if match:
                    one = np.frombuffer(texts[i].encode("ascii"), np.uint8).reshape(1, -1)
                    found[i] = self._nanoseconds(match, one)[0]

    def _nanoseconds(self, match: re.Match[str], letters: np.ndarray) -> np.ndarray:
        """Nanoseconds of rows of characters, shape (n, length), with digits in the same places as in `match`."""
        groups = match.groupdict()

        def field(name: str) -> np.ndarray:
            start, end = match.span(name) if groups.get(name) else (0, 0)
            value = np.zeros(len(letters), dtype=np.int64)
            for column in range(start, end):
                value = value * 10 + (letters[:, column] - np.uint8(48))
            return value

        hour, minute, second = field("hour"), field("minute"), field("second")
        bad = (second > 60) | ((minute > 59) if groups.get("hour") else False)
        half = groups.get("half")
        if half:
            bad |= (hour < 1) | (hour > 12)
            hour = hour % 12 + (12 if half in "pP" else 0)
        total = ((hour * 60 + minute) * 60 + second) * NS
        fraction = groups.get("fraction")
        if fraction:
            total += field("fraction") * 10 ** (9 - len(fraction))
        if groups.get("sign"):
            offset = (field("zone_hour") * 60 + field("zone_minute")) * 60 * NS
            total -= offset if groups["sign"] == "+" else -offset
        if groups.get("year") or groups.get("first"):
            days, wrong = self._days_since_1970(groups, field)
            total += days * DAY_NS
            bad |= wrong | (hour > 23)
        return np.where(bad, NOT_A_TIME, total)

    def _days_since_1970(self, groups, field) -> tuple[np.ndarray, np.ndarray]:
        if groups.get("year"):
            year, month, day = field("year"), field("month"), field("day")
        else:
            year, (day, month) = field("last"), (field("first"), field("middle"))
            if self.form.day_first is False:
                day, month = month, day
            if len(groups["last"]) == 2:
                year = year + 2000
        bad = (month < 1) | (month > 12) | (day < 1) | (day > 31) | (year < _FIRST_YEAR) | (year > _LAST_YEAR)
        months = (np.where(bad, 1970, year) - 1970) * 12 + np.where(bad, 1, month) - 1
        first = months.astype("M8[M]").astype("M8[D]")
        days = first.astype(np.int64) + np.where(bad, 1, day) - 1
        bad |= (first + (days - first.astype(np.int64))).astype("M8[M]").astype(np.int64) != months
        return days, bad

    def _past_midnight(self, clock: np.ndarray) -> np.ndarray:
        known = np.flatnonzero(clock != NOT_A_TIME)
        if not len(known):
            return clock
        times = clock[known]
        before = np.concatenate([[times[0] if self._last is None else self._last], times[:-1]])
        passed = self._days + np.cumsum(times - before < -DAY_NS // 2)
        self._last, self._days = int(times[-1]), int(passed[-1])
        clock = clock.copy()
        clock[known] = times + passed * DAY_NS
        return clock


def iso(nanoseconds: int) -> str:
    """A time since 1970 as ISO 8601 in UTC."""
    return (_EPOCH + timedelta(microseconds=nanoseconds // 1000)).isoformat()
