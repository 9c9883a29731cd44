"""Conditions of a drive: engine states, warm-up, oil windows, gaps, and what counts as proof."""

import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from camlog.analysis.drive.conditions import conditions
from camlog.analysis.drive.regulation import similar_conditions
from camlog.analysis.drive.ticks import TICK_S, TickStream, tick_table
from camlog.drive import Drive
from camlog.oil_windows import OIL_WINDOWS, OilWindow, oil_temperature, windows_of
from camlog.stream import Event
from camlog.trace import Trace


def drive_of(*stretches, hz=10.0, every=None):
    """A trace from stretches (seconds, {signal: value or (from, to)}); `every`: sampled each n rows."""
    total = sum(s for s, _ in stretches)
    t = np.arange(round(total * hz)) / hz
    names = {n for _, values in stretches for n in values}
    columns = {n: np.full(len(t), np.nan) for n in names}
    at = 0
    for seconds, values in stretches:
        n = round(seconds * hz)
        for name, value in values.items():
            columns[name][at : at + n] = np.linspace(*value, n) if isinstance(value, tuple) else value
        at += n
    for name, step in (every or {}).items():
        keep = np.zeros(len(t), dtype=bool)
        keep[::step] = True
        columns[name][~keep] = np.nan
    return Trace(t, columns)


OFF = {"engine_speed": 0, "vehicle_speed": 0, "throttle_position": 14, "coolant_temp": 20.0, "oil_temp": 18.0}
CRANK = OFF | {"engine_speed": 220}
COLD_IDLE = OFF | {"engine_speed": 1250}
IDLE = {
    "engine_speed": 750,
    "vehicle_speed": 0,
    "throttle_position": 14,
    "coolant_temp": 88.0,
    "oil_temp": 85.0,
}
ROAD = IDLE | {"engine_speed": 2000, "vehicle_speed": 70, "throttle_position": 22}
PULL = IDLE | {"engine_speed": (1500, 4000), "vehicle_speed": (40, 100), "throttle_position": 60}


def test_a_drive_is_split_into_off_cranking_idle_cruise_and_transient():
    c = conditions(drive_of((10, OFF), (1, CRANK), (30, COLD_IDLE), (40, ROAD), (8, PULL), (30, IDLE)))
    assert c.seconds["engine_off"] == pytest.approx(10, abs=0.5)
    assert c.seconds["cranking"] == pytest.approx(1, abs=0.5)
    assert c.seconds["idle"] == pytest.approx(60, abs=1)
    assert c.seconds["cruise"] == pytest.approx(40, abs=1)
    assert c.seconds["transient"] == pytest.approx(8, abs=1)
    assert c.seconds["unknown"] == 0
    assert c.running_s == pytest.approx(108, abs=1)
    assert [s.state for s in c.segments] == ["engine_off", "cranking", "idle", "cruise", "transient", "idle"]


def test_a_two_thousand_rpm_hold_in_the_yard_is_steady_running_and_not_idle():
    hold = IDLE | {"engine_speed": 2000, "throttle_position": 19}
    c = conditions(drive_of((20, IDLE), (30, hold)))
    assert c.seconds["cruise"] == pytest.approx(30, abs=1)


def test_rolling_with_a_closed_throttle_is_no_idle():
    c = conditions(drive_of((20, IDLE), (20, IDLE | {"vehicle_speed": 30, "engine_speed": 900})))
    assert c.seconds["idle"] == pytest.approx(20, abs=1)


def test_without_road_speed_idle_is_told_from_speed_and_throttle_and_the_report_says_so():
    def without(v):
        return {k: x for k, x in v.items() if k != "vehicle_speed"}

    c = conditions(drive_of((30, without(IDLE)), (30, without(ROAD))))
    assert c.seconds["idle"] == pytest.approx(30, abs=1)
    assert any("vehicle speed was not recorded" in n for n in c.notes)


