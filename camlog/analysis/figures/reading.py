"""Is the reading sound?"""

from __future__ import annotations

from collections.abc import Iterator

from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.figures.figure import Figure, Measure, Measured, View
from camlog.analysis.figures.measures import HELD, WATCHED, codes_of, count_of, plain


def _noise(part: str) -> Measure:
    def measure(view: View) -> Iterator[Measured]:
        found: Estimate = getattr(view.x.sensor.noise, part)
        yield Measured(found, found.count)

    return measure


def _correlation(view: View) -> Iterator[Measured]:
    r = view.x.sensor.noise.correlation
    if r is not None:
        yield plain(max(r, 0.0), view.x.hold.held_s)


def _noise_share(view: View) -> Iterator[Measured]:
    """Noise over flutter: the whole of it from one reading to the next is the reading's, a cam needs longer."""
    noise, flutter = view.x.sensor.noise.off_rest_deg, view.x.hold.flutter_rms_deg
    if noise.value is None or not flutter.value or flutter.value < LEAST_FLUTTER_DEG:
        yield Measured(missing("the held cam hardly moves"), 0.0)
    else:
        yield Measured(Estimate(noise.value / flutter.value, None, None, noise.count), noise.count)


def _dropouts(view: View) -> Iterator[Measured]:
    """Beyond what the engine's other cams lack as well: that is the recording's, not this sensor's."""
    d, over = view.x.sensor.dropouts, view.x.tracking.excursions
    others = [x.sensor.dropouts.fraction or 0.0 for x in view.others]
    beyond = None if d.fraction is None else max(d.fraction - min(others, default=0.0), 0.0)
    yield plain(beyond, over.watched_s, d.reason)


SAME_VALUE_RUNS = 6
LEAST_FLUTTER_DEG = 0.4


def _impossible(view: View) -> Iterator[Measured]:
    s = view.x.sensor
    put = s.substituted
    same = put.runs if put.value_deg is not None and put.runs >= SAME_VALUE_RUNS else 0
    yield count_of(float(s.spikes.jumps + s.spikes.count + same), view.x.tracking.excursions.watched_s)


def _substituted(view: View) -> Iterator[Measured]:
    yield plain(view.x.sensor.substituted.share, view.x.tracking.excursions.watched_s)


def _frozen(kind: str) -> Measure:
    def measure(view: View) -> Iterator[Measured]:
        f = view.x.sensor.frozen
        yield plain(f.share if f.kind == kind else 0.0, view.x.tracking.excursions.watched_s)

    return measure


def _out_of_range(view: View) -> Iterator[Measured]:
    yield plain(view.x.sensor.out_of_range_fraction, view.x.tracking.excursions.watched_s)


def _pegged(view: View) -> Iterator[Measured]:
    yield plain(view.x.sensor.pegged_fraction, view.x.tracking.excursions.watched_s, "the reading never changed")


FIGURES = (
    Figure("noise_at_rest_deg", "typical noise of the reading at rest", "deg", "reading", "reading",
           "sensor_noise_rms_deg", ("sensor",), _noise("at_rest_deg"),
           "The angle reading jumps by typically {value} from one sample to the next where the cam is at rest", 2.0, "pieces"),
    Figure("noise_held_deg", "typical noise of the reading when held", "deg", "reading", "noise_held_size",
           "noise_held_rms_deg", ("sensor", "unstable", "sticking"), _noise("off_rest_deg"),
           "The angle reading jumps by typically {value} from one sample to the next where the cam is held", 2.0, "pieces"),
    Figure("noise_correlation", "likeness of successive readings when held", "1", "reading", "noise_held",
           "noise_correlation", ("sensor",), _correlation, "Successive readings of the held cam are alike by {value}",
           bad="below", says_good=False, **HELD),
    Figure("noise_share", "noise of the reading over all motion of the held cam", "1", "reading", "noise_held",
           "noise_share", ("sensor",), _noise_share,
           "From one reading to the next the held cam moves {value} times as much as over seconds", 4.0, "pieces", says_good=False),
    Figure("dropout_fraction", "readings missing that command and other cams have", "share", "reading", "reading",
           "sensor_dropout_fraction", ("sensor",), _dropouts,
           "{value} of the angle readings are missing while the command arrives", **WATCHED),
    Figure("impossible_jumps", "jumps no cam can make", "count", "reading", "reading", "impossible_jumps",
           ("sensor",), _impossible, "{value} times the angle jumped faster than any phaser can move", **WATCHED),
    Figure("substituted_fraction", "readings that are no angle of the cam", "share", "reading", "reading",
           "substituted_fraction", ("sensor",), _substituted, "{value} of the readings are no angle of the cam",
           says_good=False, **WATCHED),
    Figure("frozen_fraction", "time its live reading stood still to the last digit", "share", "reading", "reading",
           "frozen_fraction", ("sensor", "stuck"), _frozen("frozen"),
           "For {value} of the time the reading, live before, stood still to the last digit", **WATCHED),
    Figure("still_fraction", "time the reading stood still, live or not", "share", "reading", "still", "still_fraction",
           ("sensor", "stuck"), _frozen("stuck_or_frozen"),
           "For {value} of the time the reading stood still to the last digit, which cam and reading both can",
           says_good=False, **WATCHED),
    Figure("out_of_range_fraction", "readings outside any travel", "share", "reading", "reading",
           "out_of_range_fraction", ("sensor", "offset"), _out_of_range, "{value} of the readings lie outside the travel",
           says_good=False, **WATCHED),
    Figure("pegged_fraction", "readings pegged at one end while the command is elsewhere", "share", "reading", "pegged",
           "pegged_fraction", ("stuck", "sensor", "offset"), _pegged, "{value} of the readings repeat one end value, the command elsewhere",
           says_good=False, **WATCHED),
    Figure("code_sensor", "trouble codes for its sensor", "count", "reading", "code_sensor", "code_sensor", ("sensor",),
           codes_of("sensor_circuit"), "The vehicle's own monitor stored {value} code for this cam's sensor", 0.5, "lists"),
)  # fmt: skip
