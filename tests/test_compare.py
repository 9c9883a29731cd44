"""Two drives side by side: before and after a repair."""

from __future__ import annotations

import base64
import dataclasses
import json
import re
import shutil
from html import unescape

import numpy as np
import pytest

from camlog.analysis.changes import changes_between
from camlog.analysis.changes.change import Compared, change_of
from camlog.analysis.estimate import Estimate
from camlog.drive import drive_path
from camlog.numbers import number
from camlog.places import sample_logs_folder
from camlog.report import render_comparison
from camlog.report.chart import Chart, line
from camlog.report.charts.steps import overlaid_steps
from camlog.report.comparison import common_axes, counted, doubts, headline, metric_changes
from camlog.report.palette import ACTUAL
from tests.browser_help import DESK, PHONE, Look, browser
from tests.command_help import camlog
from tests.report_drives import findings_of, nasty_findings, without_cams
from tests.test_report import SIZE_LIMIT, text_of


@pytest.fixture(scope="module")
def pair():
    return findings_of("repair-before"), findings_of("repair-after")


@pytest.fixture(scope="module")
def page(pair):
    return render_comparison(*pair)


def test_the_headline_says_what_became_of_each_cam(pair):
    assert headline(*pair).startswith("Intake cam, bank 1: slow before, healthy after.")


def test_a_repaired_response_is_better_and_more_than_chance(pair):
    changes = [
        p
        for p in metric_changes(*pair)["intake_b1"]
        if p.change.better and p.change.figure.title.startswith("time to 63 % of a step,")
    ]
    assert changes
    for before, after, change in changes:
        assert before.figure.value > after.figure.value
        assert change.high < 0.0  # after minus before, the whole interval below zero
        assert change.cells["verdict"] == "better, and more than chance"


def test_a_healthy_cam_in_both_drives_is_not_said_to_be_mended(pair):
    changes = metric_changes(*pair)["exhaust_b1"]
    assert not [p for p in changes if p.before and p.after and p.before.state == "beyond" and p.after.state == "within"]


def test_each_metric_stands_with_before_after_change_and_limit(page, pair):
    text = unescape(text_of(page))
    for before, _, change in metric_changes(*pair)["intake_b1"]:
        cells = change.cells
        assert (
            " ".join(cells[k] for k in ("title", "before", "after", "limit", "amount", "verdict") if cells[k]) in text
        )
        if before is not None and not before.size:
            assert cells["before"] == before.value_words


def test_no_interval_that_includes_no_change_is_more_than_chance(pair):
    told = [*changes_between(*pair), *(p.change for pairs in metric_changes(*pair).values() for p in pairs)]
    ends = [(c, re.search(r"\(95 %: (\S+) to (\S+)\)", c.cells["amount"])) for c in told if c.beyond_chance]
    assert len(ends) > 10
    for change, found in ends:
        if found and found[2] != "no":
            low, high = (float(end.replace(",", "")) for end in found.groups())
            assert not low <= (1.0 if change.kind == "ratio" else 0.0) <= high


def test_a_time_below_that_between_two_readings_is_told_as_such(pair):
    interval_s = pair[1].cams["intake_b1"].examination.data.actual_interval_s
    times = [c for c in changes_between(*pair) if c.figure.name.startswith("t63")]
    quick = [c for c in times if c.figure.after.value is not None and c.figure.after.value < interval_s]
    assert quick and all(c.cells["after"] == f"< {number(c.figure.least)} s" for c in quick)


def _change(before, after, *, above=True):
    compared = Compared("", "m", "s", before, after, cam="intake_b1", limit=1.0, more_is_better=not above)
    return dataclasses.replace(change_of(compared), beyond_chance=True)


