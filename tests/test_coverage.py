"""Coverage: what a drive did not contain, said as what to drive; live and afterwards the same."""

import json
import math
import pickle
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from camlog import stream
from camlog.analysis.drive.coverage import CoverageTracker, coverage
from camlog.oil_windows import OIL_WINDOWS, OilWindow
from camlog.stream import Batch, CodeSnapshot, Event
from camlog.trace import Trace


def a_drive(
    minutes=6.0,
    hz=20.0,
    oil=(85.0, 95.0),
    start=False,
    cams=("intake_b1",),
    seed=3,
    follow=True,
    rest=True,
    step=25.0,
):
    """Idle, tip-in, cruise, release, again and again; `start`: engine off first; oil ramps from..to degC."""
    rng = np.random.default_rng(seed)
    n = round(minutes * 60 * hz)
    t = np.cumsum(rng.uniform(0.6, 1.4, n)) / hz
    phase = t % 40
    idle, cruise = phase < 15, (phase >= 15) & (phase < 33)
    command = np.where(idle, 0.0 if rest else 8.0, np.where(cruise, step, 10.0))
    slow = np.arange(n) % max(round(2 * hz), 1) == 0
    off = start & (t < 4)
    columns = {
        "engine_speed": np.where(off, 0.0, np.where(idle, 780.0, 2000.0)),
        "vehicle_speed": np.where(slow, np.where(idle, 0.0, 60.0), np.nan),
        "throttle_position": np.where(idle, 14.0, 25.0),
        "oil_temp": np.where(slow, np.linspace(*oil, n), np.nan),
    }
    for cam in cams:
        sign = 1 if cam.startswith("intake") else -1
        columns[f"cam_{cam}_commanded"] = np.where(off, 0.0, sign * command)
        columns[f"cam_{cam}_actual"] = sign * command + rng.normal(0, 0.3, n) if follow else np.full(n, 0.0)
    return Trace(t, columns)


def without(trace, *names):
    return Trace(trace.time_s, {k: v for k, v in trace.columns.items() if k not in names})


def says(found, *words):
    return [m for m in found.missing if all(w in m for w in words)]


def test_a_full_drive_from_cold_lacks_nothing():
    found = coverage(a_drive(minutes=12, oil=(15.0, 95.0), start=True, cams=("intake_b1", "exhaust_b1")))
    assert found.sufficient and found.judgeable and found.missing == ()
    assert set(found.per_cam) == {"intake_b1", "exhaust_b1"}


def test_a_hot_drive_is_enough_for_a_verdict_and_still_says_that_no_cold_start_was_seen():
    found = coverage(a_drive())
    assert found.sufficient
    assert says(found, "cold start", "begin recording before starting the cold engine")
    assert says(found, "below 40 °C") and says(found, "40–70 °C")


def test_a_stuck_cam_covers_the_drive_as_well_as_a_healthy_one():
    healthy, stuck = coverage(a_drive()), coverage(a_drive(follow=False))
    assert stuck == healthy


def test_a_drive_that_never_got_warm_says_what_to_do_with_warm_oil():
    found = coverage(a_drive(oil=(15.0, 60.0), start=True))
    assert not found.sufficient and found.judgeable
    assert says(found, "No steady cruise with oil above 70 °C", "hold 2,000 rpm for 20 s")
    assert says(found, "No command steps toward advance", "open the throttle briskly")
    assert says(found, "No command steps toward retard", "release the throttle")
    assert says(found, "No rest command with oil above 70 °C", "idle")


def test_a_constant_command_lacks_steps():
    trace = a_drive(step=0.0)
    constant = Trace(trace.time_s, {**trace.columns, "cam_intake_b1_commanded": np.full(len(trace.time_s), 12.0)})
    found = coverage(constant)
    assert not found.sufficient
    assert says(found, "steps toward advance") and says(found, "steps toward retard")
    assert not says(found, "hold 2,000 rpm")


def test_a_drift_of_the_command_is_no_step():
    trace = a_drive()
    slow = 15 + 15 * np.sin(2 * np.pi * trace.time_s / 60)  # at most 1.6 deg/s
    found = coverage(Trace(trace.time_s, {**trace.columns, "cam_intake_b1_commanded": slow}))
    assert says(found, "No command steps toward advance")


