"""Ways to make a car look repaired that must not pass. Invented data; sources beside the checks."""

from __future__ import annotations

import dataclasses
import html
from pathlib import Path

import numpy as np
import pytest

import camlog.profile
from camlog.analysis import analyze
from camlog.drive import Ancestor, read_drive, write_drive
from camlog.limits import LIMITS
from camlog.profile import read_profile
from camlog.stream import TroubleCode
from camlog.trace import read_trace, write_trace
from camlog.verify import verify
from camlog.verify.page import verification_page
from tests.verify_help import again, closing, file_of, gate, open_names, readiness, repair, snapshot


def test_codes_cleared_an_hour_ago_with_nothing_run():
    """An empty memory, no lamp: but no monitor has run and no counter has moved (SAE J1979, from memory)."""
    fresh = {k: 0.0 for k in closing(repair().short).since_clear}
    nothing = {m: "incomplete" for m, s in closing(repair().short).readiness.items() if s != "unsupported"}
    after = readiness(snapshot(repair().short, -1, since_clear=fresh, permanent=()), **nothing)
    found = verify(after, repair().before)
    assert found.outcome == "not_verified_yet"
    assert {"since_clear", "monitor_egr_vvt_system", "monitor_misfire", "monitor_components"} <= open_names(found)


def test_codes_cleared_at_the_end_of_a_good_long_drive():
    """The drive is long and the memory empty, but the counters are younger than the drive."""
    young = {"warm_ups": 1.0, "distance_km": 0.0, "time_min": 1.0}
    found = verify(snapshot(repair().after, -1, since_clear=young), repair().before)
    assert gate(found, "since_clear").state == "failed" and not found.verified


def test_codes_cleared_in_the_middle_of_the_recording():
    """The counters of the opening snapshot are higher than those of the closing one."""
    after = snapshot(repair().after, 0, since_clear={"warm_ups": 30.0, "distance_km": 800.0, "time_min": 900.0})
    found = verify(after, repair().before)
    assert gate(found, "since_clear").state == "failed" and not found.verified


def test_a_drive_at_other_conditions_than_the_freeze_frames():
    """13 CCR 1968.2(c), similar conditions (from memory): the fault was set at high speed and full load."""
    frame = {"code": "P0011", "engine_speed": 5200.0, "engine_load": 95.0, "coolant_temp": 92.0}
    before = snapshot(repair().before, -1, freeze_frame=frame)
    found = verify(repair().after, before)
    assert open_names(found) == {"freeze_frame"} and "5200 rpm" in gate(found, "freeze_frame").todo


def test_a_second_freeze_frame_that_was_not_met():
    other = {"code": "P0301", "engine_speed": 5200.0, "engine_load": 95.0, "coolant_temp": 92.0}
    found = verify(repair().after, snapshot(repair().before, 0, freeze_frame=other))
    assert open_names(found) == {"freeze_frame"}


def test_a_healthy_looking_cam_that_was_never_moved():
    trace = repair().after.trace
    still = dict(trace.columns)
    rng = np.random.default_rng(1)
    for name in ("cam_intake_b1_commanded", "cam_intake_b1_actual"):
        noise = rng.normal(0.0, 0.1 if name.endswith("actual") else 0.0, len(trace.time_s))
        still[name] = np.where(np.isfinite(still[name]), noise, np.nan)
    found = verify(again(repair().after, dataclasses.replace(trace, columns=still)), repair().before)
    assert found.outcome == "not_verified_yet" and "cam_intake_b1" in open_names(found)


def test_a_cam_moved_much_less_than_in_the_first_drive():
    trace = repair().after.trace
    little = dict(trace.columns)
    for name in ("cam_intake_b1_commanded", "cam_intake_b1_actual"):
        little[name] = little[name] * 0.4
    found = verify(again(repair().after, dataclasses.replace(trace, columns=little)), repair().before)
    assert "cam_intake_b1" in open_names(found) and "commanded over" in gate(found, "cam_intake_b1").evidence


def test_the_second_drive_is_older_than_the_first():
    early = file_of(repair().after, started_at="2024-04-01T08:00:00+00:00")
    found = verify(early, repair().before)
    assert gate(found, "order").state == "failed" and found.outcome == "not_verified_yet"
    # One that began while the first was still being recorded is not a later drive either.
    within = file_of(repair().after, started_at="2024-05-03T10:05:00+02:00")
    assert gate(verify(within, repair().before), "order").state == "failed"


