"""Figures of a cam at rest and of its reading: mechanical timing, the lock pin at the start, the sensor."""

from __future__ import annotations

from collections.abc import Iterator

from camlog.analysis.cam.examine import Examination
from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.figures.figure import Measured, View, messages
from camlog.analysis.figures.measures import count_of, less_noise, mapped, plain

SAME_VALUE_RUNS = 6
LEAST_FLUTTER_DEG = 0.4


def offset_at_rest(view: View) -> Iterator[Measured]:
    """Actual minus rest angle when commanded to rest, degrees, at warm idle and in each oil window."""
    r = view.x.rest
    yield Measured(r.offset_deg, max(r.visits, r.offset_deg.count))
    for window, offset in r.windows:
        yield Measured(offset, offset.count, window)


def elongation(view: View) -> Iterator[Measured]:
    """Chain elongation that would explain the offset, percent; a longer chain only retards."""
    r = view.x.rest
    if r.offset_deg.value is not None and r.offset_deg.value < 0:
        yield Measured(r.chain_elongation_percent, max(r.visits, r.offset_deg.count))


def constant_error(view: View) -> Iterator[Measured]:
    """The part of the error at a steady command that is the same everywhere, degrees."""
    t = view.x.tracking
    bias, rms = t.bias_deg, t.rms_deg.value
    if bias.value is None or rms is None:
        yield Measured(missing(bias.reason), 0.0)
        return
    left = max(rms * rms - bias.value**2, 0.0) ** 0.5
    shrink = max(1.0 - (left / max(abs(bias.value), 1e-9)) ** 2, 0.0) ** 0.5
    e = mapped(bias, lambda end: end * shrink)
    yield Measured(Estimate(e.value, e.low, e.high, e.count), t.settled_s)


def chain_offset(view: View) -> Iterator[Measured]:
    """The offset this cam shares with the cams on its chain: the smaller of the two where both stand off one
    way."""
    own = _standing_off(view.x)
    others = [o for o in (_standing_off(x) for x in view.chain) if o is not None]
    if own is None or not others:
        return
    # A chain that is longer retards every cam it drives, a jumped tooth moves them all one way.
    shared = min(min(abs(own), abs(o)) if own * o > 0 else 0.0 for o in others)
    apart = min(abs(own - o) for o in others)
    yield Measured(Estimate(shared, max(shared - apart, 0.0), shared + 0.5 * apart, 1), 1.0)


def _standing_off(x: Examination) -> float | None:
    """How far the cam stands off (deg), the same each time: at rest with warm or else any oil, else wherever
    it is held."""
    rest = (x.rest.offset_deg, *(offset for _, offset in x.rest.windows))
    held = (m.estimate for m in constant_error(View(x)))
    return next((e.value for estimates in (rest, held) for e in estimates if e.value is not None), None)


def cold_start_flutter(view: View) -> Iterator[Measured]:
    """Rattle at rest in the first seconds after the start, degrees, without the noise of the reading."""
    flutter = view.x.rest.cold_start.flutter_rms_deg
    yield Measured(less_noise(flutter, view.x.sensor.noise.at_rest_deg.value or 0.0), max(flutter.count, 0))


# ---------------------------------------------------------------- the reading


def noise_correlation(view: View) -> Iterator[Measured]:
    """Likeness of successive readings of the held cam, 0 to 1."""
    r = view.x.sensor.noise.correlation
    if r is not None:
        yield plain(max(r, 0.0), view.x.hold.held_s)


def noise_share(view: View) -> Iterator[Measured]:
    """Noise from one reading to the next over flutter: near 1 it is all the reading's, a cam moves slower."""
    noise, flutter = view.x.sensor.noise.off_rest_deg, view.x.hold.flutter_rms_deg
    if noise.value is None or not flutter.value or flutter.value < LEAST_FLUTTER_DEG:
        yield Measured(missing(messages("missing.hardly_moves")), 0.0)
    else:
        yield Measured(Estimate(noise.value / flutter.value, None, None, noise.count), noise.count)


def dropouts(view: View) -> Iterator[Measured]:
    """Share of readings missing, beyond what the other cams lack as well, which is the recording's."""
    d = view.x.sensor.dropouts
    others = [x.sensor.dropouts.fraction or 0.0 for x in view.others]
    beyond = None if d.fraction is None else max(d.fraction - min(others, default=0.0), 0.0)
    yield plain(beyond, view.x.tracking.excursions.watched_s, d.reason)


def impossible_jumps(view: View) -> Iterator[Measured]:
    """Jumps no cam can make, and runs of one substituted value."""
    s = view.x.sensor
    put = s.substituted
    same = put.runs if put.value_deg is not None and put.runs >= SAME_VALUE_RUNS else 0
    yield count_of(float(s.spikes.jumps + s.spikes.count + same), view.x.tracking.excursions.watched_s)


def still_share(view: View, kind: str) -> Iterator[Measured]:
    """Share of the time the reading stood still to the last digit, where it froze in this way (else zero)."""
    f = view.x.sensor.frozen
    yield plain(f.share if f.kind == kind else 0.0, view.x.tracking.excursions.watched_s)
