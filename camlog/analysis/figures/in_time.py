"""Does it arrive in time?"""

from __future__ import annotations

from collections.abc import Iterator

from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.figures.figure import Figure, Measured, View
from camlog.analysis.figures.measures import (
    MOVES,
    MOVING,
    REFERENCE_STEP_DEG,
    STEPS,
    WATCHED,
    codes_of,
    count_of,
    fitted_t63,
    share_of,
    steps_of,
)
from camlog.analysis.response.fopdt import FopdtFit


def _late(view: View) -> Iterator[Measured]:
    t = view.x.tracking
    for window, here in t.windows or ((None, t),):
        over = here.excursions
        if over.beyond_s is None:
            yield Measured(missing(over.reason), 0.0, window)
        else:
            m = share_of(over.beyond_s, over.watched_s, over.watched_s)
            yield Measured(m.estimate, over.watched_s, window)


ROUGHLY_R2 = 0.8
SHORTEST_LAG_S = 0.05


def _fitted(view: View) -> Iterator[Measured]:
    response = view.x.response
    for window, here in response.by_window.items() or ((None, response),):
        for part, sign in (("advance", 1.0), ("retard", -1.0)):
            found = fitted_t63(here.fit, sign * REFERENCE_STEP_DEG)
            yield Measured(found, here.fit.blocks, window, part)


def _known_lag(fit: FopdtFit) -> bool:
    # A lag that changes as the oil warms leaves some of the motion unexplained.
    return fit.r2 is not None and fit.r2 >= ROUGHLY_R2 and fit.lag.value is not None and fit.lag.high is not None


def _usual_lag(fit: FopdtFit) -> float:
    """A lag (s) to compare with: what the sampling cannot resolve is no lag."""
    return max(fit.lag.value, 0.5 * (fit.resolution_s or 0.0), SHORTEST_LAG_S)


def _times(slow: FopdtFit, fast: FopdtFit) -> Estimate:
    usual = _usual_lag(fast)
    ends = [e / usual for e in (slow.lag.value, slow.lag.low, slow.lag.high)]
    return Estimate(*ends, slow.blocks)


def _cold_ratio(view: View) -> Iterator[Measured]:
    known = sorted((w, r.fit) for w, r in view.x.response.by_window.items() if _known_lag(r.fit))
    if len(known) < 2:
        yield Measured(missing("the lag was not seen with cold and with warm oil"), 0.0)
        return
    (window, cold), (_, warm) = known[0], known[-1]
    yield Measured(_times(cold, warm), min(cold.blocks, warm.blocks), window)


def _bank_ratio(view: View) -> Iterator[Measured]:
    if view.twin is None:
        return
    for window, here in view.x.response.by_window.items():
        there = view.twin.response.by_window.get(window)
        if there is not None and _known_lag(here.fit) and _known_lag(there.fit):
            yield Measured(_times(here.fit, there.fit), min(here.fit.blocks, there.fit.blocks), window)


def _others_late(view: View) -> Iterator[Measured]:
    """The slowest of the engine's other cams: what they share is the oil."""
    found = [m for x in view.others for m in (*steps_of("t63")(View(x)), *_fitted(View(x))) if m.amount >= 3]
    known = [m for m in found if m.estimate.value is not None]
    if known:
        yield max(known, key=lambda m: m.estimate.value)


def _supply(view: View) -> Iterator[Measured]:
    s = view.x.sticking
    yield count_of(float(s.with_supply), s.moving_s)


FIGURES = (
    Figure("code_slow", "trouble codes for its slow response", "count", "in_time", "code_slow", "code_slow", ("slow",),
           codes_of("slow_response"), "The vehicle's own monitor stored {value} code for this cam's slow response", 0.5,
           "lists"),
    Figure("t63_s", "time to 63 % of a step", "s", "in_time", "response", "t63_*_s", ("slow", "stuck", "sticking"), steps_of("t63"),
           "{Part} steps take {value} to 63 % of the move ({n} steps)", **STEPS),
    Figure("t63_fit_s", "time to 63 % of a 20 deg step, by all moves", "s", "in_time", "response", "t63_*_s",
           ("slow", "stuck", "sticking"), _fitted, "In {part} the cam needs {value} to 63 % of a 20 deg step, by all its moves", **MOVES),
    Figure("slew_deg_per_s", "speed over the fastest part of a step", "deg/s", "in_time", "slew",
           "slew_min_*_deg_per_s", ("slow", "stuck", "sticking"), steps_of("slew"), "In {part} the cam moves at {value}", bad="below",
           **STEPS),
    Figure("dead_time_s", "dead time after a step", "s", "in_time", "dead_time", "dead_time_s", ("slow", "stuck", "sticking"),
           steps_of("dead_time"), "{Part} steps begin {value} after the command ({n} steps)", **STEPS),
    Figure("late_time_fraction", "time far from all commanded in the last second", "share", "in_time", "late",
           "late_time_*_fraction", ("slow", "stuck", "sticking", "offset", "sensor", "unstable"), _late,
           "For {value} of the time the cam was far from everything commanded in the second before", **WATCHED),
    Figure("cold_slowness_ratio", "lag with the coldest oil over that with the warmest", "1", "in_time", "response",
           "cold_slowness_ratio", ("slow",), _cold_ratio, "With cold oil the cam lags {value} times as long as with warm",
           **MOVES),
    Figure("bank_slowness_ratio", "lag over that of the same cam of the other bank", "1", "in_time", "response",
           "bank_slowness_ratio", ("slow",), _bank_ratio,
           "The cam lags {value} times as long as that of the other bank in the same oil", **MOVES),
    Figure("others_t63_s", "time to 63 % of a step of the slowest other cam", "s", "in_time", "others", "t63_*_s",
           ("slow",), _others_late, "Another cam on the same oil needs {value} to 63 % of a step", says_good=False, **STEPS),
    Figure("waits_for_speed", "times it stood until engine speed rose", "count", "in_time", "supply", "waits_for_speed",
           ("slow", "stuck", "sticking"), _supply, "{value} times the cam stood still until engine speed, and with it oil pressure, rose",
           says_good=False, **MOVING),
)  # fmt: skip
