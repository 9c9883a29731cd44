"""Sensor evidence: readings that no cam, however worn, could have made.

A phaser is a mass in oil: it cannot go out and back between two readings at a steady command, cannot outrun
the oil that moves it, and on a running engine is never perfectly still. Jumps, dropouts, frozen values,
values outside the travel and noise that is independent from reading to reading therefore speak of the
sensor, its wheel or its wiring.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.hold import HeldReadings, held_readings
from camlog.analysis.cam.noise import midpoint_residual, reading_noise_deg
from camlog.analysis.cam.segments import CommandGrid, Segments, command_grid, rest_commanded, steady_segments
from camlog.analysis.estimate import Estimate, blocks_of, missing, poisson_rate, root_mean_square
from camlog.analysis.sensor.dropout import Dropouts, find_dropouts
from camlog.analysis.sensor.frozen import Frozen, find_frozen
from camlog.analysis.sensor.implausible import Substitution, measure_substitution
from camlog.limits import LIMITS, Limit

SPIKE_MIN_DEG = 5.0
SPIKE_SIGMAS = 8.0
# A spike stands alone: its neighbours agree with each other to within this share of it.
NEIGHBOURS_AGREE = 0.35
RANGE_MARGIN_DEG = 10.0
PLAUSIBLE_DEG = 100.0  # no production phaser travels farther; used where the profile gives no range
PEGGED_ERROR_DEG = 5.0
NOISE_BLOCK_S = 2.0
MIN_NOISE_READINGS = 20
# Above this interval a physical flutter of a few hertz is as independent from reading to reading as noise is.
INDEPENDENCE_INTERVAL_S = 0.08


@dataclass(frozen=True, slots=True)
class Spikes:
    """Readings that stand alone (`count`, `per_minute`, `largest_deg`) and `jumps` away from the command
    faster than any phaser that did not come back."""

    count: int
    per_minute: Estimate
    largest_deg: float | None
    jumps: int
    times_s: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class ReadingNoise:
    """Noise from reading to reading at steady command, degrees rms.

    `at_rest_deg` and `off_rest_deg` the same where the cam is locked and where oil holds it: a sensor's
    noise is in both, flutter only in the second. `correlation` is that of successive readings (0
    independent, 1 slow), None where readings come too slowly to tell noise from flutter.
    """

    rms_deg: Estimate
    at_rest_deg: Estimate
    off_rest_deg: Estimate
    correlation: float | None


@dataclass(frozen=True, slots=True)
class Sensor:
    """What the angle readings say about the sensor itself.

    `out_of_range_fraction` is the share of readings outside the travel by more than a margin (None without
    readings), `pegged_fraction` the share that repeat the highest or lowest value `pegged_deg` while the
    command is elsewhere.
    """

    spikes: Spikes
    dropouts: Dropouts
    substituted: Substitution
    frozen: Frozen
    noise: ReadingNoise
    out_of_range_fraction: float | None
    pegged_fraction: float | None
    pegged_deg: float | None


def measure_sensor(
    cam: CamData,
    limits: Mapping[str, Limit] = LIMITS,
    *,
    grid: CommandGrid | None = None,
    segments: Segments | None = None,
    others: Iterable[CamData] = (),
    held: HeldReadings | None = None,
    implausible: np.ndarray | None = None,
) -> Sensor:
    """Collect the sensor evidence; `limits` gives `sensor_jump_deg_per_s`.

    `others` are the engine's other cams: with them a reading frozen from the first moment can be told from a
    seized cam; `grid`, `segments`, `held` and `implausible` may be handed in where known already. Measure the
    other figures on `without(cam, implausible_readings(cam))`.
    """
    grid = grid or command_grid(cam)
    segments = segments or steady_segments(cam, grid)
    spikes, spiked = _spikes(cam, segments, limits["sensor_jump_deg_per_s"].value)
    pegged, pegged_at = _pegged(cam)
    return Sensor(
        spikes=spikes,
        dropouts=find_dropouts(cam),
        substituted=measure_substitution(cam, implausible),
        frozen=find_frozen(cam, grid, others),
        noise=_noise(cam, segments, spiked, held),
        out_of_range_fraction=_out_of_range(cam),
        pegged_fraction=pegged,
        pegged_deg=pegged_at,
    )


def _spikes(cam: CamData, segments: Segments, impossible_deg_per_s: float) -> tuple[Spikes, np.ndarray]:
    t, a = cam.actual_time_s, cam.actual_deg
    spiked = np.zeros(len(a), dtype=bool)
    minutes = float(np.sum(segments.duration_s[cam.running])) / 60.0
    if len(a) < 5:
        return Spikes(0, missing("fewer than five readings"), None, 0), spiked
    lowest, centre, highest = _spread_of_four(a[:-4], a[1:-3], a[3:-1], a[4:])
    size = np.abs(a[2:-2] - centre)
    alone = np.maximum(highest - centre, centre - lowest) <= NEIGHBOURS_AGREE * size
    whole = (t[4:] - t[:-4]) <= 4.0 * cam.actual_max_gap_s
    noise = reading_noise_deg(cam, segments.settled)
    large = size > max(SPIKE_MIN_DEG, SPIKE_SIGMAS * noise)
    out, back = size / (t[2:-2] - t[1:-3]), size / (t[3:-1] - t[2:-2])
    too_fast = (out > impossible_deg_per_s) & (back > impossible_deg_per_s)
    steady = segments.settled[2:-2]
    found = large & alone & whole & (too_fast | steady) & cam.running[2:-2]
    spiked[2:-2] = found
    step = np.diff(a)
    apart = np.diff(t)
    error = np.abs(cam.error_deg)
    # Towards the command a fast move may be a fast phaser seen late; away from it, nothing drives the cam.
    jumped = (
        (np.abs(step) > impossible_deg_per_s * apart)
        & (np.abs(step) > max(SPIKE_MIN_DEG, SPIKE_SIGMAS * noise))
        & (error[1:] > error[:-1] + 0.5 * np.abs(step))
        & cam.running[1:]
        & ~spiked[1:]
        & ~spiked[:-1]
    )
    largest = float(size[found].max()) if found.any() else None
    times = tuple(float(x) for x in t[spiked][:100])
    return Spikes(
        int(found.sum()), poisson_rate(int(found.sum()), minutes), largest, int(jumped.sum()), times
    ), spiked


def _spread_of_four(a: np.ndarray, b: np.ndarray, c: np.ndarray, d: np.ndarray) -> tuple[np.ndarray, ...]:
    """Lowest, median and highest of four readings each (n,)."""
    low, more, less, high = np.minimum(a, b), np.maximum(a, b), np.minimum(c, d), np.maximum(c, d)
    middle = 0.5 * (np.maximum(low, less) + np.minimum(more, high))
    return np.minimum(low, less), middle, np.maximum(more, high)


def _noise(cam: CamData, segments: Segments, spiked: np.ndarray, held: HeldReadings | None) -> ReadingNoise:
    index, residual = midpoint_residual(cam)
    beside = spiked.copy()
    beside[1:] |= spiked[:-1]
    beside[:-1] |= spiked[1:]
    # Both neighbours belong to the same steady stretch: the next move is no noise.
    within = (segments.segment[index - 1] == segments.segment[index]) & (
        segments.segment[index + 1] == segments.segment[index]
    )
    good = segments.settled[index] & within & ~beside[index]
    index, residual = index[good], residual[good]
    rest = rest_commanded(cam)[index]
    correlation = None
    if np.isfinite(cam.actual_interval_s) and cam.actual_interval_s <= INDEPENDENCE_INTERVAL_S:
        correlation = _correlation(held or held_readings(cam, segments), beside)
    return ReadingNoise(
        rms_deg=_rms(cam, index, residual),
        at_rest_deg=_rms(cam, index[rest], residual[rest]),
        off_rest_deg=_rms(cam, index[~rest], residual[~rest]),
        correlation=correlation,
    )


def _rms(cam: CamData, index: np.ndarray, residual: np.ndarray) -> Estimate:
    if len(index) < MIN_NOISE_READINGS:
        return missing("too few readings at steady command", len(index))
    blocks = blocks_of((cam.actual_time_s[index] / NOISE_BLOCK_S).astype(np.int64))
    return root_mean_square(blocks.sum(residual**2), blocks.size.astype(float), cam.actual_step_deg**2 / 12.0)


def _correlation(held: HeldReadings, beside: np.ndarray) -> float | None:
    """Lag-one correlation of the held readings about their trend."""
    if len(held.index) < MIN_NOISE_READINGS:
        return None
    follows = (np.diff(held.index) == 1) & (np.diff(held.block) == 0)
    follows &= ~beside[held.index[1:]] & ~beside[held.index[:-1]]
    r = held.residual_deg
    power = float(np.sum(r[:-1][follows] ** 2 + r[1:][follows] ** 2)) / 2.0
    return float(np.sum((r[1:] * r[:-1])[follows])) / power if power > 1e-9 else None


def _out_of_range(cam: CamData) -> float | None:
    a = cam.actual_deg[cam.running]
    if not len(a):
        return None
    low, high = (-PLAUSIBLE_DEG, PLAUSIBLE_DEG)
    if cam.range_deg is not None:
        low, high = cam.range_deg[0] - RANGE_MARGIN_DEG, cam.range_deg[1] + RANGE_MARGIN_DEG
    return float(np.mean((a < low) | (a > high)))


def _pegged(cam: CamData) -> tuple[float | None, float | None]:
    known = cam.running & np.isfinite(cam.error_deg)
    a, error = cam.actual_deg[known], np.abs(cam.error_deg[known])
    if len(a) < 5 or a.min() == a.max():
        return None, None
    shares = [
        (float(np.mean((a == rail) & (error > PEGGED_ERROR_DEG))), float(rail)) for rail in (a.min(), a.max())
    ]
    share, rail = max(shares)
    return share, rail if share > 0 else None
