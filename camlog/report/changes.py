"""Every metric of two drives: before, after, and the change with its interval.

Differences and their intervals are those of `camlog.analysis.changes` (MOVER; Zou & Donner 2008), corrected for how
many are compared. These are the metrics as each drive gives them, over all it contained; the like-for-like
comparison over shared conditions is `camlog.analysis.changes.changes_between`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from camlog.analysis.changes.change import Change, Compared, change_of, corrected
from camlog.analysis.estimate import Estimate
from camlog.analysis.findings import Findings
from camlog.numbers import number, unit_words
from camlog.report.figures_table import Row, misfire_rows, rows
from camlog.report.words import say
from camlog.unknown import UNKNOWN


@dataclass(frozen=True, slots=True)
class MetricChange:
    """One metric: its row in either drive (None where that drive has no such row) and the change."""

    group: str
    metric: str
    oil: str
    before: Row | None
    after: Row | None
    change: Change

    @property
    def kind(self) -> str:
        """`better`, `worse`, `changed` (no limit says which is better), `same` (no more than chance) or `unknown`."""
        if not self.change.beyond_chance:
            return "unknown" if self.change.beyond_chance is None else "same"
        row = self.after or self.before
        if row is None or row.limit is None:
            return "changed"
        return "better" if self.change.better == row.above else "worse"

    @property
    def amount(self) -> str:
        """The change with its unit, signed: after minus before."""
        c = self.change
        return UNKNOWN if c.value is None else f"{_signed(c.value)} {unit_words(c.figure.unit)}".strip()

    @property
    def interval(self) -> str:
        c = self.change
        return "" if c.low is None or c.high is None else say("row.interval", low=_signed(c.low), high=_signed(c.high))

    @property
    def words(self) -> str:
        """The change in one plain sentence."""
        return say(f"change.{self.kind}", reason=self.change.reason)


def metric_changes(before: Findings, after: Findings) -> dict[str, tuple[MetricChange, ...]]:
    """Changes of every metric by cam, and of misfires under `misfire`."""
    cams = dict.fromkeys((*before.cams, *after.cams))
    changes = {cam: _changes(cam, *(rows(f, cam) if cam in f.cams else () for f in (before, after))) for cam in cams}
    cylinders = _changes("misfire", misfire_rows(before), misfire_rows(after))
    return changes | ({"misfire": cylinders} if cylinders else {})


def _changes(cam: str, before: tuple[Row, ...], after: tuple[Row, ...]) -> tuple[MetricChange, ...]:
    old, new = ({(r.group, r.metric, r.oil): r for r in side} for side in (before, after))
    pairs = {key: (old.get(key), new.get(key)) for key in (*old, *new)}
    figures = [
        Compared("", f"{group}: {metric}", (b or a).unit, _sized(a), _sized(b), cam=cam)
        for (group, metric, _), (a, b) in pairs.items()
    ]
    changes = corrected([change_of(figure) for figure in figures])
    return tuple(MetricChange(*key, *pair, c) for (key, pair), c in zip(pairs.items(), changes, strict=True))


def _sized(row: Row | None) -> Estimate:
    """The figure as its limit judges it: without its sign where both sides are alike."""
    if row is None:
        return Estimate(None, reason=say("change.not_there"))
    e = row.figure
    if not row.size or e.value is None:
        return e
    low, high = e.low, e.high
    if e.interval is not None:
        ends = sorted((abs(low), abs(high)))
        low, high = (0.0 if low < 0.0 < high else ends[0]), ends[1]
    return replace(e, value=abs(e.value), low=low, high=high)


def _signed(value: float) -> str:
    text = number(abs(value))
    return text if text == "0" else ("+" if value > 0 else "\N{MINUS SIGN}") + text