def test_without_engine_speed_nothing_is_claimed():
    c = conditions(drive_of((30, {"coolant_temp": 90.0})))
    assert c.running_s == 0 and c.seconds["unknown"] == pytest.approx(30, abs=1)
    assert c.permanent_code_drive.met is None
    assert any("engine speed was not recorded" in n for n in c.notes)


def test_a_cold_start_is_seen_with_its_oil_temperature():
    c = conditions(drive_of((5, OFF), (1, CRANK), (30, COLD_IDLE)))
    assert c.cold_start is True
    assert len(c.starts) == 1
    assert c.starts[0].time_s == pytest.approx(6, abs=TICK_S)
    assert c.starts[0].oil_temp_degc == pytest.approx(18)


def test_a_hot_restart_is_no_cold_start_and_a_running_engine_no_start():
    hot_off = IDLE | {"engine_speed": 0}
    assert conditions(drive_of((5, hot_off), (30, IDLE))).cold_start is False
    assert conditions(drive_of((30, IDLE))).starts == ()


def test_a_start_hidden_by_the_cranking_dropout_is_still_a_start():
    trace = drive_of((5, OFF), (2, {}), (30, COLD_IDLE))
    assert [s.cold for s in conditions(trace).starts] == [True]


def test_module_run_time_tells_a_start_just_before_recording():
    trace = drive_of((30, COLD_IDLE | {"run_time": (1, 31)}))
    assert conditions(trace).cold_start is True


# --- 13 CCR 1968.2(c): a warm-up cycle is a rise of at least 22 degC (40 degF) to at least 71 degC (160 degF)


@pytest.mark.parametrize(
    "start, end, met",
    [(20, 71, True), (20, 70.9, False), (49, 71, True), (49.5, 71, False), (75, 98, True), (80, 95, False)],
)
def test_warm_up_cycle_by_13_ccr_1968_2_c(start, end, met):
    running = ROAD | {"coolant_temp": (start, end)}
    trace = drive_of((2, OFF | {"coolant_temp": start}), (600, running))
    found = conditions(trace).warm_up
    assert found.met is met
    assert found.rise_degc == pytest.approx(end - start, abs=0.1)


def test_a_warm_engine_whose_start_was_missed_leaves_the_warm_up_open():
    found = conditions(drive_of((60, ROAD | {"coolant_temp": (85, 90)}))).warm_up
    assert found.met is None and "start was not recorded" in found.reason


def test_no_coolant_temperature_leaves_the_warm_up_open():
    no_coolant = {k: v for k, v in ROAD.items() if k != "coolant_temp"}
    assert conditions(drive_of((60, no_coolant))).warm_up.met is None


# --- 13 CCR 1968.2(d): at least 600 s running, 300 s at 40 km/h (25 mph) or more, 30 s of continuous idle


@pytest.mark.parametrize(
    "idle, road, rest, met, lack",
    [
        (31, 301, 270, True, None),
        (31, 301, 240, False, "engine running"),
        (31, 290, 320, False, "40 km/h"),
        (29, 301, 290, False, "idle"),
    ],
)
def test_permanent_code_drive_by_13_ccr_1968_2_d(idle, road, rest, met, lack):
    slow = IDLE | {"engine_speed": 1500, "vehicle_speed": 30, "throttle_position": 20}
    found = conditions(drive_of((idle, IDLE), (rest, slow), (road, ROAD), hz=5)).permanent_code_drive
    assert found.met is met
    if lack:
        assert len(found.missing) == 1 and lack in found.missing[0]


def test_two_short_idles_are_not_one_long_idle():
    slow = IDLE | {"engine_speed": 1500, "vehicle_speed": 30, "throttle_position": 20}
    found = conditions(drive_of((20, IDLE), (5, slow), (20, IDLE), (600, ROAD), hz=5)).permanent_code_drive
    assert found.met is False and found.longest_idle_s == pytest.approx(20, abs=1)


def test_two_drives_are_not_added_up():
    off = IDLE | {"engine_speed": 0}
    found = conditions(drive_of((40, IDLE), (320, ROAD), (20, off), (320, ROAD), hz=5)).permanent_code_drive
    assert found.met is False and found.running_s < 400


