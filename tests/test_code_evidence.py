"""Trouble codes as evidence: families, since when, freeze frame, monitor tests; unknown is not none."""

import json

import pytest

from camlog.analysis.code_evidence import code_evidence
from camlog.drive import Drive
from camlog.stream import CodeSnapshot, MonitorTest, TroubleCode


def codes(*names, ecu="7E8"):
    return tuple(TroubleCode(n, ecu) for n in names)


def snapshot(t, stored=(), pending=(), permanent=(), **more):
    lists = {
        k: v if v is None else codes(*v)
        for k, v in {"stored": stored, "pending": pending, "permanent": permanent}.items()
    }
    return CodeSnapshot(t, **lists, **more)


def evidence(*snapshots):
    return code_evidence(Drive(code_snapshots=snapshots))


def test_codes_are_grouped_into_the_families_of_sae_j2012():
    # SAE J2012 / ISO 15031-6 (from memory): the families as listed there.
    found = evidence(
        snapshot(0, stored=("P0011", "P000B", "P0016", "P0340", "P0301", "P0524", "P0171", "P0420", "P0021"))
    )
    assert {f: [c.code for c in cs] for f, cs in found.by_family.items()} == {
        "cam_performance": ["P0011", "P0021"],
        "slow_response": ["P000B"],
        "cam_crank_correlation": ["P0016"],
        "sensor_circuit": ["P0340"],
        "misfire": ["P0301"],
        "oil_pressure_temperature": ["P0524"],
        "fuel_trim": ["P0171"],
        "other": ["P0420"],
    }


def test_a_code_is_evidence_for_the_cam_it_names():
    found = evidence(snapshot(0, stored=("P0011", "P0014", "P0024")))
    assert [c.code for c in found.for_cam("intake_b1")] == ["P0011"]
    assert [c.code for c in found.for_cam("exhaust_b1")] == ["P0014"]
    assert found.for_cam("intake_b2") == ()


def test_a_code_that_came_during_the_drive_is_new():
    found = evidence(snapshot(0), snapshot(600, pending=("P0011",)))
    (code,) = found.codes
    assert (code.new, code.gone) == (True, False)
    assert (code.first_seen_s, code.last_seen_s) == (600, 600)
    assert (code.stored, code.pending, code.permanent) == (False, True, False)


def test_a_code_there_from_the_start_is_not_new():
    (code,) = evidence(snapshot(0, stored=("P0011",)), snapshot(600, stored=("P0011",), pending=("P0011",))).codes
    assert (code.new, code.gone, code.first_seen_s, code.last_seen_s) == (False, False, 0, 600)
    assert code.stored and code.pending and not code.permanent


def test_a_code_cleared_during_the_drive_is_gone_and_said():
    found = evidence(snapshot(0, stored=("P0011",)), snapshot(600))
    assert found.codes[0].gone is True and found.codes[0].stored is False
    assert any("P0011 left the memory" in n for n in found.notes)


def test_a_list_that_was_not_read_at_the_start_leaves_new_open():
    found = evidence(snapshot(0, pending=None), snapshot(600, pending=("P0011",)))
    assert found.codes[0].new is None
    assert evidence(snapshot(0, stored=None), snapshot(600, pending=("P0011",))).codes[0].new is True


def test_one_snapshot_cannot_say_what_is_new():
    assert evidence(snapshot(0, stored=("P0011",))).codes[0].new is None


def test_unread_lists_are_unknown_and_not_none():
    found = evidence(snapshot(0, stored=(), pending=(), permanent=None))
    assert found.known == ("stored", "pending") and not found.surely_none
    assert any("permanent codes could not be read" in n for n in found.notes)
    assert found.to_dict()["by_family"] == {}


def test_every_list_read_and_empty_is_surely_none():
    assert evidence(snapshot(0), snapshot(600)).surely_none


@pytest.mark.parametrize("drive", [None, Drive()])
def test_no_drive_file_means_nothing_is_known(drive):
    found = code_evidence(drive)
    assert found.known == () and found.mil is None and not found.surely_none
    assert found.to_dict()["by_family"] is None
    assert "none are known" in found.notes[0]


def test_an_empty_memory_that_was_just_cleared_proves_nothing():
    since = {"warm_ups": 0.0, "distance_km": 2.0, "time_min": 10.0}
    found = evidence(snapshot(0, since_clear=since))
    assert any("just cleared proves nothing" in n for n in found.notes)
    old = evidence(snapshot(0, since_clear={**since, "warm_ups": 40.0}))
    assert not any("just cleared" in n for n in old.notes)


def test_the_first_freeze_frame_of_a_drive_is_kept():
    frame = {"code": "P0011", "engine_speed": 750.0, "coolant_temp": 70.0}
    later = snapshot(600, freeze_frame={**frame, "coolant_temp": 71.0})
    assert evidence(snapshot(0), snapshot(300, freeze_frame=frame), later).freeze_frame == frame
    assert evidence(snapshot(0)).freeze_frame is None


def test_monitor_tests_are_held_against_their_own_limits():
    # SAE J1979 (from memory): MID 35 is the VVT monitor of bank 1, A2 the misfires of cylinder 1.
    tests = (
        MonitorTest("35", "80", 12.0, 0.0, 10.0),
        MonitorTest("36", "80", -3.0, -1.0, 5.0),
        MonitorTest("A2", "0C", 4.0, None, None, "count"),
        MonitorTest("35", "81", 0.0, 0.0, 0.0),
        MonitorTest("35", "82", 10.0, 0.0, 10.0),
    )
    found = evidence(snapshot(0), snapshot(600, monitor_tests=tests))
    assert [(t.test.mid, t.over, t.bank) for t in found.tests_over_limit] == [
        ("35", "max", 1),
        ("36", "min", 2),
    ]
    assert found.tests[2].cylinder == 1 and found.tests[2].over is None
    assert [t.run for t in found.tests] == [True, True, True, False, True]


def test_lamp_and_readiness_are_the_latest_that_were_read():
    found = evidence(
        snapshot(0, mil=True, readiness={"misfire": "incomplete"}),
        snapshot(600, mil=None, readiness={"misfire": "complete"}),
    )
    assert found.mil is True and found.readiness == {"misfire": "complete"}


def test_snapshots_out_of_order_are_put_in_order():
    (code,) = evidence(snapshot(600, stored=("P0011",)), snapshot(0)).codes
    assert code.new is True


def test_the_modules_that_hold_a_code_are_named():
    two = CodeSnapshot(0.0, stored=codes("P0011") + codes("P0011", ecu="7E9"), pending=(), permanent=())
    assert evidence(two).codes[0].ecus == ("7E8", "7E9")


def test_text_that_is_no_code_is_kept_and_weighs_nothing():
    found = evidence(snapshot(0, stored=("XYZ", "P0011")))
    assert {c.code: c.family for c in found.codes} == {"P0011": "cam_performance", "XYZ": "other"}


def test_evidence_is_plain_json():
    tests = (MonitorTest("35", "80", 12.0, None, 10.0),)
    found = evidence(snapshot(0, stored=("P0011", "P0301"), monitor_tests=tests, freeze_frame={"code": "P0011"}))
    text = json.dumps(found.to_dict(), allow_nan=False)
    assert "P0301" in text