def test_a_drive_of_another_car():
    other = file_of(repair().after, vehicle={**repair().after.drive.vehicle, "vin_hash": "0" * 16})
    found = verify(other, repair().before)
    assert gate(found, "same_vehicle").state == "failed" and not found.verified
    # A stored number is held against the other drive's hash.
    named = file_of(repair().after, vehicle={"name": None, "vin": "ZZZCAMTM0V0000008"})
    assert gate(verify(named, repair().before), "same_vehicle").state == "failed"


def test_a_drive_of_a_car_nobody_can_identify():
    profile = repair().after.drive.vehicle["profile_sha256"]
    unknown = file_of(repair().after, vehicle={"name": None, "vin": None, "profile_sha256": profile})
    found = verify(unknown, repair().before)
    assert open_names(found) == {"same_vehicle"} and not gate(found, "same_vehicle").answerable


DEMO_PROFILE = Path(camlog.profile.__file__).with_name("demo.toml")
LOOSE = {"misfire_per_1000_rev": 500.0, "hold_error_deg": 90.0, "hold_error_time_s": 1000.0}


def judged_with(findings, profile):
    return analyze(findings.trace, findings.drive, profile)


def loosened(path):
    """The demo profile with limits that forgive everything."""
    text = DEMO_PROFILE.read_text(encoding="utf-8")
    path.write_text(text + "\n[limits]\n" + "".join(f"{k} = {v}\n" for k, v in LOOSE.items()), encoding="utf-8")
    return read_profile(str(path))


def test_a_profile_loosened_after_the_recordings(tmp_path):
    """Whoever verifies with other limits than the recordings were made under is told so, limit by limit."""
    profile = loosened(tmp_path / "loose.toml")
    found = verify(judged_with(repair().after, profile), judged_with(repair().before, profile))
    said = gate(found, "profile")
    assert not found.verified and said.state == "not_shown"
    assert "first drive" in said.evidence and "second drive" in said.evidence
    page = html.unescape(verification_page(found))
    for name, value in LOOSE.items():
        own = LIMITS[name]
        assert f"{name} {value:g} {own.unit} (camlog's own: {own.value:g})" in page


def test_limits_that_both_recordings_were_made_under_count_and_are_named(tmp_path):
    profile = loosened(tmp_path / "loose.toml")
    both = [
        judged_with(file_of(f, vehicle={**f.drive.vehicle, "profile_sha256": profile.sha256}), profile)
        for f in (repair().after, repair().before)
    ]
    said = gate(verify(*both), "profile")
    assert said.state == "passed" and "misfire_per_1000_rev 500 per 1,000 rev (camlog's own: 2)" in said.evidence


@pytest.mark.parametrize("which", ["after", "before"])
def test_a_drive_made_with_another_vehicle_profile_or_none_that_is_named(which):
    for sha256 in ("e" * 64, None):
        pair = {"after": repair().after, "before": repair().before}
        vehicle = {**pair[which].drive.vehicle, "profile_sha256": sha256}
        found = verify(**(pair | {which: file_of(pair[which], vehicle=vehicle)}))
        assert open_names(found) == {"profile"} and gate(found, "profile").state == "not_shown"


def test_no_profile_in_use_where_the_recordings_had_one():
    found = verify(judged_with(repair().after, None), judged_with(repair().before, None))
    assert "profile" in open_names(found) and "none is in use" in gate(found, "profile").evidence


def test_a_first_drive_judged_by_other_limits_than_the_second():
    limits = {**repair().before.limits, "flutter_rms_deg": LIMITS["rest_offset_deg"]}
    found = verify(repair().after, dataclasses.replace(repair().before, limits=limits))
    assert open_names(found) == {"profile"} and "flutter_rms_deg" in gate(found, "profile").evidence


def test_one_limit_does_not_open_the_recordings_holes_too(tmp_path):
    """`hold_error_time_s` forgives a cam's error, not a hole in the recording."""
    trace = repair().after.trace
    keep = ~((trace.time_s > 60.0) & (trace.time_s < 75.0))
    gappy = dataclasses.replace(
        trace, time_s=trace.time_s[keep], columns={k: v[keep] for k, v in trace.columns.items()}
    )
    after = analyze(gappy, repair().after.drive, loosened(tmp_path / "loose.toml"))
    assert "recording" in open_names(verify(after, repair().before))


