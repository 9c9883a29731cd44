"""What a report says: the answer first, then every figure beside its limit, and where all of it comes from."""

from __future__ import annotations

import dataclasses
import json
import re

import numpy as np
import plotly.graph_objects
import pytest

from camlog.analysis import analyze
from camlog.analysis.estimate import Estimate
from camlog.drive import Drive
from camlog.limits import LIMITS
from camlog.numbers import number, with_unit
from camlog.page import content_policy, json_block, render_page, shipped_text
from camlog.profile import read_profile
from camlog.report import render_report, write_report
from camlog.report.chart import numbers, plain
from camlog.report.dashboard import FIRST, asked_charts, first_chart, read_dashboard
from camlog.report.palette import COLORS, SERIES, window_role
from camlog.report.summary import card, headline, next_steps, owner_paragraph
from camlog.report.tables import Row, rows
from camlog.report.thin import line_points, thin
from camlog.report.words import CONDITION_WORDS
from camlog.stream import Event
from camlog.trace import Trace
from camlog.visible import visible
from tests.report_drives import findings_of, long_trace, nasty_findings, without_cams
from tests.verdict_drives import drive, sound, trace_of

SIZE_LIMIT = 6_000_000
FAULTS = {"sticking": "sticking", "slow-cold": "slow", "stuck": "stuck", "timing-offset": "offset", "cold-rattle": "unstable",
          "leaking-hot": "unstable"}  # fmt: skip


def text_of(html: str) -> str:
    """What a reader sees: no scripts, styles, data or tags."""
    html = re.sub(r"<(script|style)\b.*?</\1>", " ", html, flags=re.S)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


@pytest.fixture(scope="module")
def sticking():
    return render_report(findings_of("sticking"))


# ---------------------------------------------------------------- the first screen


@pytest.mark.parametrize(("name", "condition"), FAULTS.items())
def test_the_headline_names_cam_and_fault(name, condition):
    said = headline(findings_of(name))
    # An unstable cam is told by its kind.
    word = {"cold-rattle": "rattling at start", "leaking-hot": "hunting"}.get(name, CONDITION_WORDS[condition].lower())
    assert word in said.lower()
    assert ("Intake cam, bank 1" in said) or said.startswith("Both cams")


@pytest.mark.parametrize("name", FAULTS)
def test_a_verdict_comes_with_its_number_its_limit_and_how_sure_it_is(name):
    findings = findings_of(name)
    found = findings.cams["intake_b1"]
    shown = card(found)
    assert re.search(r"\d", shown["figure"]["value"])
    assert shown["figure"]["limit"] or "sensor" in name
    assert shown["sure"] == f"{min(round(100 * found.verdict.confidence), 99)} % sure"


def test_a_drive_too_short_gets_no_verdict_no_number_and_what_to_drive():
    findings = findings_of("too-short")
    shown = card(findings.cams["intake_b1"])
    assert shown["state"] == "unknown" and shown["figure"] is None and shown["sure"] == ""
    steps = next_steps(findings)
    assert steps["title"] == "Drive this next" and steps["items"]
    assert "nothing is claimed" in owner_paragraph(findings)


def test_the_owner_is_told_what_and_what_next_without_trade_words():
    said = owner_paragraph(findings_of("sticking"))
    assert "camshaft" in said and "before any part is ordered" in said
    assert not re.search(r"T63|rms|deg|phaser|P00", said)


def test_a_misfire_with_healthy_cams_points_away_from_the_cams():
    findings = findings_of("ignition-misfire")
    assert headline(findings) == "Both cams: healthy."
    page = text_of(render_report(findings))
    assert (
        "Misfires were counted from 0:13 on. They are most frequent with oil below 40 °C"
        in page[: page.index("Check next")]
    )
    assert "ignition" in owner_paragraph(findings)
    assert any("coil" in item["text"].lower() for item in next_steps(findings)["items"])


def test_without_cam_angles_the_report_says_that_it_cannot_judge():
    html = text_of(render_report(without_cams()))
    assert "The cams cannot be judged: no cam angles were recorded." in html
    assert "nothing can be said about the cam adjusters" in html
    assert "Healthy" not in html


