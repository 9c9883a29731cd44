"""Association of misfires with cam error and oil temperature, as Poisson rate ratios. The p-values are corrected for
the number of conditions tried."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from camlog import cams as cam_names
from camlog.analysis.cam.camdata import CamData
from camlog.analysis.misfire import poisson, say
from camlog.limits import Limit
from camlog.oil_windows import Windows
from camlog.trace import Trace

SPEED_GAP_S = 5.0  # engine speed is known between two readings that are at most this far apart
KNOWN_SHARE = 0.8  # revolutions of a poll count where the engine speed was known for this share of it
COUNTER_END = 65535  # the standard's counter is 16 bits wide and stays at its end
FIRST_POLL_S = 120.0  # a first poll this soon after a start counts from that start
# Some modules add up misfires over a thousand revolutions before they report; a cylinder fires every second one.
REPORT_REV = 1000.0
REV_PER_FIRING = 2.0
# Counts are compared over blocks this long, so that bursts and lumped reports fit inside one.
BLOCK_REV = 1000.0


@dataclass(frozen=True)
class Revolutions:
    """Engine revolutions since the first reading: `total` and `known_s` at `time_s`, all shape (n,)."""

    time_s: np.ndarray
    total: np.ndarray
    known_s: np.ndarray

    def between(self, start_s: np.ndarray, end_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Revolutions and seconds of known engine speed from `start_s` to `end_s`, shapes as given."""
        if len(self.time_s) < 2:
            return np.zeros(np.shape(start_s)), np.zeros(np.shape(start_s))
        ends, starts = ([np.interp(t, self.time_s, v) for v in (self.total, self.known_s)] for t in (end_s, start_s))
        return ends[0] - starts[0], ends[1] - starts[1]


def revolutions(trace: Trace) -> Revolutions:
    """Integrate engine speed by trapezoids; a stretch without readings adds neither revolutions nor known time."""
    t, rpm = trace.samples("engine_speed")
    steps = np.where(np.diff(t) <= SPEED_GAP_S, np.diff(t), 0.0)
    turned = steps * (rpm[1:] + rpm[:-1]) / 2.0 / 60.0
    zero = np.zeros(min(len(t), 1))
    return Revolutions(t, *(np.concatenate([zero, np.cumsum(v)]) for v in (turned, steps)))


@dataclass(frozen=True)
class Polls:
    """Counts of misfire counters between polls.

    `cylinder`, `start_s`, `end_s`, `events`, `revolutions` have shape (n,); revolutions are above zero. `at_start` is
    the count from before the recording; `resets` is how often the counter went down; `dropped` is the number of polls
    that could not be used (reset at an unknown moment, engine speed unknown, impossible count)."""

    cylinder: np.ndarray
    start_s: np.ndarray
    end_s: np.ndarray
    events: np.ndarray
    revolutions: np.ndarray
    at_start: int = 0
    resets: int = 0
    dropped: int = 0

    @property
    def _columns(self) -> tuple[np.ndarray, ...]:
        return self.cylinder, self.start_s, self.end_s, self.events, self.revolutions

    @property
    def middle_s(self) -> np.ndarray:
        return (self.start_s + self.end_s) / 2.0

    def take(self, mask: np.ndarray) -> Polls:
        return Polls(*(column[mask] for column in self._columns))

    @classmethod
    def pooled(cls, each: Sequence[Polls]) -> Polls:
        """The polls of several cylinders (at least one) joined."""
        return cls(*(np.concatenate(columns) for columns in zip(*(p._columns for p in each), strict=True)))

    def dispersion(self, label: np.ndarray) -> float:
        """Variance over mean of the counts in blocks of 1,000 revolutions, within cylinder and `label`.
        `label` (n,) holds small integers from -1."""
        if not len(self.events):
            return 1.0
        group = self.cylinder * (int(label.max()) + 2) + label + 1
        order = np.lexsort((self.start_s, group))
        group, turns = group[order], self.revolutions[order]
        total = np.cumsum(turns) - turns
        block = (total - total[np.searchsorted(group, group)]) // BLOCK_REV
        _, first, key = np.unique(np.stack([group, block]), axis=1, return_index=True, return_inverse=True)
        key = key.ravel()
        return poisson.dispersion(np.bincount(key, self.events[order]), np.bincount(key, turns), group[first])


