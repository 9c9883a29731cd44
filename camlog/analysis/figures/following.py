"""Figures of a cam that moves with its command: does it move, does it reach the command, and in time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.figures.figure import Measured, View, messages
from camlog.analysis.figures.measures import mapped, plain, share_of
from camlog.analysis.response.fopdt import FopdtFit
from camlog.analysis.response.measure import Response
from camlog.oil_windows import OilWindow

LEAST_COMMAND_DEG = 2.0  # a command that moved less asks for no travel
REFERENCE_STEP_DEG = 20.0  # a cam that turns at a fixed speed is late by the size of the move
DESCRIBES_R2 = 0.9  # a fit that explains less does not describe the cam
ROUGHLY_R2 = 0.8  # enough to compare lags: one that changes as the oil warms leaves some motion unexplained
SHORTEST_LAG_S = 0.05
FEW_STEPS = 3


def travel_share(view: View) -> Iterator[Measured]:
    """Travel of the cam over that of its command."""
    t = view.x.travel
    if t.command_span_deg < LEAST_COMMAND_DEG:
        yield Measured(missing(messages("missing.hardly_commanded")), 0.0)
    else:
        yield plain(t.actual_span_deg / t.command_span_deg, t.command_span_deg)


def standing_share(view: View) -> Iterator[Measured]:
    """Share of the time it should have moved that it stood still."""
    s = view.x.sticking
    if s.stuck_time_fraction is None:
        yield Measured(missing(s.reason or messages("missing.little_commanded")), 0.0)
    else:
        yield Measured(share_of(s.stuck_time_fraction, 1.0, s.moving_s / 2.0).estimate, s.moving_s)


def error_spread(view: View) -> Iterator[Measured]:
    """Error at a steady command about its mean, degrees."""
    t = view.x.tracking
    for window, here in ((None, t), *t.windows):
        p95, bias = here.p95_abs_deg, here.bias_deg.value
        if p95.value is None or bias is None:
            yield Measured(missing(p95.reason), 0.0, window)
        else:
            spread = mapped(p95, lambda end, bias=bias: max(end - abs(bias), 0.0))
            yield Measured(replace(spread, reason=""), here.settled_s, window)


def away_share(view: View) -> Iterator[Measured]:
    """Share of the time in errors that lasted."""
    over = view.x.tracking.excursions
    if over.time_over_limit_s is None:
        yield Measured(missing(over.reason), 0.0)
    else:
        yield share_of(over.time_over_limit_s, over.watched_s, over.watched_s / 10.0)


def late_share(view: View) -> Iterator[Measured]:
    """Share of the time far from everything commanded in the last second, in each oil window."""
    t = view.x.tracking
    for window, here in t.windows or ((None, t),):
        over = here.excursions
        if over.beyond_s is None:
            yield Measured(missing(over.reason), 0.0, window)
        else:
            yield replace(share_of(over.beyond_s, over.watched_s, over.watched_s), window=window)


def gain_error(view: View) -> Iterator[Measured]:
    """Departure of the static gain from one."""
    fit = view.x.response.fit
    if fit.gain.value is None or (fit.r2 or 0.0) < DESCRIBES_R2:
        yield Measured(missing(fit.gain.reason or messages("missing.no_lag")), 0.0)
    else:
        yield Measured(mapped(fit.gain, lambda end: end - 1.0), fit.blocks)


# ---------------------------------------------------------------- in time


def _by_window(view: View) -> Iterable[tuple[OilWindow | None, object]]:
    response = view.x.response
    return response.by_window.items() or ((None, response),)


def steps(view: View, name: str) -> Iterator[Measured]:
    """A figure of the pooled command steps, in each oil window and direction."""
    for window, here in _by_window(view):
        for part in ("advance", "retard"):
            pooled = getattr(here, part)
            yield Measured(getattr(pooled, name), pooled.steps, window, part)


def fitted_steps(view: View) -> Iterator[Measured]:
    """T63 (s) of a reference step by the continuous fit, in each oil window and direction."""
    for window, here in _by_window(view):
        for part, sign in (("advance", 1.0), ("retard", -1.0)):
            yield Measured(fitted_t63(here.fit, sign * REFERENCE_STEP_DEG), here.fit.blocks, window, part)


def fitted_t63(fit: FopdtFit, size_deg: float) -> Estimate:
    """T63 (s) of a step of `size_deg` by the continuous fit, with an interval; missing where the fit cannot
    say."""
    if fit.r2 is None or fit.r2 < DESCRIBES_R2 or fit.lag.value is None or fit.lag.interval is None:
        return missing(fit.lag.reason or messages("missing.no_limited_lag"))
    value = fit.t63_s(size_deg)
    if value is None or fit.lag.value <= 0.0:
        return missing(messages("missing.no_time_constant"))
    doubt = (fit.lag.high - fit.lag.low) / (2.0 * fit.lag.value)
    slew = fit.slew_advance if size_deg > 0 else fit.slew_retard
    if slew.value and slew.interval is not None:
        doubt = max(doubt, (slew.high - slew.low) / (2.0 * slew.value))
    return Estimate(value, value * max(1.0 - doubt, 0.0), value * (1.0 + doubt), fit.blocks)


def slower_t63(response: Response) -> Iterator[tuple[OilWindow, Estimate]]:
    """T63 (s) in each oil window of the slower direction, by steps or by the fit."""
    for window, part in response.by_window.items():
        steps_t63 = (part.advance.t63, part.retard.t63)
        here = [e for e in steps_t63 if e.value is not None or e.low is not None]
        fits = [fitted_t63(part.fit, sign * REFERENCE_STEP_DEG) for sign in (1.0, -1.0)]
        here += [f for f in fits if f.value is not None]
        if here:
            yield window, max(here, key=lambda e: e.value if e.value is not None else e.low)


def slowest_other(view: View) -> Iterator[Measured]:
    """T63 (s) of the slowest of the engine's other cams: what they share is the oil."""
    others = [View(x) for x in view.others]
    measured = [m for v in others for m in (*steps(v, "t63"), *fitted_steps(v)) if m.amount >= FEW_STEPS]
    known = [m for m in measured if m.estimate.value is not None]
    if known:
        yield max(known, key=lambda m: m.estimate.value)


