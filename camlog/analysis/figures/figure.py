"""What a figure is, the questions figures speak to, and the cam they are measured on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from camlog.analysis.cam.examine import Examination
from camlog.analysis.estimate import Estimate
from camlog.limits import Limit
from camlog.numbers import with_unit
from camlog.oil_windows import OilWindow, window_word

CONDITIONS = ("healthy", "sticking", "slow", "stuck", "unstable", "offset", "sensor")
FAULTS = CONDITIONS[1:]


@dataclass(frozen=True, slots=True)
class Question:
    """One question about a cam: `name`, `title` as a technician asks it, and the `faults` that would make it a "no",
    the one it names first.

    `needs` are the names of the coverage needs that must be met before it can be answered with "yes".
    """

    name: str
    title: str
    faults: tuple[str, ...]
    needs: tuple[str, ...]


QUESTIONS: Mapping[str, Question] = {
    q.name: q
    for q in (
        Question("moves", "Does it move?", ("stuck",), ("pair", "running", "steps_advance", "steps_retard")),
        Question("follows", "Does it reach its command?", ("stuck", "offset", "sticking"), ("pair", "running", "hold")),
        Question("in_time", "Does it arrive in time?", ("slow",), ("pair", "sampling", "steps_advance", "steps_retard")),
        Question("smooth", "Does it move smoothly?", ("sticking",), ("pair", "sampling", "steps_advance", "steps_retard")),
        Question("holds", "Does it hold where it is told to?", ("unstable",), ("pair", "sampling", "hold")),
        Question("rests", "Does it rest where it should (mechanical timing)?", ("offset",), ("pair", "rest")),
        Question("starts_quietly", "Does it start quietly (lock pin)?", ("unstable",), ("pair", "cold_start")),
        Question("reading", "Is the reading sound?", ("sensor",), ("pair", "running")),
    )
}


@dataclass(frozen=True, slots=True)
class Measured:
    """One value of a figure: the estimate, the `amount` of data it rests on, oil window and part where it has one."""

    estimate: Estimate
    amount: float
    window: OilWindow | None = None
    part: str = ""


@dataclass(frozen=True)
class View:
    """One cam among the cams of its engine: what figures are measured on.

    `chain` are the other cams on the same chain (same bank), `twin` the same cam of the other bank, `others` all
    other cams, which share the oil. `codes` counts the trouble codes that name this cam by family; None where no list of
    codes was read.
    """

    x: Examination
    chain: tuple[Examination, ...] = ()
    twin: Examination | None = None
    others: tuple[Examination, ...] = ()
    codes: Mapping[str, int] | None = None


Measure = Callable[[View], Iterable[Measured]]


@dataclass(frozen=True)
class Figure:
    """One figure of a cam.

    `title` in plain words, `unit` of value and limit ("1" is a bare number, "share" a fraction of one shown in percent), `words` the sentence of a reason with
    places {value}, {part} and {n}. `question` names the QUESTIONS entry it speaks to ("" shows it only), `group` the figures
    that share its information, or are signs of which any one suffices: of one group only the one most surely bad counts. `speaks_for` the conditions
    it never speaks less for as it grows worse. `limit` names an entry of limits.LIMITS (a name ending in `_*` has one
    a window: cold, warm, hot, very_hot). `bad` says which side of the limit is worse: "above", "below", or "size"
    (without its sign), `says_good` whether a good value is worth telling. `least` is the amount of data (in `amount`) below which it says nothing. `group_title` and
    `shown` place it in tables.
    """

    name: str
    title: str
    unit: str
    question: str
    group: str
    limit: str
    speaks_for: tuple[str, ...]
    measure: Measure = field(repr=False)
    words: str
    least: float = 1.0
    amount: str = "s"
    bad: str = "above"
    says_good: bool = True

    def limit_in(self, limits: Mapping[str, Limit], window: OilWindow | None) -> Limit | None:
        """The limit that judges this figure in an oil window; None for a figure that is only shown."""
        if not self.limit:
            return None
        if "*" not in self.limit:
            return limits[self.limit]
        # Without any temperature the cam is given what cold oil would allow.
        return limits[self.limit.replace("*", "cold" if window is None else window_word(window, limits))]

    def shown(self, measured: Measured) -> str:
        """The value with its unit, as it is printed everywhere."""
        e, size = measured.estimate, self.bad == "size"
        if e.value is None:
            bound = e.low if e.low is not None else e.high
            more = "more than" if e.low is not None else "less than"
            return with_unit(None, self.unit) if bound is None else f"{more} {with_unit(bound, self.unit)}"
        doubt = None if e.interval is None else (e.high - e.low) / 2.0
        return with_unit(abs(e.value) if size else e.value, self.unit, doubt)

    def sentence(self, measured: Measured) -> str:
        """Its words with the value, and the oil window it belongs to; no full stop."""
        value = measured.estimate.value
        words = self.words.format(
            value=self.shown(measured), part=measured.part, Part=measured.part.capitalize(),
            n=int(measured.amount), way="advanced" if value is not None and value > 0 else "retarded",
        )  # fmt: skip
        oil = measured.window.words if measured.window is not None else ""
        return f"{words} with oil {oil}" if oil else words

    def values(self, view: View) -> list[Measured]:
        """All its values: whole drive or one an oil window and part; those not measured carry their reason."""
        return list(self.measure(view))
