"""Does it start quietly: the lock pin."""

from __future__ import annotations

from collections.abc import Iterator

from camlog.analysis.figures.figure import Figure, Measured, View
from camlog.analysis.figures.measures import less_noise


def _cold_start(view: View) -> Iterator[Measured]:
    c, noise = view.x.rest.cold_start, view.x.sensor.noise.at_rest_deg.value or 0.0
    yield Measured(less_noise(c.flutter_rms_deg, noise), max(c.flutter_rms_deg.count, 0))


FIGURES = (
    Figure("cold_start_flutter_deg", "typical rattle at rest after the start", "deg", "starts_quietly",
           "unsteady", "cold_start_flutter_deg", ("unstable", "sensor"), _cold_start,
           "In the first seconds after the start the cam flutters at rest by typically {value}: the lock pin does not hold",
           2.0, "pieces"),
)  # fmt: skip
