"""Recordings that are no text: workbooks, Parquet and MDF 4 read as the same table in CSV would; damaged ones are refused."""

from __future__ import annotations

import datetime
import sys

import numpy as np
import pytest

from camlog.convert import convert, read_any
from camlog.errors import InputError
from camlog.trace import read_trace

HEADINGS = [
    "Time (s)",
    "Engine speed (rpm)",
    "Oil temp (°C)",
    "Intake cam desired (°CA)",
    "Intake cam actual (°CA)",
]
ROWS = [(i / 10, 900 + i, 80.5, 20.0 * (i // 10 % 2), 20.0 * (i // 10 % 2) + 0.25) for i in range(40)]


def workbook(path, rows=(["A log"], [], HEADINGS, *ROWS), sheets=("log",)):
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    for name in sheets:
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.create_sheet("empty")
    book.save(path)
    return path


def parquet(path):
    import pyarrow
    import pyarrow.parquet

    columns = {name: [row[j] for row in ROWS] for j, name in enumerate(HEADINGS)}
    pyarrow.parquet.write_table(pyarrow.table(columns), path)
    return path


def mdf(path):
    """Two groups of channels, each with its own clock."""
    import asammdf

    fast, slow = np.arange(40) / 10, np.arange(4) + 0.05
    with asammdf.MDF(version="4.10") as file:
        speed = asammdf.Signal(900.0 + np.arange(40), fast, name="Engine speed", unit="rpm")
        commanded, actual = (
            asammdf.Signal(20.0 * (np.arange(40) // 10 % 2) + more, fast, name=f"Intake cam {role}", unit="°CA")
            for role, more in (("desired", 0.0), ("actual", 0.25))
        )
        file.append([speed, commanded, actual])
        file.append([asammdf.Signal(np.full(4, 80.5), slow, name="Oil temp", unit="°C")])
        file.save(path)
    return path


@pytest.mark.parametrize(("make", "name"), [(workbook, "a.xlsx"), (parquet, "a.parquet"), (mdf, "a.mf4")])
def test_a_recording_that_is_no_text_reads_like_one(make, name, tmp_path):
    trace, drive, conversion = read_any(make(tmp_path / name))
    assert not conversion.doubtful and drive.adapter["source_file"] == name
    assert set(trace.signals) == {
        "engine_speed",
        "oil_temp",
        "cam_intake_b1_commanded",
        "cam_intake_b1_actual",
    }
    times, angles = trace.samples("cam_intake_b1_actual")
    assert times == pytest.approx(np.arange(40) / 10) and angles[12] == 20.25
    assert trace.samples("oil_temp")[1].tolist() == [80.5] * (4 if make is mdf else 40)
    assert trace.samples("oil_temp")[0][0] == (0.05 if make is mdf else 0.0)


def test_dates_in_a_workbook_are_times(tmp_path):
    start = datetime.datetime(2024, 5, 1, 8, 0, 0)
    rows = [["Time", "Engine speed (rpm)"]] + [[start + datetime.timedelta(seconds=i), 700 + i] for i in range(5)]
    trace = read_any(workbook(tmp_path / "dates.xlsx", rows))[0]
    assert trace.time_s.tolist() == [0, 1, 2, 3, 4]


def test_a_workbook_of_several_recordings_is_refused(tmp_path):
    with pytest.raises(InputError, match="2 sheets with rows"):
        convert(workbook(tmp_path / "two.xlsx", sheets=("first", "second")))


@pytest.mark.parametrize(("make", "name"), [(workbook, "a.xlsx"), (parquet, "a.parquet"), (mdf, "a.mf4")])
def test_a_damaged_one_is_refused_in_one_line(make, name, tmp_path):
    content = bytearray(make(tmp_path / name).read_bytes())
    for cut in (len(content) // 2, 60, 700):
        (tmp_path / name).write_bytes(content[:cut])
        with pytest.raises(InputError) as caught:
            convert(tmp_path / name)
        assert "\n" not in str(caught.value) and caught.value.remedy


@pytest.mark.parametrize(
    ("make", "name", "library"),
    [(workbook, "a.xlsx", "openpyxl"), (parquet, "a.parquet", "pyarrow.parquet"), (mdf, "a.mf4", "asammdf")],
)
def test_without_its_library_the_refusal_says_how_to_get_it(make, name, library, tmp_path, monkeypatch):
    path = make(tmp_path / name)
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(InputError, match=r"pip install 'camlog\[formats\]'"):
        convert(path)


def test_a_conversion_can_be_written_as_mdf_and_read_back(tmp_path):
    source = tmp_path / "customer.csv"
    source.write_text(",".join(HEADINGS) + "\n" + "".join(",".join(map(str, r)) + "\n" for r in ROWS), encoding="utf-8")
    done = convert(source, out=tmp_path / "out.mf4")
    assert done.trace_path == tmp_path / "out.mf4" and not done.doubtful
    assert done.trace_path.read_bytes().startswith(b"MDF ")
    again = convert(tmp_path / "out.mf4", out=tmp_path / "again.csv")
    convert(source, out=tmp_path / "direct.csv")
    direct, back = read_trace(tmp_path / "direct.csv"), read_trace(again.trace_path)
    assert set(back.signals) == set(direct.signals)
    for name in direct.signals:
        assert np.array_equal(back.samples(name)[1], direct.samples(name)[1])
    with pytest.raises(InputError, match="--force"):
        convert(source, out=tmp_path / "out.mf4")
