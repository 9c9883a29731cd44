"""Figures of how smoothly a cam moves and how steadily it holds."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from camlog.analysis.cam.examine import Examination
from camlog.analysis.estimate import Estimate
from camlog.analysis.figures import Measured, View, messages
from camlog.analysis.figures.measures import count_of, plain, share_of, unmeasured


def less_noise(e: Estimate, noise_deg: float) -> Estimate:
    """Flutter without the noise of the reading."""
    return e.mapped(lambda rms: max(rms * rms - noise_deg * noise_deg, 0.0) ** 0.5)


MOST_POWERS_OF_TEN = 12.0
AMPLITUDE_DOUBT = 0.2  # of a steady oscillation's amplitude


def stick_figure(view: View, name: str) -> Iterator[Measured]:
    """Stick band or jump (deg) for the whole drive and each oil window."""
    s = view.x.sticking
    whole: Estimate = getattr(s, name)
    # For a cam that does not stick, the fitted band reflects other features of its motion.
    none = s.sticks is False and whole.value is not None
    yield Measured(Estimate(0.0, 0.0, 0.0, whole.count) if none else whole, s.moving_s)
    for window, part in s.windows:
        yield Measured(getattr(part, name), s.moving_s, window)


def jump_rate(view: View) -> Iterator[Measured]:
    s = view.x.sticking
    if s.moving_s <= 0:
        yield unmeasured(s.reason or messages("missing.little_commanded"))
        return
    per_min = 60.0 / s.moving_s
    yield Measured(count_of(float(s.jumps), s.moving_s).estimate.mapped(lambda n: n * per_min), s.moving_s)


def only_slow_surprise(view: View) -> Iterator[Measured]:
    """How improbable the motion is for a cam that is only slow, in powers of ten."""
    s = view.x.sticking
    p = s.p_smooth
    surprise = None if p is None else min(-math.log10(max(p, 10.0**-MOST_POWERS_OF_TEN)), MOST_POWERS_OF_TEN)
    yield plain(surprise, s.moving_s, s.reason)


def fit_misfit(view: View) -> Iterator[Measured]:
    fit = view.x.response.fit
    yield plain(None if fit.r2 is None else 1.0 - fit.r2, fit.blocks, fit.lag.reason)


def swings(view: View, part: str) -> Iterator[Measured]:
    """Swing (deg) to either side of a still command, times the share of its swings that are `part`."""
    s = view.x.sticking.swings
    size = s.amplitude_deg.value
    if s.judged and size is not None:
        e = share_of(getattr(s, part), s.judged, s.judged).estimate
        yield Measured(e.mapped(lambda share: share * size), s.judged)


def cycle_shape(view: View) -> Iterator[Measured]:
    c = view.x.sticking.limit_cycle
    if c.shape_index is not None:
        yield plain(max(c.shape_index, 0.0), c.half_cycles)


# ---------------------------------------------------------------- held


def flutter(view: View) -> Iterator[Measured]:
    h, noise = view.x.hold, view.x.sensor.noise.at_rest_deg.value or 0.0
    for window, part in ((None, h), *h.windows):
        yield Measured(less_noise(part.flutter_rms_deg, noise), part.held_s, window)


def restless(view: View) -> Iterator[Measured]:
    """Motion from reading to reading (deg) when held, beyond that at rest."""
    noise = view.x.sensor.noise
    if noise.at_rest_deg.value is None:
        yield unmeasured(messages("missing.rest_and_held"))
    else:
        yield Measured(less_noise(noise.off_rest_deg, noise.at_rest_deg.value), noise.off_rest_deg.count)


def limit_cycle(view: View) -> Iterator[Measured]:
    h, o = view.x.hold, view.x.hold.oscillation
    if o.amplitude_deg is None:
        yield unmeasured(o.reason)
    else:
        size = o.amplitude_deg if o.found else 0.0
        ends = (1.0 - AMPLITUDE_DOUBT) * size, (1.0 + AMPLITUDE_DOUBT) * size
        yield Measured(Estimate(size, *ends, o.stretches), h.held_s)


def swing_time(view: View) -> Iterator[Measured]:
    trials = max(view.watched_s / 5.0, 1.0)
    yield replace(share_of(view.x.sticking.swings.share, 1.0, trials), amount=view.watched_s)


SAME_VALUE_RUNS = 6
LEAST_FLUTTER_DEG = 0.4


def offset_at_rest(view: View) -> Iterator[Measured]:
    r = view.x.rest
    yield Measured(r.offset_deg, max(r.visits, r.offset_deg.count))
    for window, offset in r.windows:
        yield Measured(offset, offset.count, window)


def elongation(view: View) -> Iterator[Measured]:
    """Chain elongation (percent) that would explain the offset; a longer chain only retards."""
    r = view.x.rest
    if r.offset_deg.value is not None and r.offset_deg.value < 0:
        yield Measured(r.chain_elongation_percent, max(r.visits, r.offset_deg.count))


def constant_error(view: View) -> Iterator[Measured]:
    """The part of the error at a steady command (deg) that is the same everywhere."""
    t = view.x.tracking
    bias, rms = t.bias_deg, t.rms_deg.value
    if bias.value is None or rms is None:
        yield unmeasured(bias.reason)
        return
    left = max(rms * rms - bias.value**2, 0.0) ** 0.5
    shrink = max(1.0 - (left / max(abs(bias.value), 1e-9)) ** 2, 0.0) ** 0.5
    yield Measured(replace(bias.mapped(lambda end: end * shrink), reason=""), t.settled_s)


def chain_offset(view: View) -> Iterator[Measured]:
    """The offset that this cam shares with the cams on its chain: the smaller one if both have the same direction."""
    own = _constant_offset(view.x)
    others = [o for o in (_constant_offset(x) for x in view.chain) if o is not None]
    if own is None or not others:
        return
    # A longer chain retards every cam it drives; a jumped tooth moves them all in one direction.
    shared = min(min(abs(own), abs(o)) if own * o > 0 else 0.0 for o in others)
    difference = min(abs(own - o) for o in others)
    yield Measured(Estimate(shared, max(shared - difference, 0.0), shared + 0.5 * difference, 1), 1.0)


def _constant_offset(x: Examination) -> float | None:
    """The cam's constant offset (deg): at rest with warm oil, else at rest with any oil, else wherever it is held."""
    rest = (x.rest.offset_deg, *(offset for _, offset in x.rest.windows))
    held = (m.estimate for m in constant_error(View(x)))
    return next((e.value for estimates in (rest, held) for e in estimates if e.value is not None), None)


