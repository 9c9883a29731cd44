"""Swings about a drifting command: those of a cam that sticks stand between jumps, those of one that leaks do not.

Plants are textbook ones (`steady_plants`): a loop with friction, and smooth motion of changing rate. Chirp and
square are scipy.signal's. Invented data is for the mechanics of the verdict only.
"""

import numpy as np
import pytest
from scipy import signal

from camlog.analysis import analyze
from camlog.analysis.sticking.measure import measure_sticking
from camlog.analysis.sticking.swings import measure_swings
from camlog.simulate.offline import Sampling, simulate_drive
from camlog.simulate.vehicle.conditions import Condition
from camlog.simulate.vehicle.draw import draw_setup
from camlog.simulate.vehicle.drive_cycle import named_drive
from tests.bench.validity_cases import draw_case
from tests.drive_truth import drive_truth
from tests.steady_plants import cam_of, lag, loop_with_friction, times

SECONDS = 60.0
NOISE_DEG = 0.1


@pytest.fixture
def rng():
    return np.random.default_rng(57)


def drifting(seconds=SECONDS):
    """A command that is never steady: to and fro by 10 deg in 15 s; at first and at last at the ends of the travel."""
    t = times(seconds)
    x = 25.0 + 5.0 * np.sin(2 * np.pi * t / 15.0)
    x[t < 2.0], x[t > seconds - 2.0] = 0.0, 50.0
    return x


def phase(seconds=SECONDS, slowest=0.8, fastest=2.0):
    """Phase of a motion whose rate changes over the drive, as it does while oil warms."""
    t = times(seconds)
    return 2 * np.pi * (slowest * t + (fastest - slowest) * t**2 / (2 * seconds))


def swings_of(x, y, rng, **how):
    return measure_swings(cam_of(x, y, rng, **{"hz": 30, "noise": NOISE_DEG, **how}))


def test_plateaus_are_seen_though_rate_and_command_change(rng):
    x = drifting()
    square = np.clip(4.0 * signal.square(phase()), -3.0, 3.0)
    found = swings_of(x, x + lag(square, 0.02), rng)
    assert found.sticks and found.standing > 0.9 * found.judged
    assert found.judged == pytest.approx(phase()[-1] / np.pi, rel=0.1)  # two half cycles a turn
    assert found.swing_deg.value == pytest.approx(6.0, rel=0.05)
    assert found.half_cycle_s == pytest.approx(np.median(np.diff(np.interp(
        np.arange(0, phase()[-1], np.pi), phase(), times(SECONDS)))), rel=0.1)  # fmt: skip
    assert found.seconds == pytest.approx(SECONDS, rel=0.1)
    assert found.share == pytest.approx(1.0, abs=0.1)


def test_a_loop_with_friction_stands_in_between(rng):
    x = drifting(120.0)
    y, _ = loop_with_friction(x, breakaway=3.0, gain=1.0, integral=12.0, speed=40.0)
    cam = cam_of(x, y, rng, hz=30, noise=NOISE_DEG)
    found = measure_sticking(cam)
    assert found.swings.sticks and found.sticks and found.p_smooth < 1e-3
    assert found.jump_deg.value == pytest.approx(found.swings.swing_deg.value)


def test_a_few_score_in_hours_of_driving_are_no_finding(rng):
    seconds = 4800.0
    x = np.full(len(times(seconds)), 25.0)
    x[: len(x) // 50], x[-len(x) // 50 :] = 0.0, 50.0
    square = np.clip(4.0 * signal.square(phase(seconds, 1.2, 1.2)), -3.0, 3.0)
    hunts = (times(seconds) > 2000.0) & (times(seconds) < 2030.0)
    found = swings_of(x, x + np.where(hunts, lag(square, 0.02), 0.0), rng)
    assert found.standing > 50 and found.share < 0.01 and not found.sticks


@pytest.mark.parametrize("hz", [10, 20, 30])
@pytest.mark.parametrize("amplitude", [1.0, 3.0, 8.0])
def test_a_smooth_swing_of_any_size_never_sticks(rng, hz, amplitude):
    x = drifting()
    found = swings_of(x, x + amplitude * np.sin(phase(fastest=hz / 15.0)), rng, hz=hz)
    assert found.judged >= 20
    assert not found.sticks and found.standing < 0.1 * found.judged
    assert found.amplitude_deg.value == pytest.approx(amplitude, rel=0.15)
    assert found.hunts or hz == 10  # five or six readings a half swing: its shape is seldom clear


def test_a_swing_against_a_stop_stands_there_whatever_its_fault(rng):
    x = np.full(len(times(SECONDS)), 15.0)
    y = np.clip(x + 25.0 * np.sin(phase()), 0.0, 30.0)  # from stop to stop
    found = swings_of(x, y, rng)
    assert found.judged < 5 and not found.sticks and not found.hunts


def test_steps_of_a_coarse_reading_are_no_plateaus(rng):
    x = drifting()
    found = swings_of(x, x + 1.5 * np.sin(phase()), rng, step=1.0)
    assert found.judged == 0 and not found.sticks and not found.swing_deg


@pytest.mark.parametrize("time_constant", [0.05, 0.15, 0.4])
def test_plateaus_that_the_command_made_are_not_the_cams(rng, time_constant):
    x = 20.0 + 4.0 * signal.square(phase())
    assert swings_of(x, lag(x, time_constant, 0.08), rng).standing < 10


def test_a_cam_that_follows_and_one_without_readings_have_none(rng):
    x = drifting()
    assert swings_of(x, lag(x, 0.2), rng).judged == 0
    cam = cam_of(x[:40], x[:40], rng, hz=30)
    assert measure_swings(cam).judged == 0


def test_an_invented_car_whose_phaser_leaks_hunts_and_is_called_unstable():
    case = draw_case(1098, "B")
    assert case.kind == "internal_leakage"
    drive = case.drive()
    (cam,) = (
        c for c, truth in drive_truth(case.setup, drive.block)["cams"].items() if truth["condition"] == "unstable"
    )
    verdict = analyze(drive.trace).cams[cam].verdict
    assert verdict.condition == "unstable" and verdict.confidence > 0.7
    assert any("swings about a command" in reason for reason in verdict.reasons)


@pytest.mark.parametrize("seed", [1, 12])
def test_an_invented_car_that_hunts_between_plateaus_is_called_sticking(seed):
    setup = draw_setup(seed, (Condition("stick_slip", 0.8),))
    drive = simulate_drive(setup, named_drive("mixed", seed), Sampling(cam_pair_hz=30.0))
    (cam,) = (c for c, truth in drive_truth(setup, drive.block)["cams"].items() if truth["condition"] == "sticking")
    verdict = analyze(drive.trace).cams[cam].verdict
    # A cam that hunts because it sticks may be called either; that it stands in between is seen and counts.
    assert verdict.condition in ("sticking", "unstable") and verdict.confidence > 0.5
    standing = next(w for w in verdict.evidence if w.figure.name == "standing_swing_deg")
    assert standing.times_limit > 1.0 and standing.says["sticking"] > 0.0
