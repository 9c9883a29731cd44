"""Every figure of a cam, declared once in `figures.toml`: what it is called, in which unit, how it is
measured (on a `View` of the cam), which question it speaks to, the limit it is read against, how much data it
needs and how it is worded.

Verdict, causes, tables, charts, comparison, proof and live page read this registry; nothing else pairs a
figure with a limit. A figure that judges is read as a multiple of its limit: the evidence table
(`verdict/evidence.json`) says how much each multiple speaks for and against each condition."""

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
    """One value of a figure: the estimate, the `amount` of data it rests on, oil window and part where it has
    one. Of a time after a step `resolution_s` is that between two readings: nothing shorter is told."""

    estimate: Estimate
    amount: float
    window: OilWindow | None = None
    part: str = ""
    resolution_s: float = 0.0


@dataclass(frozen=True)
class View:
    """One cam among the cams of its engine: what figures are measured on.

    `chain` are the other cams on the same chain (same bank), `twin` the same cam of the other bank,
    `others` all other cams, which share the oil. `codes` counts the trouble codes that name this cam by
    family; None where no list of codes was read."""

    x: Examination
    chain: tuple[Examination, ...] = ()
    twin: Examination | None = None
    others: tuple[Examination, ...] = ()
    codes: Mapping[str, int] | None = None

    def at(self, path: str) -> Any:
        """What stands at a path such as `rest.shift_deg` of the cam's examination."""
        return attrgetter(path)(self.x)

    @property
    def watched_s(self) -> float:
        """Seconds in which command and cam were known together, the engine running."""
        return self.x.tracking.excursions.watched_s


def view(examined: Mapping[str, Examination], cam: str, codes: CodeEvidence | None = None) -> View:
    """One cam among the cams of its engine; `codes` of the drive, where they were read."""
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

    `title` in plain words, `unit` of value and limit ("1" is a bare number, "share" a fraction of one shown in
    percent), `words` the sentence of a reason with places {value}, {part} and {n}. `question` names the QUESTIONS entry
    it speaks to ("" shows it only), `group` the figures that share its information, or are signs of which any one
    suffices: of one group only the one most surely bad counts. `speaks_for` the conditions it never speaks less for as
    it grows worse. `limit` names an entry of limits.LIMITS (a name with `*` has one a window: cold, warm, hot,
    very_hot). `bad` says which side of the limit is worse: "above", "below", or "size" (without its sign), `says_good`
    whether a good value is worth telling. `least` is the amount of data (counted in `amount`) below which it says
    nothing. `again` names how the drive after a repair measures it, where a proof asks for that; `change_limit` what a
    change of it is small beside, where that is not `limit`; `after_step` marks a time after a step, no finer than the
    readings."""

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
        """The limit of this figure in an oil window, or beside which a `change` of it is large or small.
        Raises KeyError for a figure that has none."""
        name = (change and self.change_limit) or self.limit
        # Without any temperature the cam is given what cold oil would allow.
        return limits[name.replace("*", "cold" if window is None else window_word(window, limits))]

    def shown(self, measured: Measured) -> str:
        return shown(measured.estimate, self.unit, size=self.bad == "size", least=measured.resolution_s)

    def sentence(self, measured: Measured) -> str:
        """Its words with the value, and the oil window it belongs to; no full stop."""
        way = "figure.advanced" if (measured.estimate.value or 0.0) > 0 else "figure.retarded"
        words = self.words.format(
            value=self.shown(measured), part=measured.part, Part=capital(measured.part),
            n=int(measured.amount), way=messages(way),
        )  # fmt: skip
        return _with_oil(words, measured)

    def good_sentence(self, measured: Measured) -> str:
        """Title and value of a figure within its limit, and the oil window it belongs to; no full stop."""
        words = messages("figure.good", title=capital(self.title), value=self.shown(measured))
        return _with_oil(words, measured)

    def values(self, seen: View) -> list[Measured]:
        """All its values, of the whole drive or by oil window and part; those not measured say why."""
        found, resolution_s = list(self.measure(seen)), seen.x.data.actual_interval_s
        if not self.after_step or not math.isfinite(resolution_s):
            return found
        return [replace(m, resolution_s=resolution_s) for m in found]


def shown(estimate: Estimate, unit: str, *, size: bool = False, least: float = 0.0) -> str:
    """An estimate in words: `1.2 s`, `more than 1.4 s`, `< 0.07 s` below what the readings can tell (`least`),
    `not measured`; `size` leaves the sign out."""
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


def _with_oil(words: str, measured: Measured) -> str:
    window = measured.window
    return words if window is None else messages("figure.with_oil", words=words, oil=window.words)


def _measure(function: str, *arguments: str) -> Measure:
    """The function `module.function` of this package (without a module: of `measures`) with its arguments but
    the view."""
    module, _, name = function.rpartition(".")
    measure = getattr(import_module(f"{__name__}.{module or 'measures'}"), name)
    return lambda seen: measure(seen, *arguments)


def _figure(name: str, row: Mapping[str, Any]) -> Figure:
    # A figure that judges has a limit and a group of its own name unless the table says otherwise.
    own = {"group": name, "limit": name} if "question" in row else {}
    speaks_for = tuple(row.get("speaks_for", ()))
    return Figure(name, **{**own, **row, "measure": _measure(*row["measure"]), "speaks_for": speaks_for})


_DECLARED = tomllib.loads(resources.files(__name__).joinpath("figures.toml").read_text("utf-8"))
# In the order of the questions; of one group the first that was measured counts.
FIGURES: tuple[Figure, ...] = tuple(_figure(name, row) for name, row in _DECLARED["figure"].items())
BY_NAME: Mapping[str, Figure] = {f.name: f for f in FIGURES}


def limit_of(name: str, limits: Mapping[str, Limit], window: OilWindow | None = None) -> Limit:
    """The limit that judges the figure of that name in an oil window. Raises KeyError where none does."""
    return BY_NAME[name].judged_by(limits, window)
