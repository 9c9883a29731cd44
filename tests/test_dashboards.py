"""Dashboards: a shop copies one, edits it and passes it; a slip is refused with file, line and key."""

from __future__ import annotations

import re

import pytest

from camlog.errors import InputError
from camlog.places import dashboards_folder
from camlog.report import render_report
from camlog.report.dashboard import KINDS, TABLES, asked_charts, first_chart, read_dashboard, shipped
from tests.report_drives import NASTY, findings_of
from tests.test_report import text_of

HEAD = 'schema = "camlog.dashboard/1"\nname = "Mine"\n'


def written(tmp_path, text):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_three_dashboards_are_shipped_and_each_draws():
    assert set(shipped()) == {"cold_start", "repair_check", "test_drive"}
    for name in shipped():
        dashboard = read_dashboard(name)
        charts = asked_charts(findings_of("cold-rattle"), dashboard)
        assert len(charts) >= len(dashboard.charts)
        assert sum(not c.empty for c in charts) >= 5


def test_without_a_name_it_is_the_one_for_a_test_drive():
    assert read_dashboard() == read_dashboard("test_drive")


def test_the_cold_start_dashboard_begins_with_the_start_and_cold_oil():
    dashboard = read_dashboard("cold_start")
    assert dashboard.charts[0].kind == "cold_start" and dashboard.windows == ("cold", "warm")
    assert first_chart(findings_of("cold-rattle"), "exhaust_b1", dashboard).kind == "cold_start"


def test_charts_come_in_the_order_of_the_file(tmp_path):
    path = written(
        tmp_path,
        HEAD + '[[chart]]\nkind = "misfires"\n[[chart]]\nkind = "follow"\n[[chart]]\nkind = "drive"\n',
    )
    assert [c.kind for c in asked_charts(findings_of("healthy"), read_dashboard(path))] == [
        "misfires",
        "follow",
        "follow",
        "drive",
    ]


def test_signals_cams_windows_and_times_are_those_asked_for(tmp_path):
    text = (
        HEAD + '[[chart]]\nkind = "drive"\nsignals = ["engine_speed", "spark_advance"]\nfrom_s = 10\nto_s = 70\n'
        '[[chart]]\nkind = "follow"\ncams = ["exhaust_b1"]\nwindows = ["hot"]\ntitle = "Hot only?"\n'
    )
    drive, follow = asked_charts(findings_of("healthy"), read_dashboard(written(tmp_path, text)))
    assert [t["name"] for t in drive.traces] == ["Engine speed", "Spark advance"]
    assert drive.layout["xaxis"]["range"] == [10.0, 70.0]
    assert follow.cam == "exhaust_b1" and follow.title == "Exhaust cam, bank 1: Hot only?"
    assert [t["name"] for t in follow.traces if "°C" in t["name"]] == ["oil 70–100 °C"]


def test_tables_come_in_the_order_of_the_file_and_may_be_left_out(tmp_path):
    path = written(tmp_path, HEAD + 'tables = ["codes", "causes"]\n[[chart]]\nkind = "misfires"\n')
    html = render_report(findings_of("healthy"), dashboard=path)
    found = re.findall(r'<section id="(causes|figures|codes|coverage|recording)"', html)
    assert found == ["codes", "causes"]
    assert 'id="cautions"' in html  # cautions are no matter of choice


def test_a_recording_with_signals_of_its_own_can_show_them(tmp_path):
    path = written(tmp_path, HEAD + '[[chart]]\nkind = "drive"\nsignals = ["boost_target"]\n')
    chart = asked_charts(findings_of("healthy"), read_dashboard(path))[0]
    assert chart.empty == "None of these signals was recorded."


def test_the_worked_example_of_the_documentation_works(tmp_path):
    guide = (dashboards_folder() / "README.md").read_text(encoding="utf-8")
    example = re.search(r"```toml\n(.*?)```", guide, re.S)[1]
    dashboard = read_dashboard(written(tmp_path, example))
    charts = asked_charts(findings_of("leaking-hot"), dashboard)
    assert [c.kind for c in charts] == ["drive", "steps", "follow", "follow", "angles", "angles"]
    text = text_of(render_report(findings_of("leaking-hot"), dashboard=tmp_path / "mine.toml"))
    assert "Hot oil complaint" in text and "Did pressure fall as the oil got hot?" in text
    # The error the guide shows is the one that comes.
    slip = example.replace('signals = ["engine', 'signal = ["engine')
    with pytest.raises(InputError) as caught:
        read_dashboard(written(tmp_path, slip))
    shown = re.search(r"camlog: hot-oil\.toml, (line \d+, chart\.1\.signal: .*)", guide)[1]
    assert str(caught.value).endswith(shown)


def test_every_chart_table_and_shipped_dashboard_is_in_the_documentation():
    guide = (dashboards_folder() / "README.md").read_text(encoding="utf-8")
    for word in (*KINDS, *TABLES, *shipped(), "from_s", "to_s", "seconds", "windows", "first", "purpose"):
        assert f"`{word}`" in guide


