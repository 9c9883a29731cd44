"""Hold: what the cam does while it is told to stay.

Flutter is the root mean square about a straight line through each piece of steady command, less what the
command itself did and less what quantisation makes (Sheppard's correction, step squared over twelve). Drift
is the median slope of those pieces: a leaking phaser sinks steadily between the controller's corrections. A
steady oscillation is looked for in the spectrum (see `oscillation`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.held import HeldReadings, held_readings, slopes
from camlog.analysis.cam.oscillation import Oscillation, find_oscillation, no_oscillation
from camlog.analysis.cam.segments import steady_segments
from camlog.analysis.estimate import Estimate, blocks_of, median, missing, root_mean_square
from camlog.oil_windows import OilWindow

# Pieces of unequal length, so that no oscillation keeps step with them and passes for drift.
DRIFT_PIECES_S = (1.1, 1.9, 1.4, 2.3)
MIN_PIECE_READINGS, MIN_PIECE_S = 4, 0.8 * min(DRIFT_PIECES_S)
# Long enough to be motion and not noise, short beside a leak's creep.
LOPSIDED_S, LOPSIDED_LEAST_DEG, MIN_LOPSIDED = 0.4, 0.3, 30
NOT_HELD = "the command was never steady for long enough to watch the cam hold it"
# Cam torque pulses come at several hertz even at idle: slower sampling folds them to any lower frequency.
TORQUE_PULSE_HZ = 10.0


@dataclass(frozen=True, slots=True)
class HoldWindow:
    """Flutter (degrees rms) and drift (degrees a second, advance positive) of a cam held for `held_s`."""

    flutter_rms_deg: Estimate
    drift_deg_per_s: Estimate
    held_s: float


@dataclass(frozen=True, slots=True)
class Hold(HoldWindow):
    """How a cam holds a steady command: `oscillation` the strongest, `lopsided` how unlike its motion is both
    ways, `aliasing` a sentence where the sampling is too slow to say how fast the cam flutters (else empty).
    """

    oscillation: Oscillation
    lopsided: Estimate
    aliasing: str
    windows: tuple[tuple[OilWindow, HoldWindow], ...] = ()


def measure_hold(cam: CamData) -> Hold:
    """Measure flutter, drift and oscillation at steady command; flutter and drift in each oil window, too."""
    held, hz = held_readings(cam), 1.0 / cam.actual_interval_s
    aliasing = ""
    if hz < 2.0 * TORQUE_PULSE_HZ:
        aliasing = (
            f"read {hz:.0f} times a second: motion faster than {0.5 * hz:.1f} Hz shows as slower flutter, "
            "its size stays right"
        )
    if not len(held.index):
        nothing = missing(NOT_HELD)
        return Hold(nothing, nothing, 0.0, no_oscillation(NOT_HELD), nothing, aliasing)
    slope, slope_index = _piece_slopes(cam)
    here = [(w, mask[held.index], slope[mask[slope_index]]) for w, mask in cam.by_window]
    here = [(w, inside, slope) for w, inside, slope in here if inside.any()]
    everywhere = np.ones(len(held.index), dtype=bool)
    oscillations = [find_oscillation(cam, held, i) for i in [i for _, i, _ in here] or [everywhere]]
    strongest = max(oscillations, key=lambda o: (o.found, o.amplitude_deg or 0.0))
    rows = tuple((w, HoldWindow(*_flutter_and_drift(cam, held, *row))) for w, *row in here)
    whole = _flutter_and_drift(cam, held, everywhere, slope)
    return Hold(*whole, strongest, _lopsided(cam, held), aliasing, rows)


def _flutter_and_drift(
    cam: CamData, held: HeldReadings, inside: np.ndarray, slope: np.ndarray
) -> tuple[Estimate, Estimate, float]:
    """Flutter of the held readings `inside` (m,), drift from the slopes of pieces, and seconds held."""
    blocks = blocks_of(held.block[inside])
    number = held.block[inside][blocks.starts]
    # A window may hold part of a block: its share of the freedom left after the trend.
    freedom = held.freedom[number] * blocks.size / np.bincount(held.block)[number]
    square = blocks.sum(held.residual_deg[inside] ** 2)
    flutter = root_mean_square(square, freedom, cam.actual_step_deg**2 / 12.0)
    return flutter, median(slope) if len(slope) else missing(NOT_HELD), cam.seconds(held.index[inside])


def _lopsided(cam: CamData, held: HeldReadings) -> Estimate:
    """Skewness of the held cam's motion over LOPSIDED_S: large where it creeps one way and is pushed back.

    The interval is that of so many independent steps (Cramer, Mathematical Methods of Statistics, ch. 27).
    """
    lag = max(round(LOPSIDED_S / cam.actual_interval_s), 1)
    step = (held.residual_deg[lag:] - held.residual_deg[:-lag])[held.follows(lag)]
    power = float(np.mean(step**2)) if len(step) else 0.0
    count = len(step) // lag
    if count < MIN_LOPSIDED or power**0.5 < LOPSIDED_LEAST_DEG:
        return missing("the held cam hardly moves", count)
    skew = float(np.mean(step**3)) / power**1.5
    half = 1.96 * (6.0 / count) ** 0.5
    return Estimate(skew, skew - half, skew + half, count)


def _piece_slopes(cam: CamData) -> tuple[np.ndarray, np.ndarray]:
    """Slope (deg/s) of the error over each of DRIFT_PIECES_S in turn; each piece's first reading."""
    segment = steady_segments(cam).segment
    index = np.flatnonzero(segment >= 0)
    t, edges = cam.actual_time_s[index], np.cumsum(DRIFT_PIECES_S)
    turn = np.floor(t / edges[-1])
    piece = turn.astype(np.int64) * len(edges) + np.searchsorted(edges, t - turn * edges[-1], side="right")
    blocks = blocks_of(piece + segment[index] * (int(piece[-1]) + 2))
    last = blocks.starts + blocks.size - 1
    usable = (blocks.size >= MIN_PIECE_READINGS) & (t[last] - t[blocks.starts] >= MIN_PIECE_S)
    return slopes(t, cam.error_deg[index], blocks)[usable], index[blocks.starts[usable]]
