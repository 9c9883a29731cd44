"""How figures are measured where several of them are measured alike."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from camlog.analysis.cam.examine import Examination
from camlog.analysis.estimate import Estimate, missing
from camlog.analysis.figures.figure import Measure, Measured, View
from camlog.analysis.response.fopdt import FopdtFit
from camlog.analysis.response.step_pool import StepSummary
from camlog.oil_windows import OilWindow

# What stands behind a figure: the least of it, and what it is counted in.
WATCHED = {"least": 30.0, "amount": "s"}
MOVING = {"least": 4.0, "amount": "s"}
HELD = {"least": 6.0, "amount": "s"}
STEPS = {"least": 2.0, "amount": "steps"}
MOVES = {"least": 3.0, "amount": "moves"}

COUNT_DOUBT = 0.5  # a count of events is known to a Poisson spread; of none, to less than one


def plain(value: float | None, amount: float, reason: str = "") -> Measured:
    return Measured(
        missing(reason or "not measured") if value is None else Estimate(value, value, value, int(amount)), amount
    )


def share_of(part: float, whole: float, amount: float) -> Measured:
    """A share of `whole`, with the interval of `amount` independent looks (Agresti & Coull, 1998)."""
    if whole <= 0:
        return Measured(missing("nothing was watched"), 0.0)
    n = max(amount, 1.0) + 4.0
    centre = (part / whole * (n - 4.0) + 2.0) / n
    half = 1.96 * math.sqrt(centre * (1.0 - centre) / n)
    value = part / whole
    return Measured(
        Estimate(value, min(max(centre - half, 0.0), value), max(min(centre + half, 1.0), value), int(amount)), amount
    )


def count_of(value: float, amount: float) -> Measured:
    low, high = max(value - 1.96 * math.sqrt(value), 0.0), value + 1.96 * math.sqrt(max(value, COUNT_DOUBT))
    return Measured(Estimate(value, low, high, int(value)), amount)


def tracking_of(name: str) -> Measure:
    def measure(view: View) -> Iterator[Measured]:
        t = view.x.tracking
        yield Measured(getattr(t, name), t.settled_s)
        for window, here in t.windows:
            yield Measured(getattr(here, name), here.settled_s, window)

    return measure


DESCRIBES_R2 = 0.9  # a fit that explains less does not describe the cam
REFERENCE_STEP_DEG = 20.0  # a cam that turns at a fixed speed is late by the size of the move


def steps_of(name: str) -> Measure:
    def measure(view: View) -> Iterator[Measured]:
        response = view.x.response
        parts: Iterable[tuple[OilWindow | None, object]] = response.by_window.items() or ((None, response),)
        for window, here in parts:
            for part in ("advance", "retard"):
                step: StepSummary = getattr(here, part)
                yield Measured(getattr(step, name), step.steps, window, part)

    return measure


def fitted_t63(fit: FopdtFit, size_deg: float) -> Estimate:
    """T63 (s) of a step of `size_deg` by the continuous fit, with an interval; missing where the fit cannot say."""
    if fit.r2 is None or fit.r2 < DESCRIBES_R2 or fit.lag.value is None or fit.lag.interval is None:
        return missing(fit.lag.reason or "the motion is not that of a lag with a rate limit")
    value = fit.t63_s(size_deg)
    if value is None or fit.lag.value <= 0.0:
        return missing("the fit has no time constant")
    doubt = (fit.lag.high - fit.lag.low) / (2.0 * fit.lag.value)
    slew = fit.slew_advance if size_deg > 0 else fit.slew_retard
    if slew.value and slew.interval is not None:
        doubt = max(doubt, (slew.high - slew.low) / (2.0 * slew.value))
    return Estimate(value, value * max(1.0 - doubt, 0.0), value * (1.0 + doubt), fit.blocks)


def swings_of(part: str) -> Measure:
    """How far the cam swings to either side of a still command, by the share of its swings that are `part`."""

    def measure(view: View) -> Iterator[Measured]:
        s = view.x.sticking.swings
        if s.judged and s.amplitude_deg.value is not None:
            e = share_of(getattr(s, part), s.judged, s.judged).estimate
            size = s.amplitude_deg.value
            yield Measured(Estimate(e.value * size, e.low * size, e.high * size, s.judged), s.judged)

    return measure


def less_noise(figure: Estimate, noise_deg: float) -> Estimate:
    """Flutter without the part that is only noise of the reading."""

    def less(value: float | None) -> float | None:
        return None if value is None else max(value * value - noise_deg * noise_deg, 0.0) ** 0.5

    return Estimate(less(figure.value), less(figure.low), less(figure.high), figure.count, figure.reason)


def rest_offset(x: Examination) -> float | None:
    """The offset at rest (deg): warm idle, else any oil window in which the cam was seen at rest."""
    if x.rest.offset_deg.value is not None:
        return x.rest.offset_deg.value
    return next((e.value for _, e in x.rest.windows if e.value is not None), None)


def codes_of(*families: str) -> Measure:
    def measure(view: View) -> Iterator[Measured]:
        # That no code is stored says little: most modules store one late, or not at all.
        found = sum((view.codes or {}).get(f, 0) for f in families)
        if found:
            yield plain(float(found), 1.0)

    return measure


def part_of(room: str, name: str) -> Measure:
    """An estimate as it stands in a room of the examination; its count is what it rests on."""

    def measure(view: View) -> Iterator[Measured]:
        found: Estimate = getattr(getattr(view.x, room), name)
        yield Measured(found, found.count)

    return measure
