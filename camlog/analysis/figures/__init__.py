"""Every figure of a cam, declared once in `figures.toml`: its name, unit, measurement (on a `View` of the cam),
question, limit, amount of data needed, and wording.
Verdict, causes, tables, charts, comparison, proof and live page read this registry; nothing else pairs a figure with a
limit. A figure that judges is taken as a multiple of its limit: the evidence table (`verdict/evidence.json`) says how
much each multiple counts for and against each condition."""

from __future__ import annotations

import math
import tomllib
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from importlib import import_module, resources
from operator import attrgetter
from typing import Any

from camlog.analysis.cam.examine import Examination
from camlog.analysis.code_evidence import CodeEvidence
from camlog.analysis.estimate import Estimate
from camlog.cams import on_chain_of, twins_of
from camlog.limits import Limit
from camlog.messages import Messages, capital
from camlog.numbers import with_unit
from camlog.oil_windows import OilWindow, window_word

messages = Messages("camlog.analysis.figures")
CONDITIONS = ("healthy", "sticking", "slow", "stuck", "unstable", "offset", "sensor")
FAULTS = CONDITIONS[1:]


@dataclass(frozen=True, slots=True)
class Measured:
    """One value of a figure: the estimate, the `amount` of data behind it, and oil window and part, if any. For a time
    after a step, `resolution_s` is the interval between readings; shorter times cannot be resolved."""

    estimate: Estimate
    amount: float
    window: OilWindow | None = None
    part: str = ""
    resolution_s: float = 0.0


@dataclass(frozen=True)
class View:
    """One cam with the other cams of its engine, on which figures are measured.

    `chain` are the other cams on the same chain (same bank), `twin` the same cam of the other bank, `others` all other
    cams, which share the oil. `codes` counts the trouble codes that name this cam by family; None: no list was read."""

    x: Examination
    chain: tuple[Examination, ...] = ()
    twin: Examination | None = None
    others: tuple[Examination, ...] = ()
    codes: Mapping[str, int] | None = None

    def at(self, path: str) -> Any:
        """The value at a path such as `rest.shift_deg` in the cam's examination."""
        return attrgetter(path)(self.x)

    @property
    def watched_s(self) -> float:
        """Seconds in which command and cam were both known and the engine ran."""
        return self.x.tracking.excursions.watched_s


def view(examined: Mapping[str, Examination], cam: str, codes: CodeEvidence | None = None) -> View:
    """The view of one cam; `codes` are those of the drive, if they were read."""
    twins = twins_of(cam, examined)
    return View(
        examined[cam],
        tuple(examined[c] for c in on_chain_of(cam, examined)),
        examined[twins[0]] if twins else None,
        tuple(x for c, x in examined.items() if c != cam),
        Counter(c.family for c in codes.for_cam(cam)) if codes is not None and codes.known else None,
    )


Measure = Callable[[View], Iterable[Measured]]


