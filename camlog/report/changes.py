"""Every metric of two drives: before, after, and the change with its interval.

Differences and their intervals are those of `camlog.verify.changes` (MOVER; Zou & Donner 2008), corrected for how
many are compared. These are the metrics as each drive gives them, over all it contained; the like-for-like
comparison over shared conditions is `camlog.verify.changes.changes_between`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from camlog.analysis.estimate import Estimate
from camlog.analysis.findings import Findings
from camlog.numbers import number, unit_words
from camlog.report.figures_table import Row, misfire_rows, rows
from camlog.unknown import UNKNOWN
from camlog.verify.changes import Change, Figure, change_of, corrected


@dataclass(frozen=True, slots=True)
class MetricChange:
    """One metric: its row in either drive (None where that drive has no such row) and the change.

    `kind` is `better`, `worse`, `changed` (no limit says which is better), `same` (no more than chance) or
    `unknown`.
    """

    group: str
    metric: str
    oil: str
    before: Row | None
    after: Row | None
    change: Change

    @property
    def kind(self) -> str:
        if self.change.beyond_chance is None:
            return "unknown"
        if not self.change.beyond_chance:
            return "same"
        row = self.after or self.before
        if row is None or row.limit is None:
            return "changed"
        return "better" if self.change.better == row.above else "worse"

    @property
    def amount(self) -> str:
        """The change with its unit, signed: after minus before."""
        c = self.change
        if c.value is None:
            return UNKNOWN
        return f"{_signed(c.value)} {unit_words(self.change.figure.unit)}".strip()

    @property
    def interval(self) -> str:
        c = self.change
        return "" if c.low is None or c.high is None else f"{_signed(c.low)} to {_signed(c.high)}"

    @property
    def words(self) -> str:
        """The change in one plain sentence."""
        said = {
            "better": "better, and more than chance", "worse": "worse, and more than chance",
            "changed": "changed by more than chance", "same": "no more than chance",
            "unknown": f"cannot be compared{': ' + self.change.reason if self.change.reason else ''}",
        }[self.kind]  # fmt: skip
        return said[:1].upper() + said[1:] + "."


def metric_changes(before: Findings, after: Findings) -> dict[str, tuple[MetricChange, ...]]:
    """Changes of every metric by cam, and of misfires under `misfire`."""
    found = {}
    for cam in dict.fromkeys((*before.cams, *after.cams)):
        pair = [rows(f, cam) if cam in f.cams else () for f in (before, after)]
        found[cam] = _changes(cam, *pair)
    cylinders = _changes("misfire", misfire_rows(before), misfire_rows(after))
    return found | ({"misfire": cylinders} if cylinders else {})


def _changes(cam: str, before: tuple[Row, ...], after: tuple[Row, ...]) -> tuple[MetricChange, ...]:
    old, new = ({(r.group, r.metric, r.oil): r for r in side} for side in (before, after))
    keys = list(dict.fromkeys((*old, *new)))
    pairs = [(old.get(key), new.get(key)) for key in keys]
    changes = corrected([_change(cam, key, *pair) for key, pair in zip(keys, pairs, strict=True)])
    return tuple(
        MetricChange(*key, *pair, change) for key, pair, change in zip(keys, pairs, changes, strict=True)
    )


def _change(cam: str, key: tuple[str, str, str], before: Row | None, after: Row | None) -> Change:
    row = after or before
    none = Estimate(None, reason="not in this drive")
    sides = [none if r is None else _sized(r) for r in (before, after)]
    return change_of(Figure("", f"{key[0]}: {key[1]}", row.unit, *sides, cam=cam))


def _sized(row: Row) -> Estimate:
    """The figure as its limit judges it: without its sign where both sides are alike."""
    e = row.figure
    if not row.size or e.value is None:
        return e
    low, high = e.low, e.high
    if low is not None and high is not None:
        ends = sorted((abs(low), abs(high)))
        low, high = (0.0 if e.low < 0.0 < e.high else ends[0]), ends[1]
    return replace(e, value=abs(e.value), low=low, high=high)


def _signed(value: float) -> str:
    text = number(abs(value))
    return text if text == "0" else ("+" if value > 0 else "\N{MINUS SIGN}") + text