def cold_start_flutter(view: View) -> Iterator[Measured]:
    flutter = view.x.rest.cold_start.flutter_rms_deg
    yield Measured(less_noise(flutter, view.x.sensor.noise.at_rest_deg.value or 0.0), max(flutter.count, 0))


# ---------------------------------------------------------------- the reading


def noise_correlation(view: View) -> Iterator[Measured]:
    r = view.x.sensor.noise.correlation
    if r is not None:
        yield plain(max(r, 0.0), view.x.hold.held_s)


def noise_share(view: View) -> Iterator[Measured]:
    """Noise from one reading to the next over flutter: near 1, all flutter is reading noise, as a cam moves slower."""
    noise, flutter = view.x.sensor.noise.off_rest_deg, view.x.hold.flutter_rms_deg
    if noise.value is None or not flutter.value or flutter.value < LEAST_FLUTTER_DEG:
        yield unmeasured(messages("missing.hardly_moves"))
    else:
        yield Measured(Estimate(noise.value / flutter.value, None, None, noise.count), noise.count)


def dropouts(view: View) -> Iterator[Measured]:
    """Share of readings missing, beyond the share missing for the other cams (a fault of the recording)."""
    d = view.x.sensor.dropouts
    others = [x.sensor.dropouts.fraction or 0.0 for x in view.others]
    beyond = None if d.fraction is None else max(d.fraction - min(others, default=0.0), 0.0)
    yield plain(beyond, view.watched_s, d.reason)


def impossible_jumps(view: View) -> Iterator[Measured]:
    """Jumps no cam can make, and runs of one substituted value."""
    s = view.x.sensor
    substituted = s.substituted
    same = substituted.runs if substituted.value_deg is not None and substituted.runs >= SAME_VALUE_RUNS else 0
    yield count_of(float(s.spikes.jumps + s.spikes.count + same), view.watched_s)


def still_share(view: View, kind: str) -> Iterator[Measured]:
    """Share of the time in which the reading repeated to the last digit, if it froze as `kind`, else zero."""
    f = view.x.sensor.frozen
    yield plain(f.share if f.kind == kind else 0.0, view.watched_s)