@pytest.mark.parametrize("name", [*FAULTS, "healthy", "too-short"])
def test_the_first_chart_is_the_one_that_shows_the_verdict(name):
    findings = findings_of(name)
    for cam, found in findings.cams.items():
        chart = first_chart(findings, cam, read_dashboard())
        wanted = FIRST[found.verdict.condition]
        assert chart.kind == wanted or (chart.kind == "cold_start" and found.verdict.condition == "unstable")
        assert not chart.empty and chart.traces


def test_a_cold_rattle_is_shown_by_the_seconds_after_the_start():
    assert first_chart(findings_of("cold-rattle"), "intake_b1", read_dashboard()).kind == "cold_start"


# ---------------------------------------------------------------- evidence


@pytest.mark.parametrize("name", ["sticking", "too-short", "timing-offset", "ignition-misfire"])
def test_plotly_itself_accepts_every_chart(name):
    # Independent reading: the validators of plotly's own Python package.
    for chart in asked_charts(findings_of(name), read_dashboard()):
        if not chart.empty:
            spec = json.loads(json.dumps(chart.spec()).replace('"@', '"#'))
            colourless = _without_colours(spec)
            plotly.graph_objects.Figure(data=colourless["data"], layout=colourless["layout"])


def _without_colours(value):
    if isinstance(value, dict):
        return {
            k: ("#123456" if k in ("color", "fillcolor", "bgcolor") else _without_colours(v))
            for k, v in value.items() if k not in ("x", "y")
        }  # fmt: skip
    return [_without_colours(v) for v in value] if isinstance(value, list) else value


def test_every_colour_a_chart_asks_for_is_in_the_style_sheet():
    css = shipped_text("style.css")
    for name in ("sticking", "ignition-misfire", "cold-rattle"):
        for chart in asked_charts(findings_of(name), read_dashboard()):
            assert set(re.findall(r'"(@[a-z_]+)"', json.dumps(chart.spec()))) <= set(COLORS)
    for color in COLORS:
        assert css.count(f"--{color[1:]}:") >= 2, color  # light and dark


def test_every_chart_asks_a_question_and_answers_it():
    for chart in asked_charts(findings_of("sticking"), read_dashboard()):
        assert chart.title.endswith("?")
        assert chart.answer.endswith(".") or chart.empty.endswith(".")


def test_markers_gaps_and_codes_stand_over_the_drive():
    findings = findings_of("stuck")
    drive = dataclasses.replace(
        findings.drive, events=(Event(30.0, "marker", "rattle heard"), Event(100.0, "gap", "cable pulled"))
    )
    chart = asked_charts(analyze(findings.trace, drive, findings.profile), read_dashboard())[0]
    texts = [t for trace in chart.traces for t in trace.get("text", [])]
    assert "rattle heard" in texts and "cable pulled" in texts
    assert any(re.fullmatch(r"P[0-9A-F]{4}", t) for t in texts)  # the stuck cam set codes


def test_t63_and_t86_are_marked_where_they_were_measured():
    findings = findings_of("repair-before")
    chart = next(c for c in asked_charts(findings, read_dashboard()) if c.kind == "steps" and c.cam == "intake_b1")
    marked = {round(s["x0"], 6) for s in chart.layout["shapes"] if s["x0"] == s.get("x1")}
    by_window = findings.cams["intake_b1"].examination.response.by_window.values()
    measured = {
        round(e.value, 6)
        for r in by_window
        for s in (r.advance, r.retard)
        for e in (s.t63, s.t86)
        if e.value is not None
    }
    assert measured and measured == marked


def test_the_stick_band_is_drawn_either_side_of_the_command():
    findings = findings_of("sticking")
    chart = next(c for c in asked_charts(findings, read_dashboard()) if c.kind == "follow" and c.cam == "intake_b1")
    band = findings.cams["intake_b1"].examination.sticking.stick_band_deg.value
    lines = [t for t in chart.traces if t.get("legendgroup") == "band"]
    assert len(lines) == 2
    assert f"{number(band)} deg" in chart.answer


# ---------------------------------------------------------------- thinning


