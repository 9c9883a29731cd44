"""Which cam, bank and role each cam column is, in which degrees and with which sign: by what the headings say
and what the values show, never by the order of the columns. What neither says is a doubt."""

from __future__ import annotations

from collections.abc import Mapping as Map
from dataclasses import dataclass, replace

import numpy as np

from camlog.convert.figures import ColumnFigures
from camlog.convert.headings import Heading
from camlog.convert.meaning import CERTAIN, Candidate
from camlog.signals import SIGNALS

# No phaser turns a cam by more than about 35 degrees of its own, 70 of the crank (common practice, no
# source).
_CRANK_SPAN_DEG = 45.0
_NEAR_ZERO_DEG = 3.0
_ONE_SIDED_DEG = 8.0
_MOVED_DEG = 5.0
# Whole numbers up to here or beyond are counts of a byte; a stated unit of degrees makes that less likely.
_RAW_ABOVE_DEG, _RAW_EVEN_IN_DEG = 120.0, 180.0


@dataclass
class CamColumn:
    """One column that a cam could have written; the doubts gather as the rules are applied."""

    index: int
    heading: Heading
    candidate: Candidate
    figures: ColumnFigures
    signal: str | None = None
    bank: int | None = None
    side: str | None = None
    role: str | None = None
    angle: str | None = None
    positive: str | None = None
    why: list[str] = None
    doubts: list[str] = None
    because: dict[str, str] = None
    certain_by_rule: bool = False

    def __post_init__(self):
        self.why, self.doubts, self.because = [self.candidate.reason], [], {}
        self.bank, self.side, self.role = self.candidate.bank, self.candidate.side, self.candidate.role

    @property
    def cam(self) -> str | None:
        return f"{self.side}_b{self.bank}" if self.side and self.bank else None

    def doubt(self, about: str, why: str) -> None:
        if about not in self.doubts:
            self.doubts.append(about)
            self.because[about] = why
            self.why.append(why)


def understand_cams(columns: list[CamColumn], file_angle: str | None, file_positive: str | None) -> None:
    """Settle signal, degrees and sign of every cam column, or note the doubt; changes the columns.

    `file_angle` and `file_positive` are what somebody said of the whole file.
    """
    for column in columns:
        if column.candidate.score < CERTAIN and not column.certain_by_rule:
            column.doubt("signal", "")
    _sides(columns)
    _roles(columns)
    _banks(columns)
    for column in columns:
        if column.cam is not None and column.role is not None:
            column.signal = f"cam_{column.cam}_{column.role}"
        else:
            column.signal = f"cam_{column.side or 'intake'}_b{column.bank or 1}_{column.role or 'actual'}"
            column.doubt("signal", "")
    angles = [c for c in columns if c.role != "duty"]
    for column in angles:
        if _is_raw(column.figures, column.heading.unit):
            column.doubt("factor", f"whole numbers up to {column.figures.high:g} are raw counts, not degrees")
    _shafts(angles, file_angle)
    _signs(angles, file_positive)
    _rests(angles)


def _sides(columns: list[CamColumn]) -> None:
    for column in columns:
        if column.side is None and not column.certain_by_rule:
            column.doubt("signal", "the heading does not say whether it is the intake or the exhaust cam")


def _roles(columns: list[CamColumn]) -> None:
    for column in columns:
        if column.role is not None or column.certain_by_rule:
            continue
        mates = [c for c in columns if c is not column and c.side == column.side and c.bank == column.bank]
        commanded = [c for c in mates if c.role == "commanded"]
        plain = [c for c in mates if c.role in (None, "actual")]
        if len(commanded) == 1 and not plain and _alike(column.figures, commanded[0].figures):
            column.role = "actual"
            column.why.append(f"{commanded[0].heading.text!r} is its command, and its values follow that")
        else:
            column.doubt("signal", "the heading does not say whether it is commanded or actual")


def _alike(a: ColumnFigures, b: ColumnFigures) -> bool:
    """True where two columns have the same range, nearly, and rise and fall together."""
    if not a.count or not b.count or max(a.span, b.span) < _MOVED_DEG:
        return False
    overlap = min(a.high, b.high) - max(a.low, b.low)
    if overlap < 0.6 * max(a.span, b.span):
        return False
    n = min(len(a.sample), len(b.sample))
    x, y = a.sample[:n], b.sample[:n]
    if n < 8 or not np.std(x) or not np.std(y):
        return False
    return float(np.corrcoef(x, y)[0, 1]) > 0.5


def _banks(columns: list[CamColumn]) -> None:
    places: dict[tuple, list[CamColumn]] = {}
    for column in columns:
        places.setdefault((column.side, column.role), []).append(column)
    second_bank = any(c.bank == 2 for c in columns)
    for group in places.values():
        unsaid = [c for c in group if c.bank is None]
        for column in unsaid:
            if len(unsaid) > 1:
                names = " and ".join(repr(c.heading.text) for c in unsaid[:3])
                column.doubt("signal", f"{names} read alike; their order says nothing")
            elif second_bank or len(group) > 1:
                column.doubt("signal", "the heading does not say which bank, and the file has two")
            else:
                column.bank = 1
                column.why.append("the only one of its kind, so bank 1")
        for bank in (1, 2):
            same = [c for c in group if c.bank == bank]
            for column in same if len(same) > 1 else ():
                column.doubt("signal", "another heading means the same")


