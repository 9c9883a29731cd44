"""Every metric of a cam beside its limit: value, interval, sample count, the limit and where it comes from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from camlog.analysis.estimate import Estimate
from camlog.analysis.figures import FIGURES, QUESTIONS, Figure, Measured, view
from camlog.analysis.findings import Findings
from camlog.limits import Limit
from camlog.numbers import with_unit
from camlog.report.words import interval_words, say

OF_A_STEP = ("t63_s", "t63_fit_s", "t86_s", "dead_time_s", "fit_dead_time_s", "time_constant_s", "others_t63_s")


@dataclass(frozen=True, slots=True)
class Row:
    """One metric. `figure` in `unit`; `oil` the window's label, empty for the whole drive.

    `size` means the limit judges the figure without its sign; `above` False that small is bad.
    Of a time after a step `resolution_s` is the time between two readings: nothing shorter is told.
    """

    group: str
    metric: str
    figure: Estimate
    unit: str
    limit: Limit | None = None
    oil: str = ""
    above: bool = True
    size: bool = False
    key: str = ""
    resolution_s: float = 0.0

    @property
    def state(self) -> str:
        """`within`, `beyond`, `unsure` (the interval spans the limit), `none` (no limit judges it) or `missing`."""
        low, value, high = self.figure.low, self.figure.value, self.figure.high
        if value is None and low is None and high is None:
            return "missing"
        if self.limit is None:
            return "none"
        if self.size and value is not None and value < 0:
            low, value, high = (None if e is None else -e for e in (high, value, low))
        limit = self.limit.value
        if value is None:  # of a bound: judged where the bound itself is on one side of the limit
            side = 1 if low is not None and low > limit else -1 if high is not None and high < limit else 0
            if not side:
                return "missing"
        elif None not in (low, high) and low < high and low <= limit <= high:
            return "unsure"
        else:
            side = (value > limit) - (value < limit)
        return "beyond" if side == (1 if self.above else -1) else "within"

    @property
    def value_words(self) -> str:
        e = self.figure
        if e.value is not None and e.value < self.resolution_s:
            return say("row.below", value=with_unit(self.resolution_s, self.unit))
        if e.value is not None:
            return with_unit(e.value, self.unit, None if e.interval is None else (e.high - e.low) / 2.0)
        if e.high is not None and not e.low:
            return say("row.under", value=with_unit(e.high, self.unit))
        return say("row.more_than", value=with_unit(e.low, self.unit)) if e.low else say("row.not_measured")

    @property
    def interval(self) -> str:
        return interval_words(self.figure) if self.figure else ""

    @property
    def limit_words(self) -> str:
        if self.limit is None:
            return ""
        kind = "within" if self.size else "at_most" if self.above else "at_least"
        return say(f"row.{kind}", value=with_unit(self.limit.value, self.unit))

    @property
    def source(self) -> str:
        return "" if self.limit is None else self.limit.source

    @property
    def state_words(self) -> str:
        return say(f"row.state.{self.state}")


def rows(findings: Findings, cam: str) -> tuple[Row, ...]:
    """All figures of a cam, in the order of the registry: over the whole drive and by oil window."""
    seen = view({c: f.examination for c, f in findings.cams.items()}, cam)
    return tuple(row for figure in FIGURES for row in _rows(figure, figure.values(seen), findings.limits, seen.x.data.actual_interval_s))


def _rows(
    figure: Figure, values: list[Measured], limits: Mapping[str, Limit], interval_s: float
) -> Iterator[Row]:
    known = [m for m in values if any(e is not None for e in (m.estimate.value, m.estimate.low, m.estimate.high))]
    group = QUESTIONS[figure.question].title if figure.question else say("row.further")
    # Where nothing was measured one row says why.
    for m in known or values[:1]:
        part = f", {m.part}" if m.part and known else ""
        oil = m.window.label if m.window is not None and known else ""
        limit = figure.judged_by(limits, m.window) if figure.limit else None
        yield Row(group, figure.title + part, m.estimate, figure.unit, limit, oil,
                  figure.bad != "below", figure.bad == "size", figure.name,
                  interval_s if figure.name in OF_A_STEP else 0.0)  # fmt: skip


def misfire_rows(findings: Findings) -> tuple[Row, ...]:
    """Misfires per cylinder beside their limit."""
    limit = findings.limits["misfire_per_1000_rev"]
    return tuple(Row(say("row.misfires"), say("row.cylinder", c=c), c.rate, limit.unit, limit)
                 for c in findings.misfire.per_cylinder)  # fmt: skip