@pytest.mark.parametrize(
    ("before", "after", "above", "better"),
    [(0.9, 0.3, True, True), (0.3, 0.9, True, False), (12.0, 80.0, False, True), (80.0, 12.0, False, False)],
)
def test_which_way_is_better_is_for_the_limit_to_say(before, after, above, better):
    figures = [Estimate(v, 0.9 * v, 1.1 * v, 20) for v in (before, after)]
    assert _change(*figures, above=above).better is better


def test_the_interval_of_a_change_is_that_of_two_independent_figures():
    # MOVER (Zou & Donner, Statistics in Medicine 27 (2008)): for even intervals the root of the sum of squares.
    change = change_of(Compared("", "m", "s", Estimate(1.0, 0.7, 1.3, 30), Estimate(0.4, 0.0, 0.8, 30)))
    assert change.value == pytest.approx(-0.6)
    assert (change.low, change.high) == pytest.approx((-0.6 - 0.5, -0.6 + 0.5))


def test_what_only_one_drive_gives_cannot_be_compared():
    change = dataclasses.replace(
        _change(Estimate(1.0, 0.9, 1.1, 9), Estimate(None, reason="no steps")), beyond_chance=None
    )
    assert change.better is None and change.cells["amount"] == "" and "cannot be compared" in change.sentence


def test_counts_of_metrics_that_came_within_their_limits(pair):
    said = counted(metric_changes(*pair))
    mended = int(re.search(r"metrics (\d+) went from beyond", said)[1])
    assert mended >= 2


def test_both_charts_of_a_pair_have_the_same_axes(page):
    charts = json.loads(re.search(r'id="charts">(.*?)</script>', page, re.S)[1])["charts"]
    pairs = re.findall(
        r'<div class="pair">\s*<figure class="chart" id="(chart-\d+)">.*?<figure class="chart" id="(chart-\d+)">',
        page,
        re.S,
    )
    same = 0
    for a, b in pairs:
        if a in charts and b in charts:
            for key in charts[a]["layout"]:
                if re.fullmatch(r"[xy]axis\d*", key) and charts[a]["layout"][key].get("type") != "category":
                    assert charts[a]["layout"][key].get("range") == charts[b]["layout"][key].get("range"), key
                    same += charts[a]["layout"][key].get("range") is not None
    assert same >= 20


def test_step_responses_lie_over_each_other_pale_before_and_dark_after(pair):
    chart = overlaid_steps(*pair, "intake_b1", ["told"])
    assert {(line["name"], line["line"]["color"]) for line in chart.traces} == {
        ("before", "@soft"),
        ("after", "@after"),
    }
    assert {line["xaxis"] for line in chart.traces} == {"x", "x2"} and chart.answer == "told"
    assert "only" not in chart.empty and overlaid_steps(without_cams(), pair[1], "intake_b1", []).empty


def test_a_common_axis_holds_the_values_of_both():
    def chart(values):
        return Chart(
            "k",
            "t",
            traces=(line(np.arange(3.0), np.array(values), "n", "s", ACTUAL),),
            layout={"xaxis": {}, "yaxis": {}},
        )

    for c in common_axes(chart([1.0, 2.0, 3.0]), chart([-5.0, 0.0, np.nan])):
        low, high = c.layout["yaxis"]["range"]
        assert -6.0 < low < -5.0 and 3.0 < high < 4.0
        assert np.frombuffer(base64.b64decode(c.traces[0]["x"]["bdata"]), dtype="<f4").tolist() == [
            0.0,
            1.0,
            2.0,
        ]


def test_it_warns_of_another_car_and_of_the_wrong_order(pair):
    before, after = pair
    assert doubts(before, after) == []
    assert "The second drive was recorded before the first." in doubts(after, before)
    other = dataclasses.replace(
        after, drive=dataclasses.replace(after.drive, vehicle={"name": "Another", "vin_hash": "bb"})
    )
    known = dataclasses.replace(
        before, drive=dataclasses.replace(before.drive, vehicle={"name": "One", "vin_hash": "aa"})
    )
    said = " ".join(doubts(known, other))
    assert "different vehicles" in said and "identification numbers" in said
    assert "Both are the same recording." in doubts(before, before)