def test_dither_and_coarse_counts_are_still_a_held_command():
    rng = np.random.default_rng(4)
    trace = a_drive()
    commanded = np.round(trace.columns["cam_intake_b1_commanded"] + rng.uniform(-0.6, 0.6, len(trace.time_s)))
    found = coverage(Trace(trace.time_s, {**trace.columns, "cam_intake_b1_commanded": commanded}))
    assert found.sufficient


@pytest.mark.parametrize("hz, fine", [(30, True), (10, True), (5, True), (3, False), (1, False)])
def test_sampling_too_coarse_to_judge_is_said(hz, fine):
    found = coverage(a_drive(hz=hz, minutes=8))
    assert found.judgeable is fine
    assert bool(says(found, "s apart", "record fewer signals")) is not fine
    assert sampling_s(found) == pytest.approx(1 / hz, rel=0.1)


def test_a_hole_in_the_recording_does_not_count_as_slow_sampling():
    trace = a_drive(hz=10)
    t = np.where(trace.time_s > 100, trace.time_s + 300, trace.time_s)
    assert sampling_s(coverage(Trace(t, trace.columns))) == pytest.approx(0.1, rel=0.05)


def sampling_s(found):
    """Mean seconds between the readings of the intake cam's slower angle."""
    return next(n.have for n in found.needs if n.name == "sampling" and n.cam == "intake_b1")


def test_no_cam_angles_means_no_verdict_on_the_phaser():
    found = coverage(without(a_drive(), "cam_intake_b1_commanded", "cam_intake_b1_actual"))
    assert not found.judgeable and found.per_cam == {}
    assert says(found, "No cam angles were recorded", "vehicle profile")


def test_a_commanded_angle_without_the_actual_one_is_named():
    found = coverage(without(a_drive(), "cam_intake_b1_actual"))
    assert not found.judgeable
    assert says(found, "The actual angle was not read", "vehicle profile")


def test_a_cam_the_profile_promises_but_the_car_never_sent_is_missed():
    profile = SimpleNamespace(
        cams=(SimpleNamespace(id="intake_b1"), SimpleNamespace(id="exhaust_b1")), limits={}, file=""
    )
    found = coverage(a_drive(), profile=profile)
    assert not found.sufficient and found.per_cam["intake_b1"].sufficient
    assert says(found, "Exhaust cam bank 1", "commanded and actual angle was not read")


def test_no_temperature_stands_in_the_way_of_healthy_but_not_of_a_fault():
    found = coverage(without(a_drive(), "oil_temp"))
    assert found.judgeable and not found.sufficient
    assert says(found, "Neither oil nor coolant temperature")


def test_coolant_stands_in_for_oil():
    trace = a_drive()
    columns = dict(trace.columns)
    columns["coolant_temp"] = columns.pop("oil_temp")
    assert coverage(Trace(trace.time_s, columns)).sufficient


def test_engine_off_is_said():
    trace = a_drive()
    off = Trace(trace.time_s, {**trace.columns, "engine_speed": np.zeros(len(trace.time_s))})
    found = coverage(off)
    assert not found.sufficient and says(found, "The engine was not running")
    assert found.per_cam["intake_b1"].windows[2].advance_moves == 0


def test_an_engine_that_does_not_rest_its_cam_at_idle_is_not_asked_to_idle_on():
    found = coverage(a_drive(minutes=8, rest=False))
    assert found.sufficient
    assert says(found, "At warm idle the cam was not commanded to rest", "timing marks")


def test_a_lack_both_cams_share_is_said_once_and_one_cams_own_lack_by_name():
    both = coverage(a_drive(oil=(20, 60), cams=("intake_b1", "exhaust_b1")))
    assert len(says(both, "No steady cruise")) == 1 and "cam" not in says(both, "No steady cruise")[0]
    trace = a_drive(cams=("intake_b1", "exhaust_b1"))
    columns = {**trace.columns, "cam_exhaust_b1_commanded": np.zeros(len(trace.time_s))}
    one = coverage(Trace(trace.time_s, columns))
    assert says(one, "Exhaust cam bank 1: no command steps toward advance")
    assert one.per_cam["intake_b1"].sufficient and not one.per_cam["exhaust_b1"].sufficient


