"""Sensor evidence: readings that no cam, however worn, can cause.

A phaser is a mass in oil. It cannot move out and back between two readings at a steady command, cannot move faster than
its oil, and is never perfectly still on a running engine. Jumps, dropouts, frozen values, values outside the travel and
noise that is independent from reading to reading therefore point at the sensor, its wheel or its wiring."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.hold import held_readings
from camlog.analysis.cam.segments import midpoint_residual, rest_commanded, settled_noise_deg, steady_segments
from camlog.analysis.estimate import Estimate, blocks_of, lacking, root_mean_square, say
from camlog.analysis.sensor.implausible import Frozen, Substitution, find_frozen, measure_substitution
from camlog.limits import LIMITS, Limit

# From this share of common times on, both angles come in one response, and a command without its angle is a dropout.
PAIRED_SHARE = 0.5
# Otherwise late readings are normal; one counts as missing after LATE_FACTOR usual intervals.
LATE_FACTOR = 2.0
COMMAND_ARRIVES = 0.5


@dataclass(frozen=True, slots=True)
class Dropouts:
    """Missing angle readings: their share of all expected ones, or None with a `reason`."""

    fraction: float | None
    reason: str = ""


def find_dropouts(cam: CamData) -> Dropouts:
    """Count the readings of the actual angle that are missing while the command was read."""
    command, actual = cam.command_time_s, cam.actual_time_s
    if len(actual) < 3 or len(command) < 3:
        return Dropouts(None, say("missing.three_readings"))
    together = np.isin(command, actual, assume_unique=True)
    # Over the stretch that both cover, so that a sensor lost for good does not change the recording's usual interval.
    covered = (command >= actual[0]) & (command <= actual[-1])
    if covered.any() and np.mean(together[covered]) >= PAIRED_SHARE:
        return Dropouts(float(np.mean(~together)))
    # The ends count too: if no reading comes any more, readings are missing up to the last command.
    edges = np.concatenate([[min(command[0], actual[0])], actual, [max(command[-1], actual[-1])]])
    wait, (usual, slow) = np.diff(edges), np.quantile(np.diff(actual), [0.5, 0.75])
    before = np.searchsorted(command, edges[:-1], side="right")
    arrived = np.searchsorted(command, edges[1:], side="left") - before
    least = np.maximum(2.0, COMMAND_ARRIVES * (wait / cam.command_interval_s - 1.0))
    dropped = (wait > LATE_FACTOR * max(slow, usual)) & (arrived >= least)
    total = float(np.sum(np.maximum(np.round(wait[dropped] / usual) - 1.0, 0.0)))
    return Dropouts(total / (total + len(actual)))


SPIKE_MIN_DEG, SPIKE_SIGMAS = 5.0, 8.0
MOST_TIMES = 100
# The neighbours of a spike agree with each other to within this share of its height.
NEIGHBOURS_AGREE = 0.35
RANGE_MARGIN_DEG = 10.0
PLAUSIBLE_DEG = 100.0  # no production phaser travels farther; used where the profile gives no range
PEGGED_ERROR_DEG = 5.0
NOISE_BLOCK_S, MIN_NOISE_READINGS = 2.0, 20
# Above this interval, readings of a physical flutter of a few hertz are as independent as noise.
INDEPENDENCE_INTERVAL_S = 0.08


@dataclass(frozen=True, slots=True)
class Spikes:
    """Single outliers (`count`; `times_s` of the first ones) and the number of other `jumps` away from the command."""

    count: int
    jumps: int
    times_s: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class ReadingNoise:
    """Noise from reading to reading at steady command (rms). Sensor noise is also present at rest, flutter is not.
    `correlation` of successive readings is 0 if independent, 1 if slow; None: the sampling is too slow."""

    rms_deg: Estimate
    at_rest_deg: Estimate
    off_rest_deg: Estimate
    correlation: float | None


@dataclass(frozen=True, slots=True)
class Sensor:
    """Sensor evidence. `out_of_range_fraction` is the share of readings well outside the travel, `pegged_fraction` of
    those that repeat the highest or lowest value while the command is elsewhere; None without readings."""

    spikes: Spikes
    dropouts: Dropouts
    substituted: Substitution
    frozen: Frozen
    noise: ReadingNoise
    out_of_range_fraction: float | None
    pegged_fraction: float | None


def measure_sensor(cam: CamData, limits: Mapping[str, Limit] = LIMITS, others: Iterable[CamData] = ()) -> Sensor:
    """Collect the sensor evidence; `limits` gives `sensor_jump_deg_per_s`. `others` are the engine's other cams: with
    them a reading frozen from the start can be distinguished from a seized cam. All other measures are made on
    `cam.without(implausible_readings(cam))`."""
    spiked, jumps = _spikes(cam, limits["sensor_jump_deg_per_s"].value)
    times = tuple(cam.actual_time_s[spiked][:MOST_TIMES].tolist())
    return Sensor(
        spikes=Spikes(int(spiked.sum()), jumps, times),
        dropouts=find_dropouts(cam),
        substituted=measure_substitution(cam),
        frozen=find_frozen(cam, others),
        noise=_noise(cam, spiked),
        out_of_range_fraction=_out_of_range(cam),
        pegged_fraction=_pegged(cam),
    )


def _spikes(cam: CamData, impossible_deg_per_s: float) -> tuple[np.ndarray, int]:
    """True (n,) for single outliers, and the number of other jumps away from the command."""
    t, a = cam.actual_time_s, cam.actual_deg
    step, interval = np.diff(a), np.diff(t)
    least = max(SPIKE_MIN_DEG, SPIKE_SIGMAS * settled_noise_deg(cam))
    lowest, low, high, highest = np.sort([a[:-4], a[1:-3], a[3:-1], a[4:]], axis=0)
    centre = 0.5 * (low + high)
    size = np.abs(a[2:-2] - centre)
    alone = np.maximum(highest - centre, centre - lowest) <= NEIGHBOURS_AGREE * size
    whole = (t[4:] - t[:-4]) <= 4.0 * cam.actual_max_gap_s
    out, back = size / interval[1:-2], size / interval[2:-1]
    too_fast = (out > impossible_deg_per_s) & (back > impossible_deg_per_s)
    spiked = np.zeros(len(a), dtype=bool)
    spiked[2:-2] = (size > least) & alone & whole & (too_fast | steady_segments(cam).settled[2:-2])
    spiked &= cam.running
    error = np.abs(cam.error_deg)
    # A fast move towards the command may be a fast phaser read late; nothing drives the cam away from it.
    jumped = (np.abs(step) > impossible_deg_per_s * interval) & (np.abs(step) > least) & cam.running[1:]
    jumped &= (error[1:] > error[:-1] + 0.5 * np.abs(step)) & ~spiked[1:] & ~spiked[:-1]
    return spiked, int(jumped.sum())


def _noise(cam: CamData, spiked: np.ndarray) -> ReadingNoise:
    index, residual = midpoint_residual(cam)
    beside = np.convolve(spiked, [1, 1, 1], mode="same") > 0 if spiked.any() else spiked
    # Both neighbours must be in the same steady stretch, because the next move is not noise.
    segment = steady_segments(cam).segment
    within = (segment[index - 1] == segment[index]) & (segment[index + 1] == segment[index])
    good = (segment[index] >= 0) & within & ~beside[index]
    index, residual = index[good], residual[good]

    def rms(keep: np.ndarray | slice) -> Estimate:
        at_s, square = cam.actual_time_s[index[keep]], residual[keep] ** 2
        if len(square) < MIN_NOISE_READINGS:
            return lacking("steady_readings", len(square))
        blocks = blocks_of((at_s / NOISE_BLOCK_S).astype(np.int64))
        return root_mean_square(blocks.sum(square), blocks.size.astype(float), cam.actual_step_deg**2 / 12.0)

    rest = rest_commanded(cam)[index]
    return ReadingNoise(rms(slice(None)), rms(rest), rms(~rest), _correlation(cam, beside))


def _correlation(cam: CamData, beside: np.ndarray) -> float | None:
    """Lag-one correlation of the held readings about their trend, without those `beside` (n,) a spike."""
    held = held_readings(cam)
    if len(held.index) < MIN_NOISE_READINGS or not cam.actual_interval_s <= INDEPENDENCE_INTERVAL_S:
        return None
    follows = held.follows(1) & ~beside[held.index[1:]] & ~beside[held.index[:-1]]
    r = held.residual_deg
    power = float(np.sum(r[:-1][follows] ** 2 + r[1:][follows] ** 2)) / 2.0
    return float(np.sum((r[1:] * r[:-1])[follows])) / power if power > 1e-9 else None


def _out_of_range(cam: CamData) -> float | None:
    a = cam.actual_deg[cam.running]
    low, high = (-PLAUSIBLE_DEG, PLAUSIBLE_DEG)
    if cam.range_deg is not None:
        low, high = cam.range_deg[0] - RANGE_MARGIN_DEG, cam.range_deg[1] + RANGE_MARGIN_DEG
    return float(np.mean((a < low) | (a > high))) if len(a) else None


def _pegged(cam: CamData) -> float | None:
    a, error = cam.actual_deg[cam.known], np.abs(cam.error_deg[cam.known])
    if len(a) < 5 or a.min() == a.max():
        return None
    return max(float(np.mean((a == rail) & (error > PEGGED_ERROR_DEG))) for rail in (a.min(), a.max()))
