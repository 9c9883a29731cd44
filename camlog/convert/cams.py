"""Which cam, bank and role each cam column is, in which degrees and with which sign: by what the headings say
and what the values show, never by the order of the columns. What neither says is a doubt."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from camlog.cams import BANKS, actual, cam_id, commanded, duty
from camlog.convert.figures import ColumnFigures
from camlog.convert.headings import Heading
from camlog.convert.meaning import CERTAIN, Candidate
from camlog.convert.sentences import say

# No phaser turns a cam by more than about 35 degrees of its own, 70 of the crank (common practice, no source).
_CRANK_SPAN_DEG = 45.0
_NEAR_ZERO_DEG = 3.0
_ONE_SIDED_DEG = 8.0
_MOVED_DEG = 5.0
_SIGNAL_OF = {"commanded": commanded, "actual": actual, "duty": duty}
# Whole numbers up to here or beyond are counts of a byte; a stated unit of degrees makes that less likely.
_RAW_ABOVE_DEG, _RAW_EVEN_IN_DEG = 120.0, 180.0


@dataclass
class CamColumn:
    """One column that a cam could have written; the doubts gather as the rules are applied.

    `angle` (crank or cam) and `positive` (advance or retard) may be said of the column from outside, before;
    `certain_by_rule` True where its signal was. `doubts` are what is in doubt, with the reason.
    """

    index: int
    heading: Heading
    candidate: Candidate
    figures: ColumnFigures
    angle: str | None = None
    positive: str | None = None
    certain_by_rule: bool = False
    signal: str = ""
    why: list[str] = field(default_factory=list)
    doubts: dict[str, str] = field(default_factory=dict)

    def __post_init__(self):
        self.bank, self.side, self.role = self.candidate.bank, self.candidate.side, self.candidate.role
        self.serves: list[int] = []  # further banks whose cams have the same command
        self.said_angle = self.angle or self.heading.shaft
        self.said_positive = self.positive or self.candidate.sign

    @property
    def cam(self) -> str | None:
        return cam_id(self.side, self.bank) if self.side and self.bank else None

    @property
    def is_raw(self) -> bool:
        """True where the values are counts, not degrees."""
        f, above = self.figures, _RAW_ABOVE_DEG if self.heading.unit is None else _RAW_EVEN_IN_DEG
        counted = f.whole and f.low >= 0 and f.high > above
        return bool(f.count) and (counted or max(abs(f.low), abs(f.high)) > 4 * _RAW_ABOVE_DEG)

    def doubt(self, about: str, why: str = "") -> None:
        self.doubts[about] = self.doubts.get(about) or why


def understand_cams(
    columns: list[CamColumn], file_angle: str | None, file_positive: str | None,
    lag_s: Callable[[CamColumn, CamColumn], float | None],
) -> None:  # fmt: skip
    """Settle signal, degrees and sign of every cam column, or note the doubt; changes the columns.

    `file_angle` and `file_positive` are what somebody said of the whole file; `lag_s` is how much later the second of
    two columns does surely what the first does, None where it does not.
    """
    for column in columns:
        if column.candidate.score < CERTAIN and not column.certain_by_rule:
            column.doubt("signal")
        if column.side is None:
            column.doubt("signal", say("side_open"))
    _roles_by_lag(columns, lag_s)
    _roles(columns)
    _banks(columns)
    for column in columns:
        if column.cam is None or column.role is None:
            column.doubt("signal")
        column.signal = _SIGNAL_OF[column.role or "actual"](
            column.cam or cam_id(column.side or "intake", column.bank or 1)
        )
    angles = [c for c in columns if c.role != "duty"]
    for column in angles:
        if column.is_raw:
            column.doubt("factor", say("raw_counts", high=column.figures.high))
    _shafts(angles, file_angle)
    for column in angles:
        _sign(
            column,
            [c for c in angles if c.cam == column.cam and c.cam is not None] or [column],
            file_positive,
        )
        _rest(column, [c for c in angles if c.cam == column.cam and c.figures.count])


def _roles_by_lag(columns: list[CamColumn], lag_s: Callable[[CamColumn, CamColumn], float | None]) -> None:
    """Of two columns of one cam of which no heading says which it is, the later one is the actual angle."""
    for column in columns:
        mates = [c for c in columns if (c.side, c.bank) == (column.side, column.bank) and c.role != "duty"]
        if column.side is None or len(mates) != 2 or any(c.role for c in mates) or mates[0] is not column:
            continue
        for first, second in (mates, mates[::-1]):
            lag = lag_s(first, second)
            if lag is not None and lag > 0:
                first.role, second.role = "commanded", "actual"
                first.why.append(say("role_leads", other=repr(second.heading.text), lag=lag))
                second.why.append(say("role_follows", other=repr(first.heading.text), lag=lag))
                break


def _roles(columns: list[CamColumn]) -> None:
    for column in columns:
        if column.role is not None:
            continue
        mates = [c for c in columns if c is not column and (c.side, c.bank) == (column.side, column.bank)]
        commanded = [c for c in mates if c.role == "commanded"]
        others = [c for c in mates if c.role in (None, "actual")]
        if len(commanded) == 1 and not others and _alike(column.figures, commanded[0].figures):
            column.role = "actual"
            column.why.append(say("follows_command", command=repr(commanded[0].heading.text)))
        else:
            column.doubt("signal", say("role_open"))


def _alike(a: ColumnFigures, b: ColumnFigures) -> bool:
    """True where two columns have the same range, nearly, and rise and fall together."""
    if not a.count or not b.count or max(a.span, b.span) < _MOVED_DEG:
        return False
    if min(a.high, b.high) - max(a.low, b.low) < 0.6 * max(a.span, b.span):
        return False
    n = min(len(a.sample), len(b.sample))
    x, y = a.sample[:n], b.sample[:n]
    return n >= 8 and bool(np.std(x) and np.std(y)) and float(np.corrcoef(x, y)[0, 1]) > 0.5


def _banks(columns: list[CamColumn]) -> None:
    places: dict[tuple, list[CamColumn]] = {}
    for column in columns:
        places.setdefault((column.side, column.role), []).append(column)
    second_bank = any(c.bank == 2 for c in columns)

    def banks_of_actual(side: str | None) -> set[int | None]:
        return {c.bank for c in places.get((side, "actual"), ())}

    for (side, role), group in places.items():
        unsaid = [c for c in group if c.bank is None]
        for column in unsaid:
            if len(unsaid) > 1:
                names = say("and").join(repr(c.heading.text) for c in unsaid[:3])
                column.doubt("signal", say("read_alike", names=names))
            elif role == "commanded" and len(group) == 1 and banks_of_actual(side) == set(BANKS):
                column.bank, *column.serves = BANKS
                column.why.append(say("serves_all_banks"))
            elif second_bank or len(group) > 1:
                column.doubt("signal", say("bank_open"))
            else:
                column.bank = 1
                column.why.append(say("bank_alone"))
        for column in group:
            if column.bank is not None and sum(c.bank == column.bank for c in group) > 1:
                column.doubt("signal", say("means_the_same"))


def _shafts(columns: list[CamColumn], file_angle: str | None) -> None:
    for column in columns:
        if column.said_angle is not None:
            column.angle = column.said_angle
            column.why.append(say("angle_by_unit", angle=column.angle))
        elif set(column.heading.words) & {"crank", "crankshaft"}:
            column.angle = "crank"
            column.why.append(say("angle_by_heading"))
    said = {c.angle for c in columns if c.angle}
    wide = [c for c in columns if c.figures.count and c.figures.span > _CRANK_SPAN_DEG and not c.is_raw]
    for column in columns:
        if column.angle is not None:
            continue
        if file_angle is not None:
            column.angle = file_angle
            column.why.append(say("angle_told", angle=file_angle))
        elif len(said) == 1:
            column.angle = next(iter(said))
            column.why.append(say("angle_like_others", angle=column.angle))
        elif wide and not said:
            column.angle = "crank"
            column.why.append(
                say("angle_by_span", name=repr(wide[0].heading.text), span=wide[0].figures.span)
            )
        else:
            column.doubt("angle", say("angle_open"))


def _sign(column: CamColumn, mates: list[CamColumn], file_positive: str | None) -> None:
    said = {c.said_positive for c in mates if c.said_positive}
    if column.said_positive is not None:
        column.positive = column.said_positive
        column.why.append(say("sign_by_heading", positive=column.positive))
    elif len(said) == 1:
        column.positive = said.pop()
        column.why.append(say("sign_by_mate", positive=column.positive))
    elif file_positive is not None:
        column.positive = file_positive
        column.why.append(say("sign_told", positive=file_positive))
    else:
        _sign_by_values(column, mates)


def _sign_by_values(column: CamColumn, mates: list[CamColumn]) -> None:
    # Commands are free of noise and of a cam that hangs: they show the side to which this cam moves.
    f = next((m for m in mates if m.role == "commanded" and m.figures.count), column).figures
    if not f.count or max(f.span, abs(f.high), abs(f.low)) < _MOVED_DEG:
        reason = say("sign_of_still")
    elif column.side == "intake" and f.low >= -_ONE_SIDED_DEG and f.high >= _MOVED_DEG:
        reason = say("sign_of_intake", high=f.high)
    elif column.side == "exhaust" and f.high <= _ONE_SIDED_DEG and f.low <= -_MOVED_DEG:
        reason = say("sign_of_exhaust", low=f.low)
    else:
        column.doubt("positive", say("sign_open", low=f.low, high=f.high))
        return
    column.positive = "advance"
    column.why.append(reason)


def _rest(column: CamColumn, mates: list[CamColumn]) -> None:
    f = column.figures
    if not f.count or column.is_raw or -_ONE_SIDED_DEG <= f.high and f.low <= _ONE_SIDED_DEG:
        return
    if not any(m.figures.low <= _NEAR_ZERO_DEG and m.figures.high >= -_NEAR_ZERO_DEG for m in mates):
        column.doubt("rest_deg", say("rest_open", low=f.low, high=f.high))
