"""Nobody is hurt by following camlog: every risk has its caution beside it, and an engine that may not run is not driven.

The risks and what guards against them are common practice, no source. All cars and drives are invented.
"""

from __future__ import annotations

import dataclasses
import io
import json
import re
from functools import lru_cache

import numpy as np
import pytest

from camlog import cautions
from camlog.analysis import analyze
from camlog.analysis.causes.checks import CHECKS, FIRST
from camlog.analysis.causes.checks import Sentence as Check
from camlog.analysis.do_not_run import LiveCare
from camlog.analysis.drive.coverage import coverage
from camlog.analysis.engine_supply import low_oil_pressure
from camlog.analysis.findings import Findings
from camlog.cautions import CAUTIONS, caution
from camlog.cli.compare import compare as compare_command
from camlog.cli.results import verdict_lines
from camlog.cli.verify import lines as verify_lines
from camlog.drive import Drive, read_drive
from camlog.limits import LIMITS, limits_for
from camlog.places import sample_logs_folder
from camlog.profile import VehicleProfile, read_profile
from camlog.profile.model import Layout
from camlog.report import render_report
from camlog.report.comparison import render_comparison
from camlog.report.summary import owner_paragraph
from camlog.serve.guide import Guide
from camlog.serve.pages import live
from camlog.sinks.lines import LineSink
from camlog.stream import Batch, CodeSnapshot, Event, TakenBack, TroubleCode
from camlog.trace import Trace, read_trace
from camlog.verify import verify
from camlog.verify.page import verification_page
from tests.report_drives import findings_of

SAMPLES = sorted(path.stem for path in sample_logs_folder().glob("*.csv"))

# What is risky, by the words that name it, and the caution that must stand beside them.
RISKS = {
    r"\bdrive (again|the same)|same road|briskly|tip-in": cautions.DRIVE,
    r"oil pressure|oil control valve|change oil|oil passage|screen": cautions.HOT_OIL,
    r"harness|oscilloscope|with a gauge|at a cold start|compression|pressure, hot|misfire moves": cautions.MOVING_PARTS,
    r"shown live|oscilloscope|gauge, hot|at a cold start|misfire moves": cautions.IDLE,
    r"coil of|spark plug|compression": cautions.HIGH_VOLTAGE,
    r"injector|compression": cautions.FUEL,
    r"valve is driven": cautions.VALVE_SUPPLY,
    r"change oil": cautions.RAISED,
    r"timing marks|\bchain\b|valve cover off|compression of all": cautions.TIMING,
    r"take out|\bswap\b|valve cover off|spark plug": cautions.TORQUE,
}
# What asks somebody to run or drive an engine.
ASKS_TO_RUN = re.compile(
    r"briskly|tip-in|drive again|drive the same|let it (run|idle)|let the engine run|hold [\d,]+ rpm|still to drive|"
    r"drive this next|while the angle is shown live|swap the coil|with a gauge, hot|at a cold start|oscilloscope|"
    r"starting the cold engine|another drive is needed|drive on until|km/h or above",
    re.IGNORECASE,
)


def lacking(text: str, said: str) -> list[str]:
    """Keys of the cautions that the words of `text` call for and `said` does not hold."""
    return [key for words, key in RISKS.items() if re.search(words, text, re.IGNORECASE) and caution(key) not in said]


def all_checks() -> list[Check]:
    return [*(c.sentence for c in CHECKS), *FIRST.values()]


def text_of(html: str) -> str:
    """What a page says, without its marks and scripts."""
    import html as entities

    body = re.sub(r"<(script|style)\b.*?</\1>", " ", html, flags=re.DOTALL)
    return re.sub(r"\s+", " ", entities.unescape(re.sub(r"<[^>]+>", " ", body)))


# ---------------------------------------------------------------- the table


def test_every_caution_has_its_risk_its_occasion_and_its_sentence():
    for key, one in CAUTIONS.items():
        assert one.key == key and one.risk and one.when and one.sentence.endswith(".")
    assert "Service information, local rules and licensed practice come first" in caution(cautions.ADVICE)
    assert len({one.sentence for one in CAUTIONS.values()}) == len(CAUTIONS)
    with pytest.raises(KeyError):
        cautions.sentences(["no such caution"])


@pytest.mark.parametrize("check", all_checks(), ids=str)
def test_every_check_has_a_caution_for_each_of_its_risks(check):
    assert lacking(check, " ".join(check.cautions)) == []
    if re.search(RISKS_OF_RUNNING, check, re.IGNORECASE):
        assert check.runs


RISKS_OF_RUNNING = (
    r"\bdrive (again|the same)|oscilloscope|shown live|gauge, hot|at a cold start|valve is driven|misfire moves"
)


