"""The strip: what a cam did over the drive, by the detectors whose figures judge it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from camlog.analysis.cam.examine import examine
from camlog.analysis.cam.strip import FAULTY, STATES
from tests.report_drives import findings_of
from tests.steady_plants import cam_of, command, lag, stiction

SAMPLES = ("healthy", "ignition-misfire", "sticking", "slow-cold", "stuck", "timing-offset", "leaking-hot", "cold-rattle")
# What a strip of that verdict must hold, and what would deny it.
SHOWS = {"sticking": "jumped", "slow": "late", "stuck": "stood", "unstable": "hunting", "offset": "off"}
DENIES = {"sticking": "off", "slow": "jumped", "stuck": "jumped", "unstable": "off", "offset": "hunting"}


def strip_of(name, cam="intake_b1"):
    return findings_of(name).cams[cam].examination.strip


@pytest.mark.parametrize("name", SAMPLES)
def test_the_strip_of_each_cam_shows_its_verdict_and_nothing_that_denies_it(name):
    for found in findings_of(name).cams.values():
        strip, condition = found.examination.strip, found.verdict.condition
        faulty_s, whole_s = sum(map(strip.seconds, FAULTY)), sum(map(strip.seconds, STATES))
        if condition == "healthy":
            assert faulty_s < 0.01 * whole_s
        else:
            assert strip.seconds(SHOWS[condition]) > 1.0
            assert strip.seconds(DENIES[condition]) == 0.0


@pytest.mark.parametrize("name", SAMPLES)
def test_segments_follow_each_other_and_cover_the_drive(name):
    findings = findings_of(name)
    for found in findings.cams.values():
        segments = found.examination.strip.segments
        assert all(s.end_s > s.start_s and s.state in STATES for s in segments)
        assert all(a.end_s <= b.start_s for a, b in pairwise(segments))
        covered = sum(s.end_s - s.start_s for s in segments)
        assert covered == pytest.approx(findings.conditions.running_s, abs=5.0)


def test_jumps_of_the_strip_are_those_of_the_figure():
    found = findings_of("sticking").cams["intake_b1"].examination
    jumped = [s for s in found.strip.segments if s.state == "jumped"]
    assert 0.5 * found.sticking.jumps <= len(jumped) <= found.sticking.jumps
    worst = found.strip.moments[0]
    assert worst.jump_deg > 5.0 and worst.start_s < worst.break_s < worst.end_s


def test_what_stands_off_at_rest_does_not_stick():
    strip = strip_of("timing-offset", "exhaust_b1")
    assert strip.seconds("off") > 600.0 and strip.seconds("resting") < 5.0


def plant(act, kind="steps"):
    rng = np.random.default_rng(4)
    x = command(kind, 120.0, rng)
    return cam_of(x, act(x), rng)


def test_readings_that_stopped_are_not_readable():
    data = plant(lambda x: lag(x, 0.15))
    keep = (data.actual_time_s < 40.0) | (data.actual_time_s > 55.0)
    strip = examine(data.without(~keep)).strip
    assert strip.seconds("unreadable") == pytest.approx(15.0, abs=1.0)
    assert strip.cells(120.0, 12)[4] == "unreadable"


def test_a_slow_plant_is_late_and_a_quick_one_is_not():
    quick, slow = (examine(plant(lambda x, s=s: lag(x, s))).strip for s in (0.15, 2.0))
    assert quick.seconds("late") == 0.0
    assert slow.seconds("late") > 20.0 and slow.seconds("jumped") == 0.0


def test_a_sticking_plant_stands_and_jumps():
    strip = examine(plant(lambda x: stiction(x, 8.0, 6.0), "walk")).strip
    assert strip.seconds("stood") > 5.0 and strip.seconds("jumped") > 1.0 and not strip.seconds("off")
    assert np.median([m.jump_deg for m in strip.moments if m.jump_deg]) == pytest.approx(6.0, abs=1.5)


def test_each_cell_has_the_most_telling_state_that_is_no_trifle():
    strip = strip_of("sticking")
    cells = strip.cells(findings_of("sticking").trace.time_s[-1], 60)
    assert len(cells) == 60 and {"resting", "jumped"} <= set(cells)


def test_findings_hold_the_strip():
    of_cam = findings_of("stuck").to_dict()["cams"]["intake_b1"]["strip"]
    assert of_cam["seconds"]["stood"] > 100.0 and of_cam["segments"][0]["start_s"] >= 0.0
