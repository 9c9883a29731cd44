"""Matches every column of a table to a signal with unit and scaling: certain, in doubt, or under its own name."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import chain, count

from camlog.cams import CAM_IDS, actual, bank_of, cam_id, cam_of, cam_words, commanded, is_angle, side_of
from camlog.convert.cams import understand_cams
from camlog.convert.columns import NOTHING, Column, column_of, share_out
from camlog.convert.evidence import checked, series_of, sure_lag_s
from camlog.convert.figures import ColumnFigures
from camlog.convert.headings import own_name
from camlog.convert.mapping import LEAVE_OUT, Mapping
from camlog.convert.meaning import CERTAIN, DOUBTFUL, WORDS
from camlog.convert.model import ColumnMatch
from camlog.convert.ranges import BYTE_AS_PERCENT, fault_of_unit, raw_percent, unit_of_values
from camlog.convert.table import Table
from camlog.convert.words import METRIC_UNITS, US_UNITS, say
from camlog.signals import SIGNALS
from camlog.units import conversion, convertible

_DOUBTED = 0.85  # highest score of a match in doubt


def match_columns(table: Table, figures: Sequence[ColumnFigures], mapping: Mapping) -> tuple[ColumnMatch, ...]:
    """The match of each column, in the order of the columns; `mapping` has a person's rules."""
    columns = [column_of(s, f, mapping) for s, f in zip(table.columns, figures, strict=True)]
    share_out(columns)

    def lag_s(first: Column, second: Column) -> float | None:
        return sure_lag_s(series_of(table, first.source.index), series_of(table, second.source.index))

    understand_cams([c for c in columns if c.is_cam], mapping.angles.angle, mapping.angles.positive, lag_s)
    system = _system(columns)
    matches = [_cam_match(c) if c.is_cam else _plain_match(c, system) for c in columns]
    own_columns = {c.source.index for c in columns if c.is_own}
    named = _named(columns, checked(_deviations(columns, matches), table, mapping, own_columns))
    return _repeats_alike((*named, *_for_other_banks(columns, named)))


def _match(
    column: Column, signal: str, score: float, reasons: Iterable[str], doubts: Iterable[str] = (), **more
) -> ColumnMatch:
    """The match of a column, with the fields that do not depend on its signal."""
    source, figures, doubts = column.source, column.figures, tuple(doubts)
    low, high = (figures.low, figures.high) if figures.count else (None, None)
    return ColumnMatch(
        signal, score=round(min(score, _DOUBTED) if doubts else score, 2), reasons=tuple(filter(None, reasons)),
        certain=not doubts, doubts=doubts, name=source.heading, index=source.index, low=low, high=high,
        held_rows=figures.held_rows, repeated_share=figures.repeated_share, **more,
    )  # fmt: skip


def _deviations(columns: Sequence[Column], matches: Sequence[ColumnMatch]) -> list[ColumnMatch]:
    """The matches. A column with a cam's deviation from its command is suggested as the actual angle if that cam has a
    command but no actual angle."""
    certain = {m.signal for m in matches if m.certain}
    out = []
    for match in matches:
        cam = cam_of(match.signal) or ""
        if match.deviation and match.certain and commanded(cam) not in certain:
            reasons = (*match.reasons, say("no_command", cam=cam_words(cam)))
            match = replace(match, certain=False, doubts=("deviation",), reasons=reasons)
        out.append(match)
    for place, (column, match) in enumerate(zip(columns, matches, strict=True)):
        side, bank, commands = column.candidate.side, column.candidate.bank, {m.signal: m for m in out}
        if match.signal or not column.candidate.is_cam or "difference" not in column.heading.words:
            continue
        fitting = [cam for cam in CAM_IDS if side in (None, side_of(cam)) and bank in (None, bank_of(cam))]
        cams = [cam for cam in fitting if commanded(cam) in commands and actual(cam) not in commands]
        if len(cams) == 1 and column.rule.signal is None and column.figures.count:
            why = say("is_deviation", command=repr(commands[commanded(cams[0])].name))
            out[place] = replace(
                match, signal=actual(cams[0]), unit="deg", score=_DOUBTED, certain=False, doubts=("deviation",),
                reasons=(why,), speaks_of_cam=False,
            )  # fmt: skip
    return out


def _system(columns: Sequence[Column]) -> str | None:
    """`us` or `metric` from the units of the other columns, else None."""
    # Air mass is in g/s in both systems.
    stated = {c.heading.unit for c in columns} | {c.rule.unit for c in columns}
    for units in (stated, set(map(_unit_by_values, columns))):
        us, metric = bool(units & US_UNITS), bool(units & (METRIC_UNITS - {"g/s"}))
        if us != metric:
            return "us" if us else "metric"
    return None


def _unit_by_values(column: Column) -> str:
    """The unit proven by the values of a column without a unit; "" if none is."""
    candidate = column.candidate
    if not candidate.signal or candidate.is_cam or candidate.score < CERTAIN or column.heading.unit:
        return ""
    guess = unit_of_values(candidate.signal, column.figures, None)
    return guess.unit if guess.sure else ""


# ---------------------------------------------------------------- cams