def test_a_permanent_code_drive_cannot_be_shown_without_road_speed():
    no_speed = {k: v for k, v in ROAD.items() if k != "vehicle_speed"}
    found = conditions(drive_of((700, no_speed), hz=5)).permanent_code_drive
    assert found.met is None and found.road_s is None


# --- 13 CCR 1968.2(c) (from memory): similar conditions: within 375 rpm, 20 percent load, same warm-up

FRAME = {"code": "P0011", "engine_speed": 2000.0, "engine_load": 40.0, "coolant_temp": 90.0}


@pytest.mark.parametrize(
    "rpm, load, coolant, met",
    [
        (2374, 40, 90, True),
        (2376, 40, 90, False),
        (1626, 40, 90, True),
        (2000, 47.9, 90, True),
        (2000, 48.6, 90, False),
        (2000, 40, 70, False),
        (2000, 40, 72, True),
    ],
)
def test_similar_conditions_by_13_ccr_1968_2_c(rpm, load, coolant, met):
    trace = drive_of((20, {"engine_speed": rpm, "engine_load": load, "coolant_temp": coolant}))
    assert similar_conditions(trace, FRAME).met is met


def test_passing_through_the_freeze_frames_conditions_for_half_a_second_is_not_meeting_them():
    values = {"engine_speed": 2000, "engine_load": 40, "coolant_temp": 90}
    away = values | {"engine_speed": 900}
    assert similar_conditions(drive_of((10, away), (0.5, values), (10, away)), FRAME).met is False
    assert similar_conditions(drive_of((10, away), (3, values), (10, away)), FRAME).met is True


def test_a_freeze_frame_without_load_cannot_be_compared():
    found = similar_conditions(drive_of((20, ROAD)), {"code": "P0011", "engine_speed": 2000.0, "coolant_temp": 90.0})
    assert found.met is None and "engine load" in found.reason
    assert similar_conditions(drive_of((20, ROAD)), None).met is None


# --- oil temperature and windows


def test_the_oil_windows_are_the_designs():
    assert [(w.min_degc, w.max_degc) for w in OIL_WINDOWS] == [
        (-math.inf, 40),
        (40, 70),
        (70, 100),
        (100, math.inf),
    ]
    assert 40.0 in OIL_WINDOWS[1] and 40.0 not in OIL_WINDOWS[0]
    assert [w.label for w in OIL_WINDOWS] == ["below 40 °C", "40–70 °C", "70–100 °C", "above 100 °C"]
    assert OIL_WINDOWS[0].to_dict() == {"oil_temp_min_degc": None, "oil_temp_max_degc": 40.0}


def test_seconds_in_each_oil_window_count_the_running_engine_only():
    warming = ROAD | {"oil_temp": (20, 110)}
    c = conditions(drive_of((30, OFF), (900, warming), hz=5, every={"oil_temp": 10}))
    # 10 degC a 100 s: 200 s below 40, 300 s to 70, 300 s to 100, 100 s above
    assert c.windows.seconds == pytest.approx((200, 300, 300, 100), abs=4)
    assert c.windows.source == "oil_temp"


def test_coolant_stands_in_for_oil_and_the_report_says_so():
    no_oil = {k: v for k, v in ROAD.items() if k != "oil_temp"}
    c = conditions(drive_of((60, no_oil)))
    assert c.windows.source == "coolant_temp"
    assert any("coolant temperature stands in" in n for n in c.notes)


def test_an_open_oil_sensor_at_minus_forty_is_no_oil_temperature():
    c = conditions(drive_of((60, ROAD | {"oil_temp": -40.0})))
    assert c.windows.source == "coolant_temp"


def test_oil_temperature_is_unknown_far_from_any_reading():
    trace = Trace(np.array([0.0, 10.0, 500.0]), {"oil_temp": np.array([20.0, 30.0, 90.0])})
    oil = oil_temperature(trace)
    assert oil.at(np.array([5.0, 60.0, 100.0, 450.0]))[[0, 1]] == pytest.approx([25, 30 + 50 / 490 * 60])
    assert np.isnan(oil.at(np.array([100.0]))).all()
    assert windows_of(trace).index_at(np.array([5.0, 100.0, 500.0])).tolist() == [0, -1, 2]


