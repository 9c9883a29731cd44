"""The strip: what a cam did over the drive, by the detectors whose figures judge it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from camlog.analysis import analyze
from camlog.analysis.cam.examine import examine
from camlog.analysis.cam.strip import FAULTY, STATES
from camlog.cams import title as cam_title
from camlog.cli.results import WIDTH, verdict_lines
from camlog.report import render_report
from camlog.report.chart import KINDS, Request
from camlog.report.strip import strip_lines, strip_view
from camlog.report.words import driven_words, say, since_words, told_moments
from tests.bench.fleet import FAMILIES, draw
from tests.report_drives import findings_of
from tests.steady_plants import cam_of, command, lag, stiction

SAMPLES = (
    "healthy",
    "ignition-misfire",
    "sticking",
    "slow-cold",
    "stuck",
    "timing-offset",
    "leaking-hot",
    "cold-rattle",
)
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


# ---------------------------------------------------------------- drawn


def test_the_terminal_draws_a_line_a_cam_in_blocks_or_in_plain_letters():
    findings = findings_of("sticking")
    for blocks, sign, other in ((True, "\u258c", "J"), (False, "J", "\u258c")):
        intake, exhaust, legend = strip_lines(findings, blocks=blocks)
        assert (
            intake.startswith("Intake cam, bank 1 ") and sign in intake and sign not in exhaust and other not in intake
        )
        assert f"{sign} jumped" in legend and len(intake) <= WIDTH
    "".join(strip_lines(findings, blocks=True)).encode("cp437")
    "".join(strip_lines(findings, blocks=False)).encode("ascii")


def test_analyze_prints_strip_and_worst_moment_of_a_faulty_cam_only():
    lines = list(verdict_lines(findings_of("sticking")))
    assert sum("stands still" in line and "jumps" in line for line in lines) == 1
    assert not any("Worst at" in line for line in verdict_lines(findings_of("healthy")))


def test_the_page_draws_a_strip_a_cam_with_words_for_a_screen_reader():
    findings = findings_of("stuck")
    view = strip_view(findings)
    assert [row["cam"] for row in view["rows"]] == list(findings.cams)
    for row in view["rows"]:
        assert all(0 <= r["at"] and r["at"] + r["width"] <= 100.001 for r in row["runs"])
    assert "stood still" in view["rows"][0]["summary"] and view["misfires"] and view["speed"]
    assert any("P0011" in words for words in view["told"])
    html = render_report(findings)
    assert html.count('class="strip"') == 2 and "stood still" in html


def test_every_state_has_a_letter_a_block_and_a_word_of_its_own():
    for kind in ("letter", "block", "state"):
        assert sorted(say.table(f"strip.{kind}")) == sorted(STATES)
        assert len(set(say.table(f"strip.{kind}").values())) == len(STATES)


SHOWN = {"healthy": set(), "insufficient_data": set(), "sticking": {"stood", "hunting"}, "slow": {"late"}, "stuck": {"stood"},
         "unstable": {"hunting"}, "offset": {"off"}, "sensor": {"unreadable"}}  # fmt: skip


@pytest.mark.parametrize("seed", range(6001, 6009))
def test_no_caption_denies_the_verdict_of_a_car_of_the_fleet(seed):
    families = sorted(FAMILIES)
    driven = draw(families[seed % len(families)], seed).record()
    findings = analyze(driven.trace, driven.drive, driven.profile)
    told = " ".join(strip_view(findings)["told"])
    for cam, found in findings.cams.items():
        condition, strip = found.verdict.condition, found.examination.strip
        assert {m.state for m in told_moments(found)} <= SHOWN[condition]
        faulty = [say(f"strip.state.{s}") for s in FAULTY if strip.seconds(s) >= 1.0]
        assert (f"{cam_title(cam)}: " in told) == (condition == "healthy" and bool(faulty))
        assert condition != "healthy" or all(f"{word} " in told for word in faulty)
        where = KINDS["follow"].draw(Request("follow", findings, cam)).answer
        assert condition == "healthy" or "moves off with its command" not in where
        assert condition != "healthy" or "held back" not in where


@pytest.mark.parametrize(
    ("name", "says", "never"),
    [("slow-cold", "mostly with oil below 40 °C", "every"), ("stuck", "at every oil temperature", "mostly"),
     ("repair-before", "at every oil temperature", "mostly"), ("cold-rattle", "°C; one start cannot tell whether it depends on the oil", "of the time")],
)  # fmt: skip
def test_since_when_and_whether_it_depends_on_the_oil_is_said_first(name, says, never):
    findings = findings_of(name)
    faulty = [f for f in findings.cams.values() if f.verdict.condition not in ("healthy", "insufficient_data")]
    words = [since_words(findings, f) for f in faulty]
    assert words and all(says in w and never not in w for w in words), words


def test_with_which_oil_a_cam_without_a_fault_was_driven_is_said_too():
    said = [driven_words(f) for f in findings_of("healthy").cams.values()]
    assert said == ["Driven with oil below 40 °C, 40–70 °C, 70–100 °C."] * 2
    assert {driven_words(f) for f in findings_of("too-short").cams.values()} == {"Driven with oil below 40 °C only."}


def test_the_oil_ends_with_the_drive():
    findings = findings_of("too-short")
    cut = analyze(findings.trace.between(0.0, 23.3), findings.drive, findings.profile)
    last = strip_view(cut)["windows"][-1]
    assert last["at"] + last["width"] == pytest.approx(100.0)
