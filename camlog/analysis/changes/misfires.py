"""Misfire rates of both drives, per cylinder and oil window, over the engine speeds they share."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from camlog import signals
from camlog.analysis.changes.change import Compared, messages
from camlog.analysis.changes.shared import CELL_SPEED_RPM
from camlog.analysis.findings import Findings
from camlog.analysis.misfire.association import Polls, polls, revolutions
from camlog.analysis.misfire.poisson import rate
from camlog.oil_windows import OilWindow

MIN_REV = 200.0
# The polls of some cylinders in one drive, each with a mask (n,) of those that count.
Counted = list[tuple[Polls, np.ndarray]]


def misfire_figures(before: Findings, after: Findings) -> Iterator[Compared]:
    """All cylinders together in each oil window that both drives reached, then each cylinder over the whole drive."""
    drives = (before, after)
    numbers = sorted(set.intersection(*({c.cylinder for c in f.misfire.per_cylinder} for f in drives)))
    if not numbers:
        return
    sides = [_polls(f, numbers) for f in drives]
    more: dict[str, Any] = {
        "dispersion": max(f.misfire.dispersion for f in drives),
        "limit": after.limits["misfire_per_1000_rev"].value,
    }
    for number, window in enumerate(after.conditions.windows.windows):
        counted = [[(p, f.conditions.windows.index_at((p.start_s + p.end_s) / 2.0) == number) for p in side]
                for f, side in zip(drives, sides, strict=True)]  # fmt: skip
        yield from _compared("misfire", messages("title.misfire"), window, counted, more)
    for place, cylinder in enumerate(numbers):
        one = [[(side[place], np.ones(len(side[place].events), dtype=bool))] for side in sides]
        title = messages("title.misfire_cylinder", cylinder=cylinder)
        yield from _compared(signals.misfire(cylinder), title, None, one, more)


def _polls(findings: Findings, cylinders: Sequence[int]) -> list[Polls]:
    turned = revolutions(findings.trace)
    starts = [s.time_s for s in findings.conditions.starts]
    return [polls(findings.trace, n, signals.misfire(n), turned, starts) for n in cylinders]


def _speed(p: Polls) -> np.ndarray:
    """Engine-speed cell of each poll, from its own revolutions and time."""
    seconds = np.maximum(p.end_s - p.start_s, 1e-6)
    return np.floor(p.revolutions / seconds * 60.0 / CELL_SPEED_RPM).astype(np.int64)


def _compared(
    name: str, title: str, window: OilWindow | None, sides: Sequence[Counted], more: Mapping[str, Any]
) -> Iterator[Compared]:
    cells = [np.concatenate([_speed(p)[keep] for p, keep in side]) for side in sides]
    common = np.intersect1d(*cells)
    inside = [[(p, keep & np.isin(_speed(p), common)) for p, keep in side] for side in sides]
    events = [float(sum(int(p.events[keep].sum()) for p, keep in side)) for side in inside]
    # All cylinders are polled over nearly the same revolutions.
    exposure = [float(np.mean([p.revolutions[keep].sum() for p, keep in side])) / 1000.0 for side in inside]
    if min(exposure) * 1000.0 < MIN_REV:
        return
    slow, fast = common.min() * CELL_SPEED_RPM, (common.max() + 1) * CELL_SPEED_RPM
    words = messages("shared.speed", slow=slow, fast=fast)
    first, second = (rate(k, n, more["dispersion"]) for k, n in zip(events, exposure, strict=True))
    yield Compared(
        name, title, "", first, second, None, window, words, (events[0], events[1]), (exposure[0], exposure[1]), **more
    )