def test_a_drive_without_cams_is_set_beside_one_with(pair):
    text = text_of(render_comparison(without_cams(), pair[1]))
    assert "Intake cam, bank 1: not recorded before, healthy after." in text
    assert "Not recorded in this drive." in text


def test_it_is_one_page_below_six_megabytes_with_hashes_of_both(page, pair):
    assert len(page.encode("utf-8")) < SIZE_LIMIT
    text = text_of(page)
    assert all(f.trace.sha256 in text for f in pair)


def test_it_is_drawn_in_a_browser_at_the_desk_and_on_a_phone(tmp_path, pair):
    path = tmp_path / "c.html"
    path.write_text(render_comparison(*pair), encoding="utf-8")
    nasty = tmp_path / "n.html"
    nasty.write_text(render_comparison(nasty_findings(), pair[1]), encoding="utf-8")
    with browser() as chromium:
        for size in (DESK, PHONE):
            with Look(chromium, path, size) as look:
                assert look.troubles == [] and look.outside == []
                drawn = look.page.evaluate(
                    "[...document.querySelectorAll('[data-chart]')].map(p => !!p.querySelector('.main-svg'))"
                )
                assert len(drawn) >= 20 and all(drawn)
                assert look.box("h1")[0]["bottom"] < size["height"]
                assert look.box(".card .verdict")[0]["bottom"] < size["height"]
                assert look.page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        with Look(chromium, nasty, DESK) as look:
            assert look.troubles == [] and look.page.evaluate("window.owned") is None


# ---------------------------------------------------------------- the command


def run(*arguments):
    return camlog("compare", *arguments)


@pytest.fixture
def drives(tmp_path):
    for name in ("repair-before", "repair-after"):
        for source in (
            sample_logs_folder() / f"{name}.csv",
            drive_path(sample_logs_folder() / f"{name}.csv"),
        ):
            shutil.copy(source, tmp_path)
    return tmp_path / "repair-before.csv", tmp_path / "repair-after.csv"


def test_the_command_writes_the_page_and_says_what_changed(drives, tmp_path):
    done = run(*drives, "--vehicle", "demo", "--dashboard", "repair_check")
    assert done.returncode == 0
    # All that is to be said of the samples is that they are simulated.
    said = done.stderr.splitlines()
    assert len(said) == 2 and all("prove nothing" in line for line in said)
    assert "Intake cam, bank 1: slow before, healthy after." in done.stdout
    assert "better, and more than chance" in done.stdout
    written = tmp_path / "repair-after.comparison.html"
    assert f"Comparison: {written}" in done.stdout and "Repair check" in written.read_text(encoding="utf-8")


def test_the_command_overwrites_nothing_without_force(drives, tmp_path):
    kept = tmp_path / "repair-after.comparison.html"
    kept.write_text("mine", encoding="utf-8")
    done = run(*drives)
    assert done.returncode == 2 and kept.read_text(encoding="utf-8") == "mine"
    assert str(kept) in done.stderr and "--force" in done.stderr and "Traceback" not in done.stderr


def test_the_command_refuses_a_slip_in_one_line(drives, tmp_path):
    slip = tmp_path / "mine.toml"
    slip.write_text('schema = "camlog.dashboard/1"\nname = "x"\n[[chart]]\nkind = "angels"\n', encoding="utf-8")
    done = run(*drives, "--dashboard", slip)
    assert done.returncode == 2 and done.stdout == "" and done.stderr.count("\n") == 1
    assert "mine.toml, line 4, chart.1.kind" in done.stderr
    assert run(drives[0], tmp_path / "none.csv").returncode == 2


def test_out_goes_to_another_folder(drives, tmp_path):
    done = run(*drives, "--out", tmp_path / "new" / "folder")
    assert done.returncode == 0
    assert (tmp_path / "new" / "folder" / "repair-after.comparison.html").exists()
