"""Sticking: the cam stays put while the command leaves it, then jumps; a slow cam does neither."""

import numpy as np
import pytest

from camlog.analysis.cam.camdata import cam_data
from camlog.analysis.cam.hold import measure_hold
from camlog.analysis.sticking.measure import measure_sticking
from camlog.analysis.sticking.model import candidates, simulate
from camlog.analysis.sticking.swings import shape_index
from camlog.trace import Trace
from tests.bench.estimator_accuracy_steady import (
    close_share,
    coverage,
    smooth_cases,
    sticking_cases,
    study,
)
from tests.steady_plants import (
    STEP_S,
    cam_of,
    command,
    flutter,
    lag,
    loop_with_friction,
    recorded,
    stiction,
    times,
)


@pytest.fixture
def rng():
    return np.random.default_rng(30)


def test_known_stick_bands_are_measured_within_twenty_percent_and_their_interval():
    # Plants of Choudhury, Thornhill & Shah (2005), irregularly sampled at 5 to 40 Hz.
    found = study(10, seed=6, studies=(sticking_cases,))
    assert close_share(found["stick band"]) >= 0.85
    assert coverage(found["stick band"]) >= 0.8
    assert close_share(found["called sticking"]) >= 0.9


def test_slow_but_smooth_cams_are_not_called_sticking():
    found = study(10, seed=6, studies=(smooth_cases,))
    assert close_share(found["called smooth"]) == 1.0
    assert close_share(found["no stick band"]) >= 0.9


def test_the_fast_model_is_the_published_one(rng):
    # Against the flow chart of Choudhury, Thornhill & Shah (2005), written independently.
    x = command("walk", 60, rng)[::10]
    for band, jump in ((5.0, 5.0), (6.0, 2.0), (3.0, 1.0)):
        published = stiction(x, band, jump)
        cams = candidates([band], [jump / band], [1e-3], [0.0], [np.inf])
        model = simulate(x[None, :], x[:1], 10 * STEP_S, cams, np.zeros(1))[:, 0, 0]
        late = slice(200, None)  # once both have forgotten how they began
        assert np.median(np.abs(model[late] - published[late])) < 0.05
        assert np.mean(np.abs(model[late] - published[late]) > 0.5) < 0.03


@pytest.mark.parametrize("hz, step", [(30, 0.1), (10, 0.25)])
@pytest.mark.parametrize("kind", ["walk", "ramps", "steps"])
def test_stick_slip_inside_a_control_loop_is_found(rng, kind, hz, step):
    x = command(kind, 140, rng)
    y, _ = loop_with_friction(x, breakaway=6.0)
    found = measure_sticking(cam_of(x, y, rng, hz=hz, step=step))
    assert found.sticks is True and found.p_smooth < 0.01
    assert found.jumps >= 3
    # Friction of 6 at a gain of 1 lets 6 deg go by, less where the integral had wound up before.
    assert 2.0 < found.stick_band_deg.value < 8.0
    assert found.jump_deg.value > 2.0


@pytest.mark.parametrize("hz", [30, 8])
@pytest.mark.parametrize("tau, dead, rate", [(0.15, 0.05, None), (1.5, 0.2, None), (4.0, 0.2, None), (0.3, 0.3, 4.0)])
def test_no_slowness_looks_like_sticking(rng, hz, tau, dead, rate):
    for kind in ("ramps", "steps"):
        x = command(kind, 100, rng)
        y = lag(x, tau, dead, rate)
        found = measure_sticking(cam_of(x, y, rng, hz=hz, skew_s=0.03, noise=0.2))
        assert found.sticks is False
        assert found.stuck_time_fraction < 0.1


def test_a_steady_offset_is_not_sticking(rng):
    # Three degrees off at all times, then off as the command moves: stands away, but is never left.
    x = command("steps", 150, rng)
    found = measure_sticking(cam_of(x, lag(x, 0.12, 0.3) + 3.0, rng, noise=0.3))
    assert found.sticks is False and found.stuck_time_fraction < 0.05


def test_base_timing_at_rest_is_not_sticking(rng):
    x = np.tile(np.repeat([0.0, 25.0, 12.0], int(8 / STEP_S)), 8)
    found = measure_sticking(cam_of(x, lag(x + np.where(x == 0, -12.0, 0.0), 0.15), rng))
    assert found.sticks is False and found.stuck_time_fraction < 0.05


