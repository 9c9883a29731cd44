"""Does it rest where it should: mechanical timing."""

from __future__ import annotations

from collections.abc import Iterator

from camlog.analysis.cam.examine import Examination
from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.figures.figure import Figure, Measured, View
from camlog.analysis.figures.measures import HELD, codes_of, part_of, plain, rest_offset


def _constant(view: View) -> Iterator[Measured]:
    """The part of the error at a steady command that is the same everywhere, degrees."""
    t = view.x.tracking
    bias, rms = t.bias_deg, t.rms_deg.value
    if bias.value is None or rms is None:
        yield Measured(missing(bias.reason), 0.0)
        return
    left = max(rms * rms - bias.value**2, 0.0) ** 0.5
    shrink = max(1.0 - (left / max(abs(bias.value), 1e-9)) ** 2, 0.0) ** 0.5
    ends = [None if e is None else e * shrink for e in (bias.value, bias.low, bias.high)]
    yield Measured(Estimate(*ends, bias.count), t.settled_s)


def _rest(view: View) -> Iterator[Measured]:
    r = view.x.rest
    yield Measured(r.offset_deg, max(r.visits, r.offset_deg.count))
    for window, offset in r.windows:
        yield Measured(offset, offset.count, window)


def _elongation(view: View) -> Iterator[Measured]:
    r = view.x.rest
    # A longer chain only retards.
    if r.offset_deg.value is not None and r.offset_deg.value < 0:
        yield Measured(r.chain_elongation_percent, max(r.visits, r.offset_deg.count))


def _standing_off(x: Examination) -> float | None:
    """How far the cam stands off, the same each time: at rest, else wherever it is held."""
    at_rest = rest_offset(x)
    if at_rest is not None:
        return at_rest
    return next((m.estimate.value for m in _constant(View(x))), None)


def _chain_offset(view: View) -> Iterator[Measured]:
    """The offset this cam shares with the cams on its chain: the smaller of the two where both stand off one way."""
    own = _standing_off(view.x)
    found = [o for o in (_standing_off(x) for x in view.chain) if o is not None]
    if own is None or not found:
        return
    # A chain that is longer retards every cam it drives, a jumped tooth moves them all one way.
    shared = [min(abs(own), abs(o)) if own * o > 0 else 0.0 for o in found]
    value = min(shared)
    apart = min(abs(own - o) for o in found)
    yield Measured(Estimate(value, max(value - apart, 0.0), value + 0.5 * apart, 1), 1.0)


def _rest_spread(view: View) -> Iterator[Measured]:
    r = view.x.rest
    yield plain(r.spread_deg, r.visits, "fewer than two visits to rest")


def _at_stop(view: View) -> Iterator[Measured]:
    m = view.x.motion
    yield plain(m.stop_share, m.away_s, "the cam did not stand away from a steady command")


def _beyond_range(view: View) -> Iterator[Measured]:
    beyond = view.x.rest.beyond_range_deg
    if beyond is not None:
        yield plain(beyond, view.x.tracking.settled_s)


FIGURES = (
    Figure("rest_offset_deg", "off its rest position, at idle", "deg", "rests", "offset", "rest_offset_deg", ("offset", "stuck", "sensor"),
           _rest, "At rest the cam stands {value} {way}, each time alike", 1.0, "pieces", "size"),
    Figure("chain_elongation_percent", "chain elongation that would explain it", "%", "rests", "elongation",
           "chain_elongation_percent", ("offset",), _elongation, "A chain longer by {value} would stand it off like this",
           1.0, "pieces"),
    Figure("constant_error_deg", "the same error wherever it is held", "deg", "rests", "offset", "tracking_bias_deg",
           ("offset", "sensor", "stuck"), _constant, "Wherever it is held the cam stands {value} {way} of its command", bad="size",
           **HELD),
    Figure("rest_shift_deg", "rest position moved within the drive", "deg", "rests", "offset", "rest_shift_deg",
           ("offset", "stuck", "sensor"), part_of("rest", "shift_deg"),
           "Within the drive the cam's rest position moved {value}, {way}", 2.0, "visits", "size"),
    Figure("chain_offset_deg", "offset that the cams on one chain share", "deg", "rests", "chain", "chain_offset_deg",
           ("offset",), _chain_offset, "The other cam on the same chain stands off the same way, {value} of it shared",
           1.0, "cams"),
    Figure("rest_spread_deg", "spread between its visits to rest", "deg", "rests", "rest_spread", "rest_spread_deg",
           ("stuck", "sticking", "sensor", "offset"), _rest_spread, "From one visit to rest to the next it stands {value} apart", 2.0, "visits"),
    Figure("stop_share", "time away that it stands at its stop, the command beyond", "share", "rests", "stop",
           "stop_share", ("offset",), _at_stop,
           "Of the time it stood away it stood {value} at the end of its own travel, with the command beyond", 3.0, "s"),
    Figure("beyond_range_deg", "read steadily outside its travel", "deg", "rests", "offset", "beyond_range_deg",
           ("offset", "sensor"), _beyond_range, "The cam was read {value} outside its travel", bad="size", **HELD),
    Figure("code_correlation", "trouble codes for cam and crank not agreeing", "count", "rests", "code_correlation",
           "code_correlation", ("offset",), codes_of("cam_crank_correlation"),
           "The vehicle's own monitor stored {value} code for cam and crank not agreeing", 0.5, "lists"),
)  # fmt: skip