def test_no_temperature_at_all_gives_no_window():
    c = conditions(drive_of((60, {"engine_speed": 800})))
    assert c.windows.source is None and sum(c.windows.seconds) == 0
    assert (c.windows.index_at(np.arange(5.0)) == -1).all()


# --- gaps


def test_a_pulled_cable_is_a_gap_with_the_recorders_reason():
    trace = drive_of((30, ROAD), (20, ROAD))
    shifted = Trace(np.where(trace.time_s < 30, trace.time_s, trace.time_s + 40), trace.columns)
    drive = Drive(events=(Event(30.5, "gap", "adapter unplugged"), Event(31.0, "marker", "rattle")))
    gaps = conditions(shifted, drive).gaps
    assert len(gaps) == 1
    assert (gaps[0].start_s, gaps[0].end_s) == pytest.approx((29.9, 70.0))
    assert gaps[0].text == "adapter unplugged"
    assert conditions(shifted).gap_intervals == ((gaps[0].start_s, gaps[0].end_s),)


def test_the_hole_of_a_gap_counts_as_no_engine_state():
    trace = drive_of((30, ROAD), (20, ROAD))
    shifted = Trace(np.where(trace.time_s < 30, trace.time_s, trace.time_s + 400), trace.columns)
    assert conditions(shifted).running_s == pytest.approx(55, abs=1)  # the last reading holds five seconds


# --- the ticks everything rests on


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 300))
def test_ticks_made_live_are_the_ticks_of_the_saved_trace(seed, rows):
    rng = np.random.default_rng(seed)
    steps = np.where(rng.random(rows) < 0.05, rng.choice([0.0, 4.9, 5.0, 30.0, 400.0], rows), rng.uniform(0, 0.6, rows))
    t = rng.choice([0.0, 0.3, 17.25]) + np.round(np.cumsum(steps), 3)
    columns = {
        n: np.where(rng.random(rows) < 0.4, rng.uniform(0, 100, rows), np.nan) for n in ("engine_speed", "oil_temp")
    }
    trace = Trace(t, columns)
    names = ("engine_speed", "oil_temp", "cam_intake_b1_commanded")
    stream = TickStream(names)
    for batch in trace.batches():
        stream.add(batch.time_s, batch.values)
    live, saved = stream.take(), tick_table(trace, names)
    assert live.index.tolist() == saved.index.tolist()
    for name in names:
        np.testing.assert_array_equal(live.get(name), saved.get(name))


def test_a_broken_clock_does_not_fill_the_memory():
    trace = Trace(np.array([0.0, 1.0, 1e9, 1e9 + 1]), {"engine_speed": np.full(4, 800.0)})
    assert len(tick_table(trace)) < 100


@pytest.mark.parametrize("rows", [0, 1, 2])
def test_next_to_nothing_recorded_is_no_error(rows):
    c = conditions(Trace(np.arange(float(rows)), {"engine_speed": np.full(rows, 800.0)}))
    assert c.warm_up.met is None and c.cold_start is False


def test_conditions_are_plain_json():
    trace = drive_of((5, OFF), (1, CRANK), (60, COLD_IDLE), (60, ROAD))
    text = json.dumps(conditions(trace).to_dict(), allow_nan=False)
    assert "oil_temp_source" in text and OilWindow(40, 70).label


def test_conditions_of_an_hour_take_a_blink():
    import time

    rng = np.random.default_rng(1)
    n = 108_000
    t = np.cumsum(rng.uniform(0.02, 0.046, n))
    columns = {k: np.full(n, float(v) if not isinstance(v, tuple) else 1.0) for k, v in ROAD.items()}
    start = time.perf_counter()
    conditions(Trace(t, columns))
    assert time.perf_counter() - start < 1.0  # 0.02 s on an idle machine
