"""A clock that leaps, a recording that stood for weeks: work grows with the rows, and the leap is said."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest

from camlog.analysis import analyze
from camlog.convert import read_any
from camlog.errors import InputError
from camlog.places import sample_logs_folder
from camlog.report import render_report
from camlog.trace import Trace, read_trace, write_trace

WEEK_S, FIFTY_YEARS_S = 604_800.0, 1.58e9


def leaping(trace: Trace, leap_s: float, leaps: int = 1) -> Trace:
    """The same rows, with a clock that was put forward so often, at even distances."""
    piece = np.arange(len(trace.time_s)) * (leaps + 1) // len(trace.time_s)
    return replace(trace, time_s=trace.time_s + piece * leap_s)


@pytest.fixture(scope="module")
def drive() -> Trace:
    return read_trace(sample_logs_folder() / "sticking.csv")


@pytest.mark.parametrize(("leap_s", "leaps"), [(WEEK_S, 1), (FIFTY_YEARS_S, 1), (WEEK_S, 3000), (60.0, 9000)])
def test_memory_grows_with_the_rows_and_not_with_the_time_between_them(drive, leap_s, leaps):
    # A drive of 11,500 rows fills 3 MB; a grid of 20 points a second over a week has 12 million points.
    tracemalloc.start()
    try:
        analyze(leaping(drive, leap_s, leaps))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 120e6


def test_the_verdict_is_that_of_the_drive_and_the_leap_is_a_gap(drive):
    plain, leapt = analyze(drive), analyze(leaping(drive, FIFTY_YEARS_S))
    assert {c: f.verdict.condition for c, f in leapt.cams.items()} == {
        c: f.verdict.condition for c, f in plain.cams.items()
    }
    (gap,) = [g for g in leapt.conditions.gaps if g.end_s - g.start_s > 3600.0]
    assert gap.end_s - gap.start_s == pytest.approx(FIFTY_YEARS_S, rel=1e-6)


def test_a_leap_of_the_clock_is_said(drive, tmp_path):
    write_trace(leaping(drive, WEEK_S), tmp_path / "leap.csv")
    (warning,) = read_trace(tmp_path / "leap.csv").warnings
    assert "leaps from" in warning and "7 days" in warning and "clock" in warning
    assert not drive.warnings


def test_two_readings_fifty_years_apart_are_little_work(drive):
    few = replace(
        drive, time_s=np.array([0.0, FIFTY_YEARS_S]), columns={n: v[3000:3002] for n, v in drive.columns.items()}
    )
    assert {c.verdict.condition for c in analyze(few).cams.values()} <= {"insufficient_data"}


@pytest.mark.parametrize("factor", [1e-9, 1e-300, 1e4])
def test_times_in_a_wrong_unit_are_no_fault_of_the_analysis(drive, factor):
    assert analyze(replace(drive, time_s=drive.time_s * factor)).cams


@pytest.mark.parametrize("time", ["1e150", "-1e12", "9e307"])
def test_a_time_no_drive_has_is_refused_where_it_stands(tmp_path, time):
    path = tmp_path / "late.csv"
    path.write_text(f"time [s],engine_speed [rpm]\n0,700\n{time},710\n")
    with pytest.raises(InputError, match="line 3, time: .*no time of a drive"):
        read_trace(path)


def test_a_foreign_file_with_a_time_no_drive_has_is_refused(tmp_path):
    path = tmp_path / "late.csv"
    path.write_text(
        "Time (s),Engine RPM (rpm)\n" + "".join(f"{i if i < 90 else 3e19},{700 + i % 7}\n" for i in range(100))
    )
    with pytest.raises(InputError, match="no time of a drive"):
        read_any(path)


def test_values_no_sensor_gives_still_make_a_page(drive):
    cam = "cam_intake_b1_actual"
    huge = replace(
        drive,
        columns={**drive.columns, cam: drive.columns[cam] * 1e306, "engine_load": drive.columns["engine_load"] * 1e306},
    )
    assert "<html" in render_report(analyze(huge))
