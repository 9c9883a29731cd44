"""Proof of repair: each gate passes on its evidence only, and says what is still to be done.

Regulation: warm-up cycle 13 CCR 1968.2(c); similar conditions 13 CCR 1968.2(c) (from memory); the drive that
lets permanent codes erase 13 CCR 1968.2(d). Readiness, counters since clear and test results: SAE J1979 (from
memory). The rest is invented data, for mechanics.
"""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest

from camlog.analysis import analyze
from camlog.errors import InputError
from camlog.oil_windows import OIL_WINDOWS
from camlog.simulate.vehicle.draw import demo_setup
from camlog.simulate.vehicle.drive_cycle import DriveCycle, Segment, permanent_code_drive
from camlog.simulate.vehicle.setup import healthy_twin
from camlog.stream import CodeSnapshot, MonitorTest, TroubleCode
from camlog.verify import verify
from camlog.verify.gates.cams import required_windows
from camlog.verify.page import verification_page
from tests.verify_help import (
    PROFILE,
    again,
    cleared,
    closing,
    drive,
    file_of,
    gate,
    open_names,
    readiness,
    repair,
    snapshot,
    states,
)

P0011 = (TroubleCode("P0011", "7E8"),)


def test_a_repaired_car_after_a_full_drive_is_verified_by_every_gate():
    found = verify(repair().after, repair().before, job="Order 12")
    assert found.outcome == "verified" and found.verified
    assert set(states(found).values()) == {"passed"} and len(found.gates) == 23
    assert found.todo == () and found.headline == "Verified: all 23 checks passed."
    assert all(g.evidence for g in found.gates)


def test_the_unrepaired_car_is_still_faulty_and_the_cam_says_so():
    found = verify(repair().before, repair().first)
    assert found.outcome == "fault_still_there"
    assert gate(found, "cam_intake_b1").state == "failed" and "slow" in found.headline
    assert gate(found, "lamp").state == "failed"


def test_a_short_drive_after_clearing_is_not_verified_yet_and_says_the_shortest_thing_to_do():
    found = verify(repair().short, repair().before)
    assert found.outcome == "not_verified_yet"
    assert open_names(found) == {
        "permanent_codes", "since_clear", "monitor_egr_vvt_system", "drive_length", "warm_up", "freeze_frame",
        "cam_intake_b1", "cam_exhaust_b1",
    }  # fmt: skip
    todo = " ".join(found.todo)
    assert "7 minutes longer" in todo and "5 minutes more at 40 km/h" in todo
    assert "before starting the cold engine" in todo and "below 71 °C coolant" in todo


@pytest.mark.parametrize("name", ["stored", "pending"])
def test_a_code_of_the_job_at_the_end_is_the_fault_still_there(name):
    found = verify(snapshot(repair().after, -1, **{name: P0011}), repair().before)
    assert found.outcome == "fault_still_there"
    assert gate(found, f"{name}_codes").state == "failed" and "P0011" in gate(found, f"{name}_codes").evidence


@pytest.mark.parametrize("name", ["stored", "pending", "permanent"])
def test_a_list_of_codes_that_was_not_read_is_unknown_not_empty(name):
    found = verify(snapshot(repair().after, -1, **{name: None}), repair().before)
    assert found.outcome == "not_verified_yet" and open_names(found) == {f"{name}_codes"}


def test_codes_of_which_nothing_was_read_at_the_end_leave_every_question_about_them_open():
    """As with the ignition off. No other code is asserted either."""
    after = repair().after
    codes = (*after.drive.code_snapshots[:-1], CodeSnapshot(closing(after).time_s))
    file = dataclasses.replace(after.drive, code_snapshots=codes)
    found = verify(dataclasses.replace(after, drive=file), repair().before)
    for name in ("stored_codes", "permanent_codes", "other_codes", "since_clear"):
        assert "not read at the end" in gate(found, name).evidence


def test_a_car_without_permanent_codes_is_named_as_unable_to_answer():
    found = gate(verify(snapshot(repair().after, -1, permanent=None), repair().before), "permanent_codes")
    assert found.state == "not_shown" and not found.answerable and "cannot show" in found.todo