def test_the_table_of_risks_notices_a_check_without_its_caution():
    assert lacking("Swap the coil of cylinder 3.", "") == [cautions.HIGH_VOLTAGE, cautions.TORQUE]


def test_what_is_to_be_driven_stands_with_the_caution_of_driving():
    empty = coverage(Trace(np.arange(0.0, 30.0), {"engine_speed": np.full(30, 800.0)}), profile=read_profile("demo"))
    assert empty.missing and empty.caution == caution(cautions.DRIVE) == empty.to_dict()["caution"]
    refused = empty.without_driving()
    assert refused.missing and refused.caution == ""
    remedies = [need.remedy for need in empty.needs if not need.met]
    assert remedies and not any(r in text for r in remedies for text in refused.missing)


# ---------------------------------------------------------------- the samples, everywhere


@pytest.mark.parametrize("name", SAMPLES)
def test_no_result_of_a_sample_shows_a_risk_without_its_caution(name):
    found = findings_of(name)
    report = text_of(render_report(found))
    terminal = " ".join(" ".join(verdict_lines(found)).split())
    data = json.loads(found.to_json())
    for said in (report, terminal):
        shown = [c for cause in found.causes for c in cause.next_checks if c in said]
        assert shown or name == "too-short"  # no cause stands out in it
        assert [key for check in shown for key in lacking(check, said)] == []
        assert caution(cautions.DRIVE) in said or not re.search(
            r"briskly|tip-in|let it idle|let it run|cold engine", said
        )
        assert all(c in said or c == found.do_not_run[0] for c in found.cautions[: len(found.do_not_run)])
    for cause in data["causes"]:
        assert len(cause["next_checks"]) == len(cause["check_cautions"])
        for check, beside in zip(cause["next_checks"], cause["check_cautions"], strict=True):
            assert lacking(check, " ".join(beside)) == []
    if data["coverage"]["missing"]:
        assert bool(data["coverage"]["caution"]) is not bool(data["do_not_run"])
    assert bool(found.do_not_run) is (name in ("timing-offset", "stuck", "cold-rattle"))  # stuck: a correlation code


def test_readme_says_it_beside_what_is_to_be_driven():
    readme = " ".join((sample_logs_folder().parent / "README.md").read_text(encoding="utf-8").split())
    told = readme[readme.index("A drive worth judging") :][:600]
    assert "only where traffic, law and the state of the car allow; the driver drives, someone else operates" in told
    assert caution(cautions.DRIVE) in readme.replace("**", "")


# ---------------------------------------------------------------- the two worst cases


def low_at_hot_idle(pressure_kpa: float = 15.0) -> Findings:
    """The healthy sample with this oil pressure wherever the engine idles warm."""
    path = sample_logs_folder() / "healthy.csv"
    trace, column = read_trace(path), None
    column = trace.columns["oil_pressure"].copy()
    speed = np.interp(trace.time_s, *trace.samples("engine_speed"))
    oil = np.interp(trace.time_s, *trace.samples("oil_temp"))
    column[np.isfinite(column) & (speed > 500.0) & (speed < 1000.0) & (oil > 70.0)] = pressure_kpa
    changed = dataclasses.replace(trace, columns=dict(trace.columns) | {"oil_pressure": column})
    return analyze(changed, read_drive(path.with_name("healthy.drive.json")), read_profile("demo"))


@lru_cache(maxsize=2)
def worst(name: str) -> Findings:
    return findings_of("timing-offset") if name == "two teeth off, all misfiring" else low_at_hot_idle()


WORST = {
    "two teeth off, all misfiring": (
        "35.1 deg retarded of its rest position, about 2 teeth",
        "Every cylinder misfires",
        "P0016",
    ),
    "15 kPa at hot idle": ("15 kPa at 7", "70 kPa for each 1,000 rpm"),
}


@pytest.mark.parametrize("name", WORST)
def test_the_first_lines_say_not_to_run_or_drive_it_with_the_figures_and_nothing_asks_for_a_drive(name):
    found = worst(name)
    first = caution(cautions.DO_NOT_RUN)
    assert "Do not run or drive" in first and "towed" in first
    terminal = list(verdict_lines(found))
    assert terminal[0] == first.upper()
    report = render_report(found)
    assert 0 < report.index(first) < report.index("<h1>") < report.index('id="answer"') < report.index('id="evidence"')
    data = json.loads(found.to_json())
    assert data["do_not_run"][0] == data["cautions"][0] == first
    assert data["do_not_run"][-1].startswith("Check first: ")
    for said in (" ".join(" ".join(terminal).split()), text_of(report), json.dumps(data, ensure_ascii=False)):
        assert all(figure in said for figure in WORST[name])
        assert not ASKS_TO_RUN.search(said), ASKS_TO_RUN.search(said)
    assert "do not start or drive" in owner_paragraph(found)
    assert caution(cautions.DRIVE) not in found.cautions
    assert "nothing wrong" not in " ".join(terminal) and all(c["cause"] != "nothing wrong" for c in data["causes"])


