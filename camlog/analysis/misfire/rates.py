"""Misfire rates per cylinder, bank and oil window, which pattern they make, and what they go with.

Counts are misfires of this driving cycle (service 06, TID 0C), one counter a
cylinder. Rates are per 1,000 engine revolutions. One cylinder alone points
away from the cam; a whole bank points at it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from camlog import signals
from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.misfire import poisson
from camlog.analysis.misfire.association import Association, associations, spread
from camlog.analysis.misfire.counts import Polls, polls, revolutions
from camlog.analysis.misfire.pattern import Pattern, pattern
from camlog.limits import Limit, limits_for
from camlog.oil_windows import Windows
from camlog.trace import Trace

if TYPE_CHECKING:
    from camlog.analysis.cam.camdata import CamData
    from camlog.profile import VehicleProfile


@dataclass(frozen=True, slots=True)
class CylinderMisfire:
    """One cylinder: `count` misfires over `revolutions`, `rate` per 1,000 of them; `bank` None where unknown.

    `at_start` is what the counter already showed when recording began.
    """

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
    """Misfire findings of one drive.

    `rate` and `by_window`, `by_bank` are all cylinders' misfires per 1,000
    engine revolutions; `dispersion` is variance over mean of the counts.
    """

    per_cylinder: tuple[CylinderMisfire, ...]
    rate: Estimate
    by_bank: Mapping[int, Estimate]
    by_window: tuple[Estimate, ...]
    pattern: Pattern
    association: tuple[Association, ...]
    dispersion: float
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The `misfire` object of Findings; JSON values only."""
        return {
            "per_cylinder": [
                {
                    "cylinder": c.cylinder, "bank": c.bank, "count": c.count,
                    "revolutions": round(c.revolutions, 1), "rate_per_1000_rev": _estimate(c.rate),
                    "count_at_start": c.at_start, "counter_resets": c.resets, "polls_dropped": c.dropped,
                }
                for c in self.per_cylinder
            ],
            "rate_per_1000_rev": _estimate(self.rate),
            "by_bank": [{"bank": b, "rate_per_1000_rev": _estimate(r)} for b, r in self.by_bank.items()],
            "by_window": [_estimate(r) for r in self.by_window],
            "pattern": self.pattern.to_dict(),
            "association": [a.to_dict() for a in self.association],
            "dispersion": self.dispersion,
            "notes": list(self.notes),
        }  # fmt: skip


def measure_misfire(
    trace: Trace,
    windows: Windows,
    starts_s: Sequence[float] = (),
    profile: VehicleProfile | None = None,
    cams: Mapping[str, CamData] | None = None,
    limits: Mapping[str, Limit] | None = None,
) -> Misfire:
    """Misfires of a trace.

    `starts_s` are the engine starts seen (from `conditions`), `cams` the cams to test against by id.
    Cylinders and banks come from the profile; without one, every counter recorded is a cylinder and banks
    are unknown. A trace without counters gives a Misfire whose rate is missing, with the reason.
    """
    limits = limits or limits_for(profile)
    engine = profile.engine if profile is not None else None
    last = engine.cylinders if engine is not None and engine.cylinders else signals.MAX_CYLINDERS
    banks = engine.banks if engine is not None else None
    turned = revolutions(trace)
    found = [
        polls(trace, n, signals.misfire(n), turned, starts_s)
        for n in range(1, last + 1)
        if len(trace.samples(signals.misfire(n))[0])
    ]
    if not found:
        return _nothing("Misfire counts were not recorded.", windows)
    if not len(trace.samples("engine_speed")[0]):
        return _nothing("The engine speed was not recorded, so misfire counts cannot become rates.", windows)
    extra = spread(found, windows)
    bank_of = {c: i for i, bank in enumerate(banks or (), start=1) for c in bank}
    cylinders = tuple(_cylinder(p, bank_of.get(p.cylinder), extra) for p in found)
    return Misfire(
        per_cylinder=cylinders,
        rate=_rate(found, extra),
        by_bank={
            i: _rate([p for p in found if p.cylinder in bank], extra)
            for i, bank in enumerate(banks or (), start=1)
            if any(p.cylinder in bank for p in found)
        },
        by_window=tuple(
            _rate([_within(p, windows, i) for p in found], extra) for i in range(len(windows.windows))
        ),
        pattern=pattern(
            {c.cylinder: (c.count, c.revolutions / 1000.0) for c in cylinders},
            banks, limits["misfire_per_1000_rev"], extra, limits["significance"].value,
        ),
        association=associations(found, windows, cams or {}, banks, limits),
        dispersion=extra,
        notes=_notes(cylinders),
    )  # fmt: skip


def _cylinder(p: Polls, bank: int | None, extra: float) -> CylinderMisfire:
    count, turns = int(p.events.sum()), float(p.revolutions.sum())
    rate = (
        poisson.rate(count, turns / 1000.0, extra, len(p.events))
        if turns
        else missing("no two polls of the counter with the engine speed known between them")
    )
    return CylinderMisfire(p.cylinder, bank, count, turns, rate, p.at_start, p.resets, p.dropped)


def _within(p: Polls, windows: Windows, index: int) -> Polls:
    """The polls whose middle lies in one oil window."""
    keep = windows.index_at((p.start_s + p.end_s) / 2.0) == index
    return Polls(
        p.cylinder,
        p.start_s[keep],
        p.end_s[keep],
        p.events[keep],
        p.revolutions[keep],
        0,
        p.resets,
        p.dropped,
    )


def _rate(found: Sequence[Polls], extra: float) -> Estimate:
    """All these cylinders' misfires per 1,000 engine revolutions."""
    turns = [float(p.revolutions.sum()) for p in found]
    seen = [n for n in turns if n > 0.0]
    if not seen:
        return missing("no poll of the misfire counters lies here")
    # Cylinders are polled over the same revolutions, give or take a poll.
    count = float(sum(int(p.events.sum()) for p in found))
    return poisson.rate(count, float(np.mean(seen)) / 1000.0, extra, sum(len(p.events) for p in found))


def _notes(cylinders: Sequence[CylinderMisfire]) -> tuple[str, ...]:
    notes = []
    before = [c for c in cylinders if c.at_start]
    if before:
        which = ", ".join(f"cylinder {c.cylinder}: {c.at_start}" for c in before)
        notes.append(
            f"Counters already held misfires when recording began ({which}); the rates leave them out."
        )
    if any(c.resets for c in cylinders):
        notes.append(
            "A misfire counter went back during the recording (restart or clearing); counting went on."
        )
    dropped = max((c.dropped for c in cylinders), default=0)
    if dropped:
        notes.append(
            f"Up to {dropped} polls of a counter were left out: reset at an unknown moment, "
            "engine speed unknown or a count no engine can reach."
        )
    return tuple(notes)


def _nothing(reason: str, windows: Windows) -> Misfire:
    none = missing(reason)
    return Misfire(
        (), none, {}, tuple(none for _ in windows.windows),
        Pattern("unknown", (), None, None, (), reason), (), 1.0, (reason,),
    )  # fmt: skip


def _estimate(value: Estimate) -> dict[str, Any]:
    return {
        "value": value.value,
        "low": value.low,
        "high": value.high,
        "count": value.count,
        "reason": value.reason,
    }
