"""Figures of how a cam moves, and how it holds: smoothly or by jumps, steadily or not."""

from __future__ import annotations

import math
from collections.abc import Iterator

from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.figures.figure import Measured, View, messages
from camlog.analysis.figures.measures import count_of, less_noise, plain, share_of

MOST_POWERS_OF_TEN = 12.0
AMPLITUDE_DOUBT = 0.2  # of a steady oscillation's amplitude


def stick_figure(view: View, name: str) -> Iterator[Measured]:
    """Stick band or jump, degrees, of the whole drive and of each oil window."""
    s = view.x.sticking
    whole: Estimate = getattr(s, name)
    # Of a cam that does not stick the fit's band is whatever else its motion has.
    none = s.sticks is False and whole.value is not None
    yield Measured(Estimate(0.0, 0.0, 0.0, whole.count) if none else whole, s.moving_s)
    for window, here in s.windows:
        yield Measured(getattr(here, name), s.moving_s, window)


def jump_rate(view: View) -> Iterator[Measured]:
    """Jumps after standing, a minute of moving command."""
    s = view.x.sticking
    if s.moving_s <= 0:
        yield Measured(missing(s.reason or messages("missing.little_commanded")), 0.0)
        return
    per, e = 60.0 / s.moving_s, count_of(float(s.jumps), s.moving_s).estimate
    yield Measured(Estimate(e.value * per, e.low * per, e.high * per, s.jumps), s.moving_s)


def only_slow_surprise(view: View) -> Iterator[Measured]:
    """How much less likely the motion is for a cam that is only slow, powers of ten."""
    s = view.x.sticking
    p = s.p_smooth
    surprise = None if p is None else min(-math.log10(max(p, 10.0**-MOST_POWERS_OF_TEN)), MOST_POWERS_OF_TEN)
    yield plain(surprise, s.moving_s, s.reason)


def fit_misfit(view: View) -> Iterator[Measured]:
    """Share of the motion that a lag with a rate limit leaves unexplained."""
    fit = view.x.response.fit
    yield plain(None if fit.r2 is None else 1.0 - fit.r2, fit.blocks, fit.lag.reason)


def swings(view: View, part: str) -> Iterator[Measured]:
    """Swing to either side of a still command, times the share of its swings that are `part`, degrees."""
    s = view.x.sticking.swings
    size = s.amplitude_deg.value
    if s.judged and size is not None:
        e = share_of(getattr(s, part), s.judged, s.judged).estimate
        yield Measured(Estimate(e.value * size, e.low * size, e.high * size, s.judged), s.judged)


def cycle_shape(view: View) -> Iterator[Measured]:
    """Shape of a steady swing, 0 smooth to 1 plateaus."""
    c = view.x.sticking.limit_cycle
    if c.shape_index is not None:
        yield plain(max(c.shape_index, 0.0), c.half_cycles)


# ---------------------------------------------------------------- held


def flutter(view: View) -> Iterator[Measured]:
    """Wander at a steady command less the reading's noise, degrees, whole drive and each oil window."""
    h, noise = view.x.hold, view.x.sensor.noise.at_rest_deg.value or 0.0
    for window, here in ((None, h), *h.windows):
        yield Measured(less_noise(here.flutter_rms_deg, noise), here.held_s, window)


def restless(view: View) -> Iterator[Measured]:
    """Motion from reading to reading when held, beyond that at rest, degrees."""
    noise = view.x.sensor.noise
    if noise.at_rest_deg.value is None:
        yield Measured(missing(messages("missing.rest_and_held")), 0.0)
    else:
        yield Measured(less_noise(noise.off_rest_deg, noise.at_rest_deg.value), noise.off_rest_deg.count)


def limit_cycle(view: View) -> Iterator[Measured]:
    """Amplitude of a steady oscillation at a steady command, degrees."""
    h, o = view.x.hold, view.x.hold.oscillation
    if o.amplitude_deg is None:
        yield Measured(missing(o.reason), 0.0)
    else:
        size = o.amplitude_deg if o.found else 0.0
        ends = (1.0 - AMPLITUDE_DOUBT) * size, (1.0 + AMPLITUDE_DOUBT) * size
        yield Measured(Estimate(size, *ends, o.stretches), h.held_s)


def swing_time(view: View) -> Iterator[Measured]:
    """Share of the time it swings about a command that hardly moves."""
    watched_s = view.x.tracking.excursions.watched_s
    yield Measured(share_of(view.x.sticking.swings.share, 1.0, max(watched_s / 5.0, 1.0)).estimate, watched_s)
