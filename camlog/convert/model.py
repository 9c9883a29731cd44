"""The result of a conversion: the match of each column, the doubts, and the files."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path


@dataclass(frozen=True)
class ColumnMatch:
    """The match of one column of the file.

    `name` is its heading, `signal` camlog's name for it ("": none of camlog's signals), `unit` the unit of its values,
    `low` and `high` their range in the file (None: no values), `score` 0 to 1 with its `reasons`. `certain` is False
    while `signal` is only a suggestion; `doubts` then names what is in doubt: `signal`, `unit`, `angle`, `positive`,
    `rest_deg`, `factor` or `deviation`. `deviation` is `minus` or `plus` if the values are the deviation of an actual
    angle from its command; the trace then has commanded minus, or plus, the values. `speaks_of_cam` is True if the
    heading names a cam but the column is not used as one; `contradiction` is the evidence against a match given by a
    person. `written_as` is the column's name in the trace ("": left out) and `written_unit` its unit there; a value
    there is `value * factor + offset` of the file's. One of `held_rows` rows is a reading (1: every row);
    `repeated_share` of all rows only repeats the row before.
    """

    signal: str
    unit: str
    score: float
    reasons: tuple[str, ...]
    certain: bool
    name: str = ""
    index: int = 0
    low: float | None = None
    high: float | None = None
    written_as: str = ""
    written_unit: str = ""
    factor: float = 1.0
    offset: float = 0.0
    held_rows: int = 1
    repeated_share: float = 0.0
    angle: str | None = None
    positive: str | None = None
    rest_deg: float = 0.0
    doubts: tuple[str, ...] = ()
    deviation: str | None = None
    speaks_of_cam: bool = False
    contradiction: str = ""

    @property
    def label(self) -> str:
        """The heading, or the number of a column without one."""
        return self.name or f"column {self.index + 1}"

    @property
    def reason(self) -> str:
        """All reasons in one line."""
        return "; ".join(self.reasons)

    @property
    def doubtful(self) -> bool:
        """True if the column needs an answer."""
        return bool(self.signal) and not self.certain


@dataclass(frozen=True)
class ColumnLook:
    """A column's values for a person: the range `low` to `high`, ten of its `values` over the drive, how it `moves`
    (`stands`, `climbs`, `falls` or `turns`, `turns` times), and a `line` of (seconds, value) to draw. It follows its
    likely `partner` (a heading; `partner_line` its line) after `lag_s` (negative: before it), `gain` times as far, with
    squared correlation `r2`."""

    index: int
    name: str
    low: float
    high: float
    values: tuple[float, ...]
    moves: str
    turns: int
    line: tuple[tuple[float, float], ...]
    partner: str | None = None
    partner_line: tuple[tuple[float, float], ...] = ()
    lag_s: float = 0.0
    gain: float = 1.0
    r2: float = 0.0


@dataclass(frozen=True)
class Question:
    """A question for a person: `choices` are (answer, its meaning), empty if the answer is a number.

    `about` is the doubt, `heading` the column (empty: the whole file), `suggestion` the likeliest answer, `why` what is
    known about the column (may be empty), `means` the effect of an answer on its values, `look` its values. It is
    number `place` of the `of` questions known to be open; `waiting` are all of them, itself included, so that several
    can be answered at once.
    """

    about: str
    heading: str
    text: str
    choices: tuple[tuple[str, str], ...] = ()
    suggestion: str = ""
    why: str = ""
    means: str = ""
    look: ColumnLook | None = None
    place: int = 1
    of: int = 1
    waiting: tuple[Question, ...] = ()


Ask = Callable[[Question], "str | None"]


@dataclass(frozen=True)
class Conversion:
    """The result of a conversion: the written files (None if it stayed in memory), every column, and notes.

    `readings` is the number of readings of each trace column, `looks` are the values of the columns in doubt.
    `make_mapping` returns the text of a mapping file to edit, with a commented line for every possible answer.
    """

    trace_path: Path | None
    drive_path: Path | None
    columns: tuple[ColumnMatch, ...]
    notes: tuple[str, ...] = ()
    rows: int = 0
    duration_s: float = 0.0
    readings: Mapping[str, int] = field(default_factory=dict)
    looks: tuple[ColumnLook, ...] = ()
    make_mapping: Callable[[], str] = field(default=str, repr=False)

    @cached_property
    def mapping_text(self) -> str:
        """The text of a mapping file for this file, made on the first call."""
        return self.make_mapping()

    @property
    def doubtful(self) -> tuple[ColumnMatch, ...]:
        """The columns that need an answer."""
        return tuple(c for c in self.columns if c.doubtful)
