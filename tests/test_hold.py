"""Hold: a cam told to stay; flutter, drift, and a cycle that a leaking or sticking phaser makes."""

import numpy as np
import pytest

from camlog.analysis.cam.camdata import cam_data
from camlog.analysis.cam.hold import measure_hold
from camlog.trace import Trace
from tests.bench.estimator_accuracy_steady import (
    close_share,
    coverage,
    hold_cases,
    oscillation_cases,
    study,
)
from tests.steady_plants import STEP_S, cam_of, command, flutter, lag, times


@pytest.fixture
def rng():
    return np.random.default_rng(5)


def test_known_flutter_is_measured_within_ten_percent_and_its_interval():
    found = study(12, seed=3, studies=(hold_cases,))["flutter rms"]
    assert close_share(found) >= 0.95
    assert coverage(found) >= 0.75


def test_known_cycles_are_found_with_their_frequency_and_amplitude():
    found = study(16, seed=9, studies=(oscillation_cases,))
    assert close_share(found["cycle frequency"]) >= 0.9
    assert close_share(found["cycle amplitude"]) >= 0.9


def test_flutter_without_a_line_is_no_oscillation():
    # At a false-alarm level of 0.01 % none of twenty-four drives of plain flutter should be called a cycle.
    called = 0
    for seed in range(24):
        rng = np.random.default_rng(seed)
        x = command("holds", 90, rng)
        y = lag(x, 0.2) + flutter(len(x), rng.uniform(0.3, 2), rng.uniform(0.02, 0.5), rng)
        called += measure_hold(cam_of(x, y, rng, hz=rng.uniform(5, 30))).oscillation.found
    assert called == 0


def test_quantisation_alone_is_no_flutter(rng):
    x = command("holds", 120, rng)
    still = measure_hold(cam_of(x, lag(x, 0.1), rng, noise=0.0, step=1.0)).flutter_rms_deg
    assert still.value < 0.15
    # With noise enough to dither, one-degree steps do not add to it (Sheppard's correction).
    noisy = measure_hold(cam_of(x, lag(x, 0.1), rng, noise=0.7, step=1.0)).flutter_rms_deg
    assert noisy.value == pytest.approx(0.7, rel=0.08)


def test_what_the_command_does_is_not_flutter(rng):
    x = command("holds", 120, rng)
    x = x + 0.4 * np.sin(2 * np.pi * 0.7 * times(120))[: len(x)]
    found = measure_hold(cam_of(x, lag(x, 0.1), rng, noise=0.1, step=0.01)).flutter_rms_deg
    assert found.value < 0.17


def test_a_sinking_cam_drifts(rng):
    x = np.full(int(120 / STEP_S), 25.0)
    t = times(120)
    sinking = x - 0.8 * (t % 6.0)  # 0.8 deg/s toward retard, caught by the controller every six seconds
    found = measure_hold(cam_of(x, sinking, rng, noise=0.1)).drift_deg_per_s
    assert found.value == pytest.approx(-0.8, abs=0.15)
    assert found.high < 0
    steady = measure_hold(cam_of(x, x, rng, noise=0.3)).drift_deg_per_s
    assert steady.low <= 0 <= steady.high or abs(steady.value) < 0.02


def test_a_cycle_in_step_with_nothing_is_not_taken_for_drift(rng):
    x = np.full(int(200 / STEP_S), 25.0)
    y = x + 2.0 * np.sin(2 * np.pi * 0.8 * times(200))
    assert abs(measure_hold(cam_of(x, y, rng, noise=0.1)).drift_deg_per_s.value) < 0.15


def test_slow_sampling_is_owned_up_to(rng):
    x = command("holds", 120, rng)
    y = lag(x, 0.1) + flutter(len(x), 1.0, 0.02, rng)
    slow = measure_hold(cam_of(x, y, rng, hz=5))
    assert "2.5 Hz" in slow.aliasing
    assert slow.flutter_rms_deg.value == pytest.approx(1.0, rel=0.1)
    assert measure_hold(cam_of(x, y, rng, hz=30)).aliasing == ""


def test_flutter_is_told_per_oil_window(rng):
    x = command("holds", 400, rng)
    oil = np.interp(np.arange(len(x)), [0, len(x)], [20, 110])
    y = lag(x, 0.1) + np.where(oil > 70, 3.0, 0.3) * flutter(len(x), 1.0, 0.1, rng)
    rows = {w.label: h for w, h in measure_hold(cam_of(x, y, rng, oil_temp=oil)).windows}
    assert rows["below 40 °C"].flutter_rms_deg.value == pytest.approx(0.32, abs=0.08)
    assert rows["70–100 °C"].flutter_rms_deg.value == pytest.approx(3.0, rel=0.15)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("count", [1, 10, 40])
def test_too_short_a_drive_has_no_flutter_but_a_reason(count):
    t = np.arange(count) * 0.05
    trace = Trace(t, {"cam_intake_b1_commanded": np.zeros(count), "cam_intake_b1_actual": np.zeros(count)})
    hold = measure_hold(cam_data(trace, "intake_b1"))
    assert hold.flutter_rms_deg.value is None and hold.flutter_rms_deg.reason
    assert not hold.oscillation.found and hold.oscillation.reason


@pytest.mark.filterwarnings("error")
def test_a_perfectly_still_reading_is_no_error():
    t = np.arange(2000) * 0.05
    same = np.full(2000, 7.0)
    trace = Trace(t, {"cam_intake_b1_commanded": same, "cam_intake_b1_actual": same})
    hold = measure_hold(cam_data(trace, "intake_b1"))
    assert hold.flutter_rms_deg.value == 0
    assert not hold.oscillation.found