@pytest.mark.parametrize(
    ("text", "line", "key", "remedy"),
    [
        (HEAD + '[[chart]]\nknd = "drive"\n', 4, "chart.1.knd", "Did you mean kind?"),
        (HEAD + '[[chart]]\nkind = "angels"\n', 4, "chart.1.kind", "Correct it"),
        (HEAD + '[[chart]]\nkind = "drive"\n[[chart]]\ntitle = "x"\n', 5, "chart.2.kind", "Add kind"),
        (HEAD, 1, "chart", "Add chart"),
        ('name = "x"\n[[chart]]\nkind = "drive"\n', 1, "schema", "Add schema"),
        ('schema = "camlog.dashboard/2"\nname = "x"\n[[chart]]\nkind = "drive"\n', 1, "schema", "Correct it"),
        (HEAD + 'windows = ["cold", "frozen"]\n[[chart]]\nkind = "drive"\n', 3, "windows", "Correct it"),
        (HEAD + '[[chart]]\nkind = "drive"\nwindows = ["cold"]\n', 5, "chart.1.windows", "Leave it out"),
        (HEAD + '[[chart]]\nkind = "steps"\nseconds = "two"\n', 5, "chart.1.seconds", "Correct it"),
        (HEAD + '[[chart]]\nkind = "drive"\nsignals = ["engine_sped"]\n', 5, "chart.1.signals.1", "Did you mean engine_speed?"),
        (HEAD + '[[chart]]\nkind = "drive"\nfrom_s = 9\nto_s = 4\n', 6, "chart.1.to_s", "Correct one"),
        (HEAD + '[[chart]]\nkind = "drive"\nfrom_s = nan\n', 5, "chart.1.from_s", "Correct it"),
        (HEAD + 'first = "drive"\n[[chart]]\nkind = "drive"\n', 3, "first", "Correct it"),
        (HEAD + 'tables = ["causes", "causes"]\n[[chart]]\nkind = "drive"\n', 3, "tables", "Correct it"),
        (HEAD + "[[chart]]\nkind = drive\n", 4, None, "double quotes"),
    ],
)  # fmt: skip
def test_a_slip_is_refused_with_file_line_key_and_remedy(tmp_path, text, line, key, remedy):
    path = written(tmp_path, text)
    with pytest.raises(InputError) as caught:
        read_dashboard(path)
    error = caught.value
    assert error.file == str(path) and error.line == line and error.column == key
    assert remedy in error.remedy


def test_the_old_names_of_two_keys_are_read_with_a_remark(tmp_path):
    old = read_dashboard(written(tmp_path, HEAD + '[[panel]]\nchart = "steps"\nseconds = 2\n'))
    new = read_dashboard(written(tmp_path, HEAD + '[[chart]]\nkind = "steps"\nseconds = 2\n'))
    assert old.charts == new.charts and new.remarks == ()
    assert "[[chart]]" in old.remarks[0] and "kind" in old.remarks[0]
    with pytest.raises(InputError) as caught:
        read_dashboard(written(tmp_path, HEAD + '[[panel]]\nchrt = "drive"\n'))
    assert caught.value.column == "panel.1.chrt" and "Did you mean chart?" in caught.value.remedy


def test_charts_that_the_grid_replaces_are_read_with_a_remark(tmp_path):
    text = HEAD + 'first = "rest"\n[[chart]]\nkind = "oil"\nwindows = ["hot"]\n[[chart]]\nkind = "drive"\n'
    board = read_dashboard(written(tmp_path, text))
    assert [c.kind for c in board.charts] == ["drive"] and board.first == "auto"
    assert "by oil temperature" in board.remarks[0]


def test_a_missing_file_names_the_shipped_ones(tmp_path):
    with pytest.raises(InputError, match="test_drive"):
        read_dashboard(tmp_path / "none.toml")
    with pytest.raises(InputError, match="cold_start"):
        read_dashboard("cold_strat")


def test_not_text_and_too_large_are_refused(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_bytes(b'name = "\xff"\n')
    with pytest.raises(InputError, match="UTF-8"):
        read_dashboard(path)
    path.write_bytes(b"#" * 300_000)
    with pytest.raises(InputError, match="too large"):
        read_dashboard(path)


def test_hostile_words_in_a_dashboard_are_text(tmp_path):
    text = f"schema = \"camlog.dashboard/1\"\nname = '{NASTY[2]}'\npurpose = '{NASTY[1]}'\n[[chart]]\nkind = 'drive'\ntitle = '{NASTY[0]}'\n"
    html = render_report(findings_of("too-short"), dashboard=written(tmp_path, text))
    page = re.sub(r"<script>.*?</script>", "", html, flags=re.S)
    assert "<script>window" not in page and "<img" not in page and "&lt;img" in page