def test_thinning_keeps_every_extreme():
    rng = np.random.default_rng(3)
    t = np.cumsum(rng.uniform(0.02, 0.05, 200_000))
    v = rng.normal(0.0, 1.0, len(t))
    v[123_457], v[77_777] = 60.0, -45.0  # single readings
    few_t, few = thin(t, v, 2000)
    assert len(few) <= 2100 and few.max() == 60.0 and few.min() == -45.0
    for a, b in ((0, 50_000), (100_000, 150_000)):
        inside = (few_t >= t[a]) & (few_t <= t[b])
        assert few[inside].max() >= np.sort(v[a:b])[-2]  # M4 (Jugel et al. 2014): lowest and highest of each stretch


def test_nothing_is_drawn_where_nothing_was_read():
    t = np.concatenate([np.arange(0.0, 50.0, 0.05), np.arange(80.0, 120.0, 0.05)])
    x, y = line_points(t, np.ones(len(t)), 400)
    hole = np.flatnonzero(np.isnan(y))
    assert len(hole) == 1 and 50.0 < x[hole[0]] < 80.0


def test_a_slow_signal_is_not_torn_apart():
    t = np.arange(0.0, 600.0, 5.0)
    assert not np.isnan(line_points(t, np.ones(len(t)), 400)[1]).any()


# ---------------------------------------------------------------- tables


def test_every_judged_figure_stands_beside_its_limit_and_the_limits_source(sticking):
    text = text_of(sticking)
    findings = findings_of("sticking")
    for row in rows(findings, "intake_b1"):
        assert row.metric in text
        if row.limit is not None:
            assert row.source and row.limit_words in text
        if row.figure.value is not None and row.figure.interval:
            assert row.interval in text
    assert "common practice, no source" in text


def test_what_could_not_be_measured_says_so_and_is_never_zero():
    row = Row("Response", "T63", Estimate(None, None, None, 0, "no steps"), "s", LIMITS["t63_hot_s"])
    assert (row.value_words, row.state, row.interval) == ("not measured", "missing", "")
    bound = Row("Response", "T63", Estimate(None, 1.4, None, 3, "not arrived"), "s", LIMITS["t63_hot_s"])
    assert (bound.value_words, bound.state) == ("more than 1.4 s", "beyond")
    below = Row(
        "Response",
        "dead time",
        Estimate(None, 0.0, 0.04, 3, "below the resolution"),
        "s",
        LIMITS["dead_time_s"],
    )
    assert (below.value_words, below.state) == ("under 0.04 s", "within")
    fast = Row(
        "Response",
        "slew",
        Estimate(None, 19.0, None, 3, "it kept up"),
        "deg/s",
        LIMITS["slew_min_hot_deg_per_s"],
        above=False,
    )
    assert fast.state == "missing"  # at least 19 says nothing against a limit of at least 30


@pytest.mark.parametrize(
    ("value", "low", "high", "state"),
    [
        (2.0, 1.5, 2.4, "within"),
        (2.0, 1.5, 3.0, "unsure"),
        (4.0, 3.5, 4.4, "beyond"),
        (-4.0, -4.4, -3.5, "beyond"),
    ],
)
def test_a_figure_whose_interval_reaches_across_the_limit_is_neither_in_nor_out(value, low, high, state):
    row = Row("Rest", "offset", Estimate(value, low, high, 9), "deg", LIMITS["rest_offset_deg"], size=True)
    assert row.state == state


def test_no_time_shorter_than_that_between_two_readings_is_told():
    findings = findings_of("healthy")
    interval_s = findings.cams["intake_b1"].examination.data.actual_interval_s
    times = [r for r in rows(findings, "intake_b1") if r.key in ("t63_s", "t86_s") and r.figure]
    assert any(r.figure.value < interval_s for r in times)
    for row in times:
        assert row.value_words.startswith("< ") == (row.figure.value < interval_s)


def test_causes_come_with_evidence_on_both_sides_and_checks_in_order(sticking):
    text = text_of(sticking).replace("&#39;", "'")
    best = findings_of("sticking").causes[0]
    for sentence in best.evidence_for:
        assert sentence in text
    start = text.index("Checks, in order")
    places = [text.index(check, start) for check in best.next_checks]
    assert places == sorted(places)


