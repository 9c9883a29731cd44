"""The gate on misfires: gone in every cylinder, over enough revolutions, with no counter reset on the way."""

from __future__ import annotations

import numpy as np

from camlog import signals
from camlog.analysis.findings import Findings
from camlog.analysis.misfire import poisson
from camlog.analysis.misfire.counts import revolutions
from camlog.analysis.misfire.rates import CylinderMisfire
from camlog.verify.gate import Gate, GateMaker

# The counters add up by themselves, so a few lost polls lose nothing; most of the drive must still be
# counted.
COUNTED_SHARE = 0.8
# Counts of two polls around a start or a stop belong to two driving cycles.
START_SLACK_S = 2.0


def misfire_gate(after: Findings) -> Gate:
    """Misfires of the second drive against the limit, per cylinder."""
    make = GateMaker("misfire", "Misfires gone")
    found = after.misfire.per_cylinder
    limit = after.limits["misfire_per_1000_rev"]
    engine = after.profile.engine if after.profile is not None else None
    absent = [
        n
        for n in range(1, (engine.cylinders or 0) + 1 if engine else 0)
        if n not in {c.cylinder for c in found}
    ]
    if not found:
        return make.not_shown(
            after.misfire.rate.reason or "Misfires were not counted.",
            "Record the misfire counters too, where the car has them (service 06); else judge it by other "
            "means.",
            answerable=False,
        )
    rates = {c.cylinder: _rate(c, after.misfire.dispersion) for c in found}
    bad = [c for c in found if (rate := rates[c.cylinder]).low is not None and rate.low > limit.value]
    if bad:
        words = ", ".join(f"cylinder {c.cylinder}: {rates[c.cylinder].value:.1f}" for c in bad)
        return make.failed(
            f"Misfires per 1,000 revolutions: {words}; the limit is {limit}.",
            "The misfire is there still: go back to the diagnosis.",
            fault=True,
        )
    if absent:
        return make.not_shown(
            f"Cylinder {', '.join(map(str, absent))} was not counted.",
            "Record the misfire counters of all cylinders.",
        )
    reset = [c.cylinder for c in found if _reset_in_between(after, c.cylinder)]
    if reset:
        return make.not_shown(
            f"The misfire counter of cylinder {', '.join(map(str, reset))} went back in the middle of the "
            "drive: what it held before is lost.",
            "Record a whole drive without clearing codes or cutting the supply.",
        )
    total = float(revolutions(after.trace).total[-1])
    short = [c.cylinder for c in found if c.revolutions < COUNTED_SHARE * total]
    if short:
        return make.not_shown(
            f"Cylinder {', '.join(map(str, short))} was counted for only part of the drive.",
            "Record the misfire counters over the whole drive.",
        )
    unsure = [c for c in found if (high := rates[c.cylinder].high) is None or high >= limit.value]
    if unsure:
        words = ", ".join(f"cylinder {c.cylinder}: {_interval(rates[c.cylinder])}" for c in unsure)
        return make.not_shown(
            f"Misfires per 1,000 revolutions are not surely below {limit.value:g}: {words}.",
            "Drive longer: the more revolutions are counted, the surer the rate.",
        )
    most = max(found, key=lambda c: rates[c.cylinder].high)
    return make.passed(
        f"Every cylinder below {limit.value:g} misfires per 1,000 revolutions ({limit.source}) over "
        f"{total:,.0f} revolutions; the most in cylinder {most.cylinder}: "
        f"{_interval(rates[most.cylinder])}."
    )


def _rate(c: CylinderMisfire, dispersion: float):
    """Misfires per 1,000 revolutions, what the counter held when recording began counted in."""
    return poisson.rate(c.count + c.at_start, c.revolutions / 1000.0, dispersion)


def _interval(rate) -> str:
    if rate.value is None:
        return "not counted"
    return f"{rate.value:.2f} (95 %: {rate.low:.2f} to {rate.high:.2f})"


def _reset_in_between(after: Findings, cylinder: int) -> bool:
    """True where a counter went down with neither a start nor a stop of the engine to explain it."""
    t, value = after.trace.samples(signals.misfire(cylinder))
    edges = np.array(
        [s.time_s for s in after.conditions.starts]
        + [s.start_s for s in after.conditions.segments if s.state == "engine_off"]
    )
    return any(
        not np.any((edges >= t[i] - START_SLACK_S) & (edges <= t[i + 1] + START_SLACK_S))
        for i in np.flatnonzero(np.diff(value) < 0)
    )
