"""What a page shows of a drive: increments lose nothing, holes stay holes, memory stays bounded."""

import json
import math
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from camlog.drive import read_drive
from camlog.replay import replay
from camlog.serve.board import KEPT_S, Board, History
from camlog.serve.following import SIGNS
from camlog.stream import Batch, CodeSnapshot, Event, TakenBack, TroubleCode
from camlog.trace import read_trace

SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"
COMMANDED, ACTUAL = "cam_intake_b1_commanded", "cam_intake_b1_actual"


def sample(name):
    return read_trace(SAMPLES / f"{name}.csv"), read_drive(SAMPLES / f"{name}.drive.json")


def put_together(board, items, every):
    """What a page holds that was open from the beginning and asked after every few items."""
    first = board.update()
    held, cursor, held_id = {}, first["cursor"], first["id"]
    for n, item in enumerate(items, start=1):
        board.accept(item)
        if n % every == 0 or n == len(items):
            told = board.update(cursor if board.id == held_id else 0)
            if told["fresh"]:
                held = {}
            held_id, cursor = told["id"], told["cursor"]
            for name, (times, values) in told["samples"].items():
                both = held.setdefault(name, ([], []))
                both[0].extend(times)
                both[1].extend(values)
    return held


batches = st.lists(
    st.tuples(
        st.floats(0.0, 1.5),
        st.dictionaries(
            st.sampled_from(["engine_speed", "oil_temp", COMMANDED, ACTUAL, "spark_advance"]),
            st.floats(-50, 50) | st.just(math.nan), max_size=4,
        ),
    ),
    min_size=1, max_size=13,  # less than a strip shows in all
)  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(batches, st.integers(1, 9), st.integers(0, 20))
def test_increments_put_together_are_every_charted_sample(steps, every, goes_back):
    now, items = 0.0, []
    for n, (passed, values) in enumerate(steps, start=1):
        now += passed - (0.7 if goes_back and n % goes_back == 0 else 0.0)
        items.append(Batch(max(now, 0.0), values))
    board = Board()
    board.accept(Batch(0.0, {"vehicle_speed": 0.0}))
    held = put_together(board, items, every)
    for name in (COMMANDED, ACTUAL):
        expected, latest = [], 0.0
        for item in items:
            if math.isfinite(item.values.get(name, math.nan)):
                latest = max(latest, item.time_s)  # a chart's time never goes back
                expected.append((latest, item.values[name]))
        got = [(t, v) for t, v in zip(*held.get(name, ([], [])), strict=True) if v is not None]
        assert len(got) == len(expected)
        assert np.allclose(np.array(got), np.array(expected), atol=2e-3)
    assert "spark_advance" not in held
    # In pieces and at once it is the same line.
    whole = Board()
    whole.accept(Batch(0.0, {"vehicle_speed": 0.0}))
    at_once = put_together(whole, items, len(items))
    assert held == at_once
    json.dumps(board.update(), allow_nan=False)


def test_a_break_in_sampling_is_a_hole_and_no_line_is_drawn_over_it():
    board = Board()
    for time_s in [*np.arange(0, 5, 0.1), *np.arange(9, 12, 0.1)]:
        board.accept(Batch(float(time_s), {ACTUAL: 8.0}))
    times, values = board.update()["samples"][ACTUAL]
    holes = [t for t, v in zip(times, values, strict=True) if v is None]
    assert holes == [pytest.approx(5.0, abs=0.11)]


def test_what_is_kept_is_the_latest_in_order():
    history = History()
    for n in range(1800):
        history.add(n, n * 0.1, float(n))
    times, values = history.newer(-1)
    assert values == [float(n) for n in range(1599, 1800)]
    assert (np.diff(times) > 0).all()
    assert history.newer(1795)[1] == [1796.0, 1797.0, 1798.0, 1799.0]


def test_time_that_goes_backwards_never_reaches_a_chart():
    board = Board()
    for time_s in (0.0, 1.0, 0.5, 1.5):
        board.accept(Batch(time_s, {ACTUAL: time_s}))
    times, values = board.update()["samples"][ACTUAL]
    assert times == sorted(times) and values == [0.0, 1.0, 0.5, 1.5]


