"""Misfire rates of both drives, per cylinder and oil window, over engine speeds both share."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from camlog import signals
from camlog.analysis.findings import Findings
from camlog.analysis.misfire.counts import Polls, polls, revolutions
from camlog.analysis.misfire.poisson import rate
from camlog.oil_windows import OilWindow
from camlog.verify.changes import Figure
from camlog.verify.shared import CELL_SPEED_RPM

MIN_REV = 200.0


def misfire_figures(before: Findings, after: Findings) -> list[Figure]:
    """All cylinders together in each oil window both reached, then each cylinder over the whole drive."""
    cylinders = sorted(
        {c.cylinder for c in before.misfire.per_cylinder} & {c.cylinder for c in after.misfire.per_cylinder}
    )
    if not cylinders:
        return []
    sides = [_polls(f, cylinders) for f in (before, after)]
    spread = max(before.misfire.dispersion, after.misfire.dispersion)
    figures = []
    for number, window in enumerate(after.conditions.windows.windows):
        here = [
            [f.conditions.windows.index_at(_middle(p)) == number for p in side]
            for f, side in zip((before, after), sides, strict=True)
        ]
        figures += _figure("misfire", "misfires per 1,000 revolutions", window, sides, here, spread)
    for place, cylinder in enumerate(cylinders):
        one = [[side[place]] for side in sides]
        everywhere = [[np.ones(len(side[place].events), dtype=bool)] for side in sides]
        figures += _figure(
            f"misfire_cyl{cylinder}",
            f"misfires of cylinder {cylinder} per 1,000 revolutions",
            None,
            one,
            everywhere,
            spread,
        )
    return figures


def _polls(findings: Findings, cylinders: Sequence[int]) -> list[Polls]:
    turned = revolutions(findings.trace)
    starts = [s.time_s for s in findings.conditions.starts]
    return [polls(findings.trace, n, signals.misfire(n), turned, starts) for n in cylinders]


def _middle(p: Polls) -> np.ndarray:
    return (p.start_s + p.end_s) / 2.0


def _speed(p: Polls) -> np.ndarray:
    """Engine-speed cell of each poll, from its own revolutions and time."""
    seconds = np.maximum(p.end_s - p.start_s, 1e-6)
    return np.floor(p.revolutions / seconds * 60.0 / CELL_SPEED_RPM).astype(np.int64)


def _figure(
    name: str, title: str, window: OilWindow | None, sides: Sequence[Sequence[Polls]], here:
    Sequence[Sequence[np.ndarray]], spread: float,
) -> list[Figure]:  # fmt: skip
    cells = [
        set(np.concatenate([_speed(p)[k] for p, k in zip(side, keep, strict=True)]).tolist())
        for side, keep in zip(sides, here, strict=True)
    ]
    common = np.array(sorted(cells[0] & cells[1]), dtype=np.int64)
    events, exposure = [], []
    for side, keep in zip(sides, here, strict=True):
        inside = [k & np.isin(_speed(p), common) for p, k in zip(side, keep, strict=True)]
        events.append(float(sum(int(p.events[k].sum()) for p, k in zip(side, inside, strict=True))))
        # Cylinders are polled over the same revolutions, give or take a poll.
        exposure.append(
            float(np.mean([p.revolutions[k].sum() for p, k in zip(side, inside, strict=True)])) / 1000.0
        )
    if min(exposure) * 1000.0 < MIN_REV:
        return []
    words = f"{common.min() * CELL_SPEED_RPM:.0f} to {(common.max() + 1) * CELL_SPEED_RPM:.0f} rpm"
    before, after = (rate(k, n, spread) for k, n in zip(events, exposure, strict=True))
    return [
        Figure(
            name, title, "", before, after, None, window, words,
            events=tuple(events), exposure=tuple(exposure),
            dispersion=spread,
        )
    ]  # fmt: skip
