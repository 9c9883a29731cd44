"""Numbers in the shop's units: pressures, speeds and temperatures as it reads them, and files as they always are.

Check values are the exact definitions of the units: 1 psi is 6.894757 kPa, 1 mi is 1.609344 km, 1 lb is 453.59237 g
(NIST Special Publication 811, appendix B).
"""

from __future__ import annotations

import json
import math
import os
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from camlog.cli import build_app
from camlog.messages import Messages
from camlog.numbers import in_whole, unit_words, with_unit
from camlog.oil_windows import OilWindow
from camlog.report.chart import line
from camlog.report.palette import Role
from camlog.serve.board import Board
from camlog.serve.worker import Workers, unlinked
from camlog.sinks.words import value_text
from camlog.stream import Batch
from camlog.units import remember_units, remembered_units, showing, shown_units, shown_value

SAMPLES = Path(__file__).parent.parent / "sample_logs"


@pytest.fixture
def us():
    with showing("us"):
        yield


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [(90.0, "degC", 194.0), (-40.0, "degC", -40.0), (6.894757, "kPa", 1.0), (1.609344, "km/h", 1.0),
     (453.59237 / 60.0, "g/s", 1.0), (12.0, "deg", 12.0), (800.0, "rpm", 800.0), (3.0, "%", 3.0)],
)  # fmt: skip
def test_values_become_those_of_the_shop_and_angles_stay_degrees(us, value, unit, shown):
    assert shown_value(value, unit) == pytest.approx(shown, rel=1e-6)
    assert shown_value(np.array([value, math.nan]), unit)[0] == pytest.approx(shown, rel=1e-6)


def test_a_difference_of_temperatures_has_no_zero(us):
    assert shown_value(22.0, "degC", apart=True) == pytest.approx(39.6)
    assert in_whole(22.0, "degC", apart=True) == "40 °F" and in_whole(71.0, "degC") == "160 °F"


def test_every_way_to_write_a_number_shows_the_shops_unit(us):
    assert with_unit(90.0, "degC") == "194 °F" and with_unit(100.0, "kPa") == "14.5 psi"
    assert unit_words("km/h") == "mph" and unit_words("deg") == "deg" and with_unit(4.0, "deg") == "4 deg"
    assert value_text("oil_temp", 90.0, degree_sign=True) == "194 °F" and value_text("oil_temp", 90.0) == "194 degF"
    assert value_text("oil_pressure", 300.0) == "43.5 psi" and value_text("vehicle_speed", 100.0) == "62 mph"
    assert OilWindow(40.0, 70.0).label == "104–158 °F" and OilWindow(100.0, math.inf).words == "above 212 °F"
    say = Messages("camlog.analysis.drive")
    assert say("warm_up.rise", rise=30.0, top=80.0, least_rise=22.0, least_top=71.0) == (
        "Coolant rose by 54 °F to 176 °F; a warm-up cycle rises by at least 40 °F to at least 160 °F (13 CCR 1968.2(c))."
    )
    assert "25 mph" in Messages("camlog.capture")("permanent.stay")


def test_without_a_choice_it_is_metric():
    assert with_unit(90.0, "degC") == "90 °C" and value_text("vehicle_speed", 100.0) == "100 km/h"
    assert OilWindow(-math.inf, 40.0).label == "below 40 °C"


def test_a_chart_draws_the_values_that_it_names(us):
    drawn = line(np.arange(3.0), np.array([0.0, 50.0, 100.0]), "Oil", "degC", Role("@hot"))
    assert drawn["meta"]["unit"] == "°F" and "°F" in drawn["hovertemplate"]
    with showing("metric"):
        metric = line(np.arange(3.0), np.array([32.0, 122.0, 212.0]), "Oil", "degC", Role("@hot"))
    assert drawn["y"] == metric["y"]


def test_the_page_shows_a_drive_in_them_while_it_runs(us):
    board = Board()
    board.accept(Batch(0.0, {"oil_temp": 90.0, "vehicle_speed": 100.0, "cam_intake_b1_actual": 20.0}))
    update = board.update()
    assert update["samples"]["cam_intake_b1_actual"][1] == [20.0]
    assert update["values"]["oil_temp"]["text"] == "194 °F" and update["values"]["vehicle_speed"]["text"] == "62 mph"


def test_what_works_in_the_background_shows_the_same(us):
    workers = Workers()
    try:
        assert workers.do(unlinked, with_unit, 90.0, "degC")[1] == "194 °F"
        with showing("metric"):
            assert workers.do(unlinked, with_unit, 90.0, "degC")[1] == "90 °C"
    finally:
        workers.close()


def test_the_page_remembers_them(monkeypatch, tmp_path):
    monkeypatch.setenv("CAMLOG_UNITS", "metric")
    monkeypatch.setattr("platformdirs.user_config_path", lambda *_, **__: tmp_path / "config")
    assert remembered_units() == "metric"
    remember_units("us")
    monkeypatch.setenv("CAMLOG_UNITS", "metric")
    assert shown_units() == "metric" and remembered_units() == "us"
    (tmp_path / "config" / "units").write_text("furlongs")
    assert remembered_units() == "metric"


def test_report_and_terminal_are_in_them_and_files_stay_metric(tmp_path):
    trace = str(SAMPLES / "slow-cold.csv")
    runner, app = CliRunner(), build_app()
    done = runner.invoke(app, ["analyze", trace, "--out", str(tmp_path), "--units", "us"])
    assert done.exit_code == 0, done.output
    assert "104 °F" in done.stdout and "°C" not in done.stdout
    page = (tmp_path / "slow-cold.report.html").read_text(encoding="utf-8")
    assert "104–158 °F" in page and "°C" not in page.replace("°C, kPa", "")
    kept = json.loads((tmp_path / "slow-cold.findings.json").read_text(encoding="utf-8"))
    asked = runner.invoke(app, ["analyze", trace, "--json", "--units", "us"])
    assert json.loads(asked.stdout) == kept and "40 °C" in asked.stdout and "°F" not in asked.stdout
    assert "CAMLOG_UNITS" not in os.environ or os.environ["CAMLOG_UNITS"] == "metric"


def test_other_units_are_refused_in_one_line():
    done = CliRunner().invoke(build_app(), ["analyze", "x.csv", "--units", "imperial"])
    assert done.exit_code == 2 and "us" in done.output