def test_the_error_is_taken_at_one_common_time():
    board = Board()
    # The cam follows a ramp of 20 deg/s exactly; the two angles are read 50 ms apart.
    for n in range(40):
        board.accept(Batch(n * 0.1, {COMMANDED: 2.0 * n}))
        assert n == 0 or board.update()["cams"][0]["error"] in ("+0.0°", "-0.0°")
        board.accept(Batch(n * 0.1 + 0.05, {ACTUAL: 2.0 * n + 1.0}))


def test_a_page_opened_in_mid_drive_gets_what_a_strip_shows_and_then_only_what_is_new():
    trace, drive = sample("sticking")
    board = Board()
    for item in replay(trace, drive, speed="max"):
        board.accept(item)
    first = board.update()
    times, _ = first["samples"][ACTUAL]
    assert first["fresh"] and times[0] >= first["now_s"] - KEPT_S - 1.0 and len(times) > 100
    assert board.update(first["cursor"])["samples"] == {}
    json.dumps(first, allow_nan=False)


def test_a_phone_that_slept_gets_what_a_strip_shows():
    board = Board()
    for n in range(100):
        board.accept(Batch(n * 0.02, {ACTUAL: 8.0}))
    cursor = board.update()["cursor"]
    for n in range(100, 400):
        board.accept(Batch(n * 0.02, {ACTUAL: 8.0}))
    told = board.update(cursor)
    assert not told["fresh"] and len(told["samples"][ACTUAL][0]) == 300
    for n in range(400, 9000):
        board.accept(Batch(n * 0.02, {ACTUAL: 8.0}))
    assert len(board.update(cursor)["samples"][ACTUAL][0]) <= 1 + KEPT_S / 0.02


# ---------------------------------------------------------------- what a cam does now


def doing(samples, limits=None):
    """What is told of a cam after each reading of (time, command, actual)."""
    board, told = Board(), []
    for time_s, command, angle in samples:
        board.accept(Batch(time_s, {COMMANDED: command, ACTUAL: angle}))
        told.append(board.update()["cams"][0]["doing"]["word"])
    return told


def times(*stretches):
    """Readings at 20 a second: for each stretch so many seconds of a command and an angle."""
    at, samples = 0.0, []
    for seconds, command, angle in stretches:
        for _ in range(round(seconds * 20)):
            samples.append((round(at, 3), command, angle))
            at += 0.05
    return samples


def test_a_cam_that_stands_while_its_command_left_it_is_said_with_how_long_and_then_that_it_jumped():
    told = doing(times((2.0, 10.0, 10.2), (2.4, 20.0, 10.2), (1.0, 20.0, 19.8), (4.0, 20.0, 19.8)))
    assert told[30] == "following"
    assert told[40] == "following"  # the command left just now
    assert told[87] == "stands 1.9 s"  # counted from when the window had passed in which a dead time leaves no trace
    assert told[90] == "jumped" and told[-1] == "following"


def test_a_cam_that_moves_slowly_to_its_command_is_moving_and_stands_nowhere():
    samples = times((1.0, 0.0, 0.0)) + [(1.0 + n * 0.05, 20.0, min(20.0, 0.5 * n)) for n in range(60)]
    told = doing(samples)
    assert set(told) == {"at rest", "following", "moving"} and told[-1] == "following" and told[40] == "moving"


def test_a_cam_that_was_told_to_rest_only_and_does_is_at_rest_and_follows_nothing():
    told = doing(times((2.0, 0.0, 0.3), (1.0, 12.0, 12.1), (2.0, 0.0, 0.2), (2.0, 0.0, 6.0)))
    assert set(told[:40]) == {"at rest"} and told[55] == "following" and told[90] == "at rest"
    assert told[-1].startswith("stands")  # off its rest, and does not come there
    signs = {name: sign for name, (sign, _) in SIGNS.items()}
    assert signs["rests"] not in [sign for name, sign in signs.items() if name != "rests"]
    assert SIGNS["rests"][1] not in ("good", "bad", "unknown")


def test_a_mark_that_is_taken_back_is_shown_no_more():
    board, first, wrong = Board(), Event(1.0, "marker", "lamp came on"), Event(2.0, "marker", "rattle heard")
    for item in (Batch(0.0, {"engine_speed": 800.0}), first, wrong, TakenBack(3.0, wrong)):
        board.accept(item)
    told = board.update()
    assert told["markers"] == 1 and [e["text"] for e in told["events"]] == ["lamp came on"]