@pytest.mark.parametrize("as_recorded", [True, None, False])
def test_a_file_made_from_another_is_no_proof(as_recorded):
    """Cut or converted from what was recorded as it was, from what nobody knows, or from a changed file."""
    made = (Ancestor("a" * 64, "drive.csv", as_recorded, made="cut at 5 s"),)
    for after, before in (
        (file_of(repair().after, ancestry=made), repair().before),
        (repair().after, file_of(repair().before, ancestry=made)),
        (repair().after, file_of(repair().before, ancestry=made).drive),
    ):
        found = verify(after, before)
        assert open_names(found) == {"files"} and "cut at 5 s from drive.csv" in gate(found, "files").evidence


SIMULATED = {"name": "CAMSIM 2.0", "simulated": True}


def test_simulated_recordings_pass_every_check_and_prove_nothing():
    found = verify(file_of(repair().after, adapter=SIMULATED), file_of(repair().before, adapter=SIMULATED))
    assert found.outcome == "proves_nothing" and not found.verified
    assert found.headline == (
        "Proves nothing: all other checks pass, on simulated recordings; nothing here was read from a vehicle."
    )
    page = html.unescape(verification_page(found))
    assert "<h1>Proves nothing</h1>" in page and "no readings of a vehicle and prove nothing" in page


@pytest.mark.parametrize("which", ["after", "before"])
@pytest.mark.parametrize(
    "marked",
    [
        {"adapter": SIMULATED}, {"adapter": {"name": "CAMSIM 1.0"}}, {"adapter": {"name": "other", "simulated": True}},
        {"adapter": {}}, {"adapter": {"name": None}},
    ],
)  # fmt: skip
def test_one_simulated_drive_or_of_an_unknown_adapter_is_no_proof(which, marked):
    pair = {"after": repair().after, "before": repair().before}
    found = verify(**(pair | {which: file_of(pair[which], **marked)}))
    assert found.outcome == "not_verified_yet" and open_names(found) == {"on_a_vehicle"}


def test_a_cut_of_a_simulated_recording_is_simulated():
    made = (Ancestor("a" * 64, "drive.csv", True, simulated=True, made="cut at 5 s"),)
    found = verify(file_of(repair().after, ancestry=made), file_of(repair().before, ancestry=made))
    assert {"files", "on_a_vehicle"} <= open_names(found) and found.outcome == "not_verified_yet"


def test_a_first_drive_that_shows_no_fault_proves_no_repair():
    """An earlier drive of the same car, healthy and without codes, in the place of the one with the fault."""
    none = snapshot(repair().after, 0, permanent=())
    earlier = file_of(none, started_at="2024-05-03T08:00:00+00:00")
    found = verify(repair().after, earlier)
    assert "fault_shown" in open_names(found) and not found.verified
    assert "fault_shown" in open_names(verify(repair().after, earlier.drive))


@pytest.fixture
def saved(tmp_path):
    """The drive after the repair on disk, as a recorder leaves it."""
    path = tmp_path / "after.csv"
    write_trace(repair().after.trace, path)
    drive = dataclasses.replace(repair().after.drive, trace_sha256=read_trace(path).sha256)
    write_drive(drive, tmp_path / "after.drive.json")
    return path


def test_the_files_as_recorded_pass_their_hashes(saved):
    trace, drive = read_trace(saved), read_drive(saved.with_name("after.drive.json"))
    assert drive.intact is True
    found = verify(dataclasses.replace(repair().after, trace=trace, drive=drive), repair().before)
    assert gate(found, "files").state == "passed"


def test_the_drive_file_was_edited_after_the_recording(saved):
    path = saved.with_name("after.drive.json")
    text = path.read_text(encoding="utf-8")
    assert '"incomplete"' in text
    path.write_text(text.replace('"incomplete"', '"complete"'), encoding="utf-8")
    drive = read_drive(path)
    assert drive.intact is False
    found = verify(dataclasses.replace(repair().after, drive=drive), repair().before)
    assert gate(found, "files").state == "failed" and found.outcome == "not_verified_yet"


