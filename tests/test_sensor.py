"""Sensor: readings that no cam could have made, and what a seized cam's reading looks like instead."""

import numpy as np
import pytest

from camlog.analysis.cam.camdata import cam_data
from camlog.analysis.cam.tracking import measure_tracking
from camlog.analysis.sensor.implausible import implausible_readings
from camlog.analysis.sensor.measure import measure_sensor
from camlog.trace import Trace
from tests.steady_plants import STEP_S, cam_of, command, flutter, lag, recorded


@pytest.fixture
def rng():
    return np.random.default_rng(14)


def healthy(rng, seconds=180, **how):
    x = command("holds", seconds, rng)
    return recorded(x, lag(x, 0.15, 0.05), rng, **{"hz": 25, "noise": 0.2, **how})


def changed(trace, change):
    """The same recording with its actual angle changed in place by `change(times, values)`."""
    columns = {k: v.copy() for k, v in trace.columns.items()}
    columns["cam_intake_b1_actual"] = change(trace.time_s, columns["cam_intake_b1_actual"])
    return cam_data(Trace(trace.time_s, columns), "intake_b1")


@pytest.mark.parametrize("hz", [5, 12, 40])
def test_a_healthy_sensor_gives_no_evidence(rng, hz):
    sensor = measure_sensor(cam_data(healthy(rng, hz=hz), "intake_b1"))
    assert sensor.spikes.count == 0 and sensor.spikes.jumps == 0
    assert sensor.dropouts.fraction == 0
    assert sensor.substituted.readings == 0
    assert sensor.frozen.kind == "none"
    assert sensor.noise.rms_deg.value == pytest.approx(0.2, abs=0.03)
    assert sensor.out_of_range_fraction == 0


@pytest.mark.parametrize("hz", [8, 30])
def test_single_readings_that_go_out_and_back_are_spikes(rng, hz):
    trace = healthy(rng, hz=hz)
    chosen = np.sort(rng.choice(len(trace.time_s) - 10, 30, replace=False)) + 5
    chosen = chosen[np.concatenate([[True], np.diff(chosen) > 3])]

    def spikes(t, a):
        a[chosen] += rng.choice([-1, 1], len(chosen)) * 18.0
        return a

    found = measure_sensor(changed(trace, spikes)).spikes
    assert len(chosen) * 0.7 <= found.count <= len(chosen)
    assert set(found.times_s) <= set(trace.time_s[chosen].tolist())


def test_a_fast_phaser_on_large_steps_makes_no_spike(rng):
    x = command("steps", 180, rng, low=0, high=50)
    sensor = measure_sensor(cam_of(x, lag(x, 0.06), rng, hz=30))
    assert sensor.spikes.count == 0 and sensor.spikes.jumps == 0


@pytest.mark.parametrize("skew", [0.0, 0.03])
def test_missing_readings_are_counted_whether_paired_or_apart(rng, skew):
    trace = healthy(rng, skew_s=skew)

    def drop(t, a):
        # Three seconds out of every thirty: 10 %.
        return np.where(t % 30 < 3, np.nan, a)

    found = measure_sensor(changed(trace, drop)).dropouts
    assert found.fraction == pytest.approx(0.1, abs=0.015)


def test_a_sensor_lost_for_good_is_missing_to_the_end(rng):
    found = measure_sensor(changed(healthy(rng), lambda t, a: np.where(t > 120, np.nan, a))).dropouts
    assert found.fraction == pytest.approx(1 / 3, abs=0.03)


def test_a_gap_in_the_recording_is_no_dropout(rng):
    trace = healthy(rng)
    keep = (trace.time_s < 60) | (trace.time_s > 90)
    cut = Trace(trace.time_s[keep], {k: v[keep] for k, v in trace.columns.items()})
    assert measure_sensor(cam_data(cut, "intake_b1")).dropouts.fraction == 0


def test_a_reading_that_freezes_midway_is_frozen_not_stuck(rng):
    def freeze(t, a):
        a = a.copy()
        a[t > 90] = a[np.searchsorted(t, 90)]
        return a

    found = measure_sensor(changed(healthy(rng), freeze)).frozen
    assert found.kind == "frozen"
    assert sum(end - start for start, end in found.stretches_s) == pytest.approx(90, abs=3)
    assert found.stretches_s[0][0] == pytest.approx(90, abs=1)


def test_a_seized_cam_still_shows_a_live_reading(rng):
    x = command("holds", 180, rng)
    sensor = measure_sensor(cam_of(x, np.full(len(x), 12.0), rng, noise=0.2))
    assert sensor.frozen.kind == "none"


def test_a_constant_reading_from_the_first_moment_is_not_decided_alone(rng):
    x = command("holds", 120, rng)
    still = cam_of(x, np.full(len(x), 12.0), rng, noise=0.0)
    alone = measure_sensor(still).frozen
    assert alone.kind == "stuck_or_frozen"
    # The other cam's readings, from the same kind of sensor, never stand still like that.
    other = cam_of(x, lag(x, 0.15), rng, noise=0.2, cam="exhaust_b1")
    assert measure_sensor(still, others=[other]).frozen.kind == "frozen"