def test_a_temperature_that_is_asked_every_few_seconds_is_no_old_one_and_an_engine_speed_is():
    now = [0.0]
    board = Board(lambda: now[0])
    board.accept(Batch(0.0, {"engine_speed": 800.0, "coolant_temp": 82.0, "oil_temp": 80.0}))
    now[0] = 12.0
    told = board.update()["values"]
    assert told["engine_speed"]["stale"] and not told["oil_temp"]["stale"] and not told["coolant_temp"]["stale"]
    now[0] = 70.0
    assert board.update()["values"]["oil_temp"]["stale"]


def test_angles_that_are_too_old_say_nothing_of_the_cam():
    now = [0.0]
    board = Board(lambda: now[0])
    for n in range(40):
        board.accept(Batch(n * 0.05, {COMMANDED: 10.0, ACTUAL: 10.0}))
    now[0] = 60.0
    assert board.update()["cams"][0]["doing"]["word"] == "not read"


def test_a_cams_rate_is_that_of_its_slower_angle():
    board = Board()
    for n in range(400):
        board.accept(Batch(n * 0.05, {COMMANDED: 10.0} | ({ACTUAL: 10.0} if n % 4 == 0 else {})))
    assert board.rates()["intake_b1"] == pytest.approx(5.0, abs=0.4)


def test_a_cursor_from_before_a_jump_fits_no_board_after_it():
    board = Board()
    for n in range(50):
        board.accept(Batch(n * 0.1, {ACTUAL: 8.0}))
    old = board.update()
    board.reset()
    for n in range(80):
        board.accept(Batch(100 + n * 0.1, {ACTUAL: 9.0}))
    told = board.update(old["cursor"])
    assert told["fresh"] and told["id"] != old["id"]
    assert set(told["samples"][ACTUAL][1]) == {9.0}


def test_a_value_that_is_none_is_neither_shown_nor_charted():
    board = Board()
    board.accept(Batch(0.0, {"engine_speed": 800.0, "oil_temp": math.nan, ACTUAL: math.inf}))
    told = board.update()
    assert told["values"] == {"engine_speed": {"word": "Engine", "text": "800 rpm", "stale": False}}
    assert told["cams"] == [] and told["samples"] == {}


def test_a_usual_look_takes_far_less_than_a_millisecond():
    # Five pages at five looks a second, 40 rows a second: eight rows a look.
    trace, drive = sample("sticking")
    board = Board()
    for item in replay(trace, drive, speed="max"):
        board.accept(item)
    cursor = board.update()["cursor"] - 8
    took = []
    for _ in range(200):
        began = time.perf_counter()
        board.update(cursor)
        took.append(time.perf_counter() - began)
    assert np.median(took) < 1e-3


def test_gap_events_and_codes_are_told():
    now = [0.0]
    board = Board(lambda: now[0])
    board.accept(CodeSnapshot(0.0, mil=True, stored=(TroubleCode("P0011", "7E8"),), pending=()))
    for n in range(20):
        board.accept(Batch(n * 0.1, {"engine_speed": 900.0, COMMANDED: 5.0, ACTUAL: 4.0}))
    board.accept(Event(1.9, "gap", "the adapter does not answer"))
    now[0] = 6.0
    told = board.update()
    assert told["gap"]["since"] == "00:01" and told["gap"]["seconds"] == pytest.approx(4.1, abs=0.2)
    assert told["values"]["engine_speed"]["stale"] and told["cams"][0]["stale"]
    assert "P0011" in told["codes"] and "permanent not read" in told["codes"]
    board.accept(Event(6.0, "reconnect", ""))
    board.accept(Batch(6.1, {"engine_speed": 900.0}))
    board.accept(Event(6.2, "marker", "rattle heard"))
    told = board.update()
    assert told["gap"] is None and told["gaps"]["count"] == 1 and told["markers"] == 1
    assert told["events"][0]["text"] == "rattle heard"


def test_what_a_board_holds_does_not_grow_with_the_drive():
    board = Board()
    for n in range(20_000):
        board.accept(Batch(n * 0.002, {"engine_speed": 1.0, COMMANDED: 1.0, ACTUAL: 1.0}))
        if n % 50 == 0:
            board.accept(Event(n * 0.002, "marker", "x" * 5000))
    told = board.update()
    assert sum(len(both[0]) for both in told["samples"].values()) <= 2 * 4000
    assert len(told["events"]) == 12 and all(len(e["text"]) <= 200 for e in told["events"])