def test_the_seal_was_taken_out_of_the_edited_drive_file(saved):
    import json

    path = saved.with_name("after.drive.json")
    content = json.loads(path.read_text(encoding="utf-8"))
    del content["content_sha256"]
    path.write_text(json.dumps(content), encoding="utf-8")
    drive = read_drive(path)
    assert drive.intact is None
    found = verify(dataclasses.replace(repair().after, trace=read_trace(saved), drive=drive), repair().before)
    assert open_names(found) == {"files"} and not found.verified


def test_the_trace_was_edited_after_the_recording(saved):
    saved.write_bytes(saved.read_bytes().replace(b"cam_intake_b1_actual", b"cam_intake_b1_duty_x", 1))
    found = verify(
        dataclasses.replace(
            repair().after, trace=read_trace(saved), drive=read_drive(saved.with_name("after.drive.json"))
        ),
        repair().before,
    )
    assert gate(found, "files").state == "failed"


def test_a_trace_with_a_gap_where_the_fault_would_show():
    """A fault of 4.5 s sets a code on many cars (common practice, no source): a longer hole can hide one."""
    trace = repair().after.trace
    keep = ~((trace.time_s > 60.0) & (trace.time_s < 75.0))
    gappy = dataclasses.replace(
        trace, time_s=trace.time_s[keep], columns={k: v[keep] for k, v in trace.columns.items()}
    )
    found = verify(again(repair().after, gappy), repair().before)
    assert "recording" in open_names(found) and not found.verified
    assert "from 60 s on" in gate(found, "recording").evidence


def test_a_gap_in_the_cams_readings_alone():
    trace = repair().after.trace
    columns = dict(trace.columns)
    hole = (trace.time_s > 60.0) & (trace.time_s < 75.0)
    columns["cam_intake_b1_actual"] = np.where(hole, np.nan, columns["cam_intake_b1_actual"])
    found = verify(again(repair().after, dataclasses.replace(trace, columns=columns)), repair().before)
    assert "recording" in open_names(found) and "intake cam" in gate(found, "recording").evidence


def test_a_short_gap_at_the_cold_start_counts_and_one_on_the_road_does_not():
    trace, after = repair().after.trace, repair().after
    start_s = after.conditions.starts[0].time_s

    def without(first_s, last_s):
        keep = ~((trace.time_s > first_s) & (trace.time_s < last_s))
        cut = dataclasses.replace(
            trace, time_s=trace.time_s[keep], columns={k: v[keep] for k, v in trace.columns.items()}
        )
        return gate(verify(again(after, cut), repair().before), "recording").state

    assert without(start_s + 1.0, start_s + 4.0) == "not_shown"
    assert without(300.0, 303.0) == "passed"


def test_misfire_counters_reset_in_between():
    trace = repair().after.trace
    columns = dict(trace.columns)
    held = columns["misfire_cyl2"]
    late = trace.time_s > 400.0
    # Misfires in the first half, then the counter begins again at zero without an engine start.
    columns["misfire_cyl2"] = np.where(late, 0.0 * held, held + 4.0)
    found = verify(again(repair().after, dataclasses.replace(trace, columns=columns)), repair().before)
    assert "misfire" in open_names(found) and "went back" in gate(found, "misfire").evidence


def test_misfires_of_this_driving_cycle_before_the_recording_began():
    """The counter (service 06, TID 0C, this driving cycle) already stood high when recording began."""
    trace = repair().after.trace
    late = trace.time_s > 30.0
    columns = {k: v[late] for k, v in trace.columns.items()}
    columns["misfire_cyl2"] = columns["misfire_cyl2"] + 90.0
    cut = dataclasses.replace(trace, time_s=trace.time_s[late], columns=columns)
    found = verify(again(repair().after, cut), repair().before)
    assert gate(found, "misfire").state == "failed"


def test_a_pending_code():
    after = snapshot(repair().after, -1, pending=(TroubleCode("P000A", "7E8"),))
    found = verify(after, repair().before)
    assert found.outcome == "fault_still_there" and gate(found, "pending_codes").state == "failed"


def test_a_pending_code_that_was_gone_by_the_end():
    """It came up after the clearing: one drive that ends without it is not enough."""
    found = verify(snapshot(repair().after, 0, pending=(TroubleCode("P0011", "7E8"),)), repair().before)
    assert found.outcome == "not_verified_yet" and "pending_codes" in open_names(found)