@pytest.mark.parametrize("name", WORST)
def test_verification_and_comparison_begin_with_it_too(name):
    found, before = worst(name), findings_of("repair-before")
    proof = verify(found, before)
    first = caution(cautions.DO_NOT_RUN)
    assert not proof.verified and proof.todo[0] == first
    assert {g.name: g.state for g in proof.gates}["fit_to_run"] == "failed"
    page, printed = verification_page(proof), verify_lines(proof)
    assert page.index(first) < page.index('class="outcome')
    assert printed[0] == first.upper() and proof.to_dict()["do_not_run"] == list(found.do_not_run)
    both = render_comparison(before, found)
    assert both.index(first) < both.index("<h1>")
    for said in (text_of(page), " ".join(printed), json.dumps(proof.to_dict(), ensure_ascii=False)):
        assert not ASKS_TO_RUN.search(said), ASKS_TO_RUN.search(said)


def test_the_compare_command_prints_it_first_and_its_cautions(tmp_path, capsys):
    folder = sample_logs_folder()
    compare_command(folder / "repair-after.csv", folder / "timing-offset.csv", vehicle="demo", out=tmp_path,
                    dashboard=None, force=False)  # fmt: skip
    said = capsys.readouterr().out
    assert said.startswith(caution(cautions.DO_NOT_RUN).upper())
    assert caution(cautions.TIMING) in " ".join(said.replace("  - ", "").split())


def test_a_healthy_drive_with_right_pressure_may_be_driven_and_its_verification_says_how():
    found = findings_of("healthy")
    assert found.do_not_run == () and list(verdict_lines(found))[0].startswith("healthy.csv")
    proof = verify(found, None)
    assert proof.todo and proof.todo_caution == caution(cautions.DRIVE)
    assert caution(cautions.DRIVE) in " ".join(" ".join(verify_lines(proof)).split())
    assert caution(cautions.DRIVE) in text_of(verification_page(proof))


# ---------------------------------------------------------------- each reason


def standing(*, stored=None, pending=(), permanent=(), events=(), profile=None) -> Findings:
    """Ten seconds of a standing engine: codes and marks alone decide."""

    def held(codes):
        return None if codes is None else tuple(TroubleCode(c, "7E8") for c in codes)

    shot = CodeSnapshot(0.0, True, held(stored), held(pending), held(permanent))
    trace = Trace(np.arange(0.0, 60.0), {"engine_speed": np.full(60, 800.0)})
    return analyze(trace, Drive(events=tuple(events), code_snapshots=(shot,)), profile)


@pytest.mark.parametrize("code", ["P0016", "P0017", "P0018", "P0019", "P0008", "P0524", "P0522"])
def test_codes_of_correlation_and_low_oil_pressure_forbid_running(code):
    # Meaning of the codes: SAE J2012 (from memory).
    assert code in " ".join(standing(stored=(code,)).do_not_run)
    assert code in " ".join(standing(stored=(), pending=(code,)).do_not_run)


def test_a_permanent_code_alone_does_not_forbid_the_drive_that_erases_it():
    # 13 CCR 1968.2(d): a permanent code erases itself once its monitor has passed in a drive.
    assert standing(stored=(), permanent=("P0016",)).do_not_run == ()
    assert standing(stored=("P0301", "P0523")).do_not_run == ()


@pytest.mark.parametrize(
    ("marks", "stays"),
    [
        ([(3.0, "rattle heard")], False),
        ([(45.0, "rattle heard")], True),
        ([(2.0, "Rattle heard"), (15.0, "still rattling")], True),
        ([(45.0, "no rattle")], False),
        ([(45.0, "hill")], False),
    ],
)
def test_a_rattle_that_stays_forbids_running(marks, stays):
    found = standing(stored=(), events=[Event(t, "marker", text) for t, text in marks])
    assert any("rattle stays" in line for line in found.do_not_run) is stays


def test_timing_among_the_leading_causes_brings_its_cautions_without_a_verdict():
    found = standing(stored=("P0016", "P0017"))
    assert not found.cams
    assert caution(cautions.TIMING) in found.cautions and caution(cautions.TORQUE) in found.cautions


