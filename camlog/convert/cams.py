"""Finds cam, bank, role, degrees and sign of each cam column from the headings and the values, never from the order of
the columns. What neither shows is a doubt."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from camlog.cams import BANKS, actual, cam_id, commanded, duty
from camlog.convert.columns import Column
from camlog.convert.figures import ColumnFigures
from camlog.convert.meaning import CERTAIN
from camlog.convert.words import say

# No phaser turns a cam by more than about 35 degrees of its own, 70 of the crank (common practice, no source).
_CRANK_SPAN_DEG = 45.0
_NEAR_ZERO_DEG = 3.0
_ONE_SIDED_DEG = 8.0
_MOVED_DEG = 5.0
_SIGNAL_OF = {"commanded": commanded, "actual": actual, "duty": duty}
Lag = Callable[[Column, Column], float | None]


def understand_cams(columns: list[Column], file_angle: str | None, file_positive: str | None, lag_s: Lag) -> None:
    """Set signal, degrees and sign of every cam column, or note the doubt; changes the columns.

    `file_angle` and `file_positive` are given by a person for the whole file. `lag_s` returns by how many seconds the
    second of two columns follows the first, None if it does not surely follow it.
    """
    for column in columns:
        column.side, column.bank, column.role = column.candidate.side, column.candidate.bank, column.candidate.role
        if column.candidate.score < CERTAIN and not column.is_own and not column.rule.signal:
            column.doubt("signal")
        if column.side is None:
            column.doubt("signal", say("side_open"))
    _roles_by_lag(columns, lag_s)
    _roles(columns)
    _banks(columns)
    for column in columns:
        if not column.cam or column.role is None:
            column.doubt("signal")
        cam = column.cam or cam_id(column.side or "intake", column.bank or 1)
        column.signal = _SIGNAL_OF[column.role or "actual"](cam)
    angles = [c for c in columns if c.role != "duty"]
    for column in angles:
        if column.is_raw:
            column.doubt("factor", say("raw_counts", high=column.figures.high))
    _shafts(angles, file_angle)
    for column in angles:
        _sign(column, [c for c in angles if c.cam and c.cam == column.cam] or [column], file_positive)
        _rest(column, [c for c in angles if c.cam == column.cam and c.figures.count])


def _roles_by_lag(columns: list[Column], lag_s: Lag) -> None:
    """If the headings of a cam's two columns do not tell their roles, the later one is the actual angle."""
    for column in columns:
        mates = [c for c in columns if (c.side, c.bank) == (column.side, column.bank) and c.role != "duty"]
        if column.side is None or len(mates) != 2 or any(c.role for c in mates) or mates[0] is not column:
            continue
        for first, second in (mates, mates[::-1]):
            lag = lag_s(first, second)
            if lag is not None and lag > 0:
                first.settle("role", "commanded", say("role_leads", other=repr(second.heading.text), lag=lag))
                second.settle("role", "actual", say("role_follows", other=repr(first.heading.text), lag=lag))
                break


def _roles(columns: list[Column]) -> None:
    for column in columns:
        if column.role is not None:
            continue
        mates = [c for c in columns if c is not column and (c.side, c.bank) == (column.side, column.bank)]
        commanded = [c for c in mates if c.role == "commanded"]
        others = [c for c in mates if c.role in (None, "actual")]
        if len(commanded) == 1 and not others and _alike(column.figures, commanded[0].figures):
            column.settle("role", "actual", say("follows_command", command=repr(commanded[0].heading.text)))
        else:
            column.doubt("signal", say("role_open"))


def _alike(a: ColumnFigures, b: ColumnFigures) -> bool:
    """True if two columns have nearly the same range and rise and fall together."""
    if not a.count or not b.count or max(a.span, b.span) < _MOVED_DEG:
        return False
    if min(a.high, b.high) - max(a.low, b.low) < 0.6 * max(a.span, b.span):
        return False
    n = min(len(a.sample), len(b.sample))
    x, y = a.sample[:n], b.sample[:n]
    return n >= 8 and bool(np.std(x) and np.std(y)) and float(np.corrcoef(x, y)[0, 1]) > 0.5


def _banks(columns: list[Column]) -> None:
    places: dict[tuple, list[Column]] = {}
    for column in columns:
        places.setdefault((column.side, column.role), []).append(column)
    second_bank = any(c.bank == 2 for c in columns)
    for (side, role), group in places.items():
        unsaid, of_actual = [c for c in group if c.bank is None], {c.bank for c in places.get((side, "actual"), ())}
        for column in unsaid:
            if len(unsaid) > 1:
                names = say("and").join(repr(c.heading.text) for c in unsaid[:3])
                column.doubt("signal", say("read_alike", names=names))
            elif role == "commanded" and len(group) == 1 and of_actual == set(BANKS):
                column.settle("bank", BANKS[0], say("serves_all_banks"))
                column.serves = list(BANKS[1:])
            elif second_bank or len(group) > 1:
                column.doubt("signal", say("bank_open"))
            else:
                column.settle("bank", 1, say("bank_alone"))
        for column in group:
            if column.bank is not None and sum(c.bank == column.bank for c in group) > 1:
                column.doubt("signal", say("means_the_same"))


def _shafts(columns: list[Column], file_angle: str | None) -> None:
    for column in columns:
        if (said_angle := column.said_angle) is not None:
            column.settle("angle", said_angle, say("angle_by_unit", angle=said_angle))
        elif set(column.heading.words) & {"crank", "crankshaft"}:
            column.settle("angle", "crank", say("angle_by_heading"))
    angles = {c.angle for c in columns if c.angle}
    wide = [c for c in columns if c.figures.count and c.figures.span > _CRANK_SPAN_DEG and not c.is_raw]
    for column in filter(lambda c: c.angle is None, columns):
        if file_angle is not None:
            column.settle("angle", file_angle, say("angle_told", angle=file_angle))
        elif len(angles) == 1:
            (angle,) = angles
            column.settle("angle", angle, say("angle_like_others", angle=angle))
        elif wide and not angles:
            name, span = repr(wide[0].heading.text), wide[0].figures.span
            column.settle("angle", "crank", say("angle_by_span", name=name, span=span))
        else:
            column.doubt("angle", say("angle_open"))


def _sign(column: Column, mates: list[Column], file_positive: str | None) -> None:
    signs, own = {c.said_positive for c in mates if c.said_positive}, column.said_positive
    if own is not None:
        column.settle("positive", own, say("sign_by_heading", positive=own))
    elif len(signs) == 1:
        (positive,) = signs
        column.settle("positive", positive, say("sign_by_mate", positive=positive))
    elif file_positive is not None:
        column.settle("positive", file_positive, say("sign_told", positive=file_positive))
    else:
        _sign_by_values(column, mates)


def _sign_by_values(column: Column, mates: list[Column]) -> None:
    # The command has neither noise nor sticking, so it shows best to which side this cam moves.
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
    column.settle("positive", "advance", reason)


def _rest(column: Column, mates: list[Column]) -> None:
    f = column.figures
    if not f.count or column.is_raw or -_ONE_SIDED_DEG <= f.high and f.low <= _ONE_SIDED_DEG:
        return
    if not any(m.figures.low <= _NEAR_ZERO_DEG and m.figures.high >= -_NEAR_ZERO_DEG for m in mates):
        column.doubt("rest_deg", say("rest_open", low=f.low, high=f.high))
