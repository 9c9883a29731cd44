"""The test at standstill: a driver who does what is said, before an engine whose map is known. Invented data, for mechanics."""

import io
import re

import numpy as np
import pytest

from camlog.analysis import analyze
from camlog.analysis.drive.standing import MOST_S, ROLLING_KMH, StandingTest
from camlog.sinks.lines import LineSink
from camlog.stream import Batch
from camlog.trace import Trace

HZ = 16.0
COMMANDED, ACTUAL = "cam_intake_b1_commanded", "cam_intake_b1_actual"


def yard(moves_deg=40.0, follows=1.0, obeys=True, speed_kmh=0.0, views=(), **values):
    """A test at standstill to its end: the test, and the trace of it. The cam follows in 0.12 s what it follows at all."""
    ended = []
    test = StandingTest(None, lambda: ended.append(True))
    rpm, actual, rows, asked = 800.0, 0.0, [], []
    for n in range(round(2 * MOST_S * HZ)):
        t, words = n / HZ, test.instruction
        hold = re.search(r"hold (\d+) rpm", words)
        wanted = float(hold[1]) if hold else 2600.0 if "open the throttle" in words and t % 3.0 < 1.3 else 800.0
        rpm += ((wanted if obeys else 800.0) - rpm) * (1 - np.exp(-1 / HZ / 0.3))
        command = round(moves_deg * float(np.clip((rpm - 1000.0) / 1400.0, 0.0, 1.0)), 1)
        actual += (follows * command - actual) * (1 - np.exp(-1 / HZ / 0.12))
        row = {
            "engine_speed": rpm,
            "vehicle_speed": speed_kmh if n % 8 == 0 else None,
            "oil_temp": 85.0,
            "coolant_temp": 85.0,
            COMMANDED: command,
            ACTUAL: actual,
        }
        rows.append((t, {k: v for k, v in (row | values).items() if v is not None}))
        asked.append(words)
        for view in (test, *(make(test) for make in views if n == 0)):
            view.accept(Batch(*rows[-1]))
        if ended:
            break
    names = sorted({name for _, row in rows for name in row})
    columns = {name: np.array([row.get(name, np.nan) for _, row in rows]) for name in names}
    return test, Trace(np.array([t for t, _ in rows]), columns), asked


@pytest.mark.parametrize(("follows", "condition"), [(1.0, {"healthy", "insufficient_data"}), (0.0, {"stuck"})])
def test_it_ends_when_there_is_enough_and_the_result_can_be_judged(follows, condition):
    test, trace, asked = yard(follows=follows)
    assert test.over.startswith("There is enough") and 60.0 < trace.time_s[-1] < MOST_S
    assert (
        any("idle" in a for a in asked) and any("hold 1500" in a for a in asked) and any("briskly" in a for a in asked)
    )
    found = analyze(trace).cams["intake_b1"].verdict
    assert found.condition in condition


def test_an_engine_that_does_not_move_its_cams_is_told_after_the_first_openings():
    test, trace, _ = yard(moves_deg=2.0)
    assert test.over.startswith("This engine does not move its cams") and "2.0 deg" in test.over
    assert trace.time_s[-1] < 45.0


def test_without_cam_angles_it_says_so_and_ends():
    test, _, _ = yard(**{COMMANDED: None, ACTUAL: None})
    assert test.over.startswith("No cam angles")


def test_who_does_nothing_is_let_go_after_five_minutes():
    test, trace, _ = yard(obeys=False)
    assert test.over.startswith("Five minutes") and trace.time_s[-1] == pytest.approx(MOST_S, abs=1.0)


def test_a_rolling_car_is_stopped_first_and_nothing_counts():
    test, trace, asked = yard(speed_kmh=ROLLING_KMH + 1.0)
    assert (
        set(asked[1:]) == {"The car rolls: stop it. This test is made standing, out of gear, brake on."}
        and not test.over
    )


def test_nothing_is_asked_of_an_engine_whose_oil_pressure_is_low():
    test, _, asked = yard(oil_pressure=5.0)
    assert test.sentences() and "" in asked and set(asked[asked.index("") :]) == {""}


def test_a_line_is_written_for_each_step_and_none_for_each_second():
    out = io.StringIO()
    test = StandingTest(None, lambda: None)
    sink = LineSink(out, care=test, wall=lambda: 0.0)
    for n in range(200):
        sink.accept(Batch(n / 10, {"engine_speed": 800.0}))
    assert out.getvalue().count("let it idle") == 1 and out.getvalue().count("open the throttle") == 1
