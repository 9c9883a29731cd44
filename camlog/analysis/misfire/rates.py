"""Misfire rates per cylinder, bank and oil window, their pattern, and their associations. Counts are misfires of this
driving cycle (service 06, TID 0C), one counter a cylinder. Rates are per 1,000 engine revolutions. One cylinder alone
points away from the cam; a whole bank points at it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from camlog import signals
from camlog.analysis.cam.camdata import CamData
from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.misfire import poisson, say
from camlog.analysis.misfire.association import Association, Polls, associations, polls, revolutions
from camlog.limits import Limit, limits_for
from camlog.oil_windows import Windows
from camlog.profile import VehicleProfile
from camlog.trace import Trace

# A cylinder surely below this share of the worst one's rate counts as sound: the worst one disturbs its counter.
MINOR_SHARE = 0.25
# Names in Findings of the fields of the classes here, where they differ.
_KEYS = {
    "rate": "rate_per_1000_rev", "rate_with": "rate_with_per_1000_rev",
    "rate_without": "rate_without_per_1000_rev", "at_start": "count_at_start", "resets": "counter_resets",
    "dropped": "polls_dropped",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Pattern:
    """The pattern of misfires over cylinders. `kind` is none, single, bank, all, several, unclear or unknown; `p_value`

    is that of the weakest single test. `cylinders` surely misfire; `bank` is set if they form one. `several` is more
    than one cylinder but neither a bank nor all. On an engine with one bank, that bank is `all`."""

    kind: str
    cylinders: tuple[int, ...]
    bank: int | None
    p_value: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class CylinderMisfire:
    """One cylinder: `count` misfires over `revolutions`, `rate` per 1,000 of them; `bank` is None where unknown.
    `at_start` is the count when recording began; `resets` and `dropped` as in `Polls`."""

    cylinder: int
    bank: int | None
    count: int
    revolutions: float
    rate: Estimate
    at_start: int
    resets: int
    dropped: int


@dataclass(frozen=True)
class Misfire:
    """Misfire findings of one drive. `rate` and `by_window` are the misfires of all cylinders per 1,000 engine
    revolutions; `dispersion` is variance over mean of the counts. `first_s` is the time of the first poll with a count
    of a cylinder that misfires; None where none does."""

    per_cylinder: tuple[CylinderMisfire, ...]
    rate: Estimate
    by_window: tuple[Estimate, ...]
    pattern: Pattern
    association: tuple[Association, ...]
    dispersion: float
    notes: tuple[str, ...]
    first_s: float | None = None

    def to_dict(self) -> dict[str, Any]:
        values = asdict(self, dict_factory=lambda items: {_KEYS.get(k, k): v for k, v in items})
        for cylinder in values["per_cylinder"]:
            cylinder["revolutions"] = round(cylinder["revolutions"], 1)
        return values


def measure_misfire(
    trace: Trace,
    windows: Windows,
    starts_s: Sequence[float] = (),
    profile: VehicleProfile | None = None,
    cams: Mapping[str, CamData] | None = None,
    limits: Mapping[str, Limit] | None = None,
) -> Misfire:
    """Misfires of a trace.

    `starts_s` are the engine starts (from `conditions`), `cams` the cams to test against, by id. Cylinders and banks
    come from the profile; without one, every recorded counter is a cylinder and banks are unknown. A trace without
    counters gives a Misfire whose rate is missing, with the reason."""
    limits = limits or limits_for(profile)
    engine = profile.engine if profile is not None else None
    last = (engine.cylinders if engine is not None else None) or signals.MAX_CYLINDERS
    banks = dict(enumerate((engine.banks if engine is not None else None) or (), start=1))
    counted = [n for n in range(1, last + 1) if len(trace.samples(signals.misfire(n))[0])]
    if not counted or not len(trace.samples("engine_speed")[0]):
        reason = say("no_speed" if counted else "not_counted")
        none = missing(reason)
        unknown = Pattern("unknown", (), None, None, reason)
        return Misfire((), none, (none,) * len(windows.windows), unknown, (), 1.0, (reason,))
    turned = revolutions(trace)
    each = {n: polls(trace, n, signals.misfire(n), turned, starts_s) for n in counted}
    every = Polls.pooled(list(each.values()))
    where = windows.index_at(every.middle_s)
    extra = every.dispersion(where)
    bank_of = {n: i for i, bank in banks.items() for n in bank}
    cylinders = tuple(_cylinder(n, p, bank_of.get(n), extra) for n, p in each.items())
    counts = {c.cylinder: (c.count, c.revolutions / 1000.0) for c in cylinders}
    limit, chance, groups = limits["misfire_per_1000_rev"], limits["significance"].value, list(banks.values())
    misfire_pattern = pattern(counts, groups, limit, extra, chance)
    return Misfire(
        per_cylinder=cylinders,
        rate=_rate(every, extra),
        by_window=tuple(_rate(every.take(where == i), extra) for i in range(len(windows.windows))),
        pattern=misfire_pattern,
        association=associations(every, windows, cams or {}, groups, limits),
        dispersion=extra,
        notes=_notes(cylinders),
        first_s=min((float(each[n].end_s[each[n].events > 0][0]) for n in misfire_pattern.cylinders), default=None),
    )


def _cylinder(cylinder: int, p: Polls, bank: int | None, extra: float) -> CylinderMisfire:
    count, turns = int(p.events.sum()), float(p.revolutions.sum())
    rate = poisson.rate(count, turns / 1000.0, extra, len(p.events)) if turns else missing(say("one_poll"))
    return CylinderMisfire(cylinder, bank, count, turns, rate, p.at_start, p.resets, p.dropped)


def _rate(every: Polls, extra: float) -> Estimate:
    """The misfires of all these cylinders per 1,000 engine revolutions."""
    turns = np.bincount(every.cylinder, every.revolutions)
    if not np.any(turns > 0.0):
        return missing(say("no_polls"))
    # All cylinders are polled over nearly the same revolutions.
    exposure = float(np.mean(turns[turns > 0.0])) / 1000.0
    return poisson.rate(float(every.events.sum()), exposure, extra, len(every.events))


def _notes(cylinders: Sequence[CylinderMisfire]) -> tuple[str, ...]:
    notes = []
    if before := [c for c in cylinders if c.at_start]:
        cylinders_text = ", ".join(say("note.at_start_of", cylinder=c.cylinder, count=c.at_start) for c in before)
        notes.append(say("note.at_start", cylinders=cylinders_text))
    if any(c.resets for c in cylinders):
        notes.append(say("note.reset"))
    if dropped := max(c.dropped for c in cylinders):
        notes.append(say("note.dropped", polls=dropped))
    return tuple(notes)


def pattern(
    counts: Mapping[int, tuple[float, float]],
    banks: Sequence[Sequence[int]] | None,
    limit: Limit,
    dispersion: float = 1.0,
    significance: float = 0.05,
) -> Pattern:
    """The pattern of misfires over cylinders.

    `counts` maps a cylinder to (misfires, thousands of revolutions). A cylinder misfires if its rate is surely above
    `limit`; it does not if its rate is surely below `limit`, or below a quarter of the worst cylinder's. The
    `significance` is divided by the number of cylinders (Bonferroni)."""
    counts = {c: kn for c, kn in counts.items() if kn[1] > 0.0}
    if not counts:
        return Pattern("unknown", (), None, None, say("pattern.unknown"))
    each = significance / len(counts)
    above = {c: poisson.p_above(k, n, limit.value, dispersion) for c, (k, n) in counts.items()}
    below = {c: poisson.p_below(k, n, limit.value, dispersion) for c, (k, n) in counts.items()}
    misfiring = {c for c, p in above.items() if p <= each}
    if not misfiring:
        if not (unsure := [c for c, p in below.items() if p > each]):
            return Pattern("none", (), None, max(below.values()), say("pattern.none", limit=limit))
        turned = min(n for _, n in counts.values()) * 1000.0
        reason = say("pattern.unsure", limit=limit, revolutions=turned, cylinders=_list(unsure))
        return Pattern("unclear", (), None, None, reason)
    worst = max(misfiring, key=lambda c: counts[c][0] / counts[c][1])
    others = {c: kn for c, kn in counts.items() if c != worst}
    minor = {c: poisson.p_ratio_below(kn, counts[worst], MINOR_SHARE, dispersion) for c, kn in others.items()}
    quiet = {c for c, p in minor.items() if p <= each or (c not in misfiring and below[c] <= each)}
    misfiring -= quiet
    links = [above[c] for c in misfiring] + [min(below[c], minor.get(c, 1.0)) for c in quiet]
    named, weakest = tuple(sorted(misfiring)), max(links, default=1.0)
    # The state of a cylinder whose counter was not recorded is unknown.
    cylinders = set(counts).union(*(banks or ()))
    if len(cylinders) == 1:
        reason = say("pattern.one_counter", cylinders=_list(named))
        return Pattern("unclear", named, None, weakest, reason)
    groups = _groups(cylinders, banks)
    if open_ := cylinders - misfiring - quiet:
        reason = say("pattern.open", cylinders=_list(named), open=_list(open_))
        return Pattern("unclear", named, None, weakest, reason)
    kind, bank = groups.get(frozenset(misfiring), ("single" if len(misfiring) == 1 else "several", None))
    rates = ", ".join(say("pattern.rate", cylinder=c, rate=counts[c][0] / counts[c][1]) for c in named)
    each_rate = say("pattern.rates", rates=rates, limit=limit)
    reason = say(f"pattern.{kind}", cylinders=_list(named), bank=bank, rates=each_rate)
    return Pattern(kind, named, bank, weakest, reason)


def _groups(all_: set[int], banks: Sequence[Sequence[int]] | None) -> dict[frozenset[int], tuple[str, int | None]]:
    """Sets of cylinders with a name: all of them, and each bank of an engine with several."""
    known = [(i, frozenset(b) & all_) for i, b in enumerate(banks or (), start=1)]
    groups: dict[frozenset[int], tuple[str, int | None]] = {}
    if len(known) > 1:
        groups = {b: ("bank", i) for i, b in known if len(b) > 1}
    if len(all_) > 1:
        groups[frozenset(all_)] = ("all", 1 if len(known) == 1 else None)
    return groups


def _list(cylinders: Iterable[int]) -> str:
    return ", ".join(map(str, sorted(cylinders)))
