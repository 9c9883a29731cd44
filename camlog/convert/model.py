"""What a conversion says: how each column was understood, what is still in doubt, and what came of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path


@dataclass(frozen=True)
class ColumnMatch:
    """How one column of the file was understood.

    `name` is its heading, `signal` camlog's name for it ("": none of camlog's signals), `unit` the unit
    its values are in, `low` and `high` their range in the file (None: no values), `score` 0 to 1 and `reasons` why.
    `certain` is False while `signal` is only a suggestion; `doubts` then says about what: `signal`, `unit`, `angle`,
    `positive`, `rest_deg`, `factor` or `deviation`. `deviation` is `minus` or `plus` where the values are how far
    an actual angle is from its command, and the trace holds commanded minus, or plus, them. `speaks_of_cam` is True where the heading speaks of a cam and the column is not
    used as one, `contradiction` what speaks against a match that somebody gave. `written_as` is the column's name in the trace ("": not carried over) and
    `written_unit` its unit there; a value there is `value * factor + offset` of the file's. Of `held_rows` rows only
    one holds a reading (1: every row), and `repeated_share` of all rows only repeats the row before.
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
        """True where the column waits for an answer."""
        return bool(self.signal) and not self.certain


@dataclass(frozen=True)
class ColumnLook:
    """What a column's values show a person: `low` to `high`, ten of its `values` over the drive, how it `moves` (`stands`,
    `climbs`, `falls` or `turns`, `turns` times), a `line` of (seconds, value) to draw, and its likely `partner` (a
    heading; `partner_line` its line), which it follows `lag_s` later (before: negative) and `gain` times as far, with
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
    """Something only a person can say: `choices` are (answer, what it means), empty where any number goes.

    `about` is the doubt, `heading` the column (empty: about the whole file), `suggestion` the likeliest
    answer, `why` what is known of the column (may be empty), `means` what an answer would do to its values, `look` what its values show. It is question `place` of
    `of` that are open, as far as is known when it is asked; `waiting` are all that are open then, itself among them,
    for whoever answers several at once.
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
    """What came of a conversion: the files written (None where it stayed in memory), every column, and notes.

    `readings` counts those of each column of the trace, `looks` shows the columns in doubt. `make_mapping` gives a mapping
    file for this file, ready to edit, with a commented line for every answer there could be.
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
        """A mapping file for this file; written when it is asked for."""
        return self.make_mapping()

    @property
    def doubtful(self) -> tuple[ColumnMatch, ...]:
        """The columns that wait for an answer."""
        return tuple(c for c in self.columns if c.doubtful)