@dataclass(frozen=True)
class Figure:
    """One figure of a cam.

    `title` is in plain words. `unit` is that of value and limit ("1": a bare number, "share": a fraction of one shown
    in percent). `words` is the sentence of a reason with the places {value}, {part} and {n}. `question` is the
    QUESTIONS entry it helps to answer ("": only shown). `group` joins figures that share information, or signs of which
    any one suffices: only the one most surely bad counts. `speaks_for` are the conditions whose evidence never falls as
    the figure grows worse. `limit` is an entry of limits.LIMITS (with `*`: one for each window cold, warm, hot,
    very_hot). `bad` is the worse side of the limit: "above", "below", or "size" (above, without sign). `says_good`: a
    good value is worth a sentence. `least` is the amount of data (in units of `amount`) below which the figure counts
    for nothing. `again` is how the drive after a repair measures it, if a proof asks for that. `change_limit` is the
    limit that decides whether a change is small, if not `limit`. `after_step` marks a time after a step, which has the
    resolution of the readings."""

    name: str
    title: str
    unit: str
    measure: Measure = field(repr=False)
    question: str = ""
    group: str = ""
    limit: str = ""
    speaks_for: tuple[str, ...] = ()
    words: str = ""
    least: float = 1.0
    amount: str = "s"
    bad: str = "above"
    says_good: bool = True
    again: str = ""
    change_limit: str = ""
    after_step: bool = False

    def judged_by(self, limits: Mapping[str, Limit], window: OilWindow | None, *, change: bool = False) -> Limit:
        """The limit of this figure in an oil window; with `change`, the limit that decides whether a change is small.
        Raises KeyError for a figure that has none."""
        name = (change and self.change_limit) or self.limit
        # Without any temperature the limit for cold oil applies.
        return limits[name.replace("*", "cold" if window is None else window_word(window, limits))]

    def shown(self, measured: Measured) -> str:
        return shown(measured.estimate, self.unit, size=self.bad == "size", least=measured.resolution_s)

    def sentence(self, measured: Measured) -> str:
        """The figure's `words` with the value and its oil window; no full stop."""
        direction = "figure.advanced" if (measured.estimate.value or 0.0) > 0 else "figure.retarded"
        text = self.words.format(
            value=self.shown(measured), part=measured.part, Part=capital(measured.part),
            n=int(measured.amount), way=messages(direction),
        )  # fmt: skip
        return _with_oil(text, measured)

    def good_sentence(self, measured: Measured) -> str:
        """Title and value of a figure within its limit, with its oil window; no full stop."""
        text = messages("figure.good", title=capital(self.title), value=self.shown(measured))
        return _with_oil(text, measured)

    def values(self, view: View) -> list[Measured]:
        """All values of the figure, for the whole drive or by oil window and part; missing ones carry a reason."""
        measured_values, resolution_s = list(self.measure(view)), view.x.data.actual_interval_s
        if not self.after_step or not math.isfinite(resolution_s):
            return measured_values
        return [replace(m, resolution_s=resolution_s) for m in measured_values]


def shown(estimate: Estimate, unit: str, *, size: bool = False, least: float = 0.0) -> str:
    """An estimate in words: `1.2 s`, `more than 1.4 s`, `< 0.07 s` (below the resolution `least`), `not measured`;
    `size` leaves the sign out."""
    value = estimate.value
    if value is not None and value < least and unit == "s":
        return messages("figure.below", value=with_unit(least, unit))
    if value is not None:
        return with_unit(
            abs(value) if size else value, unit, None if estimate.interval is None else estimate.half_width
        )
    if estimate.low:
        return messages("figure.more_than", value=with_unit(estimate.low, unit))
    if estimate.high is not None:
        return messages("figure.less_than", value=with_unit(max(estimate.high, least), unit))
    return messages("missing.not_measured")


def _with_oil(text: str, measured: Measured) -> str:
    window = measured.window
    return text if window is None else messages("figure.with_oil", words=text, oil=window.words)


def _measure(function: str, *arguments: str) -> Measure:
    """The function `module.function` of this package (without a module: of `measures`), with all arguments except the
    view bound."""
    module, _, name = function.rpartition(".")
    measure = getattr(import_module(f"{__name__}.{module or 'measures'}"), name)
    return lambda view: measure(view, *arguments)


def _figure(name: str, row: Mapping[str, Any]) -> Figure:
    # A figure that judges has a limit and a group of its own name unless the table says otherwise.
    own = {"group": name, "limit": name} if "question" in row else {}
    speaks_for = tuple(row.get("speaks_for", ()))
    return Figure(name, **{**own, **row, "measure": _measure(*row["measure"]), "speaks_for": speaks_for})


_DECLARED = tomllib.loads(resources.files(__name__).joinpath("figures.toml").read_text("utf-8"))
# In the order of the questions.
FIGURES: tuple[Figure, ...] = tuple(_figure(name, row) for name, row in _DECLARED["figure"].items())
BY_NAME: Mapping[str, Figure] = {f.name: f for f in FIGURES}


def limit_of(name: str, limits: Mapping[str, Limit], window: OilWindow | None = None) -> Limit:
    """The limit that judges the figure of that name in an oil window. Raises KeyError where none does."""
    return BY_NAME[name].judged_by(limits, window)