def cold_ratio(view: View) -> Iterator[Measured]:
    """Lag with the coldest oil over that with the warmest."""
    known = sorted((w, r.fit) for w, r in view.x.response.by_window.items() if _has_lag(r.fit))
    if len(known) < 2:
        yield Measured(missing(messages("missing.cold_and_warm")), 0.0)
        return
    (window, cold), (_, warm) = known[0], known[-1]
    yield Measured(_lag_ratio(cold, warm), min(cold.blocks, warm.blocks), window)


def bank_ratio(view: View) -> Iterator[Measured]:
    """Lag over that of the same cam of the other bank, in the same oil."""
    if view.twin is None:
        return
    for window, here in view.x.response.by_window.items():
        there = view.twin.response.by_window.get(window)
        if there is not None and _has_lag(here.fit) and _has_lag(there.fit):
            yield Measured(_lag_ratio(here.fit, there.fit), min(here.fit.blocks, there.fit.blocks), window)


def _has_lag(fit: FopdtFit) -> bool:
    return (fit.r2 or 0.0) >= ROUGHLY_R2 and fit.lag.value is not None and fit.lag.high is not None


def _lag_ratio(slow: FopdtFit, fast: FopdtFit) -> Estimate:
    # What the sampling cannot resolve is no lag to compare with.
    usual = max(fast.lag.value, 0.5 * (fast.resolution_s or 0.0), SHORTEST_LAG_S)
    return Estimate(slow.lag.value / usual, slow.lag.low / usual, slow.lag.high / usual, slow.blocks)
