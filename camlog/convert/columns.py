"""The columns of a table on their way to a signal: which takes which, by what the headings say and what somebody said."""

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

# A better match takes the signal where it is better by this much; nearer ones are asked about.
_CLEARLY = 0.04
# Whole numbers up to here or beyond are counts of a byte; a stated unit of degrees makes that less likely.
_RAW_ABOVE_DEG, _RAW_EVEN_IN_DEG = 120.0, 180.0
NOTHING = Candidate("", 0.0, say("no_signal"))


@dataclass
class Column:
    """A column on its way to a signal: `found` what its heading could be, `candidate` what it takes, `rival` the
    headings of others that could be it as well.

    Of a cam's column `cams.understand_cams` settles the rest: `signal`, `side`, `bank`, `role`, in whose degrees it is
    (`angle`) and what counts `positive`, with the reasons in `why`; `doubts` are what is in doubt, each with its reason,
    `serves` further banks whose cams have the same command.
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
        """True where the heading is camlog's own name, which says all there is to say."""
        return self.candidate.source == OWN_NAME

    @property
    def cam(self) -> str:
        """The id of its cam; "" while that is not known."""
        return cam_id(self.side, self.bank) if self.side and self.bank else ""

    @property
    def is_raw(self) -> bool:
        """True where the values are counts, not degrees."""
        f, above = self.figures, _RAW_ABOVE_DEG if self.heading.unit is None else _RAW_EVEN_IN_DEG
        counted = f.whole and f.low >= 0 and f.high > above
        return bool(f.count) and (counted or max(abs(f.low), abs(f.high)) > 4 * _RAW_ABOVE_DEG)

    @property
    def said_angle(self) -> str | None:
        """Whose degrees it is in, as a rule, camlog's own name or its unit says."""
        return self.rule.angle or self.heading.shaft or ("crank" if self.is_own else None)

    @property
    def said_positive(self) -> str | None:
        """What counts positive, as a rule, camlog's own name or its heading says."""
        return self.rule.positive or ("advance" if self.is_own else None) or self.candidate.sign

    def settle(self, about: str, value: object, why: str) -> None:
        """Set `role`, `bank`, `angle` or `positive`, with the reason."""
        setattr(self, about, value)
        self.why.append(why)

    def doubt(self, about: str, why: str = "") -> None:
        self.doubts[about] = self.doubts.get(about) or why


def column_of(source: SourceColumn, figures: ColumnFigures, mapping: Mapping) -> Column:
    """A column, and what its heading could be; what a rule says it is, it takes."""
    rule = mapping.rule(source.heading, source.index) or ColumnRule()
    unit_cell = source.unit_cell or source.suffix
    found = candidates(source.heading, unit_cell) if source.heading else ()
    heading = found[0][0] if found else parse_heading(source.heading, unit_cell)
    if rule.signal is None:
        return Column(source, figures, rule, found, heading)
    told = NOTHING
    if is_angle(rule.signal):
        sign = next((c.sign for _, c in found if c.sign), None)
        told = cam_candidate(rule.signal, say("told"), TOLD, sign)
    elif rule.signal in SIGNALS:
        told = Candidate(rule.signal, 1.0, say("told"), source=TOLD)
    return Column(source, figures, rule, (), heading, told)


def share_out(columns: list[Column]) -> None:
    """One column a signal: the best match takes it; of equal ones none does for certain."""
    told = {c.candidate.signal for c in columns if c.candidate is not NOTHING}
    best: dict[str, float] = {}
    for column in columns:
        column.found = tuple(
            (h, c)
            for h, c in column.found
            if (c.is_cam and not c.signal) or (c.score >= DOUBTFUL and c.signal not in told)
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
    # A cylinder head's temperature may stand in for the coolant's, where no other tells how warm the engine is.
    certain = {c.candidate.signal for c in columns if c.candidate.score >= CERTAIN}
    for column in columns if certain & {"oil_temp", "coolant_temp"} else ():
        is_cylinder_head = "cylinder" in column.heading.words and column.candidate.signal == "coolant_temp"
        if is_cylinder_head and column.rule.signal is None:
            column.candidate = NOTHING


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
            column.candidate = NOTHING
        elif len(holding) != 1:
            others = [c.source.heading for c in unsaid if c is not column and c.candidate is not NOTHING]
            column.rival = ", ".join(map(repr, others[:3]))