def test_where_valves_and_pistons_cannot_meet_nobody_is_warned_of_that():
    apart = VehicleProfile("apart", layout=Layout(interference=False))
    for profile, warned in ((VehicleProfile("usual"), True), (None, True), (apart, False)):
        found = standing(stored=("P0016", "P0017"), profile=profile)
        assert (caution(cautions.TIMING) in found.cautions) is warned
        assert caution(cautions.TORQUE) in found.cautions


# ---------------------------------------------------------------- oil pressure against engine speed


def pressures(*kpa: float, rpm: float = 700.0, from_s: float = 20.0) -> Trace:
    """An engine at `rpm` from 0 s on, and these pressures every 2 s from `from_s` on."""
    time_s = np.arange(0.0, from_s + 2.0 * len(kpa) + 1.0, 0.5)
    column = np.full(len(time_s), np.nan)
    column[np.searchsorted(time_s, from_s + 2.0 * np.arange(len(kpa)))] = kpa
    return Trace(time_s, {"engine_speed": np.full(len(time_s), rpm), "oil_pressure": column})


@pytest.mark.parametrize(
    ("trace", "low_kpa"),
    [
        (pressures(15.0, 15.0), 15.0),
        (pressures(15.0, 160.0, 15.0), None),  # one odd reading each
        (pressures(50.0, 50.0), None),  # 700 rpm asks for 49 kPa
        (pressures(130.0, 130.0, rpm=6000.0), 130.0),
        (
            pressures(145.0, 145.0, rpm=6000.0),
            None,
        ),  # the pump's pressure is regulated: no more is asked than at 2,000 rpm
        (pressures(0.0, 0.0, from_s=2.0), None),  # a start: pressure builds
        (pressures(0.0, 0.0, rpm=0.0), None),  # the engine stands
    ],
)
def test_pressure_is_judged_by_engine_speed_twice_in_a_row_and_not_at_a_start(trace, low_kpa):
    found = low_oil_pressure(trace)
    assert (found.pressure_kpa if found else None) == low_kpa


def test_the_limit_of_the_vehicle_profile_wins():
    own = limits_for({"oil_pressure_min_kpa_per_1000_rpm": 20.0})
    assert low_oil_pressure(pressures(15.0, 15.0), own) is None
    assert low_oil_pressure(pressures(13.0, 13.0), own).figure.endswith("(20 kPa for each 1,000 rpm; vehicle profile)")


# ---------------------------------------------------------------- live


def stream(trace: Trace):
    for i, time_s in enumerate(trace.time_s):
        values = {n: float(v[i]) for n, v in trace.columns.items() if np.isfinite(v[i])}
        yield Batch(float(time_s), values)


def test_low_pressure_while_recording_is_an_alarm_that_says_to_stop_with_figure_and_limit():
    out, care = io.StringIO(), LiveCare(LIMITS)
    sink = LineSink(out, care=care)
    guide = Guide(read_profile("demo"))
    for batch in stream(pressures(15.0, 15.0, 15.0)):
        sink.accept(batch)
        guide.accept(batch)
    said = out.getvalue()
    assert said.count("OIL PRESSURE LOW: 15 kPa at 700 rpm, where at least 49 kPa is expected") == 1
    assert "Stop the engine as soon as it is safe" in said
    assert guide.next_instruction() == care.alarm == guide.do_not_run()[0]
    assert not any(item.instruction for item in guide.items())
    shown = str(live.guide_list(guide)) + str(live.next_line(guide))
    assert "checks come first" in shown and not ASKS_TO_RUN.search(shown)


def test_the_page_asks_for_driving_only_with_its_caution():
    guide = Guide(read_profile("demo"))
    for batch in stream(pressures(200.0, 200.0)):
        guide.accept(batch)
    shown = str(live.guide_list(guide))
    assert ASKS_TO_RUN.search(shown) and caution(cautions.DRIVE) in shown


def test_a_correlation_code_read_at_the_start_is_said_before_the_drive():
    guide = Guide()
    guide.accept(CodeSnapshot(0.0, True, (TroubleCode("P0016", "7E8"),), (), ()))
    assert guide.next_instruction().startswith(caution(cautions.DO_NOT_RUN)) and "P0016" in guide.next_instruction()
    assert any("P0016" in line for line in guide.do_not_run())


def test_a_rattle_marked_by_mistake_and_taken_back_stops_no_engine():
    guide, wrong = Guide(read_profile("demo")), Event(400.0, "marker", "rattle heard")
    guide.accept(Batch(0.0, {"engine_speed": 800.0}))
    guide.accept(wrong)
    assert guide.do_not_run()
    guide.accept(TakenBack(401.0, wrong))
    assert not guide.do_not_run()