def test_codes_readiness_lamp_and_freeze_frame_are_shown():
    text = text_of(render_report(findings_of("stuck")))
    codes = findings_of("stuck").codes
    assert codes.codes
    for code in codes.codes:
        assert code.code in text
    assert f"MIL (warning lamp): {'on' if codes.mil else 'off'}" in text
    assert "Monitors since the last clear" in text and "egr vvt system" in text
    if codes.freeze_frame:
        assert "Freeze frame" in text


def test_codes_that_were_not_read_are_not_said_to_be_none():
    findings = findings_of("healthy")
    text = text_of(render_report(analyze(findings.trace, Drive(), findings.profile)))
    assert "Not read: stored, pending, permanent; that is not the same as none." in text
    assert "held no code" not in text


def test_provenance_names_files_hashes_version_profile_and_limits_overridden():
    findings = findings_of("healthy")
    profile = dataclasses.replace(read_profile("demo"), limits={"hold_error_deg": 3.5})
    text = text_of(render_report(analyze(findings.trace, findings.drive, profile)))
    for piece in (
        findings.trace.name,
        findings.trace.sha256,
        profile.sha256,
        "Invented four-cylinder",
        read_dashboard().sha256,
    ):
        assert piece in text
    assert "Largest error at a steady command 3.5 deg hold_error_deg" in text
    assert "within ±3.5 deg" in text or "at most 3.5 deg" in text
    assert "vehicle profile" in text


def test_a_recording_changed_after_the_drive_is_pointed_out():
    findings = findings_of("healthy")
    other = dataclasses.replace(findings.drive, trace_sha256="0" * 64)
    assert "DIFFERENT: 000" in text_of(render_report(dataclasses.replace(findings, drive=other)))


def test_cautions_are_on_the_page(sticking):
    text = text_of(sticking)
    for caution in findings_of("sticking").cautions:
        assert caution in text
    assert "not a roadworthiness statement" in text and "turn it by hand first" in text


# ---------------------------------------------------------------- form


def test_the_page_is_one_file_that_asks_for_nothing_from_elsewhere(sticking):
    page = re.sub(r"<script>.*?</script>", "", sticking, flags=re.S)
    assert not re.search(r"""(src|href)\s*=\s*["']?(https?:)?//""", page)
    assert "@import" not in page and "url(" not in page.replace("url(#", "")
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)[1]
    assert "default-src &#39;none&#39;" in policy and "connect-src &#39;none&#39;" in policy
    assert "unsafe-eval" not in policy and policy.count("sha256-") == 2
    assert not re.search(r"\son[a-z]+\s*=", page)


@pytest.mark.parametrize("hours", [0.2, 1.0, 8.0])
def test_a_report_stays_below_six_megabytes(hours):
    findings = findings_of("sticking")
    trace = long_trace(hours)
    # Only what the charts read is made long: the judgement of the short drive serves as well.
    data = findings.cams["intake_b1"].examination.data
    times = round(len(trace.time_s) / len(findings.trace.time_s))
    step = findings.trace.duration_s + 0.1

    def long(found):
        d = found.examination.data
        many = dataclasses.replace(
            d, **{n: np.concatenate([getattr(d, n) + i * step for i in range(times)]) for n in ("actual_time_s", "command_time_s")},
            **{n: np.tile(getattr(d, n), times) for n in ("actual_deg", "command_deg")},
        )  # fmt: skip
        return dataclasses.replace(found, examination=dataclasses.replace(found.examination, data=many))

    cams = {cam: long(found) for cam, found in findings.cams.items()}
    cams |= {
        cam.replace("b1", "b2"): dataclasses.replace(found, cam=cam.replace("b1", "b2")) for cam, found in cams.items()
    }
    size = len(render_report(dataclasses.replace(findings, trace=trace, cams=cams)).encode("utf-8"))
    assert data is not None and size < SIZE_LIMIT


def test_a_page_is_written_whole_or_not_at_all(tmp_path):
    path = tmp_path / "drive.report.html"
    write_report(findings_of("too-short"), path)
    assert path.read_text(encoding="utf-8").rstrip().endswith("</html>")
    assert [p.name for p in tmp_path.iterdir()] == ["drive.report.html"]


