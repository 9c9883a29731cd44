"""What misfires go with: cam error and oil temperature, as Poisson rate ratios.

The p-values allow for how many conditions were tried.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import stats

from camlog.analysis.misfire import poisson
from camlog.analysis.misfire.counts import Polls
from camlog.limits import Limit
from camlog.oil_windows import Windows

if TYPE_CHECKING:
    from camlog.analysis.cam.camdata import CamData

# Counts are set against each other over stretches this long: bursts and lumped reports fit inside one.
BLOCK_REV = 1000.0
# Below this many revolutions (summed over cylinders) on either side there is nothing to compare.
MIN_SIDE_REV = 400.0
# Angle readings between two polls from which a mean error is taken.
MIN_ERROR_READINGS = 3


@dataclass(frozen=True, slots=True)
class Association:
    """Misfire rate with a condition against the rate without it.

    `kind` is "cam_error" (`cam` set) or "oil_window" (`window` set, a
    position). Rates per 1,000 revolutions of a cylinder; `ratio` None where
    nothing misfired without the condition. `p_adjusted` allows for all that
    were tried; `holds` where that is below the allowed chance and the ratio
    above the limit. A cam acts on all its cylinders, so a cam's association
    must also hold without the cylinder that misfires most, at `p_without_worst`
    (None with one cylinder): a weak coil under load goes with the same driving
    as cam error does. `p_value` None where it could not be tested; `reason` says why.
    """

    kind: str
    cam: str | None
    window: int | None
    title: str
    rate_with: float | None
    rate_without: float | None
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    p_value: float | None
    p_adjusted: float | None
    holds: bool
    reason: str
    p_without_worst: float | None = None

    def to_dict(self) -> dict[str, Any]:
        return {
            "kind": self.kind, "cam": self.cam, "window": self.window, "title": self.title,
            "rate_with_per_1000_rev": self.rate_with, "rate_without_per_1000_rev": self.rate_without,
            "ratio": self.ratio, "ratio_low": self.ratio_low, "ratio_high": self.ratio_high,
            "p_value": self.p_value, "p_adjusted": self.p_adjusted, "holds": self.holds,
            "p_without_worst": self.p_without_worst, "reason": self.reason,
        }  # fmt: skip


@dataclass(frozen=True)
class _Pooled:
    """Polls of several cylinders in one row: all shape (n,), with the cylinder of each."""

    cylinder: np.ndarray
    start_s: np.ndarray
    end_s: np.ndarray
    events: np.ndarray
    revolutions: np.ndarray


def _pool(found: Sequence[Polls]) -> _Pooled:
    return _Pooled(
        np.concatenate([np.full(len(p.events), p.cylinder) for p in found] or [np.empty(0)]),
        *(
            np.concatenate([getattr(p, name) for p in found] or [np.empty(0)])
            for name in ("start_s", "end_s", "events", "revolutions")
        ),
    )


def spread(found: Sequence[Polls], windows: Windows) -> float:
    """Variance over mean of the counts in blocks of 1,000 revolutions, within cylinder and oil window."""
    polls = _pool(found)
    window = windows.index_at((polls.start_s + polls.end_s) / 2.0)
    return _dispersion(polls, window)


def _dispersion(polls: _Pooled, label: np.ndarray) -> float:
    """Dispersion of block counts about the rate of their cylinder and `label` (n,) small integers from -1."""
    if not len(polls.events):
        return 1.0
    group = polls.cylinder.astype(np.int64) * (int(label.max()) + 2) + label + 1
    order = np.lexsort((polls.start_s, group))
    group, turns, events = group[order], polls.revolutions[order], polls.events[order]
    total = np.cumsum(turns) - turns
    first = np.searchsorted(group, group, side="left")
    block = ((total - total[first]) // BLOCK_REV).astype(np.int64)
    _, key = np.unique(np.stack([group, block]), axis=1, return_inverse=True)
    key = key.ravel()
    last_of_key = np.zeros(key.max() + 1, dtype=np.int64)
    last_of_key[key] = group
    return poisson.dispersion(np.bincount(key, events), np.bincount(key, turns), last_of_key)


def associations(
    found: Sequence[Polls],
    windows: Windows,
    cams: Mapping[str, CamData],
    banks: Sequence[Sequence[int]] | None,
    limits: Mapping[str, Limit],
) -> tuple[Association, ...]:
    """Test misfires against each cam's error (its own bank's cylinders) and each oil window (all cylinders).

    Equal rates are tested by the E-test (Krishnamoorthy & Thomson 2004), several tests together by the
    Benjamini-Hochberg false discovery rate.
    """
    tried = [_with_cam(found, cam, data, banks, limits) for cam, data in cams.items()]
    if windows.source is not None:
        polls = _pool(found)
        where = windows.index_at((polls.start_s + polls.end_s) / 2.0)
        seen = [i for i in range(len(windows.windows)) if np.any(where == i)]
        # Two windows make one question, not two.
        for i in seen if len(seen) > 2 else seen[:1] if len(seen) == 2 else []:
            tried.append(_with_window(polls, where, i, windows, limits))
    tested = [i for i, a in enumerate(tried) if a.p_value is not None]
    if tested:
        adjusted = stats.false_discovery_control([tried[i].p_value for i in tested], method="bh")
        for i, p in zip(tested, adjusted, strict=True):
            strong = tried[i].ratio is None or tried[i].ratio >= limits["misfire_rate_ratio"].value
            strong &= tried[i].rate_with > 0.0
            allowed = limits["significance"].value
            holds = bool(p <= allowed and strong)
            reason = tried[i].reason
            if holds and (tried[i].p_without_worst or 0.0) > allowed:
                holds = False
                reason += " It rests on one cylinder alone, which points away from the cam."
            tried[i] = replace(tried[i], p_adjusted=float(p), holds=holds, reason=reason)
    return tuple(tried)


def _with_cam(
    found: Sequence[Polls],
    cam: str,
    data: CamData,
    banks: Sequence[Sequence[int]] | None,
    limits: Mapping[str, Limit],
) -> Association:
    limit = limits["misfire_cam_error_deg"]
    bank = int(cam[-1])
    side = cam.split("_")[0]
    own = set(banks[bank - 1]) if banks and bank <= len(banks) else None
    polls = _pool([p for p in found if own is None or p.cylinder in own])
    error = _mean_error(polls, data)
    label = np.where(np.isnan(error), -1, (error > limit.value).astype(np.int64))
    title = f"{side} cam bank {bank} more than {limit.value:g} deg off its command"
    found = _compare("cam_error", cam, None, title, polls, label)
    return (
        replace(found, p_without_worst=_without_worst(polls, label)) if found.p_value is not None else found
    )


def _without_worst(polls: _Pooled, label: np.ndarray) -> float | None:
    """The p-value of equal rates without the cylinder of the highest rate; None with fewer than two."""
    cylinders, position = np.unique(polls.cylinder, return_inverse=True)
    if len(cylinders) < 2:
        return None
    rates = np.bincount(position, polls.events) / np.bincount(position, polls.revolutions)
    keep = position != np.argmax(rates)
    rest = _Pooled(*(getattr(polls, name)[keep] for name in _Pooled.__dataclass_fields__))
    return _compare("cam_error", None, None, "", rest, label[keep]).p_value


def _with_window(
    polls: _Pooled, where: np.ndarray, index: int, windows: Windows, limits: Mapping[str, Limit]
) -> Association:
    label = np.where(where < 0, -1, (where == index).astype(np.int64))
    title = f"oil {windows.windows[index].label}"
    return _compare("oil_window", None, index, title, polls, label)


def _mean_error(polls: _Pooled, data: CamData) -> np.ndarray:
    """Mean size of the cam's error between each two polls, shape (n,); NaN with too few angle readings."""
    known = np.isfinite(data.error_deg)
    t, size = data.actual_time_s[known], np.abs(data.error_deg[known])
    total = np.concatenate([[0.0], np.cumsum(size)])
    a, b = np.searchsorted(t, polls.start_s), np.searchsorted(t, polls.end_s)
    n = b - a
    return np.where(n >= MIN_ERROR_READINGS, (total[b] - total[a]) / np.maximum(n, 1), np.nan)