def polls(trace: Trace, cylinder: int, signal: str, turned: Revolutions, starts_s: Sequence[float] = ()) -> Polls:
    """Events of one cylinder's counter `signal`; `starts_s` are the engine starts in the trace. A counter that went
    down was reset. If an engine start lies between the two polls, the count begins at that start; if none does, the
    moment is unknown and the poll is dropped."""
    t, value = trace.samples(signal)
    count, starts = np.rint(value).astype(np.int64), np.asarray(starts_s, dtype=float)
    at_start = int(count[0]) if len(count) else 0
    before = starts[(starts <= t[0]) & (t[0] - starts <= FIRST_POLL_S)] if len(t) else starts[:0]
    if len(before):
        # The counter belongs to this driving cycle, whose beginning was recorded.
        t, count, at_start = np.insert(t, 0, before[-1]), np.insert(count, 0, 0), 0
    start_s, end_s, events = t[:-1], t[1:], np.diff(count)
    restarted = np.searchsorted(starts, end_s, side="right") > np.searchsorted(starts, start_s, side="right")
    down = events < 0
    events = np.where(down, count[1:], events)
    # After a restart a counter that did not go down may have begun again or gone on: nobody can tell.
    unclear = np.where(down, ~restarted, restarted & (count[:-1] > 0))
    turns, known_s = turned.between(start_s, end_s)
    turning, speed_known = turns > 0.0, known_s >= KNOWN_SHARE * (end_s - start_s)
    possible = (events <= (turns + REPORT_REV) / REV_PER_FIRING) & (count[1:] < COUNTER_END)
    good = ~unclear & turning & speed_known & possible
    # A standing engine adds nothing and loses nothing.
    standing = speed_known & ~turning & (events == 0)
    return Polls(
        np.full(int(good.sum()), cylinder), start_s[good], end_s[good], events[good], turns[good],
        at_start, int(down.sum()), int(np.sum(~good & ~standing)),
    )  # fmt: skip


# Fewest revolutions (summed over cylinders) on either side of a comparison.
MIN_SIDE_REV = 400.0
MIN_ERROR_READINGS = 3  # fewest angle readings between two polls for a mean error


@dataclass(frozen=True, slots=True)
class Association:
    """Misfire rate with a condition against the rate without it.

    `kind` is "cam_error" (`cam` set) or "oil_window" (`window` set, an index). Rates are per 1,000 revolutions of a
    cylinder; `ratio` is None where nothing misfired without the condition. `p_adjusted` is corrected for all conditions
    tried. `holds`: it is below the allowed chance and the ratio above the limit. A cam acts on all its cylinders, so
    its association must also hold without the cylinder that misfires most, with `p_without_worst` (None with one
    cylinder): a weak coil misfires under load, when cam error occurs too. `p_value` is None where untested; `reason`
    says why."""

    kind: str
    cam: str | None
    window: int | None
    title: str
    rate_with: float | None = None
    rate_without: float | None = None
    ratio: float | None = None
    ratio_low: float | None = None
    ratio_high: float | None = None
    p_value: float | None = None
    p_adjusted: float | None = None
    holds: bool = False
    reason: str = ""
    p_without_worst: float | None = None


def associations(
    polls: Polls,
    windows: Windows,
    cams: Mapping[str, CamData],
    banks: Sequence[Sequence[int]] | None,
    limits: Mapping[str, Limit],
) -> tuple[Association, ...]:
    """Test misfires against each cam's error (cylinders of its own bank) and each oil window (all cylinders). `polls`
    are those of all cylinders. Equal rates are tested by the E-test (Krishnamoorthy & Thomson 2004), several tests
    together by the Benjamini-Hochberg false discovery rate."""
    limit_deg = limits["misfire_cam_error_deg"].value
    tried = [_with_cam(polls, cam, data, banks, limit_deg) for cam, data in cams.items()]
    if windows.source is not None:
        where = windows.index_at(polls.middle_s)
        reached = [i for i in range(len(windows.windows)) if np.any(where == i)]
        # Two windows make one test, not two.
        for i in reached if len(reached) > 2 else reached[:1] if len(reached) == 2 else []:
            title = say("association.oil_window", window=windows.windows[i].label)
            label = np.where(where < 0, -1, where == i)
            tried.append(_compare(Association("oil_window", None, i, title), polls, label))
    tested = [i for i, a in enumerate(tried) if a.p_value is not None]
    if tested:
        adjusted = stats.false_discovery_control([tried[i].p_value for i in tested], method="bh")
        for i, p in zip(tested, adjusted.tolist(), strict=True):
            tried[i] = _judged(tried[i], p, limits)
    return tuple(tried)


