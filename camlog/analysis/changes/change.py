"""What has changed between two drives: each figure's difference or ratio, its interval, and if by chance.

Figures are compared only over conditions both drives share (see `shared`). A difference of two estimates gets
its interval by recovering each one's variance from its own interval (MOVER; Zou & Donner, Statistics in
Medicine 27 (2008)); rates of events are compared as Poisson rates (Krishnamoorthy & Thomson 2004). Because
many figures are compared at once, "more than chance" is by Holm's procedure (Scandinavian Journal of
Statistics 6 (1979)) over those of one cam, and over those of misfire.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from scipy import stats

from camlog.analysis.estimate import Estimate, t_quantile
from camlog.analysis.findings import Findings
from camlog.analysis.misfire.poisson import rate_ratio
from camlog.cams import cam_words
from camlog.oil_windows import OilWindow

ALL_TEMPERATURES = OilWindow(-math.inf, math.inf)
SIGNIFICANCE = 0.05
SMALL_SHARE = 0.1  # of the limit: common practice, no source
DIFFERENCE, RATIO = "difference", "ratio"


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of both drives, taken over shared conditions only.

    `events` and `exposure` (before, after) where it is a rate of events; `shared` says in words which
    conditions were shared. Of every one the smaller, by its size, is the better. `limit` is what the figure
    is judged by, None where it has none.
    """

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


@dataclass(frozen=True, slots=True)
class Change:
    """How one figure changed: `value` is after minus before, or after over before (`kind`); its interval.

    `value`, `low` or `high` is None where it cannot be given; `p_value` is of "nothing has changed", and
    `beyond_chance` is that after correction for all figures compared (None where it cannot be told).
    `better` says in which direction it went, None where it did not go beyond chance.
    """

    figure: Figure
    kind: str
    value: float | None
    low: float | None
    high: float | None
    p_value: float | None
    beyond_chance: bool | None
    reason: str = ""

    @property
    def small(self) -> bool:
        """True for a difference so small beside the limit that it does not matter, chance or not."""
        limit, value = self.figure.limit, self.value
        return self.kind == DIFFERENCE and None not in (limit, value) and abs(value) < SMALL_SHARE * limit

    @property
    def better(self) -> bool | None:
        if not self.beyond_chance:
            return None
        f = self.figure
        before = f.before.value if f.before.value is not None else f.before.low
        after = f.after.value if f.after.value is not None else f.after.low
        return abs(after or 0.0) < abs(before or 0.0)

    @property
    def sentence(self) -> str:
        """The change in one plain sentence, and whether it is more than chance."""
        f = self.figure
        place = f"{_capital(cam_words(f.cam))}: " if f.cam else ""
        oil = f" with oil {f.window.words}" if f.window is not None else ""
        text = f"{place}{f.title}{oil} {_words(f.before, f.unit)} before, {_words(f.after, f.unit)} after"
        if self.value is None and self.low is None and self.high is None:
            return f"{text}: cannot be compared ({self.reason})."
        verdict = {
            True: "better, and more than chance",
            False: "worse, and more than chance",
            None: "no more than chance",
        }[self.better]
        if self.beyond_chance is None:
            verdict = "whether that is chance cannot be told"
        elif self.beyond_chance and self.small:
            verdict = (
                f"more than chance, but small beside the limit of {self.figure.limit:g} {f.unit}".rstrip()
            )
        return f"{text}: {self._amount()}; {verdict}."

    def _amount(self) -> str:
        unit = self.figure.unit
        if self.value is None:
            return (
                f"at least {abs(self.high if self.high is not None else self.low):.3g} {unit} apart".strip()
            )
        if self.kind == RATIO:
            top = "no upper end" if self.high is None else f"{self.high:.2g}"
            return f"{self.value:.2g} times (95 %: {self.low or 0.0:.2g} to {top})"
        interval = (
            "" if self.low is None or self.high is None else f" (95 %: {self.low:+.3g} to {self.high:+.3g})"
        )
        return f"{self.value:+.3g} {unit}{interval}"

    def to_dict(self) -> dict[str, Any]:
        f = self.figure
        return {
            "figure": f.name, "title": f.title, "unit": f.unit, "cam": f.cam,
            **(f.window or ALL_TEMPERATURES).to_dict(),
            "all_windows": f.window is None,
            "before": _estimate(f.before), "after": _estimate(f.after), "shared_conditions": f.shared,
            "kind": self.kind, "value": _finite(self.value),
            "low": _finite(self.low), "high": _finite(self.high),
            "p_value": _finite(self.p_value), "beyond_chance": self.beyond_chance, "better": self.better,
            "small": self.small, "reason": self.reason, "sentence": self.sentence,
        }  # fmt: skip


