"""Every column of a table matched to a signal, its unit and scaling: certain, in doubt, or under its own
name."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from camlog.convert.cams import CamColumn, is_cam_angle, known_cam_signal, understand_cams
from camlog.convert.figures import ColumnFigures
from camlog.convert.headings import Heading, parse_heading, plain_letters
from camlog.convert.layout import SourceColumn
from camlog.convert.mapping import LEAVE_OUT, ColumnRule, Mapping
from camlog.convert.meaning import CERTAIN, DOUBTFUL, OWN_NAME, Candidate, candidates
from camlog.convert.model import ColumnMatch
from camlog.convert.ranges import fault_of_unit, unit_of_values
from camlog.convert.words import METRIC_UNITS, US_UNITS
from camlog.signals import CAM_IDS, SIGNALS, actual, commanded
from camlog.units import conversion

# A better match takes the signal where it is better by this much; nearer ones are asked about.
_CLEARLY = 0.04
AS_TOLD = "as told"


@dataclass
class _Column:
    source: SourceColumn
    figures: ColumnFigures
    rule: ColumnRule | None
    found: tuple[tuple[Heading, Candidate], ...]
    heading: Heading
    candidate: Candidate | None = None
    rival: str = ""


def match_columns(
    columns: Sequence[SourceColumn], figures: Sequence[ColumnFigures], mapping: Mapping
) -> tuple[ColumnMatch, ...]:
    """How each column is understood, in the order of the columns; `mapping` is what somebody said."""
    all_columns = [_column(s, f, mapping) for s, f in zip(columns, figures, strict=True)]
    _share_out(all_columns)
    matched: dict[int, ColumnMatch] = {}
    cams = [
        c
        for c in all_columns
        if c.candidate is not None and c.candidate.is_cam and c.candidate.score >= DOUBTFUL
    ]
    for match, column in _cam_matches(cams, mapping):
        matched[column.source.index] = match
    system = _system(all_columns)
    if system is None and any(_tells_us(c) for c in all_columns):
        system = "us"
    for column in all_columns:
        if column.source.index not in matched:
            matched[column.source.index] = _plain_match(column, system)
    return _angles_alike(_named(all_columns, matched))


def _angles_alike(matches: tuple[ColumnMatch, ...]) -> tuple[ColumnMatch, ...]:
    """Repeats are taken out of both angles of a cam or of neither: one angle without the other would look
    like a sensor that fails."""
    by_signal = {m.signal: m for m in matches if m.certain and is_cam_angle(m.signal)}
    changed: dict[int, ColumnMatch] = {}
    for cam in CAM_IDS:
        pair = [by_signal.get(name(cam)) for name in (commanded, actual)]
        if None in pair or pair[0].held_rows == pair[1].held_rows and all(m.repeated_share for m in pair):
            continue
        held = min(m.held_rows for m in pair)
        for match in pair:
            changed[match.index] = replace(match, held_rows=held, repeated_share=0.0)
    return tuple(changed.get(m.index, m) for m in matches)


def _column(source: SourceColumn, figures: ColumnFigures, mapping: Mapping) -> _Column:
    rule = mapping.rule(source.heading, source.index)
    unit_cell = source.unit_cell or source.suffix
    found = candidates(source.heading, unit_cell) if source.heading else ()
    heading = found[0][0] if found else parse_heading(source.heading, unit_cell)
    column = _Column(source, figures, rule, found, heading)
    if rule is not None and rule.signal is not None:
        column.found = ()
        if rule.signal in SIGNALS:
            candidate = Candidate(rule.signal, 1.0, AS_TOLD)
            if is_cam_angle(rule.signal):
                candidate = known_cam_signal(rule.signal, candidate)
                sign = next((c.sign for _, c in found if c.sign), None)
                candidate = replace(candidate, sign=sign)
            column.candidate = candidate
    return column


def _share_out(columns: list[_Column]) -> None:
    """One column a signal: the best match takes it; of equal ones none does for certain."""
    told = {c.candidate.signal for c in columns if c.candidate is not None}
    for column in columns:
        if column.candidate is None:
            column.found = tuple((h, c) for h, c in column.found if c.signal is None or c.signal not in told)
    pairs = [
        (c.score, column, h, c)
        for column in columns
        for h, c in column.found
        if c.signal is not None and c.score >= DOUBTFUL
    ]
    best: dict[str, float] = {}
    for score, _, _, candidate in pairs:
        best[candidate.signal] = max(best.get(candidate.signal, 0.0), score)
    for column in columns:
        if column.candidate is not None or not column.found:
            continue
        open_ones = [(h, c) for h, c in column.found if c.signal is None or _in_the_running(c, best)]
        if not open_ones:
            continue
        column.heading, column.candidate = open_ones[0]
    by_signal: dict[str, list[_Column]] = {}
    for column in columns:
        if column.candidate is not None and column.candidate.signal:
            by_signal.setdefault(column.candidate.signal, []).append(column)
    for same in by_signal.values():
        _settle_rivals(same)


def _in_the_running(candidate: Candidate, best: dict[str, float]) -> bool:
    if candidate.score < DOUBTFUL:
        return False
    top = best[candidate.signal]
    return candidate.score > top - _CLEARLY or top < CERTAIN


def _settle_rivals(same: list[_Column]) -> None:
    unsaid = [c for c in same if c.rule is None or c.rule.signal is None]
    if len(same) < 2 or not unsaid:
        return
    # A column that never holds anything is no rival.
    holding = [c for c in unsaid if c.figures.count]
    if len(holding) == 1:
        for column in unsaid:
            if column is not holding[0]:
                column.candidate = None
        return
    top = max(c.candidate.score for c in unsaid)
    for column in unsaid:
        if column.candidate.score < top and top >= CERTAIN:
            column.candidate = None
        else:
            others = [c.source.heading for c in unsaid if c is not column and c.candidate is not None]
            column.rival = ", ".join(repr(o) for o in others[:3])


def _system(columns: Sequence[_Column]) -> str | None:
    units = {c.heading.unit for c in columns if c.heading.unit} | {
        c.rule.unit for c in columns if c.rule and c.rule.unit
    }
    us, metric = bool(units & US_UNITS), bool(units & (METRIC_UNITS - {"g/s"}))
    return None if us == metric else "us" if us else "metric"


def _tells_us(column: _Column) -> bool:
    candidate = column.candidate
    if candidate is None or not candidate.signal or candidate.is_cam or column.heading.unit:
        return False
    guess = unit_of_values(candidate.signal, column.figures, None)
    return guess.sure and guess.unit in US_UNITS


def _cam_matches(columns: list[_Column], mapping: Mapping):
    angles = []
    for column in columns:
        candidate = column.candidate
        if candidate.signal is not None and candidate.side is None:
            candidate = known_cam_signal(candidate.signal, candidate)
        cam = CamColumn(column.source.index, column.heading, candidate, column.figures)
        cam.certain_by_rule = bool(column.rule and column.rule.signal)
        angles.append((cam, column))
    own = [(cam, column) for cam, column in angles if column.candidate.reason == OWN_NAME]
    for cam, _ in own:
        # In camlog's names the degrees and the sign are part of the name.
        cam.heading = replace(cam.heading, shaft=cam.heading.shaft or "crank")
        cam.candidate = replace(cam.candidate, sign="advance")
        cam.certain_by_rule = True
    for cam, column in angles:
        if column.rule is not None:
            if column.rule.angle:
                cam.heading = replace(cam.heading, shaft=column.rule.angle)
            if column.rule.positive:
                cam.candidate = replace(cam.candidate, sign=column.rule.positive)
    understand_cams([cam for cam, _ in angles], mapping.angle, mapping.positive)
    for cam, column in angles:
        yield _cam_match(cam, column, own=any(cam is c for c, _ in own)), column


def _cam_match(cam: CamColumn, column: _Column, own: bool) -> ColumnMatch:
    rule = column.rule or ColumnRule()
    doubts = list(cam.doubts)
    if rule.rest_deg is not None or own:
        doubts = [d for d in doubts if d != "rest_deg"]
    if rule.factor is not None:
        doubts = [d for d in doubts if d not in ("factor", "rest_deg")]
    if column.rival:
        doubts.append("signal")
        cam.why.append(f"{column.rival} could be it as well")
    factor, offset = rule.factor or 1.0, rule.offset or 0.0
    unit = rule.unit or cam.heading.unit or SIGNALS[cam.signal].unit
    settled = {why for about, why in cam.because.items() if about not in doubts}
    why = [w for w in cam.why if w and w not in settled]
    wrong = _wrong_kind(cam.signal, unit)
    if wrong:
        doubts.append("unit")
        why.append(wrong)
    elif cam.role == "duty":
        guess = unit_of_values(cam.signal, column.figures, None)
        if rule.factor is None and not guess.sure and column.figures.count:
            doubts.append("factor")
            why.append(guess.reason)
    else:
        if not column.heading.unit and rule.unit is None and "factor" not in doubts:
            why.append("no unit given; taken as degrees")
        to_deg, zero = conversion(unit, "deg")
        sign = -1.0 if cam.positive == "retard" else 1.0
        shaft = 2.0 if cam.angle == "cam" else 1.0
        scale = to_deg * sign * shaft
        offset = ((offset * to_deg + zero) - (rule.rest_deg or 0.0)) * sign * shaft
        factor, unit = factor * scale, "deg"
    score = cam.candidate.score if not doubts else min(cam.candidate.score, 0.85)
    return ColumnMatch(
        name=column.source.heading, signal=cam.signal, unit=unit, score=round(score, 2),
        reason="; ".join(why),
        certain=not doubts, index=column.source.index, factor=factor, offset=offset,
        held_rows=column.figures.held_rows, repeated_share=column.figures.repeated_share,
        angle=cam.angle if cam.role != "duty" else None,
        positive=cam.positive if cam.role != "duty" else None, rest_deg=rule.rest_deg or 0.0,
        doubts=tuple(dict.fromkeys(doubts)),
    )  # fmt: skip


def _plain_match(column: _Column, system: str | None) -> ColumnMatch:
    candidate, figures, rule = column.candidate, column.figures, column.rule or ColumnRule()
    blank = ColumnMatch(
        name=column.source.heading, signal=None, unit=_own_unit(column, rule), score=0.0,
        reason="none of camlog's signals", certain=True, index=column.source.index,
        held_rows=figures.held_rows,
        repeated_share=figures.repeated_share,
        factor=rule.factor or 1.0, offset=rule.offset or 0.0,
    )  # fmt: skip
    if rule.signal in ("", LEAVE_OUT):
        return replace(blank, reason="left aside, as told", score=1.0)
    if candidate is None or not candidate.signal or candidate.score < DOUBTFUL:
        if candidate is not None and candidate.score > 0:
            blank = replace(blank, reason=candidate.reason, score=candidate.score)
        return blank
    signal, doubts, why = candidate.signal, [], [candidate.reason]
    if not figures.count:
        return replace(blank, reason=f"could be {signal}, but never holds a value", score=candidate.score)
    if candidate.score < CERTAIN:
        doubts.append("signal")
    if column.rival:
        doubts.append("signal")
        why.append(f"{column.rival} could be it as well")
    unit, factor, offset = rule.unit or column.heading.unit, rule.factor or 1.0, rule.offset or 0.0
    if unit is None:
        guess = unit_of_values(signal, figures, system, by_number=column.heading.pid is not None)
        unit = guess.unit or SIGNALS[signal].unit
        why.append(guess.reason)
        if not guess.sure and rule.factor is None:
            doubts.append("factor" if guess.factor != 1.0 else "unit")
    else:
        fault = _wrong_kind(signal, unit)
        if not fault and rule.factor is None and candidate.reason not in (OWN_NAME, AS_TOLD):
            fault = _fault(signal, unit, figures)
        if fault:
            why.append(fault)
            doubts.append("unit")
    score = min(candidate.score, 0.85) if doubts else candidate.score
    return ColumnMatch(
        name=column.source.heading, signal=signal, unit=unit, score=round(score, 2), reason="; ".join(why),
        certain=not doubts, index=column.source.index, factor=factor, offset=offset,
        held_rows=figures.held_rows,
        repeated_share=figures.repeated_share,
        doubts=tuple(dict.fromkeys(doubts)),
    )  # fmt: skip


def _wrong_kind(signal: str, unit: str) -> str:
    """What is wrong with a unit of another kind than the signal's; empty where nothing is."""
    try:
        conversion(unit, SIGNALS[signal].unit)
    except ValueError:
        return f"{unit} is no unit of {signal}"
    return ""


