"""Every metric of a cam beside its limit: value, interval, sample count, the limit and where it comes from."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from camlog.analysis.estimate import Estimate
from camlog.analysis.figures import FIGURES, QUESTIONS, Figure, Measured
from camlog.analysis.findings import Findings
from camlog.analysis.verdict.judge import view
from camlog.limits import Limit
from camlog.numbers import with_unit
from camlog.report.words import interval_words


@dataclass(frozen=True, slots=True)
class Row:
    """One metric. `figure` in `unit`; `oil` the window's label, empty for the whole drive.

    `state` is `within`, `beyond`, `unsure` (the interval spans the limit), `none` (no limit judges it) or
    `missing`. `size` means the limit judges the figure without its sign; `above` False that small is bad.
    `whole` is a count that is what it is, with no interval.
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

    @property
    def state(self) -> str:
        e = self.figure
        if e.value is None and e.low is None and e.high is None:
            return "missing"
        if self.limit is None:
            return "none"
        limit = self.limit.value
        if e.value is None:
            return self._state_of_a_bound(limit)
        sign = -1.0 if self.size and e.value < 0 else 1.0
        ends = [sign * end for end in (e.low, e.high) if end is not None]
        value = sign * e.value
        if len(ends) == 2 and min(ends) <= limit <= max(ends) and min(ends) != max(ends):
            return "unsure"
        return "beyond" if (value > limit if self.above else value < limit) else "within"

    def _state_of_a_bound(self, limit: float) -> str:
        """Of a figure known only to lie beyond a bound: judged where the bound itself is on one side of the limit."""
        low, high = self.figure.low, self.figure.high
        if low is not None and low > limit:
            return "beyond" if self.above else "within"
        if high is not None and high < limit:
            return "within" if self.above else "beyond"
        return "missing"

    @property
    def value_words(self) -> str:
        if self.figure.value is None:
            if self.figure.high is not None and not self.figure.low:
                return f"under {with_unit(self.figure.high, self.unit)}"
            return f"more than {with_unit(self.figure.low, self.unit)}" if self.figure.low else "not measured"
        e = self.figure
        return with_unit(e.value, self.unit, None if e.interval is None else (e.high - e.low) / 2.0)

    @property
    def interval(self) -> str:
        return interval_words(self.figure) if self.figure.value is not None else ""

    @property
    def reason(self) -> str:
        return self.figure.reason

    @property
    def count(self) -> str:
        return f"{self.figure.count:,}" if self.figure.count else ""

    @property
    def limit_words(self) -> str:
        if self.limit is None:
            return ""
        sign = "within ±" if self.size else "at most " if self.above else "at least "
        return f"{sign}{with_unit(self.limit.value, self.unit)}"

    @property
    def source(self) -> str:
        return "" if self.limit is None else self.limit.source

    @property
    def state_words(self) -> str:
        return {
            "within": "within", "beyond": "beyond the limit", "unsure": "too near to tell", "none": "", "missing": "",
        }[self.state]  # fmt: skip


FURTHER = "Further figures"


def rows(findings: Findings, cam: str) -> tuple[Row, ...]:
    """All figures of a cam, in the order of the registry: over the whole drive and by oil window."""
    seen = view({c: f.examination for c, f in findings.cams.items()}, cam)
    return tuple(row for figure in FIGURES for row in _rows(figure, figure.values(seen), findings.limits))


def _rows(figure: Figure, values: list[Measured], limits: Mapping[str, Limit]) -> Iterator[Row]:
    known = [m for m in values if any(e is not None for e in (m.estimate.value, m.estimate.low, m.estimate.high))]
    group = QUESTIONS[figure.question].title if figure.question else FURTHER
    # Where nothing was measured one row says why.
    for m in known or values[:1]:
        part = f", {m.part}" if m.part and known else ""
        yield Row(
            group, figure.title + part, m.estimate, figure.unit, figure.limit_in(limits, m.window),
            m.window.label if m.window is not None and known else "", figure.bad != "below", figure.bad == "size",
            figure.name,
        )  # fmt: skip


def misfire_rows(findings: Findings) -> tuple[Row, ...]:
    """Misfires per cylinder beside their limit."""
    limit = findings.limits["misfire_per_1000_rev"]
    return tuple(
        Row(
            "Misfires",
            f"cylinder {c.cylinder}" + (f", bank {c.bank}" if c.bank else ""),
            c.rate,
            "per 1,000 rev",
            limit,
        )
        for c in findings.misfire.per_cylinder
    )


def grouped(all_rows: Iterable[Row]) -> list[tuple[str, list[Row]]]:
    """Rows by their group, in the order they came."""
    groups: dict[str, list[Row]] = {}
    for row in all_rows:
        groups.setdefault(row.group, []).append(row)
    return list(groups.items())