def _cam_match(column: Column) -> ColumnMatch:
    rule, doubts = column.rule, column.doubts
    if rule.rest_deg is not None or rule.factor is not None or column.is_own:
        doubts.pop("rest_deg", None)
    if rule.factor is not None:
        doubts.pop("factor", None)
    if column.rival:
        doubts["signal"] = say("rival", names=column.rival)
    factor, offset = rule.factor or 1.0, rule.offset or 0.0
    unit = rule.unit or column.heading.unit or SIGNALS[column.signal].unit
    is_angle_ = column.role != "duty"
    if not convertible(unit, SIGNALS[column.signal].unit):
        doubts["unit"] = say("no_unit_of", unit=unit, signal=column.signal)
    elif not is_angle_:
        guess = unit_of_values(column.signal, column.figures, None)
        if rule.factor is None and not guess.sure:
            doubts["factor"] = guess.reason
    else:
        if not column.heading.unit and rule.unit is None and "factor" not in doubts:
            column.why.append(say("no_unit_given"))
        to_deg, zero = conversion(unit, "deg")
        turn = (-1.0 if column.positive == "retard" else 1.0) * (2.0 if column.angle == "cam" else 1.0)
        offset = (offset * to_deg + zero - (rule.rest_deg or 0.0)) * turn
        factor, unit = factor * to_deg * turn, "deg"
    return _match(
        column, column.signal, column.candidate.score, (column.candidate.reason, *doubts.values(), *column.why), doubts,
        unit=unit, factor=factor, offset=offset, angle=column.angle if is_angle_ else None,
        positive=column.positive if is_angle_ else None, rest_deg=rule.rest_deg or 0.0, deviation=rule.deviation,
    )  # fmt: skip


# ---------------------------------------------------------------- everything else


def _plain_match(column: Column, system: str | None) -> ColumnMatch:
    candidate, figures, rule = column.candidate, column.figures, column.rule
    factor, offset = rule.factor or 1.0, rule.offset or 0.0

    def unused(reason: str, score: float, speaks_of_cam: bool = False) -> ColumnMatch:
        return _match(
            column, "", score, (reason,), unit=column.own_unit, factor=factor, offset=offset, speaks_of_cam=speaks_of_cam,
        )  # fmt: skip

    if rule.signal in ("", LEAVE_OUT):
        return unused(say("left_aside"), 1.0)
    if not candidate.signal or candidate.score < DOUBTFUL:
        known = candidate if candidate.score > 0 or candidate.is_cam else NOTHING
        return unused(known.reason, candidate.score, candidate.is_cam)
    signal, doubts, fault = candidate.signal, [], ""
    if not figures.count:
        return unused(say("could_be_but_empty", signal=signal), candidate.score)
    if candidate.score < CERTAIN or column.rival:
        doubts.append("signal")
    unit = rule.unit or column.heading.unit or ""
    if not unit:
        guess = unit_of_values(signal, figures, system, by_number=column.heading.pid is not None)
        unit, fault = guess.unit or SIGNALS[signal].unit, guess.reason
        if not guess.sure and rule.factor is None:
            doubts.append("factor" if guess.factor != 1.0 else "unit")
    elif not convertible(unit, SIGNALS[signal].unit):
        fault = say("no_unit_of", unit=unit, signal=signal)
    elif rule.factor is None and candidate.source == WORDS:
        raw = raw_percent(signal, figures)
        fault = raw.reason if raw and raw.factor == BYTE_AS_PERCENT else fault_of_unit(signal, unit, figures)
    if fault and (rule.unit or column.heading.unit):
        doubts.append("unit")
    why = candidate.reason, column.rival and say("rival", names=column.rival), fault
    return _match(column, signal, candidate.score, why, doubts, unit=unit, factor=factor, offset=offset)


def _named(columns: Sequence[Column], matches: Sequence[ColumnMatch]) -> tuple[ColumnMatch, ...]:
    """The matches with the name of each column in the trace. Names are unique, and no other column gets a signal's
    name."""
    used = {m.signal for m in matches if m.certain} | {"time"}
    results = []
    for column, match in zip(columns, matches, strict=True):
        if column.rule.signal == LEAVE_OUT:
            results.append(match)
        elif match.certain and match.signal:
            results.append(replace(match, written_as=match.signal, written_unit=match.unit))
        else:
            base = own_name(column.source.label)
            name = next(n for n in chain([base], (f"{base}_{k}" for k in count(2))) if n not in used)
            used.add(name)
            match = replace(match, written_as=name, written_unit=match.unit)
            if match.signal:  # values without a known signal are not changed
                match = replace(match, written_unit=column.heading.unit or "", factor=1.0, offset=0.0)
            results.append(match)
    return tuple(results)


def _for_other_banks(columns: Sequence[Column], matches: Sequence[ColumnMatch]) -> Iterator[ColumnMatch]:
    """A copy of a command for every bank, one for each further bank."""
    for column, match in zip(columns, matches, strict=True):
        for bank in column.serves if match.certain else ():
            signal = commanded(cam_id(column.side or "", bank))
            yield replace(match, signal=signal, written_as=signal)


def _repeats_alike(matches: tuple[ColumnMatch, ...]) -> tuple[ColumnMatch, ...]:
    """Remove repeats from both angles of a cam or from neither, because otherwise one angle would look like a failing
    sensor."""
    by_signal = {m.signal: m for m in matches if m.certain and is_angle(m.signal)}
    changed: dict[str, ColumnMatch] = {}
    for cam in CAM_IDS:
        pair = [by_signal[name] for name in (commanded(cam), actual(cam)) if name in by_signal]
        if len(pair) == 2 and not (pair[0].held_rows == pair[1].held_rows and all(m.repeated_share for m in pair)):
            held = min(m.held_rows for m in pair)
            changed |= {m.signal: replace(m, held_rows=held, repeated_share=0.0) for m in pair}
    return tuple(changed.get(m.signal, m) if m.certain else m for m in matches)