def _fault(signal: str, unit: str, figures: ColumnFigures) -> str:
    if SIGNALS[signal].unit == "%":
        guess = unit_of_values(signal, figures, None)
        if not guess.sure and guess.factor == 100 / 255:
            return guess.reason
    return fault_of_unit(signal, unit, figures)


def _own_unit(column: _Column, rule: ColumnRule) -> str:
    text = rule.unit or column.heading.unit or ""
    return "" if set(text) & set("[]\r\n") else text


def _named(columns: Sequence[_Column], matched: dict[int, ColumnMatch]) -> tuple[ColumnMatch, ...]:
    """The matches with the name each column has in the trace; no two alike, and none a signal's by
    accident."""
    used = {m.signal for m in matched.values() if m.signal and m.certain} | {"time"}
    out = []
    for column in columns:
        match = matched[column.source.index]
        if column.rule is not None and column.rule.signal == LEAVE_OUT:
            out.append(replace(match, written_as=None))
        elif match.certain and match.signal is not None:
            out.append(replace(match, written_as=match.signal, written_unit=match.unit))
        else:
            name = own_name(column.source.heading or f"column {column.source.index + 1}")
            if name in SIGNALS:
                name += "_as_found"
            base, number = name, 1
            while name in used:
                number += 1
                name = f"{base}_{number}"
            used.add(name)
            # Nothing is done to values that are not understood.
            told = column.rule if match.signal is None and column.rule is not None else ColumnRule()
            out.append(replace(
                match, written_as=name, written_unit=_own_unit(column, told), factor=told.factor or 1.0,
                offset=told.offset or 0.0,
            ))  # fmt: skip
    return tuple(out)


def own_name(heading: str) -> str:
    """A trace column's name for a heading that is none of camlog's signals."""
    bare = re.sub(r"\s*[\[({][^\[({]*[\])}]\s*\Z", "", heading) or heading
    name = "_".join(re.findall(r"[a-z0-9]+", plain_letters(bare)))[:60].strip("_") or "column"
    return name if name[0].isalpha() else "column_" + name