def changes_between(before: Findings, after: Findings) -> tuple[Change, ...]:
    """Every figure both drives give under shared conditions: cams, window by window, then misfires."""
    from camlog.verify.cam_changes import cam_figures
    from camlog.verify.misfire_changes import misfire_figures

    figures = []
    for cam in after.cams:
        if cam in before.cams:
            figures += cam_figures(cam, before, after)
    figures += misfire_figures(before, after)
    return corrected([change_of(f) for f in figures])


def change_of(figure: Figure) -> Change:
    """The change of one figure, not yet corrected for how many are compared."""
    if figure.events is not None and figure.exposure is not None:
        return _rate_change(figure)
    return _difference(figure)


def _rate_change(figure: Figure) -> Change:
    (k0, k1), (n0, n1) = figure.events, figure.exposure
    if not (n0 > 0.0 and n1 > 0.0):
        return Change(
            figure, RATIO, None, None, None, None, None, "nothing was counted under shared conditions"
        )
    found = rate_ratio(k1, n1, k0, n0, figure.dispersion)
    if k0 == k1 == 0:
        return Change(figure, RATIO, None, None, None, None, None, "none in either drive")
    value = found.value if found.value is not None else math.inf
    value = value if math.isfinite(value) else None
    return Change(figure, RATIO, value, found.low, found.high, found.p_value, None)


def _difference(figure: Figure) -> Change:
    a, b = figure.before, figure.after
    if a.value is None and b.value is None:
        reason = a.reason or b.reason or "measured in neither drive"
        return Change(figure, DIFFERENCE, None, None, None, None, None, reason)
    if a.value is None or b.value is None:
        return _bounded(figure)
    value = b.value - a.value
    if a.interval is None or b.interval is None:
        return Change(
            figure, DIFFERENCE, value, None, None, None, None, "too few independent pieces for an interval"
        )
    low = value - math.hypot(b.value - b.low, a.high - a.value)
    high = value + math.hypot(b.high - b.value, a.value - a.low)
    half = value - low if value > 0 else high - value
    return Change(figure, DIFFERENCE, value, low, high, _p_value(value, half, min(a.count, b.count)), None)


def _p_value(difference: float, half_width: float, count: int) -> float:
    """Two-sided p-value of "no difference", from the 95 % half width on the side of zero (Student's t)."""
    if half_width <= 0.0:
        return 1.0 if difference == 0.0 else 0.0
    freedom = max(count - 1.0, 1.0)
    return float(2.0 * stats.t.sf(abs(difference) / half_width * t_quantile(freedom), freedom))


def _chance_of(known: Estimate, bound: float) -> float:
    """The chance that a figure with an interval lies beyond a bound the other drive gave."""
    half = known.high - known.value if bound > known.value else known.value - known.low
    return _p_value(bound - known.value, half, known.count)


def _bounded(figure: Figure) -> Change:
    """One drive gives only a bound (steps that had not arrived when the command moved on)."""
    a, b = figure.before, figure.after
    if a.value is None and a.low is not None and b.high is not None and b.high < a.low:
        return Change(figure, DIFFERENCE, None, None, b.high - a.low, _chance_of(b, a.low), None)
    if b.value is None and b.low is not None and a.high is not None and a.high < b.low:
        return Change(figure, DIFFERENCE, None, b.low - a.high, None, _chance_of(a, b.low), None)
    which, why = ("first", a.reason) if a.value is None else ("second", b.reason)
    return Change(
        figure,
        DIFFERENCE,
        None,
        None,
        None,
        None,
        None,
        f"not measured in the {which} drive: {why or 'no reason given'}",
    )


def corrected(changes: Sequence[Change]) -> tuple[Change, ...]:
    """The changes with `beyond_chance` by Holm's procedure at 5 % over each cam's figures, and misfire's."""
    found = list(changes)
    for group in {c.figure.cam for c in changes}:
        tested = [i for i, c in enumerate(changes) if c.p_value is not None and c.figure.cam == group]
        still = True
        for rank, i in enumerate(sorted(tested, key=lambda i: changes[i].p_value)):
            still = still and changes[i].p_value <= SIGNIFICANCE / (len(tested) - rank)
            found[i] = replace(changes[i], beyond_chance=still)
    return tuple(found)


def _words(figure: Estimate, unit: str) -> str:
    if figure.value is None:
        return "not measured" if figure.low is None else f"at least {figure.low:.3g} {unit}".strip()
    return f"{figure.value:.3g} {unit}".strip()


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _estimate(e: Estimate) -> dict[str, Any]:
    return {
        "value": _finite(e.value), "low": _finite(e.low), "high": _finite(e.high), "count": e.count,
        "reason": e.reason,
    }  # fmt: skip


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), 6)
