"""Assigns signals to the columns of a table, from their headings and the rules of a mapping."""

from __future__ import annotations

from dataclasses import dataclass, field

from camlog.cams import cam_id, is_angle
from camlog.convert.figures import ColumnFigures
from camlog.convert.headings import Heading, parse_heading
from camlog.convert.layout import SourceColumn
from camlog.convert.mapping import ColumnRule, Mapping
from camlog.convert.meaning import CERTAIN, DOUBTFUL, OWN_NAME, TOLD, Candidate, cam_candidate, candidates
from camlog.convert.words import say
from camlog.signals import SIGNALS

# A match must be better by this much to take the signal; closer ones are asked about.
_CLEARLY = 0.04
# Whole numbers that reach these are raw counts of a byte; the second is for columns whose unit is degrees.
_RAW_ABOVE_DEG, _RAW_EVEN_IN_DEG = 120.0, 180.0
NOTHING = Candidate("", 0.0, say("no_signal"))


@dataclass
class Column:
    """A column and its signal: `found` are the candidates of its heading, `candidate` is the one it takes, `rival` the
    headings of other columns that may be the same signal.

    For a cam's column, `cams.understand_cams` sets the rest: `signal`, `side`, `bank`, `role`, the shaft of its degrees
    (`angle`) and its sign (`positive`), with the reasons in `why`. `doubts` are its doubts with their reasons, `serves`
    further banks with the same command.
    """

    source: SourceColumn
    figures: ColumnFigures
    rule: ColumnRule
    found: tuple[tuple[Heading, Candidate], ...]
    heading: Heading
    candidate: Candidate = NOTHING
    rival: str = ""
    signal: str = ""
    side: str | None = None
    bank: int | None = None
    role: str | None = None
    angle: str | None = None
    positive: str | None = None
    why: list[str] = field(default_factory=list)
    doubts: dict[str, str] = field(default_factory=dict)
    serves: list[int] = field(default_factory=list)

    @property
    def is_cam(self) -> bool:
        return self.candidate.is_cam and self.candidate.score >= DOUBTFUL

    @property
    def own_unit(self) -> str:
        """Its unit under its own name."""
        text = self.rule.unit or self.heading.unit or ""
        return "" if set(text) & set("[]\r\n") else text

    @property
    def is_own(self) -> bool:
        """True if the heading is camlog's own name, which is complete."""
        return self.candidate.source == OWN_NAME

    @property
    def cam(self) -> str:
        """The id of its cam; "" while unknown."""
        return cam_id(self.side, self.bank) if self.side and self.bank else ""

    @property
    def is_raw(self) -> bool:
        """True if the values are raw counts, not degrees."""
        f, above = self.figures, _RAW_ABOVE_DEG if self.heading.unit is None else _RAW_EVEN_IN_DEG
        counted = f.whole and f.low >= 0 and f.high > above
        return bool(f.count) and (counted or max(abs(f.low), abs(f.high)) > 4 * _RAW_ABOVE_DEG)

    @property
    def said_angle(self) -> str | None:
        """The shaft of its degrees, from a rule, camlog's own name or its unit."""
        return self.rule.angle or self.heading.shaft or ("crank" if self.is_own else None)

    @property
    def said_positive(self) -> str | None:
        """Its sign, from a rule, camlog's own name or its heading."""
        return self.rule.positive or ("advance" if self.is_own else None) or self.candidate.sign

    def settle(self, about: str, value: object, why: str) -> None:
        """Set `role`, `bank`, `angle` or `positive`, with the reason."""
        setattr(self, about, value)
        self.why.append(why)

    def doubt(self, about: str, why: str = "") -> None:
        self.doubts[about] = self.doubts.get(about) or why


def column_of(source: SourceColumn, figures: ColumnFigures, mapping: Mapping) -> Column:
    """A column with the candidates of its heading; a rule decides its signal."""
    rule = mapping.rule(source.heading, source.index) or ColumnRule()
    unit_cell = source.unit_cell or source.suffix
    options = candidates(source.heading, unit_cell) if source.heading else ()
    heading = options[0][0] if options else parse_heading(source.heading, unit_cell)
    if rule.signal is None:
        return Column(source, figures, rule, options, heading)
    chosen = NOTHING
    if is_angle(rule.signal):
        sign = next((c.sign for _, c in options if c.sign), None)
        chosen = cam_candidate(rule.signal, say("told"), TOLD, sign)
    elif rule.signal in SIGNALS:
        chosen = Candidate(rule.signal, 1.0, say("told"), source=TOLD)
    return Column(source, figures, rule, (), heading, chosen)


def share_out(columns: list[Column]) -> None:
    """Assign each signal to one column, the best match; among equal matches none is certain."""
    assigned = {c.candidate.signal for c in columns if c.candidate is not NOTHING}
    best: dict[str, float] = {}
    for column in columns:
        column.found = tuple(
            (h, c)
            for h, c in column.found
            if (c.is_cam and not c.signal) or (c.score >= DOUBTFUL and c.signal not in assigned)
        )
        for _, c in column.found:
            best[c.signal] = max(best.get(c.signal, 0.0), c.score)
    by_signal: dict[str, list[Column]] = {}
    for column in columns:
        for heading, c in column.found if column.candidate is NOTHING else ():
            if not c.signal or c.score > best[c.signal] - _CLEARLY or best[c.signal] < CERTAIN:
                column.heading, column.candidate = heading, c
                break
        if column.candidate.signal:
            by_signal.setdefault(column.candidate.signal, []).append(column)
    for same in by_signal.values():
        _settle_rivals(same)
    # The temperature of the cylinder head may replace that of the coolant if there is no other engine temperature.
    certain = {c.candidate.signal for c in columns if c.candidate.score >= CERTAIN}
    for column in columns if certain & {"oil_temp", "coolant_temp"} else ():
        is_cylinder_head = "cylinder" in column.heading.words and column.candidate.signal == "coolant_temp"
        if is_cylinder_head and column.rule.signal is None:
            column.candidate = NOTHING


def _settle_rivals(same: list[Column]) -> None:
    unsaid = [c for c in same if c.rule.signal is None]
    if len(same) < 2 or not unsaid:
        return
    # A column without values is no rival.
    holding = [c for c in unsaid if c.figures.count]
    top = max(c.candidate.score for c in unsaid)
    for column in unsaid:
        weaker = column.candidate.score < top and top >= CERTAIN
        if column is not holding[0] if len(holding) == 1 else weaker:
            column.candidate = NOTHING
        elif len(holding) != 1:
            others = [c.source.heading for c in unsaid if c is not column and c.candidate is not NOTHING]
            column.rival = ", ".join(map(repr, others[:3]))