def test_hostile_names_come_out_as_text():
    html = render_report(nasty_findings())
    page = re.sub(r"<script>.*?</script>", "", html, count=0, flags=re.S)
    assert "<script>window.owned" not in page and "<img" not in page
    assert "&lt;script&gt;window.owned=1&lt;/script&gt;" in page
    assert not re.search("[\u202a-\u202e\u2066-\u2069\u200b\x00\x07\x1b\u2028\u2029]", page)
    assert "{{ 7*7 }}" in page


def test_a_data_block_cannot_be_ended_from_inside():
    block = str(json_block({"a": "</script><!-- & \u2028"}))
    assert "<" not in block and ">" not in block and "\u2028" not in block
    assert json.loads(block) == {"a": "</script><!-- & \u2028"}


def test_hidden_characters_are_shown_by_number():
    assert visible("a\u202eb\x00c") == "a[U+202E]b[U+0000]c"
    assert visible("Öl 5W-30 · °C") == "Öl 5W-30 · °C"
    assert plain("<b>x</b>\n&") == "&lt;b&gt;x&lt;/b&gt; &amp;"


def test_no_script_runs_but_those_named():
    assert "script-src 'none'" in content_policy([])
    page = render_page("page.html", scripts=["let a = 1;"])
    assert "<script>let a = 1;</script>" in page and page.count("sha256-") == 1


def _luminance(color: str) -> float:
    # WCAG 2.1, relative luminance (from memory)
    parts = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def _contrast(a: str, b: str) -> float:
    high, low = sorted((_luminance(a), _luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_colours_can_be_read_in_light_and_dark():
    # WCAG 2.1: 4.5 for text, 3 for lines of charts (from memory)
    css = shipped_text("style.css")
    themes = [
        dict(re.findall(r"--([a-z_]+): (#[0-9a-f]{6})", block))
        for block in re.findall(r":root[^{]*\{(.*?)\}", css, re.S)
    ]
    light, dark = (t for t in themes if "ground" in t)
    for theme in (light, dark):
        for text in ("ink", "soft", "good", "bad", "unknown", "link"):
            for ground in ("ground", "panel"):
                assert _contrast(theme[text], theme[ground]) >= 4.5, (text, ground)
        for line in ("command", "actual", "error", "third", "fourth", "cold", "warm", "hot", "very_hot"):
            assert _contrast(theme[line], theme["ground"]) >= 3.0, line


def test_nothing_is_told_apart_by_colour_alone():
    windows = findings_of("healthy").conditions.windows.windows
    roles = [window_role(w) for w in windows]
    assert len({r.dash for r in roles}) == len({r.symbol for r in roles}) == len(roles) == 4
    assert len({r.dash for r in SERIES}) == len(SERIES)


# ---------------------------------------------------------------- small words


@pytest.mark.parametrize(
    ("value", "said"),
    [(None, "–"), (0.0, "0"), (0.0774, "0.077"), (0.826, "0.83"), (1.0, "1"), (2.713, "2.71"), (35.12, "35.1"), (1234.5, "1,234"),
     (-0.5, "-0.5"), (99.99, "100")],
)  # fmt: skip
def test_numbers_are_said_with_the_figures_that_matter(value, said):
    assert number(value) == said


def test_shares_are_percent_and_temperatures_have_their_sign():
    assert with_unit(0.84, "share") == "84 %" and with_unit(92.0, "degC") == "92 °C" and with_unit(None, "s") == "–"


def test_arrays_travel_as_32_bit_floats():
    packed = numbers(np.array([1.5, np.nan, -2.25]))
    import base64

    back = np.frombuffer(base64.b64decode(packed["bdata"]), dtype="<f4")
    assert packed["dtype"] == "f4" and np.array_equal(back, np.array([1.5, np.nan, -2.25], dtype="f4"), equal_nan=True)


def test_a_drive_without_any_misfire_has_a_report():
    """Counters that stay at zero: a rate of zero is no reason for none."""
    rng = np.random.default_rng(3)
    d = drive(rng, 200)
    trace = trace_of(d, rng, {"intake_b1": (d.command(), sound(d.command()))})
    columns = dict(trace.columns) | {
        f"misfire_cyl{n}": np.where(np.arange(len(trace.time_s)) % 20 == 0, 0.0, np.nan) for n in range(1, 5)
    }
    assert "<html" in render_report(analyze(Trace(trace.time_s, columns)))