def _compare(
    kind: str, cam: str | None, window: int | None, title: str, polls: _Pooled, label: np.ndarray
) -> Association:
    """Polls with label 1 against polls with label 0."""
    sides = [label == 1, label == 0]
    turns = [float(polls.revolutions[s].sum()) for s in sides]
    counts = [float(polls.events[s].sum()) for s in sides]
    rates = [k / n * 1000.0 if n else None for k, n in zip(counts, turns, strict=True)]
    if min(turns) < MIN_SIDE_REV:
        lack = "with" if turns[0] < turns[1] else "without"
        reason = f"Too few revolutions {lack} {title} to compare."
        return Association(kind, cam, window, title, *rates, None, None, None, None, None, False, reason)
    extra = _dispersion(polls, label)
    ratio = poisson.rate_ratio(counts[0], turns[0] / 1000.0, counts[1], turns[1] / 1000.0, extra)
    times = f"{ratio.value:.1f} times" if ratio.value is not None else "not zero as"
    low = f"{ratio.low:.1f}" if ratio.low is not None else "0"
    high = f"{ratio.high:.1f}" if ratio.high is not None else "no upper end"
    reason = (
        f"With {title} the misfire rate is {rates[0]:.2f} per 1,000 revolutions of a cylinder, {times} "
        f"the {rates[1]:.2f} otherwise (95 % interval of the ratio {low} to {high})."
    )
    return Association(
        kind,
        cam,
        window,
        title,
        *rates,
        ratio.value,
        ratio.low,
        ratio.high,
        ratio.p_value,
        None,
        False,
        reason,
    )