def test_a_permanent_code_is_not_yet_shown_and_tells_how_it_erases_itself():
    found = verify(snapshot(repair().after, -1, permanent=P0011), repair().before)
    assert found.outcome == "not_verified_yet" and open_names(found) == {"permanent_codes"}
    assert "stop the engine" in gate(found, "permanent_codes").todo
    short = gate(verify(repair().short, repair().before), "permanent_codes")
    assert "10 minutes running" in short.todo and "1968.2(d)" in short.todo


def test_a_code_left_from_before_the_repair_is_no_proof_of_a_fault_while_nothing_was_cleared():
    """Repaired but not cleared: the stored code stays (40 warm-ups), and proves nothing either way."""
    setup = demo_setup()
    healthy, _ = drive(healthy_twin(setup), permanent_code_drive(7), None, 9)
    old = {"stored": P0011, "mil": True}
    after = snapshot(snapshot(healthy, 0, **old), -1, **old)
    earlier = {k: v - 5.0 for k, v in healthy.drive.code_snapshots[0].since_clear.items()}
    before = snapshot(repair().before, -1, since_clear=earlier)
    found = verify(after, before)
    assert found.outcome == "not_verified_yet" and not gate(found, "stored_codes").shows_fault
    assert "camlog clear" in gate(found, "stored_codes").todo


def test_other_codes_must_be_accounted_for_by_the_technician():
    after = snapshot(repair().after, -1, stored=(TroubleCode("P0455", "7E8"),))
    found = verify(after, repair().before)
    assert open_names(found) == {"other_codes"} and "declare P0455" in gate(found, "other_codes").todo
    declared = verify(after, repair().before, outside=["p0455"])
    assert declared.verified and "Declared outside" in gate(declared, "other_codes").evidence


@pytest.mark.parametrize("code", ["P0016", "P0301", "P0524"])
def test_what_bears_on_cams_misfire_or_oil_cannot_be_declared_away(code):
    with pytest.raises(InputError, match="cannot be declared outside"):
        verify(repair().after, repair().before, outside=[code])
    with pytest.raises(InputError, match="not a trouble code"):
        verify(repair().after, repair().before, outside=["rattle"])


@pytest.mark.parametrize(("mil", "state"), [(True, "failed"), (None, "not_shown"), (False, "passed")])
def test_the_lamp_must_be_known_to_be_off(mil, state):
    assert gate(verify(snapshot(repair().after, -1, mil=mil), repair().before), "lamp").state == state


@pytest.mark.parametrize("monitor", ["misfire", "components", "egr_vvt_system"])
@pytest.mark.parametrize("state", ["incomplete", "unsupported"])
def test_each_monitor_that_would_catch_the_fault_must_be_complete(monitor, state):
    after = readiness(readiness(repair().after, 0, **{monitor: state}), -1, **{monitor: state})
    found = verify(after, repair().before)
    assert found.outcome == "not_verified_yet" and open_names(found) == {f"monitor_{monitor}"}
    assert gate(found, f"monitor_{monitor}").answerable == (state == "incomplete")


def test_a_monitor_whose_own_result_is_beyond_its_limit_shows_the_fault():
    tests = (MonitorTest("35", "80", 9.0, 0.0, 6.0, "deg"),)
    found = verify(snapshot(repair().after, -1, monitor_tests=tests), repair().before)
    assert found.outcome == "fault_still_there" and gate(found, "monitor_egr_vvt_system").shows_fault


def test_a_complete_monitor_whose_results_were_never_measured_contradicts_itself():
    """Value and both limits zero: not run since the last clear (SAE J1979, from memory)."""
    tests = (MonitorTest("35", "80", 0.0, 0.0, 0.0, "deg"),)
    found = verify(snapshot(repair().after, -1, monitor_tests=tests), repair().before)
    assert open_names(found) == {"monitor_egr_vvt_system"}


