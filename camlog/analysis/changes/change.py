"""What has changed between two drives: each figure's difference or ratio, its interval, and whether by chance.

The interval of a difference comes from the two intervals (MOVER; Zou & Donner, Statistics in Medicine 27 (2008)). Rates
of events are compared as Poisson rates (Krishnamoorthy & Thomson 2004). As many figures are compared at once, "more
than chance" is decided by Holm's procedure (Scandinavian Journal of Statistics 6 (1979)) over the figures of one cam,
and over those of misfire."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from scipy import stats

from camlog.analysis.estimate import Estimate, t_quantile
from camlog.analysis.figures import shown
from camlog.analysis.misfire.poisson import rate_ratio
from camlog.cams import cam_words
from camlog.messages import Messages, capital
from camlog.numbers import finite, interval, number, rounded_ends, signed, with_unit
from camlog.oil_windows import OilWindow

messages = Messages("camlog.analysis.changes")
ALL_TEMPERATURES = OilWindow(-math.inf, math.inf)
SIGNIFICANCE = 0.05
SMALL_SHARE = 0.1  # of the limit: common practice, no source
DIFFERENCE, RATIO = "difference", "ratio"
WIDEST_RATIO = 30.0  # a ratio whose interval ends are farther apart than this factor is not shown


@dataclass(frozen=True, slots=True)
class Compared:
    """One figure of both drives, taken over shared conditions only.

    `events` and `exposure` (before, after) are set for a rate of events. `shared` names the shared conditions in
    words. The smaller absolute value is better, unless `more_is_better`. `limit` is the figure's limit, or None;
    `least` the smallest value the readings can resolve, in `unit`."""

    name: str
    title: str
    unit: str
    before: Estimate
    after: Estimate
    cam: str | None = None
    window: OilWindow | None = None
    shared: str = ""
    events: tuple[float, float] | None = None
    exposure: tuple[float, float] | None = None
    dispersion: float = 1.0
    limit: float | None = None
    least: float = 0.0
    more_is_better: bool = False


@dataclass(frozen=True, slots=True)
class Change:
    """How one figure changed: `value` is after minus before, or after over before (`kind`), with its interval.
    `value`, `low` or `high` is None where it cannot be given. `p_value` tests "nothing has changed"; `beyond_chance` is
    the answer after correction for all figures compared (None: unknown)."""

    figure: Compared
    kind: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    p_value: float | None = None
    beyond_chance: bool | None = None
    reason: str = ""

    @property
    def small(self) -> bool:
        """True for a difference below SMALL_SHARE of the limit, whether by chance or not."""
        limit, value = self.figure.limit, self.value
        return self.kind == DIFFERENCE and limit is not None and value is not None and abs(value) < SMALL_SHARE * limit

    @property
    def better(self) -> bool | None:
        """Whether the figure improved; None where it did not change beyond chance."""
        if not self.beyond_chance:
            return None
        sizes = [e.value if e.value is not None else e.low for e in (self.figure.before, self.figure.after)]
        return (abs(sizes[1] or 0.0) < abs(sizes[0] or 0.0)) is not self.figure.more_is_better

    @property
    def known(self) -> bool:
        return not (self.value is None and self.low is None and self.high is None)

    @property
    def holds_none(self) -> bool:
        """True where the interval of the change, as printed, contains "no change"."""
        if self.low is None or self.high is None:
            return False
        low, high = rounded_ends(self.low, self.high)
        return low <= (1.0 if self.kind == RATIO else 0.0) <= high

    @property
    def cells(self) -> dict[str, str]:
        """The change in words, for a row of a table: `figure`, `before`, `after`, `limit`, `amount`, `verdict`."""
        f = self.figure
        title = messages("change.of_cam", cam=capital(cam_words(f.cam)), title=f.title) if f.cam else f.title
        if f.window is not None:
            title = messages("change.with_oil", figure=title, oil=f.window.words)
        return {
            "figure": title, "title": f.title, **{side: shown(getattr(f, side), f.unit, least=f.least) for side in ("before", "after")},
            "limit": "" if f.limit is None else with_unit(f.limit, f.unit),
            "amount": self._amount() if self.known else "", "verdict": self._verdict(),
        }  # fmt: skip

    @property
    def sentence(self) -> str:
        """The change in one plain sentence, and whether it is more than chance."""
        return messages("change.sentence" if self.known else "change.not_compared", **self.cells, reason=self.reason)

    def _verdict(self) -> str:
        if not self.known:
            return self.reason
        if self.beyond_chance is None:
            return messages("verdict.unknown")
        if self.beyond_chance and self.small:
            return messages("verdict.small", limit=with_unit(self.figure.limit, self.figure.unit))
        return messages({True: "verdict.better", False: "verdict.worse", None: "verdict.chance"}[self.better])

    def _amount(self) -> str:
        unit, f = self.figure.unit, self.figure
        if all(e.value is not None and e.value < f.least for e in (f.before, f.after)):
            return messages("amount.below")
        low, high = self.low or 0.0, self.high
        ends = interval(low, high) if self.low is not None and high is not None else ""
        if self.value is None:
            return messages("amount.apart", apart=with_unit(abs(high if high is not None else low), unit))
        if self.kind == DIFFERENCE:
            return messages("amount.by", value=signed(self.value, unit), ends=ends)
        if high is not None and high > WIDEST_RATIO * max(low, 1.0 / WIDEST_RATIO):
            return messages("amount.too_wide")
        return messages(
            "amount.times", value=number(self.value), ends=ends or messages("amount.open_end", low=number(low))
        )

    def to_dict(self) -> dict[str, Any]:
        f = self.figure
        return {
            "figure": f.name, "title": f.title, "unit": f.unit, "cam": f.cam,
            **(f.window or ALL_TEMPERATURES).to_dict(),
            "all_windows": f.window is None,
            "before": _estimate(f.before), "after": _estimate(f.after), "shared_conditions": f.shared,
            "kind": self.kind, **{n: finite(getattr(self, n)) for n in ("value", "low", "high", "p_value")},
            "beyond_chance": self.beyond_chance, "better": self.better,
            "small": self.small, "reason": self.reason, "sentence": self.sentence,
        }  # fmt: skip


def change_of(figure: Compared) -> Change:
    """The change of one figure, not yet corrected for the number of figures compared."""
    if figure.events is not None and figure.exposure is not None:
        return _rate_change(figure, figure.events, figure.exposure)
    return _difference(figure)


def _rate_change(figure: Compared, events: tuple[float, float], exposure: tuple[float, float]) -> Change:
    (k0, k1), (n0, n1) = events, exposure
    if not (n0 > 0.0 and n1 > 0.0):
        return Change(figure, RATIO, reason=messages("reason.nothing_counted"))
    if k0 == k1 == 0:
        return Change(figure, RATIO, reason=messages("reason.none_in_either"))
    ratio = rate_ratio(k1, n1, k0, n0, figure.dispersion)
    value = ratio.value if ratio.value is not None and math.isfinite(ratio.value) else None
    return Change(figure, RATIO, value, ratio.low, ratio.high, ratio.p_value)


def _difference(figure: Compared) -> Change:
    a, b = figure.before, figure.after
    if a.value is None and b.value is None:
        return Change(figure, DIFFERENCE, reason=a.reason or b.reason or messages("reason.in_neither"))
    if a.value is None or b.value is None:
        return _bounded(figure)
    value = b.value - a.value
    if a.interval is None or b.interval is None:
        return Change(figure, DIFFERENCE, value, reason=messages("reason.too_few"))
    (a_low, a_high), (b_low, b_high) = a.interval, b.interval
    low = value - math.hypot(b.value - b_low, a_high - a.value)
    high = value + math.hypot(b_high - b.value, a.value - a_low)
    half = value - low if value > 0 else high - value
    return Change(figure, DIFFERENCE, value, low, high, _p_value(value, half, min(a.count, b.count)))


def _bounded(figure: Compared) -> Change:
    """The change where one drive gives only a bound (steps had not arrived when the command moved on)."""
    a, b = figure.before, figure.after
    if a.value is None and a.low is not None and b.high is not None and b.high < a.low:
        return Change(figure, DIFFERENCE, high=b.high - a.low, p_value=_chance_of(b, a.low))
    if b.value is None and b.low is not None and a.high is not None and a.high < b.low:
        return Change(figure, DIFFERENCE, low=b.low - a.high, p_value=_chance_of(a, b.low))
    which, reason = ("first", a.reason) if a.value is None else ("second", b.reason)
    reason = messages("reason.not_measured", which=which, why=reason or messages("reason.no_reason"))
    return Change(figure, DIFFERENCE, reason=reason)


def _p_value(difference: float, half_width: float, count: int) -> float:
    """Two-sided p-value of "no difference", from the 95 % half width towards zero (Student's t)."""
    if half_width <= 0.0:
        return 1.0 if difference == 0.0 else 0.0
    freedom = max(count - 1.0, 1.0)
    return float(2.0 * stats.t.sf(abs(difference) / half_width * t_quantile(freedom), freedom))


def _chance_of(known: Estimate, bound: float) -> float:
    """The chance that a figure with an interval lies beyond the bound from the other drive."""
    value, (low, high) = known.value or 0.0, known.interval or (-math.inf, math.inf)
    return _p_value(bound - value, high - value if bound > value else value - low, known.count)


def corrected(changes: Sequence[Change]) -> tuple[Change, ...]:
    """The changes with `beyond_chance` set by Holm's procedure at 5 % over each cam's figures, and over misfire's."""
    result = list(changes)
    for group in {c.figure.cam for c in changes}:
        tested = sorted(
            (c.p_value, i) for i, c in enumerate(changes) if c.p_value is not None and c.figure.cam == group
        )
        significant = True
        for rank, (p, i) in enumerate(tested):
            significant = significant and p <= SIGNIFICANCE / (len(tested) - rank)
            result[i] = replace(changes[i], beyond_chance=significant and not changes[i].holds_none)
    return tuple(result)


def _estimate(e: Estimate) -> dict[str, Any]:
    ends = {name: finite(getattr(e, name)) for name in ("value", "low", "high")}
    return {**ends, "count": e.count, "reason": e.reason}