def test_flutter_and_hunting_are_not_sticking(rng):
    x = command("steps", 150, rng)
    wild = lag(x, 0.2) + flutter(len(x), 2.0, 0.2, rng)
    assert measure_sticking(cam_of(x, wild, rng)).sticks is False
    hunting = lag(x, 0.2) + 4.0 * np.sin(2 * np.pi * 0.9 * times(150))[: len(x)]
    assert measure_sticking(cam_of(x, hunting, rng)).sticks is False


@pytest.mark.parametrize("noise", [0.0, 0.2])
def test_a_seized_cam_never_moves(rng, noise):
    x = command("steps", 120, rng)
    found = measure_sticking(cam_of(x, np.full(len(x), 15.0), rng, noise=noise))
    assert found.sticks
    assert found.stuck_time_fraction > 0.7
    assert found.stick_band_deg.value is None and "never broke away" in found.stick_band_deg.reason


def test_a_cam_that_waits_for_engine_speed_is_short_of_oil_not_sticking(rng):
    # At idle the pressure does not move it off rest; it follows as soon as the engine speeds up.
    idle, cruise = np.full(int(6 / STEP_S), 700.0), np.full(int(6 / STEP_S), 2500.0)
    speed = np.tile(np.concatenate([idle, cruise]), 10)
    x = np.where(np.arange(len(speed)) * STEP_S % 12 < 2, 0.0, 25.0)
    y = lag(np.where(speed > 1000, x, 0.0), 0.1)
    found = measure_sticking(cam_of(x, y, rng, engine_speed=speed))
    assert found.with_supply >= 8
    assert found.jumps == 0


def test_where_and_when_it_sticks(rng):
    x = command("walk", 300, rng)
    oil = np.interp(np.arange(len(x)), [0, len(x)], [20, 98])
    stuck, _ = loop_with_friction(x, 6.0)
    y = np.where(oil < 55, stuck, lag(x, 0.15))
    rows = {w.label: s for w, s in measure_sticking(cam_of(x, y, rng, oil_temp=oil)).windows}
    assert rows["below 40 °C"].jumps >= 5 and rows["below 40 °C"].stuck_time_fraction > 0.1
    assert rows["70–100 °C"].jumps == 0 and rows["70–100 °C"].stick_band_deg.value is None


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("count", [1, 2, 10, 200])
def test_a_constant_command_shows_nothing_about_sticking(count):
    t = np.arange(count) * 0.05
    trace = Trace(t, {"cam_intake_b1_commanded": np.full(count, 10.0), "cam_intake_b1_actual": np.full(count, 10.1)})
    found = measure_sticking(cam_data(trace, "intake_b1"))
    assert found.sticks is None and found.reason
    assert found.stick_band_deg.value is None and found.stuck_time_fraction is None


def test_plateaus_and_swings_have_different_shapes(rng):
    t = np.sort(rng.uniform(0, 60, 1200))
    noise = rng.normal(0, 0.1, len(t))
    square = np.clip(4.0 * np.sin(2 * np.pi * t / 3), -1, 1)
    assert shape_index(t, 2 * square + noise, 3.0)[0] > 0.7
    assert shape_index(t, 2 * np.sin(2 * np.pi * t / 3) + noise, 3.0)[0] < 0.3


def cycle_of(cam):
    oscillation = measure_hold(cam).oscillation
    return oscillation, measure_sticking(cam, oscillation=oscillation).limit_cycle


def test_a_sticking_loop_cycles_on_plateaus(rng):
    # Friction, integral action and a steady command: the classic stick-slip cycle.
    x = np.repeat([10.0, 20.0, 12.0, 25.0], int(40 / STEP_S))
    y, effort = loop_with_friction(x, breakaway=2.0, gain=0.5, integral=1.5, speed=40.0)
    duty = np.clip(50 + 5 * effort, 0, 100)
    cam = cam_data(recorded(x, y, rng, hz=25, cam_intake_b1_duty=duty), "intake_b1")
    oscillation, cycle = cycle_of(cam)
    assert oscillation.found
    assert cycle.kind == "stick_slip" and cycle.half_cycles >= 10


def test_a_leaking_cam_swings_smoothly(rng):
    x = np.repeat([10.0, 20.0, 12.0, 25.0], int(40 / STEP_S))
    y = lag(x, 0.2) + 2.5 * np.sin(2 * np.pi * 0.6 * times(160))[: len(x)]
    _, cycle = cycle_of(cam_of(x, y, rng, hz=25))
    assert cycle.kind == "leakage"


def test_a_quiet_cam_has_no_cycle(rng):
    x = np.repeat([10.0, 20.0, 12.0, 25.0], int(40 / STEP_S))
    assert cycle_of(cam_of(x, lag(x, 0.2), rng))[1].kind == "none"