@pytest.mark.parametrize("code", ["P0011", "P1FFF"])
def test_a_code_stored_by_another_module(code):
    """P1FFF is a maker's own code (SAE J2012, from memory): nobody here can say it is not about the cam."""
    after = snapshot(repair().after, -1, stored=(TroubleCode(code, "7E9"),))
    found = verify(after, repair().before)
    assert found.outcome == "fault_still_there" and "module 7E9" in gate(found, "stored_codes").evidence


def test_a_network_or_transmission_code_of_another_module_is_not_passed_over():
    after = snapshot(repair().after, -1, stored=(TroubleCode("P0700", "7E9"),))
    found = verify(after, repair().before)
    assert not found.verified and "P0700 (module 7E9)" in gate(found, "other_codes").evidence


def test_a_monitor_that_reads_complete_because_it_was_before_the_repair():
    """Nothing was cleared between the drives: complete may date from before the repair."""
    old = closing(repair().before)
    later = {k: v + 20.0 for k, v in old.since_clear.items()}
    after = repair().after
    for place in (0, -1):
        after = snapshot(after, place, since_clear=later, readiness=old.readiness)
    found = verify(after, repair().before)
    assert found.outcome == "not_verified_yet"
    assert {"monitor_egr_vvt_system", "monitor_misfire", "monitor_components"} <= open_names(found)
    assert "may have been complete" in gate(found, "monitor_misfire").evidence


@pytest.mark.parametrize("monitor", ["misfire", "components"])
def test_a_monitor_that_completed_without_a_clearing_after_the_first_drive(monitor):
    """Incomplete in the first drive, complete in the second, and the counters only ever rose: no clearing between."""
    before = repair().before
    later = {k: v + 20.0 for k, v in closing(before).since_clear.items()}
    same = {m: s for m, s in closing(before).readiness.items()} | {monitor: "incomplete"}
    before = readiness(readiness(before, 0, **same), -1, **same)
    after = snapshot(snapshot(repair().after, 0, since_clear=later, readiness=same), -1, since_clear=later)
    found = verify(after, before)
    assert gate(found, f"monitor_{monitor}").state == "not_shown"


@pytest.mark.parametrize("monitor", ["misfire", "components"])
def test_a_monitor_that_always_reads_complete_has_not_been_seen_to_run(monitor):
    """Continuous monitors read complete at once on many cars (SAE J1979, from memory)."""
    found = verify(readiness(repair().after, 0, **{monitor: "complete"}), repair().before)
    said = gate(found, f"monitor_{monitor}")
    assert open_names(found) == {f"monitor_{monitor}"} and not said.answerable
    # Driven since the clear, it may have completed before the recording: that can be made up for.
    driven = snapshot(readiness(repair().after, 0, **{monitor: "complete"}), 0, since_clear={"time_min": 5.0})
    said = gate(verify(driven, repair().before), f"monitor_{monitor}")
    assert said.state == "not_shown" and said.answerable and "begin the next recording" in said.todo


def test_a_clearing_in_the_middle_of_the_first_drive_did_not_follow_it():
    first = repair().before
    old = {k: v + 500.0 for k, v in closing(first).since_clear.items()}
    now = {k: v + 5.0 for k, v in closing(first).since_clear.items()}
    before = snapshot(first, 0, since_clear=old)
    none = {"stored": (), "pending": (), "permanent": ()}
    before = snapshot(before, -1, **none)
    after = snapshot(snapshot(repair().after, 0, since_clear=now), -1, since_clear=now)
    after = readiness(after, 0, **closing(first).readiness)
    assert {"monitor_misfire", "monitor_components"} <= open_names(verify(after, before))


def test_a_monitor_read_complete_only_before_the_clearing():
    """Complete in the opening snapshot, cleared, and not read at the end: the old reading does not count."""
    full = {m: "complete" for m in closing(repair().after).readiness}
    after = snapshot(snapshot(repair().after, 0, readiness=full), -1, readiness={})
    found = verify(after, repair().before)
    assert {"monitor_egr_vvt_system", "monitor_misfire", "monitor_components"} <= open_names(found)


def test_the_same_recording_given_twice():
    found = verify(repair().after, repair().after)
    assert not found.verified and gate(found, "order").state == "failed"
