"""The simulated fleet: every family drives, every fault can be had, and the loop does what control theory says."""

from __future__ import annotations

import dataclasses

import control
import numpy as np
import pytest

from camlog.signals import CAM_IDS, SIGNALS, actual
from tests.bench.fleet import FAMILIES, draw, draw_poor, kinds
from tests.bench.fleet.car import Car
from tests.bench.fleet.faults import KINDS
from tests.bench.fleet.loop import STEP_S, Along, Fixed, run
from tests.bench.fleet.road import drive_along

BUILT = [name for name, family in FAMILIES.items() if not family.house]


def _case(family: str, kind: str, seed: int = 5, **changes):
    """The family's first case of that kind at or after the seed, 3 minutes long."""
    case = next(c for s in range(seed, seed + 4000) if (c := draw(family, s)).kind == kind)
    return dataclasses.replace(case, minutes=3.0, rate_hz=10.0, **changes)


def test_the_same_seed_gives_the_same_recording():
    case = draw("torque_v", 8)
    first, second = case.record(), draw("torque_v", 8).record()
    assert first.truth == second.truth
    np.testing.assert_array_equal(first.trace.time_s, second.trace.time_s)
    for name, column in first.trace.columns.items():
        np.testing.assert_array_equal(column, second.trace.columns[name])
    assert not np.array_equal(first.trace.time_s, draw("torque_v", 9).record().trace.time_s)


def test_there_are_twelve_families_and_two_of_them_are_the_project_s_own():
    assert len(FAMILIES) >= 12
    assert [name for name in FAMILIES if name not in BUILT] == ["house_a", "house_b"]
    for family in FAMILIES.values():
        assert family.description.endswith(".") and family.source


@pytest.mark.parametrize("family", BUILT)
def test_a_family_has_every_kind_it_can_have(family):
    able = set(kinds(family))
    assert {KINDS[kind].condition for kind in able} == {
        "sticking", "slow", "stuck", "unstable", "offset", "sensor",
    }  # fmt: skip
    cases = [draw(family, seed) for seed in range(700)]
    assert {case.kind for case in cases} == able | {"healthy"}
    assert np.mean([case.kind == "healthy" for case in cases]) == pytest.approx(0.45, abs=0.07)
    assert all(3.0 <= case.minutes <= 18.0 and case.rate_hz > 1.2 for case in cases)


@pytest.mark.parametrize("family", BUILT)
def test_signals_lie_in_their_ranges(family):
    case = dataclasses.replace(draw(family, 3), minutes=3.0)
    recording = case.record()
    trace = recording.trace
    assert trace.time_s[0] == 0.0 and (np.diff(trace.time_s) >= 0.0).all()
    assert set(recording.truth) == set(FAMILIES[family].command.cams) <= set(CAM_IDS)
    for name in trace.columns:
        _, values = trace.samples(name)
        assert SIGNALS[name].low <= values.min() and values.max() <= SIGNALS[name].high, name
    for cam in recording.truth:
        assert len(trace.samples(actual(cam))[0]) > 0


@pytest.mark.parametrize("family", ["oil_classic", "gives_up", "electric"])
def test_before_the_fault_begins_the_car_is_its_healthy_twin(family):
    _, sound, cams, fault = _case(family, "stuck_midway").drive()
    begins = int(fault.onset_s / STEP_S)
    assert begins > 0
    for cam in fault.cams:
        np.testing.assert_array_equal(cams[cam].reading[:begins], sound[cam].reading[:begins])
        assert not np.array_equal(cams[cam].reading, sound[cam].reading)


def test_a_healthy_cam_beside_a_faulty_one_is_called_healthy():
    truth = _case("oil_classic", "stuck_rest", cams_concerned=("exhaust_b1",)).record().truth
    assert truth["intake_b1"].condition == "healthy" and not truth["intake_b1"].shows
    assert truth["exhaust_b1"].condition == "stuck" and truth["exhaust_b1"].shows


def test_the_simulator_s_own_drives_carry_the_same_truth():
    case = _case("house_b", "seized")
    truth = dataclasses.replace(case, minutes=2.0).record().truth
    assert any(t.condition == "stuck" and t.kind == "seized" and t.shows for t in truth.values())
    assert all(t.condition in ("stuck", "healthy") for t in truth.values())


def test_a_poor_drive_says_why_it_is_poor():
    for seed in range(12):
        case = draw_poor("oil_classic", seed)
        if case.poor == "short":
            assert case.minutes <= 1.0
        elif case.poor == "coarse":
            assert case.rate_hz < 1.1
        else:
            car, _, _, _ = case.drive()
            assert car.road.speed.max() == 0.0
            assert all(np.ptp(asked) == 0.0 for asked in car.asked.values())


def test_without_friction_a_small_step_is_answered_as_control_theory_says():
    """Against python-control's step_info: PI, valve lag, an integrating phaser with lag, a sampled loop."""
    road = drive_along(np.random.default_rng(0), 1.0, "hot", parked=True)
    car = Car(FAMILIES["oil_classic"], 1, road, still=True)
    along, fixed = car._sound(np.random.default_rng(1), "intake")
    n, speed, bandwidth, integral_s, lag_s, valve_s = 4000, 120.0, 5.0, 1.0, 0.05, 0.04
    zero = np.zeros(n)
    flat = {name: zero for name in along} | {
        "asked": np.where(np.arange(n) < 1000, 10.0, 12.0),
        "speed": zero + speed, "gain": zero + 1.0, "delay": zero + 1.0, "alive": zero + 1.0, "turn": zero + 0.1,
    }  # fmt: skip
    fixed |= {
        "gain": bandwidth / speed, "integral_s": integral_s, "lag_s": lag_s, "valve_lag_s": valve_s, "inward": 1.0,
        "spring": 0.0, "valve_overlap": 0.0, "hold_error": 0.0, "period_s": STEP_S, "events": 1000.0, "bias": 0.0,
        "setpoint_rate": 0.0, "filter_s": 0.0, "average": 1, "dither": 0.0,
    }  # fmt: skip
    _, reading, _, _ = run(Along(**flat), Fixed(**fixed))
    answer = (reading[1000:] - reading[999]) / 2.0
    s = control.tf("s")
    # One step from controller to valve and half a step of holding, as a lag each.
    loop = bandwidth * (1 + 1 / (integral_s * s)) / (s * (lag_s * s + 1) * (valve_s * s + 1)) / (STEP_S * s + 1)
    expected = control.step_info(control.feedback(loop, 1))
    assert reading[999] == pytest.approx(10.0, abs=0.02)
    assert 100.0 * (answer.max() - 1.0) == pytest.approx(expected["Overshoot"], rel=0.1)
    assert np.argmax(answer) * STEP_S == pytest.approx(expected["PeakTime"], rel=0.1)