def _is_raw(figures: ColumnFigures, unit: str | None) -> bool:
    if not figures.count:
        return False
    above = _RAW_ABOVE_DEG if unit is None else _RAW_EVEN_IN_DEG
    return (figures.whole and figures.low >= 0 and figures.high > above) or max(
        abs(figures.low), abs(figures.high)
    ) > 4 * _RAW_ABOVE_DEG


def _shafts(columns: list[CamColumn], file_angle: str | None) -> None:
    for column in columns:
        words = set(column.heading.words)
        if column.heading.shaft is not None:
            column.angle = column.heading.shaft
            column.why.append(f"in {column.angle} degrees, as its unit says")
        elif "crank" in words or "crankshaft" in words:
            column.angle = "crank"
            column.why.append("in crank degrees, as its heading says")
    said = {c.angle for c in columns if c.angle}
    wide = [
        c
        for c in columns
        if c.figures.count and c.figures.span > _CRANK_SPAN_DEG and not _is_raw(c.figures, c.heading.unit)
    ]
    for column in columns:
        if column.angle is not None:
            continue
        if file_angle is not None:
            column.angle = file_angle
            column.why.append(f"{file_angle} degrees, as told")
        elif len(said) == 1:
            column.angle = next(iter(said))
            column.why.append(f"{column.angle} degrees, like the other cam columns")
        elif wide and not said:
            column.angle = "crank"
            column.why.append(
                f"crank degrees: {wide[0].heading.text!r} moves {wide[0].figures.span:.0f} deg, "
                f"more than a cam can turn"
            )
        else:
            column.doubt("angle", "nothing says whether it is in crank or cam degrees")


def _signs(columns: list[CamColumn], file_positive: str | None) -> None:
    for column in columns:
        if column.candidate.sign is not None:
            column.positive = column.candidate.sign
            column.why.append(f"{column.positive} counts positive, as its heading says")
    for column in columns:
        if column.positive is not None:
            continue
        mates = [c for c in columns if c.cam == column.cam and c.cam is not None]
        told = {c.positive for c in mates if c.candidate.sign is not None}
        if len(told) == 1:
            column.positive = next(iter(told))
            column.why.append(f"{column.positive} counts positive, like the other column of this cam")
        elif file_positive is not None:
            column.positive = file_positive
            column.why.append(f"{file_positive} counts positive, as told")
        else:
            _sign_by_values(column, mates or [column])


def _sign_by_values(column: CamColumn, mates: list[CamColumn]) -> None:
    # Commands are free of noise and of a cam that hangs: they show the side to which this cam moves.
    source = next((m for m in mates if m.role == "commanded" and m.figures.count), column).figures
    if (
        not source.count
        or source.span < _MOVED_DEG
        and abs(source.high) < _MOVED_DEG
        and abs(source.low) < _MOVED_DEG
    ):
        column.positive = "advance"
        column.why.append("it never moves, so its sign shows nothing")
    elif column.side == "intake" and source.low >= -_ONE_SIDED_DEG and source.high >= _MOVED_DEG:
        column.positive = "advance"
        column.why.append(
            f"advance counts positive: it moves from rest up to {source.high:g}, and an intake cam "
            f"rests retarded"
        )
    elif column.side == "exhaust" and source.high <= _ONE_SIDED_DEG and source.low <= -_MOVED_DEG:
        column.positive = "advance"
        column.why.append(
            f"advance counts positive: it moves from rest down to {source.low:g}, and an exhaust "
            f"cam rests advanced"
        )
    else:
        column.doubt(
            "positive", f"nothing says whether its {source.low:g} to {source.high:g} are advance or retard"
        )


def _rests(columns: list[CamColumn]) -> None:
    for column in columns:
        f = column.figures
        if (
            f.count
            and not _is_raw(f, column.heading.unit)
            and (f.low > _ONE_SIDED_DEG or f.high < -_ONE_SIDED_DEG)
        ):
            mates = [c.figures for c in columns if c.cam == column.cam and c.figures.count]
            if not any(m.low <= _NEAR_ZERO_DEG and m.high >= -_NEAR_ZERO_DEG for m in mates):
                column.doubt(
                    "rest_deg",
                    f"it never reads near 0 ({f.low:g} to {f.high:g}): what it reads at rest is not known",
                )


def known_cam_signal(signal: str, candidate: Candidate) -> Candidate:
    """The candidate with side, bank and role of a signal that somebody named."""
    side, bank, role = SIGNALS[signal].name.removeprefix("cam_").split("_")
    return replace(candidate, side=side, bank=int(bank[1:]), role=role, score=1.0)


def is_cam_angle(signal: str | None) -> bool:
    """True for a commanded or actual cam angle."""
    return signal is not None and signal.startswith("cam_") and not signal.endswith("_duty")


def by_signal(columns: list[CamColumn]) -> Map[str, CamColumn]:
    return {c.signal: c for c in columns if c.signal is not None}