@pytest.mark.parametrize(
    ("segments", "missing"),
    [
        # 13 CCR 1968.2(d): each of the three numbers just missed, the other two met.
        ((("drive", 45, 0), ("drive", 10, 60), ("drive", 520, 60)), "run"),
        ((("drive", 300, 0), ("drive", 10, 60), ("drive", 285, 60), ("drive", 30, 0)), "km/h"),
        ((("drive", 22, 0), ("drive", 10, 60), ("drive", 600, 60), ("drive", 16, 0)), "idle 30 s"),
    ],
)  # fmt: skip
def test_the_drive_must_meet_all_three_numbers_of_the_regulation(segments, missing):
    cycle = DriveCycle(
        "almost",
        (
            Segment("key_on", 2.0),
            Segment("crank", 1.0),
            *(Segment(k, float(s), float(v)) for k, s, v in segments),
        ),
    )
    found, _ = drive(healthy_twin(demo_setup()), cycle, None, 9)
    length = gate(verify(found, repair().before), "drive_length")
    assert length.state == "not_shown" and missing in length.todo.lower()
    assert sum(words in length.todo.lower() for words in ("longer in", "km/h", "idle 30 s")) == 1


def test_a_drive_that_meets_the_numbers_but_from_a_warm_start_is_no_warm_up():
    """13 CCR 1968.2(c): coolant up by 22 °C or more, reaching 71 °C or more."""
    state = cleared(healthy_twin(demo_setup()), drive(demo_setup(), permanent_code_drive(1), None, 1)[1])
    hot, _ = drive(healthy_twin(demo_setup()), permanent_code_drive(7, "hot"), state, 9)
    found = verify(hot, repair().before)
    assert gate(found, "drive_length").state == "passed" and gate(found, "warm_up").state == "not_shown"
    assert {"warm_up", "since_clear", "freeze_frame", "cam_intake_b1"} <= open_names(found)


@pytest.mark.parametrize(
    ("speed", "load", "met"),
    [(0.0, 0.0, True), (374.0, 0.0, True), (5000.0, 0.0, False), (0.0, -31.0, False)],
)
def test_the_freeze_frames_conditions_must_be_met_again(speed, load, met):
    """13 CCR 1968.2(c), similar conditions (from memory): 375 rpm, 20 % of load, same warm-up state."""
    frame = dict(closing(repair().before).freeze_frame)
    frame |= {"engine_speed": frame["engine_speed"] + speed, "engine_load": frame["engine_load"] + load}
    before = snapshot(repair().before, -1, freeze_frame=frame)
    found = gate(verify(repair().after, before), "freeze_frame")
    assert (found.state == "passed") == met
    if not met:
        assert f"{frame['engine_speed']:.0f} rpm" in found.todo and "cold" in found.evidence


def test_a_fault_without_a_freeze_frame_leaves_its_conditions_unknown():
    before = snapshot(snapshot(repair().before, -1, freeze_frame=None), 0, freeze_frame=None)
    found = gate(verify(repair().after, before), "freeze_frame")
    assert found.state == "not_shown" and not found.answerable


def test_a_complaint_without_any_code_has_no_conditions_to_meet():
    none = {"stored": (), "pending": (), "permanent": (), "freeze_frame": None}
    before = snapshot(snapshot(repair().before, -1, **none), 0, **none)
    found = verify(repair().after, before)
    assert gate(found, "freeze_frame").state == "not_applicable"
    # Not applicable keeps nothing from being verified: the slow cam is the fault that is gone.
    assert found.verified and found.headline == "Verified: all 22 checks passed; 1 is not applicable."
    assert "not applicable" in verification_page(found)
    unread = snapshot(snapshot(before, -1, stored=None), 0, stored=None)
    assert gate(verify(repair().after, unread), "freeze_frame").state == "not_shown"


def test_without_a_first_drive_nothing_is_verified_because_its_conditions_are_unknown():
    found = verify(repair().after)
    assert found.outcome == "not_verified_yet" and open_names(found) == {"freeze_frame"}
    assert "the drive before" in " ".join(found.todo)


def test_the_snapshot_saved_before_clearing_stands_in_for_a_first_drive():
    found = verify(repair().after, repair().before.drive)
    assert found.verified and found.changes == () and found.before is None


def test_windows_the_first_drive_did_not_show_healthy_are_asked_for():
    before = repair().before
    limits = before.limits
    cold, warm, hot, _ = OIL_WINDOWS
    assert required_windows(None, limits, OIL_WINDOWS) == (cold, warm, hot)
    assert required_windows(before.cams["exhaust_b1"], limits, OIL_WINDOWS) == ()
    assert {warm, hot} <= set(required_windows(before.cams["intake_b1"], limits, OIL_WINDOWS))