def test_coarse_digits_cannot_tell_frozen_from_stuck(rng):
    x = command("holds", 180, rng)
    y = lag(x, 0.15)
    y[int(90 / STEP_S) :] = 12.0  # seizes
    found = measure_sensor(cam_of(x, y, rng, noise=0.03, step=1.0)).frozen
    assert found.kind == "stuck_or_frozen"


def test_a_locked_cam_that_reads_zero_at_rest_is_not_frozen(rng):
    x = np.tile(np.repeat([0.0, 25.0], int(15 / STEP_S)), 6)
    clipped = recorded(x, lag(x, 0.15), rng, noise=0.2)
    a = clipped.columns["cam_intake_b1_actual"]
    a[a < 1.0] = 0.0
    sensor = measure_sensor(cam_data(clipped, "intake_b1"))
    assert sensor.frozen.kind == "none" and sensor.substituted.readings == 0


@pytest.mark.parametrize("hz", [6, 25])
def test_a_default_value_in_place_of_failed_readings_is_found_and_left_out(rng, hz):
    trace = healthy(rng, hz=hz)
    failed = (trace.time_s % 20 > 5) & (trace.time_s % 20 < 6.5)
    cam = changed(trace, lambda t, a: np.where(failed, -64.0, a))
    sensor = measure_sensor(cam)
    assert sensor.substituted.value_deg == -64
    assert sensor.substituted.runs == pytest.approx(9, abs=1)
    assert sensor.substituted.share == pytest.approx(np.mean(failed), abs=0.02)
    assert measure_tracking(cam).rms_deg.value > 5
    clean = cam.without(implausible_readings(cam))
    assert measure_tracking(clean).rms_deg.value < 0.35


def test_a_sensor_that_holds_its_last_value_is_found(rng):
    x = command("walk", 180, rng, low=10)
    trace = recorded(x, lag(x, 0.15), rng, hz=25, noise=0.2)
    starts = np.arange(10, 170, 16)
    held, jumped = np.zeros((2, len(trace.time_s)), dtype=bool)

    def hold(t, a):
        a = a.copy()
        for start in starts:
            span = (t > start) & (t < start + 2)
            before = a[np.searchsorted(t, start)]
            after = a[np.searchsorted(t, start + 2)]
            a[span] = before
            held[span] = True
            jumped[span] = abs(after - before) > 3  # where it ends in no jump nothing was lost
        return a

    bad = implausible_readings(changed(trace, hold))
    assert jumped.sum() > 100
    assert np.mean(bad[jumped]) > 0.9
    assert not bad[~held].any()


def test_sensor_noise_is_independent_and_the_same_at_rest(rng):
    x = np.tile(np.repeat([0.0, 25.0], int(12 / STEP_S)), 8)
    y = lag(x, 0.15)
    noisy = measure_sensor(cam_of(x, y, rng, hz=30, noise=2.5)).noise
    assert noisy.rms_deg.low < 2.5 < noisy.rms_deg.high
    assert noisy.at_rest_deg.value == pytest.approx(noisy.off_rest_deg.value, rel=0.2)
    assert abs(noisy.correlation) < 0.1


def test_flutter_is_correlated_and_gone_at_rest(rng):
    x = np.tile(np.repeat([0.0, 25.0], int(12 / STEP_S)), 8)
    y = lag(x, 0.15) + np.where(x > 1, flutter(len(x), 2.5, 0.15, rng), 0.0)
    found = measure_sensor(cam_of(x, y, rng, hz=30, noise=0.1)).noise
    assert found.correlation > 0.5
    assert found.at_rest_deg.value < 0.3 * found.off_rest_deg.value
    slow = measure_sensor(cam_of(x, y, rng, hz=5, noise=0.1)).noise
    assert slow.correlation is None  # at 5 Hz flutter looks as independent as noise


def test_values_far_outside_the_travel_are_counted(rng):
    trace = healthy(rng)
    cam = changed(trace, lambda t, a: np.where(t % 10 < 1, 118.0, a))
    sensor = measure_sensor(cam)
    assert sensor.out_of_range_fraction == pytest.approx(0.1, abs=0.01)
    assert sensor.pegged_fraction == pytest.approx(0.1, abs=0.01)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("count", [1, 2, 4, 10])
def test_a_few_readings_are_no_error(count):
    t = np.arange(count) * 0.1
    trace = Trace(t, {"cam_intake_b1_commanded": np.zeros(count), "cam_intake_b1_actual": np.ones(count)})
    sensor = measure_sensor(cam_data(trace, "intake_b1"))
    assert sensor.noise.rms_deg.value is None and sensor.noise.rms_deg.reason
    assert sensor.frozen.kind == "none"
