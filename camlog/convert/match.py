"""Every column of a table matched to a signal, its unit and scaling: certain, in doubt, or under its own name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from camlog.cams import CAM_IDS, actual, bank_of, cam_of, cam_words, commanded, side_of
from camlog.convert.cams import CamColumn, understand_cams
from camlog.convert.evidence import checked, series_of, sure_lag_s
from camlog.convert.figures import ColumnFigures
from camlog.convert.headings import own_name
from camlog.convert.mapping import LEAVE_OUT, Mapping
from camlog.convert.meaning import CERTAIN, DOUBTFUL, OWN_NAME, WORDS, cam_candidate, convertible
from camlog.convert.model import ColumnMatch
from camlog.convert.pairs import for_other_banks, repeats_alike
from camlog.convert.ranges import BYTE_AS_PERCENT, fault_of_unit, raw_percent, unit_of_values
from camlog.convert.sentences import say
from camlog.convert.sharing import Column, column_of, share_out
from camlog.convert.table import Table
from camlog.convert.words import METRIC_UNITS, US_UNITS
from camlog.signals import SIGNALS
from camlog.units import conversion

_DOUBTED = 0.85  # the score of a match in doubt, at most


def match_columns(
    table: Table, figures: Sequence[ColumnFigures], mapping: Mapping
) -> tuple[ColumnMatch, ...]:
    """How each column is understood, in the order of the columns; `mapping` is what somebody said."""
    found = [column_of(s, f, mapping) for s, f in zip(table.columns, figures, strict=True)]
    share_out(found)
    cams = [_cam_column(c) for c in found if c.is_cam]
    places = {c.index: place for place, c in enumerate(table.columns, start=1)}
    understand_cams(
        cams, mapping.angle, mapping.positive,
        lambda a, b: sure_lag_s(*(series_of(table, places[c.index]) for c in (a, b))),
    )  # fmt: skip
    cams_by_column = dict(zip((c.source.index for c in found if c.is_cam), cams, strict=True))
    system = _system(found)
    matches = []
    for column in found:
        cam = cams_by_column.get(column.source.index)
        match = _plain_match(column, system) if cam is None else _cam_match(cam, column)
        low, high = (column.figures.low, column.figures.high) if column.figures.count else (None, None)
        matches.append(replace(
            match, name=column.source.heading, index=column.source.index, score=round(match.score, 2),
            held_rows=column.figures.held_rows, repeated_share=column.figures.repeated_share, low=low, high=high,
        ))  # fmt: skip
    own = {c.source.index for c in found if c.candidate is not None and c.candidate.source == OWN_NAME}
    named = _named(found, checked(_deviations(found, matches), table, mapping, own))
    return repeats_alike((*named, *for_other_banks(named, cams_by_column)))


def _deviations(columns: Sequence[Column], matches: Sequence[ColumnMatch]) -> list[ColumnMatch]:
    """The matches; a column that says how far a cam is from its command is offered as the actual angle, where that cam
    has a command and no actual angle."""
    out = list(matches)
    for place, match in enumerate(matches):
        if (
            match.deviation
            and match.certain
            and commanded(cam_of(match.signal)) not in {m.signal for m in matches if m.certain}
        ):
            reasons = (*match.reasons, say("no_command", cam=cam_words(cam_of(match.signal))))
            out[place] = replace(match, certain=False, doubts=("deviation",), reasons=reasons)
    for place, (column, match) in enumerate(zip(columns, matches, strict=True)):
        candidate = column.candidate
        if (
            match.signal
            or candidate is None
            or not candidate.is_cam
            or not {"difference"} & set(column.heading.words)
        ):
            continue
        taken = {m.signal for m in out}
        cams = [
            cam for cam in CAM_IDS
            if commanded(cam) in taken and actual(cam) not in taken
            and candidate.side in (None, side_of(cam)) and candidate.bank in (None, bank_of(cam))
        ]  # fmt: skip
        if len(cams) == 1 and column.rule.signal is None and column.figures.count:
            out[place] = replace(
                match, signal=actual(cams[0]), unit="deg", score=_DOUBTED, certain=False, doubts=("deviation",),
                reasons=(say("is_deviation", command=repr(next(m.name for m in out if m.signal == commanded(cams[0])))),),
                speaks_of_cam=False,
            )  # fmt: skip
    return out


def _system(columns: Sequence[Column]) -> str | None:
    """`us` or `metric` where the units of the other columns tell, else None."""
    # Air mass is given in g/s everywhere.
    stated = {c.heading.unit for c in columns} | {c.rule.unit for c in columns}
    for units in (stated, set(map(_unit_by_values, columns))):
        us, metric = bool(units & US_UNITS), bool(units & (METRIC_UNITS - {"g/s"}))
        if us != metric:
            return "us" if us else "metric"
    return None


def _unit_by_values(column: Column) -> str | None:
    """The unit that the values of a column without one prove by themselves."""
    candidate = column.candidate
    if (
        candidate is None
        or not candidate.signal
        or candidate.is_cam
        or candidate.score < CERTAIN
        or column.heading.unit
    ):
        return None
    guess = unit_of_values(candidate.signal, column.figures, None)
    return guess.unit if guess.sure else None


# ---------------------------------------------------------------- cams


def _cam_column(column: Column) -> CamColumn:
    candidate, heading, rule = column.candidate, column.heading, column.rule
    if candidate.signal is not None and candidate.side is None:
        candidate = cam_candidate(candidate.signal, candidate.reason, candidate.source)
    own = candidate.source == OWN_NAME
    # In camlog's names the degrees and the sign are part of the name.
    angle = rule.angle or ("crank" if own and heading.shaft is None else None)
    return CamColumn(
        column.source.index, heading, candidate, column.figures, angle, rule.positive or ("advance" if own else None),
        certain_by_rule=own or bool(rule.signal),
    )  # fmt: skip


def _cam_match(cam: CamColumn, column: Column) -> ColumnMatch:
    rule = column.rule
    if rule.rest_deg is not None or rule.factor is not None or column.candidate.source == OWN_NAME:
        cam.doubts.pop("rest_deg", None)
    if rule.factor is not None:
        cam.doubts.pop("factor", None)
    if column.rival:
        cam.doubts["signal"] = say("rival", names=column.rival)
    factor, offset = rule.factor or 1.0, rule.offset or 0.0
    unit = rule.unit or cam.heading.unit or SIGNALS[cam.signal].unit
    if not convertible(unit, SIGNALS[cam.signal].unit):
        cam.doubts["unit"] = say("no_unit_of", unit=unit, signal=cam.signal)
    elif cam.role == "duty":
        guess = unit_of_values(cam.signal, column.figures, None)
        if rule.factor is None and not guess.sure:
            cam.doubts["factor"] = guess.reason
    else:
        if not column.heading.unit and rule.unit is None and "factor" not in cam.doubts:
            cam.why.append(say("no_unit_given"))
        to_deg, zero = conversion(unit, "deg")
        turn = (-1.0 if cam.positive == "retard" else 1.0) * (2.0 if cam.angle == "cam" else 1.0)
        offset = (offset * to_deg + zero - (rule.rest_deg or 0.0)) * turn
        factor, unit = factor * to_deg * turn, "deg"
    return ColumnMatch(
        signal=cam.signal, unit=unit, score=min(cam.candidate.score, _DOUBTED) if cam.doubts else cam.candidate.score,
        reasons=tuple(filter(None, (cam.candidate.reason, *cam.doubts.values(), *cam.why))),
        certain=not cam.doubts, factor=factor, offset=offset,
        angle=cam.angle if cam.role != "duty" else None, positive=cam.positive if cam.role != "duty" else None,
        rest_deg=rule.rest_deg or 0.0, doubts=tuple(cam.doubts), deviation=rule.deviation,
    )  # fmt: skip


# ---------------------------------------------------------------- everything else


def _plain_match(column: Column, system: str | None) -> ColumnMatch:
    candidate, figures, rule = column.candidate, column.figures, column.rule
    factor, offset = rule.factor or 1.0, rule.offset or 0.0
    blank = ColumnMatch(None, column.own_unit, 0.0, (say("no_signal"),), True, factor=factor, offset=offset)
    if rule.signal in ("", LEAVE_OUT):
        return replace(blank, reasons=(say("left_aside"),), score=1.0)
    if candidate is None or not candidate.signal or candidate.score < DOUBTFUL:
        if candidate is None:
            return blank
        known = candidate.score > 0 or candidate.is_cam
        reasons = (candidate.reason,) if known else blank.reasons
        return replace(blank, reasons=reasons, score=candidate.score, speaks_of_cam=candidate.is_cam)
    signal, doubts, why = candidate.signal, [], [candidate.reason]
    if not figures.count:
        return replace(blank, reasons=(say("could_be_but_empty", signal=signal),), score=candidate.score)
    if candidate.score < CERTAIN or column.rival:
        doubts.append("signal")
    if column.rival:
        why.append(say("rival", names=column.rival))
    unit = rule.unit or column.heading.unit
    if unit is None:
        guess = unit_of_values(signal, figures, system, by_number=column.heading.pid is not None)
        unit = guess.unit or SIGNALS[signal].unit
        why.append(guess.reason)
        if not guess.sure and rule.factor is None:
            doubts.append("factor" if guess.factor != 1.0 else "unit")
    else:
        fault = ""
        if not convertible(unit, SIGNALS[signal].unit):
            fault = say("no_unit_of", unit=unit, signal=signal)
        elif rule.factor is None and candidate.source == WORDS:
            raw = raw_percent(signal, figures)
            counts = raw is not None and raw.factor == BYTE_AS_PERCENT
            fault = raw.reason if counts else fault_of_unit(signal, unit, figures)
        if fault:
            why.append(fault)
            doubts.append("unit")
    return ColumnMatch(
        signal, unit, min(candidate.score, _DOUBTED) if doubts else candidate.score, tuple(why), not doubts,
        factor=factor, offset=offset, doubts=tuple(doubts),
    )  # fmt: skip


def _named(columns: Sequence[Column], matches: Sequence[ColumnMatch]) -> tuple[ColumnMatch, ...]:
    """The matches with the name each column has in the trace; no two alike, and none a signal's by accident."""
    used = {m.signal for m in matches if m.signal and m.certain} | {"time"}
    named = []
    for column, match in zip(columns, matches, strict=True):
        if column.rule.signal == LEAVE_OUT:
            named.append(match)
        elif match.certain and match.signal is not None:
            named.append(replace(match, written_as=match.signal, written_unit=match.unit))
        else:
            name = base = own_name(column.source.label)
            number = 1
            while name in used:
                number += 1
                name = f"{base}_{number}"
            used.add(name)
            # Nothing is done to values that are not understood.
            known = (
                match if match.signal is None else ColumnMatch(None, column.heading.unit or "", 0.0, (), True)
            )
            named.append(replace(
                match, written_as=name, written_unit=known.unit, factor=known.factor, offset=known.offset
            ))  # fmt: skip
    return tuple(named)
