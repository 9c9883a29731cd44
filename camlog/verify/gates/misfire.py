"""Misfires: gone in every cylinder, over enough revolutions, without a counter reset in between."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from camlog import signals
from camlog.analysis.estimate import Estimate
from camlog.analysis.findings import Findings
from camlog.analysis.misfire import poisson
from camlog.analysis.misfire.association import revolutions
from camlog.verify.gate import Case, Outcome, failed, gate, messages, not_shown, passed

# Least share of the drive that must be counted. A few lost polls lose no misfires, because the counters are cumulative.
COUNTED_SHARE = 0.8
# Two polls around a start or stop of the engine belong to different driving cycles.
START_SLACK_S = 2.0


@gate(140, "misfire")
def misfire(case: Case) -> Outcome:
    """Misfires of the second drive against the limit, per cylinder."""
    return judge_misfires(case.after)


def judge_misfires(findings: Findings) -> Outcome:
    """Misfires of one drive against the limit: gone, present, or uncertain."""
    counted = findings.misfire.per_cylinder
    if not counted:
        reason = findings.misfire.rate.reason or messages("misfire_words.none")
        return not_shown("not_counted", answerable=False, reason=reason)
    limit = findings.limits["misfire_per_1000_rev"]
    # The count at the start of the recording is included.
    rates: dict[int, Estimate] = {
        c.cylinder: poisson.rate(c.count + c.at_start, c.revolutions / 1000.0, findings.misfire.dispersion)
        for c in counted
    }
    if bad := [n for n, r in rates.items() if r.low is not None and r.low > limit.value]:
        values = {n: messages("misfire_words.value", rate=rates[n]) for n in bad}
        return failed("misfires", fault=True, cylinders=_cylinder_rates(values), limit=limit)
    engine = findings.profile.engine if findings.profile is not None else None
    expected = range(1, (engine.cylinders or 0) + 1) if engine else ()
    if absent := [n for n in expected if n not in rates]:
        return not_shown("cylinder_absent", cylinders=_numbers(absent))
    if reset := [n for n in rates if _reset_in_between(findings, n)]:
        return not_shown("reset", cylinders=_numbers(reset))
    total = float(revolutions(findings.trace).total[-1])
    if short := [c.cylinder for c in counted if c.revolutions < COUNTED_SHARE * total]:
        return not_shown("counted_in_part", cylinders=_numbers(short))
    if unsure := [n for n, r in rates.items() if r.high is None or r.high >= limit.value]:
        cylinders = _cylinder_rates({n: _rate_words(rates[n]) for n in unsure})
        return not_shown("unsure", limit=limit.value, cylinders=cylinders)
    most = max(rates, key=lambda n: rates[n].high or 0.0)
    rate = _rate_words(rates[most])
    return passed("below", limit=limit.value, source=limit.source, total=total, most=most, rate=rate)


def _numbers(cylinders: Iterable[int]) -> str:
    return ", ".join(map(str, cylinders))


def _cylinder_rates(words: dict[int, str]) -> str:
    return ", ".join(messages("misfire_words.cylinder", cylinder=n, rate=text) for n, text in words.items())


def _rate_words(rate: Estimate) -> str:
    return messages("misfire_words.unknown" if rate.value is None else "misfire_words.rate", rate=rate)


def _reset_in_between(findings: Findings, cylinder: int) -> bool:
    """True if a counter went down without a start or stop of the engine."""
    t, value = findings.trace.samples(signals.misfire(cylinder))
    conditions = findings.conditions
    stops = [s.start_s for s in conditions.segments if s.state == "engine_off"]
    edges = np.array([s.time_s for s in conditions.starts] + stops)
    return any(
        not np.any((edges >= t[i] - START_SLACK_S) & (edges <= t[i + 1] + START_SLACK_S))
        for i in np.flatnonzero(np.diff(value) < 0)
    )