def _judged(a: Association, p: float, limits: Mapping[str, Limit]) -> Association:
    allowed = limits["significance"].value
    strong = (a.rate_with or 0.0) > 0.0 and (a.ratio is None or a.ratio >= limits["misfire_rate_ratio"].value)
    holds = p <= allowed and strong
    if holds and (a.p_without_worst or 0.0) > allowed:
        return replace(a, p_adjusted=p, reason=a.reason + say("association.one_cylinder"))
    return replace(a, p_adjusted=p, holds=holds)


def _with_cam(
    polls: Polls, cam: str, data: CamData, banks: Sequence[Sequence[int]] | None, limit_deg: float
) -> Association:
    bank = cam_names.bank_of(cam)
    if banks and bank <= len(banks):
        polls = polls.take(np.isin(polls.cylinder, list(banks[bank - 1])))
    error = _mean_error(polls, data)
    label = np.where(np.isnan(error), -1, error > limit_deg)
    title = say("association.cam_error", side=cam_names.side_of(cam), bank=bank, limit=limit_deg)
    blank = Association("cam_error", cam, None, title)
    tested = _compare(blank, polls, label)
    cylinders, position = np.unique(polls.cylinder, return_inverse=True)
    if tested.p_value is None or len(cylinders) < 2:
        return tested
    rates = np.bincount(position, polls.events) / np.bincount(position, polls.revolutions)
    rest = position != np.argmax(rates)
    return replace(tested, p_without_worst=_compare(blank, polls.take(rest), label[rest]).p_value)


def _mean_error(polls: Polls, data: CamData) -> np.ndarray:
    """Mean absolute error of the cam between each two polls, shape (n,); NaN with too few angle readings."""
    known = np.isfinite(data.error_deg)
    total = np.concatenate([[0.0], np.cumsum(np.abs(data.error_deg[known]))])
    a, b = (np.searchsorted(data.actual_time_s[known], t) for t in (polls.start_s, polls.end_s))
    return np.where(b - a >= MIN_ERROR_READINGS, (total[b] - total[a]) / np.maximum(b - a, 1), np.nan)


def _compare(blank: Association, polls: Polls, label: np.ndarray) -> Association:
    """`blank`, which describes the condition, completed by comparing polls with label 1 to polls with label 0."""
    sides = (label == 1, label == 0)
    turns, counts = ([float(v[s].sum()) for s in sides] for v in (polls.revolutions, polls.events))
    rates = [k / n * 1000.0 if n else None for k, n in zip(counts, turns, strict=True)]
    tested = replace(blank, rate_with=rates[0], rate_without=rates[1])
    if min(turns) < MIN_SIDE_REV:
        lack = "with" if turns[0] < turns[1] else "without"
        return replace(tested, reason=say(f"association.{lack}", title=blank.title))
    extra = polls.dispersion(label)
    ratio = poisson.rate_ratio(counts[0], turns[0] / 1000.0, counts[1], turns[1] / 1000.0, extra)
    none = ratio.value is None
    reason = say(
        "association.compared", title=blank.title, rate_with=rates[0], rate_without=rates[1],
        times=say("association.no_ratio") if none else say("association.times", ratio=ratio.value),
        low="0" if ratio.low is None else f"{ratio.low:.1f}",
        high=say("association.no_upper_end") if ratio.high is None else f"{ratio.high:.1f}",
    )  # fmt: skip
    return replace(
        tested, ratio=ratio.value, ratio_low=ratio.low, ratio_high=ratio.high, p_value=ratio.p_value, reason=reason
    )
