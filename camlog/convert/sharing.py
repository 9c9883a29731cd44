"""Which column of a table takes which signal, by what the headings say and what somebody said."""

from __future__ import annotations

from dataclasses import dataclass

from camlog.cams import is_angle
from camlog.convert.figures import ColumnFigures
from camlog.convert.headings import Heading, parse_heading
from camlog.convert.layout import SourceColumn
from camlog.convert.mapping import ColumnRule, Mapping
from camlog.convert.meaning import CERTAIN, DOUBTFUL, TOLD, Candidate, cam_candidate, candidates
from camlog.convert.sentences import say
from camlog.signals import SIGNALS

# A better match takes the signal where it is better by this much; nearer ones are asked about.
_CLEARLY = 0.04


@dataclass
class Column:
    """A column on its way to a signal: `found` what its heading could be, `candidate` what it takes, `rival` the
    headings of others that could be it as well."""

    source: SourceColumn
    figures: ColumnFigures
    rule: ColumnRule
    found: tuple[tuple[Heading, Candidate], ...]
    heading: Heading
    candidate: Candidate | None = None
    rival: str = ""

    @property
    def is_cam(self) -> bool:
        return self.candidate is not None and self.candidate.is_cam and self.candidate.score >= DOUBTFUL

    @property
    def own_unit(self) -> str:
        text = self.rule.unit or self.heading.unit or ""
        return "" if set(text) & set("[]\r\n") else text


def column_of(source: SourceColumn, figures: ColumnFigures, mapping: Mapping) -> Column:
    rule = mapping.rule(source.heading, source.index) or ColumnRule()
    unit_cell = source.unit_cell or source.suffix
    found = candidates(source.heading, unit_cell) if source.heading else ()
    column = Column(
        source, figures, rule, found, found[0][0] if found else parse_heading(source.heading, unit_cell)
    )
    if rule.signal is not None:
        column.found = ()
        if is_angle(rule.signal):
            sign = next((c.sign for _, c in found if c.sign), None)
            column.candidate = cam_candidate(rule.signal, say("told"), TOLD, sign)
        elif rule.signal in SIGNALS:
            column.candidate = Candidate(rule.signal, 1.0, say("told"), source=TOLD)
    return column


def share_out(columns: list[Column]) -> None:
    """One column a signal: the best match takes it; of equal ones none does for certain."""
    told = {c.candidate.signal for c in columns if c.candidate is not None}
    best: dict[str, float] = {}
    for column in columns:
        column.found = tuple(
            (h, c)
            for h, c in column.found
            if c.signal is None or (c.score >= DOUBTFUL and c.signal not in told)
        )
        for _, c in column.found:
            if c.signal is not None:
                best[c.signal] = max(best.get(c.signal, 0.0), c.score)
    by_signal: dict[str, list[Column]] = {}
    for column in columns:
        for heading, c in column.found if column.candidate is None else ():
            if c.signal is None or c.score > best[c.signal] - _CLEARLY or best[c.signal] < CERTAIN:
                column.heading, column.candidate = heading, c
                break
        if column.candidate is not None and column.candidate.signal:
            by_signal.setdefault(column.candidate.signal, []).append(column)
    for same in by_signal.values():
        _settle_rivals(same)
    # A cylinder head's temperature may stand in for the coolant's, where no other tells how warm the engine is.
    certain = {
        c.candidate.signal for c in columns if c.candidate is not None and c.candidate.score >= CERTAIN
    }
    for column in columns if certain & {"oil_temp", "coolant_temp"} else ():
        if column.candidate is not None and column.rule.signal is None and "cylinder" in column.heading.words:
            column.candidate = None if column.candidate.signal == "coolant_temp" else column.candidate


def _settle_rivals(same: list[Column]) -> None:
    unsaid = [c for c in same if c.rule.signal is None]
    if len(same) < 2 or not unsaid:
        return
    # A column that never holds anything is no rival.
    holding = [c for c in unsaid if c.figures.count]
    top = max(c.candidate.score for c in unsaid)
    for column in unsaid:
        weaker = column.candidate.score < top and top >= CERTAIN
        if column is not holding[0] if len(holding) == 1 else weaker:
            column.candidate = None
        elif len(holding) != 1:
            others = [c.source.heading for c in unsaid if c is not column and c.candidate is not None]
            column.rival = ", ".join(map(repr, others[:3]))
