"""Does it move smoothly?"""

from __future__ import annotations

import math
from collections.abc import Iterator

from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.figures.figure import Figure, Measure, Measured, View
from camlog.analysis.figures.measures import MOVES, MOVING, count_of, plain, share_of, swings_of


def _misfit(view: View) -> Iterator[Measured]:
    fit = view.x.response.fit
    yield plain(None if fit.r2 is None else 1.0 - fit.r2, fit.blocks, fit.lag.reason)


def _stiction_model(view: View) -> Iterator[Measured]:
    fit = view.x.sticking.fit
    yield plain(fit.explained, fit.seconds, fit.stick_band_deg.reason)


def _surprise(view: View) -> Iterator[Measured]:
    s = view.x.sticking
    p = s.p_smooth
    yield plain(None if p is None else min(-math.log10(max(p, 1e-12)), 12.0), s.moving_s, s.reason)


def _band(name: str) -> Measure:
    def measure(view: View) -> Iterator[Measured]:
        s = view.x.sticking
        found: Estimate = getattr(s, name)
        # Of a cam that does not stick the fit's band is whatever else its motion has.
        none = s.sticks is False and found.value is not None
        yield Measured(Estimate(0.0, 0.0, 0.0, found.count) if none else found, s.moving_s)
        for window, here in s.windows:
            yield Measured(getattr(here, name), s.moving_s, window)

    return measure


def _jump_rate(view: View) -> Iterator[Measured]:
    s = view.x.sticking
    if s.moving_s <= 0:
        yield Measured(missing(s.reason or "the command moved too little"), 0.0)
        return
    per = 60.0 / s.moving_s
    m = count_of(float(s.jumps), s.moving_s).estimate
    yield Measured(Estimate(m.value * per, m.low * per, m.high * per, s.jumps), s.moving_s)


def _jump_share(view: View) -> Iterator[Measured]:
    s = view.x.sticking
    if s.plateaus:
        yield share_of(s.jumps, s.plateaus, s.plateaus)


def _cycle_shape(view: View) -> Iterator[Measured]:
    c = view.x.sticking.limit_cycle
    if c.shape_index is not None:
        yield plain(max(c.shape_index, 0.0), c.half_cycles)


FIGURES = (
    Figure("stick_band_deg", "dead band plus stick band", "deg", "smooth", "stick", "stick_band_deg", ("sticking", "stuck"),
           _band("stick_band_deg"), "The cam stays put until the command has left it by {value}", **MOVING),
    Figure("jump_deg", "jump when it breaks away", "deg", "smooth", "jump", "jump_deg", ("sticking", "stuck"),
           _band("jump_deg"), "When it breaks away the cam jumps {value}", **MOVING),
    Figure("jumps_per_min", "jumps after standing, a minute of moving command", "1/min", "smooth", "jump_rate",
           "jumps_per_min", ("sticking", "stuck"), _jump_rate, "After standing the cam jumped {value} ({n} times)", **MOVING),
    Figure("jump_share", "stands that ended in a jump", "share", "smooth", "jump_share", "jump_share", ("sticking",), _jump_share,
           "Of the times it stood while its command left it, {value} ended in a jump", 3.0, "stands", says_good=False),
    Figure("stiction_explained", "motion explained by sticking and not by slowness", "share", "smooth", "model",
           "stiction_explained", ("sticking", "stuck"), _stiction_model,
           "A cam that sticks explains {value} of what a slow but smooth one leaves unexplained", **MOVING),
    Figure("only_slow_surprise", "how much less likely its motion is for a cam that is only slow", "powers of ten", "smooth", "surprise",
           "only_slow_surprise", ("sticking", "stuck", "unstable"), _surprise,
           "A cam that sticks explains the motion better than one that is only slow, by {value}", says_good=False, **MOVING),
    Figure("fit_misfit", "motion that a lag with a rate limit leaves unexplained", "share", "smooth", "model",
           "fit_misfit", ("sticking", "stuck", "slow", "unstable", "sensor", "offset"), _misfit, "A lag leaves {value} of the cam's motion unexplained", **MOVES),
    Figure("standing_swing_deg", "swing to either side that stands on plateaus", "deg", "smooth", "stick",
           "standing_swing_deg", ("sticking",), swings_of("standing"),
           "About a command that hardly moves the cam jumps {value} to either side and stands still in between", 6.0, "swings"),
    Figure("cycle_shape", "shape of its steady swing, 0 smooth to 1 plateaus", "1", "smooth", "stick",
           "cycle_shape", ("sticking",), _cycle_shape, "Its steady swing has the shape {value} (0 smooth, 1 plateaus)",
           5.0, "half swings"),
)  # fmt: skip