def test_windows_hold_what_was_driven_in_them():
    found = coverage(a_drive(minutes=12, oil=(30.0, 90.0)))
    cold, warm, hot, very_hot = found.per_cam["intake_b1"].windows
    assert (cold.seconds, warm.seconds, hot.seconds) == pytest.approx((120, 360, 240), abs=6)
    assert very_hot.seconds == 0 and very_hot.advance_moves == 0
    # 12 minutes hold 18 rounds: one tip-in each, and a release to 10 deg and one to rest.
    assert sum(w.advance_moves for w in found.per_cam["intake_b1"].windows) == 18
    assert sum(w.retard_moves for w in found.per_cam["intake_b1"].windows) == pytest.approx(35, abs=1)


def test_a_shops_own_windows_and_limits_are_used():
    windows = (OilWindow(-math.inf, 60.0), OilWindow(60.0, math.inf))
    profile = SimpleNamespace(cams=(), limits={"needed_steps": 1000.0}, file="")
    found = coverage(a_drive(), windows=windows, profile=profile)
    assert len(found.per_cam["intake_b1"].windows) == 2
    assert says(found, "of 1000 command steps toward advance")


def test_the_live_tracker_gives_the_same_answer_as_the_saved_trace():
    for trace in (
        a_drive(minutes=3, oil=(15.0, 60.0), start=True, cams=("intake_b1", "exhaust_b2")),
        a_drive(minutes=3, hz=4),
        without(a_drive(minutes=2), "oil_temp", "vehicle_speed"),
    ):
        tracker = CoverageTracker()
        stream.run(trace.batches(), [tracker])
        assert tracker.coverage() == coverage(trace)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_asking_in_between_changes_nothing(seed):
    rng = np.random.default_rng(seed)
    trace = a_drive(minutes=rng.uniform(0.2, 1.5), hz=rng.uniform(3, 30), seed=seed, oil=(60, 80), start=bool(seed % 2))
    holes = np.cumsum(np.where(rng.random(len(trace.time_s)) < 0.01, rng.uniform(0, 12, len(trace.time_s)), 0.0))
    columns = {k: np.where(rng.random(len(v)) < 0.1, np.nan, v) for k, v in trace.columns.items()}
    trace = Trace(trace.time_s + holes, columns)
    tracker = CoverageTracker()
    for batch in trace.batches():
        tracker.accept(batch)
        if rng.random() < 0.02:
            tracker.missing()
    assert tracker.coverage() == coverage(trace)


def test_the_list_gets_shorter_as_the_driver_does_what_it_says():
    tracker = CoverageTracker()
    lengths = []
    for i, batch in enumerate(a_drive(minutes=6).batches()):
        tracker.accept(batch)
        if i % 1000 == 999:
            lengths.append(len(tracker.missing()))
    assert lengths[-1] < lengths[0] and lengths == sorted(lengths, reverse=True)


def test_events_codes_and_unread_values_do_not_disturb_the_tracker():
    tracker = CoverageTracker()
    for item in (
        Event(0.0, "marker", "rattle"),
        CodeSnapshot(0.0),
        Batch(0.0, {}),
        Batch(0.1, {"engine_speed": math.nan}),
    ):
        tracker.accept(item)
    tracker.close()
    assert tracker.missing()[0].startswith("No cam angles")
    assert tracker.essential is False


def test_the_trackers_memory_does_not_grow_with_the_drive():
    def held(minutes):
        tracker = CoverageTracker()
        for i in range(round(minutes * 60 * 10)):
            t = i / 10
            tracker.accept(Batch(t, {"engine_speed": 800.0, "cam_intake_b1_commanded": 20.0 * (i // 50 % 2)}))
        grows = {name: held for name, held in vars(tracker).items() if name != "_limits"}
        return len(pickle.dumps(grows))  # all that it holds, and nothing of other threads

    assert held(20) < 1.1 * held(2)  # bytes


@pytest.mark.parametrize("rows", [0, 1, 10])
def test_next_to_nothing_recorded_is_no_error(rows):
    found = coverage(Trace(np.arange(float(rows)), {"cam_intake_b1_commanded": np.zeros(rows)}))
    assert not found.judgeable and found.missing


def test_coverage_is_plain_json():
    found = coverage(a_drive(minutes=1), windows=OIL_WINDOWS)
    assert json.loads(json.dumps(found.to_dict(), allow_nan=False))["sufficient"] is False
