"""Does it hold where it is told to?"""

from __future__ import annotations

from collections.abc import Iterator

from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.figures.figure import Figure, Measured, View
from camlog.analysis.figures.measures import (
    HELD,
    STEPS,
    WATCHED,
    less_noise,
    part_of,
    share_of,
    steps_of,
    swings_of,
)


def _swing_time(view: View) -> Iterator[Measured]:
    s, over = view.x.sticking.swings, view.x.tracking.excursions
    m = share_of(s.share, 1.0, max(over.watched_s / 5.0, 1.0))
    yield Measured(m.estimate, over.watched_s)


def _flutter(view: View) -> Iterator[Measured]:
    h, noise = view.x.hold, view.x.sensor.noise.at_rest_deg.value or 0.0
    yield Measured(less_noise(h.flutter_rms_deg, noise), h.held_s)
    for window, here in h.windows:
        yield Measured(less_noise(here.flutter_rms_deg, noise), here.held_s, window)


def _drift(view: View) -> Iterator[Measured]:
    h = view.x.hold
    yield Measured(h.drift_deg_per_s, h.held_s)
    for window, here in h.windows:
        yield Measured(here.drift_deg_per_s, here.held_s, window)


def _restless(view: View) -> Iterator[Measured]:
    noise = view.x.sensor.noise
    if noise.at_rest_deg.value is None:
        yield Measured(missing("not seen both at rest and held"), 0.0)
    else:
        yield Measured(less_noise(noise.off_rest_deg, noise.at_rest_deg.value), noise.off_rest_deg.count)


def _cycle(view: View) -> Iterator[Measured]:
    h = view.x.hold
    o = h.oscillation
    if o.amplitude_deg is None:
        yield Measured(missing(o.reason), 0.0)
    else:
        value = o.amplitude_deg if o.found else 0.0
        yield Measured(Estimate(value, 0.8 * value, 1.2 * value, o.stretches), h.held_s)


FIGURES = (
    Figure("flutter_rms_deg", "typical wander at a steady command", "deg", "holds", "unsteady",
           "flutter_rms_deg", ("unstable", "sticking", "sensor"), _flutter, "Held at a steady command the cam wanders by typically {value}",
           **HELD),
    Figure("drift_deg_per_s", "drift at a steady command", "deg/s", "holds", "unsteady", "drift_deg_per_s",
           ("unstable", "sensor"), _drift, "Held at a steady command the cam drifts by {value}", bad="size", **HELD),
    Figure("restless_rms_deg", "motion from reading to reading when held, beyond that at rest", "deg", "holds",
           "unsteady", "restless_rms_deg", ("unstable", "sticking"), _restless,
           "Held, the cam moves by typically {value} from one reading to the next, which it does not at rest", 6.0, "pieces"),
    Figure("limit_cycle_deg", "steady swing to either side", "deg", "holds", "unsteady", "limit_cycle_deg",
           ("unstable", "sticking"), _cycle, "At a steady command the cam swings {value} to either side", **HELD),
    Figure("swing_time_fraction", "time it swings about a command that hardly moves", "share", "holds", "swing_time",
           "swing_time_fraction", ("unstable", "sticking"), _swing_time,
           "For {value} of the time the cam swings about a command that hardly moves", **WATCHED),
    Figure("smooth_swing_deg", "swing to either side that never stands", "deg", "holds", "unsteady",
           "smooth_swing_deg", ("unstable",), swings_of("smooth"),
           "About a command that hardly moves the cam swings {value} to either side and never stands still", 6.0, "swings"),
    Figure("lopsided", "lopsidedness of its motion when held: creeps one way, is pushed back", "1", "holds", "lopsided",
           "lopsided", ("sticking", "unstable"), part_of("hold", "lopsided"),
           "Held, the cam creeps one way and is pushed back: its motion is lopsided by {value}", 20.0, "steps", "size"),
    Figure("overshoot_deg", "overshoot after a step", "deg", "holds", "overshoot", "overshoot_deg", ("unstable", "sticking"),
           steps_of("overshoot"), "{Part} steps overshoot by {value} ({n} steps)", **STEPS),
)  # fmt: skip