def test_every_cam_must_have_been_recorded_again():
    after = repair().after
    found = verify(dataclasses.replace(after, cams={"exhaust_b1": after.cams["exhaust_b1"]}), repair().before)
    assert open_names(found) == {"cam_intake_b1"}
    blind = dataclasses.replace(after, cams={}, profile=None)
    found = verify(blind, repair().before.drive)
    assert gate(found, "cams").state == "not_shown" and not gate(found, "cams").answerable


def test_misfires_must_be_surely_below_the_limit_in_every_cylinder():
    after = repair().after
    trace = after.trace
    column = trace.columns["misfire_cyl3"].copy()
    known = np.isfinite(column)
    column[known] += np.floor(np.linspace(0.0, 120.0, known.sum()))
    found = verify(
        again(after, dataclasses.replace(trace, columns={**trace.columns, "misfire_cyl3": column})),
        repair().before,
    )
    assert found.outcome == "fault_still_there" and gate(found, "misfire").state == "failed"
    assert "cylinder 3" in gate(found, "misfire").evidence
    few = np.where(known, np.nan_to_num(trace.columns["misfire_cyl3"]) + 0.0, np.nan)
    few[known] += np.floor(np.linspace(0.0, 32.0, known.sum()))
    near = gate(
        verify(
            again(after, dataclasses.replace(trace, columns={**trace.columns, "misfire_cyl3": few})),
            repair().before,
        ),
        "misfire",
    )
    assert near.state == "not_shown" and "not surely below" in near.evidence


def test_misfires_that_were_not_counted_are_not_gone():
    trace = repair().after.trace
    blind = dataclasses.replace(trace, columns={k: v for k, v in trace.columns.items() if not k.startswith("misfire")})
    found = gate(verify(again(repair().after, blind), repair().before), "misfire")
    assert found.state == "not_shown" and not found.answerable
    three = dataclasses.replace(trace, columns={k: v for k, v in trace.columns.items() if k != "misfire_cyl4"})
    found = gate(verify(again(repair().after, three), repair().before), "misfire")
    assert found.state == "not_shown" and "4 was not counted" in found.evidence


def test_a_drive_without_a_drive_file_verifies_nothing():
    found = verify(analyze(repair().after.trace, None, PROFILE), repair().before)
    assert found.outcome == "not_verified_yet"
    assert {"stored_codes", "lamp", "monitor_egr_vvt_system", "files", "same_vehicle", "order"} <= open_names(found)


def test_the_json_carries_everything_and_only_json_values():
    found = verify(repair().after, repair().before, job="Order 12")
    said = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert said["schema"] == "camlog.verification/1" and said["outcome"] == "verified" and said["job"] == "Order 12"
    assert {g["state"] for g in said["gates"]} == {"passed"}
    assert said["after"]["trace_sha256"] == repair().after.trace.sha256
    assert said["before"]["started_at"] == repair().before.drive.started_at
    assert len(said["changes"]) == len(found.changes) > 10


def test_snapshot_of_a_drive_cut_short_is_not_its_end():
    only_first = file_of(repair().after, code_snapshots=repair().after.drive.code_snapshots[:1])
    found = verify(only_first, repair().before)
    assert {"stored_codes", "pending_codes", "permanent_codes", "lamp", "since_clear"} <= open_names(found)


def test_the_poorest_of_traces_gives_gates_and_no_crash():
    """Nothing but a time and one signal, on either side: every gate is open, each with something to say."""
    from camlog.trace import Trace

    rpm = np.array([800.0, np.nan, 820.0])
    speed = Trace(np.array([0.0, 1.0, 2.0]), {"engine_speed": rpm}, {"engine_speed": "rpm"})
    oil = Trace(np.array([0.0, 5.0]), {"oil_temp": np.array([20.0, 20.0])}, {"oil_temp": "degC"})
    for trace in (speed, oil):
        poor = analyze(trace)
        for after, before in ((poor, repair().before), (repair().after, poor), (poor, poor), (poor, None)):
            found = verify(after, before)
            assert found.outcome == "not_verified_yet" and json.dumps(found.to_dict(), allow_nan=False)
            assert all(g.evidence and g.todo for g in found.open_gates)
