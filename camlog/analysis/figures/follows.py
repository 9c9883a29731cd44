"""Does it reach its command?"""

from __future__ import annotations

from collections.abc import Iterator

from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.figures.figure import Figure, Measured, View
from camlog.analysis.figures.measures import (
    DESCRIBES_R2,
    HELD,
    MOVES,
    WATCHED,
    codes_of,
    plain,
    share_of,
    tracking_of,
)


def _spread(view: View) -> Iterator[Measured]:
    t = view.x.tracking
    for window, here in ((None, t), *t.windows):
        p95, bias = here.p95_abs_deg, here.bias_deg.value
        if p95.value is None or bias is None:
            yield Measured(missing(p95.reason), 0.0, window)
            continue
        ends = [None if e is None else max(e - abs(bias), 0.0) for e in (p95.value, p95.low, p95.high)]
        yield Measured(Estimate(*ends, p95.count), here.settled_s, window)


def _away(view: View) -> Iterator[Measured]:
    over = view.x.tracking.excursions
    if over.time_over_limit_s is None:
        yield Measured(missing(over.reason), 0.0)
    else:
        yield share_of(over.time_over_limit_s, over.watched_s, over.watched_s / 10.0)


def _longest(view: View) -> Iterator[Measured]:
    over = view.x.tracking.excursions
    yield plain(over.longest_s, over.watched_s, over.reason)


def _gain(view: View) -> Iterator[Measured]:
    fit = view.x.response.fit
    g = fit.gain
    if g.value is None or (fit.r2 or 0.0) < DESCRIBES_R2:
        yield Measured(missing(g.reason or "the motion is not that of a lag"), 0.0)
        return
    ends = [None if e is None else e - 1.0 for e in (g.value, g.low, g.high)]
    yield Measured(Estimate(*ends, g.count, g.reason), fit.blocks)


FIGURES = (
    Figure("p95_abs_deg", "error at a steady command, 95 % of readings within", "deg", "follows", "target",
           "hold_error_deg", ("stuck", "offset", "sticking", "slow", "unstable", "sensor"), tracking_of("p95_abs_deg"),
           "At a steady command the error reaches {value} (95 % of readings)", **HELD),
    Figure("rms_deg", "typical error at a steady command", "deg", "follows", "target", "tracking_rms_deg",
           ("stuck", "offset", "sticking", "slow", "unstable", "sensor"), tracking_of("rms_deg"), "At a steady command the error is typically {value}", **HELD),
    Figure("error_spread_deg", "error at a steady command about its mean", "deg", "follows", "spread",
           "error_spread_deg", ("stuck", "sticking", "slow", "unstable", "sensor"), _spread,
           "At a steady command the error varies by {value} about its mean (95 % of readings)", **HELD),
    Figure("away_time_fraction", "time off its command for long", "share", "follows", "away", "away_time_fraction",
           ("stuck", "offset", "sensor", "sticking", "slow"), _away, "For {value} of the time the cam was off its command for longer than a lag explains",
           **WATCHED),
    Figure("longest_excursion_s", "longest time off its command", "s", "follows", "away", "hold_error_time_s",
           ("stuck", "offset", "sensor", "sticking", "slow"), _longest, "For {value} on end the cam was off its command", **WATCHED),
    Figure("gain_error", "departure of the static gain from one", "1", "follows", "gain", "gain_error", ("sensor",), _gain,
           "For each degree commanded the cam moves {value} deg more or less than one", bad="size", **MOVES),
    Figure("code_target", "trouble codes for its target error", "count", "follows", "code_target", "code_target",
           ("stuck", "sticking", "slow", "unstable", "offset"), codes_of("cam_performance"), "The vehicle's own monitor stored {value} code for this cam's position",
           0.5, "lists"),
)  # fmt: skip
