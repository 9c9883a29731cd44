"""Converting a customer's saved trace: what is taken, what is asked, where it came from, and what is
refused."""

from __future__ import annotations

import gzip
import json
import os
import random
import resource
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from camlog.cli import build_app
from camlog.convert import Mapping, convert, mapping_path, read_any, read_mapping
from camlog.convert import blocks as blocks_module
from camlog.convert import rows as rows_module
from camlog.convert import source as source_module
from camlog.drive import Drive, drive_path, read_drive, write_drive
from camlog.errors import InputError
from camlog.stream import CodeSnapshot, Event, TroubleCode
from camlog.trace import Trace, read_trace, write_trace
from tests.command_help import camlog
from tests.foreign_files import FOLDER, corpus

FILES = [e for e in corpus() if not e.refused]


@pytest.fixture
def saved(tmp_path):
    def save(content: str | bytes, name: str = "customer.csv"):
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return save


def refusal(path, **options) -> InputError:
    with pytest.raises(InputError) as caught:
        convert(path, **options)
    assert "\n" not in str(caught.value) and caught.value.remedy
    return caught.value


def column(conversion, heading):
    return next(c for c in conversion.columns if c.name == heading)


CAMS = "Time (s),Intake cam desired (deg),Intake cam actual (deg)\n0,0,0.2\n0.1,25,5\n0.2,25,22.5\n"

# ---------------------------------------------------------------- where it goes, and where it came from


def test_the_trace_goes_beside_the_file_and_never_over_anything(saved):
    path = saved("Time (s),Engine speed (rpm)\n0,700\n1,705\n")
    conversion = convert(path)
    assert conversion.trace_path == path.with_name("customer.camlog.csv")
    assert conversion.drive_path == path.with_name("customer.camlog.drive.json")
    before = conversion.trace_path.read_bytes()
    assert "--force" in refusal(path).remedy
    assert "itself" not in str(refusal(path, out=path, force=True))
    assert path.read_text().startswith("Time (s)")
    convert(path, force=True)
    assert conversion.trace_path.read_bytes() == before


def test_the_drive_file_says_where_each_signal_came_from(saved):
    path = saved(
        "Log of 5 May, vehicle ZZZABCDEFGH234567\nTime (ms),RPM,Coolant (°F),Gear\n500,700,180,D\n600,705,180,D\n"
    )
    adapter = read_drive(convert(path).drive_path).adapter
    by_signal = {c["written_as"]: c for c in adapter["columns"]}
    assert adapter["name"] == "converted" and adapter["source_file"] == "customer.csv"
    assert by_signal["engine_speed"] == {
        "heading": "RPM", "number": 2, "signal": "engine_speed", "certain": True,
        "written_as": "engine_speed",
        "unit": "rpm", "score": 0.95, "reason": by_signal["engine_speed"]["reason"],
    }  # fmt: skip
    assert by_signal["coolant_temp"]["unit"] == "degF"
    assert by_signal[None]["heading"] == "Gear" and "words" in by_signal[None]["reason"]
    assert adapter["time"]["first"] == 500 and adapter["time"]["factor_s"] == 0.001
    # A vehicle identification number is nobody else's business.
    assert "ZZZABCDEFGH234567" not in convert(path, force=True).drive_path.read_text()


def test_values_are_written_in_the_unit_they_came_in(saved):
    path = saved("Time (s),Coolant temp (°F),Speed (mph)\n0,180.5,12.25\n1,181,13\n")
    text = convert(path).trace_path.read_text()
    assert text.splitlines() == [
        "time [s],coolant_temp [degF],vehicle_speed [mph]",
        "0,180.5,12.25",
        "1,181,13",
    ]


def test_a_trace_of_camlogs_own_comes_through_whole(saved, tmp_path):
    rng = np.random.default_rng(5)
    n = 300
    columns = {
        "engine_speed": np.where(rng.random(n) < 0.5, rng.normal(1500, 400, n), np.nan),
        "cam_exhaust_b2_actual": np.where(rng.random(n) < 0.7, rng.normal(-10, 3, n), np.nan),
        "coolant_temp": np.where(rng.random(n) < 0.1, rng.normal(90, 1, n), np.nan),
    }
    time_s = np.concatenate([[0.0], np.cumsum(rng.exponential(0.03, n - 1))])
    keep = np.any([np.isfinite(c) for c in columns.values()], axis=0)
    keep[0], columns["engine_speed"][0] = True, 700.0
    trace = Trace(time_s[keep], {k: v[keep] for k, v in columns.items()}, name="own.csv")
    write_trace(trace, tmp_path / "own.csv")
    snapshot = CodeSnapshot(0.0, mil=True, stored=(TroubleCode("P0011", "7E8"),), pending=())
    write_drive(Drive("2024-05-01T09:30:00+02:00", {"name": "x", "vin": None}, {"name": "a"}, None,
                      (Event(1.0, "marker", "rattle"),), (snapshot,)),
                      drive_path(tmp_path / "own.csv"))  # fmt: skip
    conversion = convert(tmp_path / "own.csv", out=tmp_path / "again.csv")
    again, drive = read_trace(tmp_path / "again.csv"), read_drive(conversion.drive_path)
    assert not conversion.doubtful
    assert again.time_s == pytest.approx(trace.time_s, abs=5e-10)
    for name in columns:
        assert np.array_equal(again.columns[name], trace.columns[name], equal_nan=True)
    assert drive.code_snapshots == (snapshot,) and drive.events == (Event(1.0, "marker", "rattle"),)
    assert drive.started_at == "2024-05-01T09:30:00+02:00" and drive.adapter["earlier"] == {"name": "a"}
    assert read_any(tmp_path / "own.csv")[2] is None


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_the_same_drive_reads_the_same_however_it_was_exported(saved, tmp_path, separator, decimal, encoding, end):
    rng = np.random.default_rng(11)
    time_s = np.round(np.arange(60) * 0.25, 2)
    speed, oil = np.round(rng.normal(1500, 300, 60), 2), np.round(rng.normal(90, 5, 60), 1)
    quote = '"' if separator == decimal else ""

    def cell(value):
        return quote + f"{value:.2f}".replace(".", decimal) + quote

    rows = [separator.join(["Time (s)", "Engine speed (rpm)", "Oil temperature (°C)"])]
    rows += [separator.join(map(cell, row)) for row in zip(time_s, speed, oil, strict=True)]
    path = saved((end.join(rows) + end).encode(encoding))
    trace = read_any(path)[0]
    assert np.array_equal(trace.time_s, time_s)
    assert np.array_equal(trace.columns["engine_speed"], speed) and np.array_equal(trace.columns["oil_temp"], oil)


def test_progress_is_told_and_ends_at_all_of_it(saved):
    path = saved("Time (s),Engine speed (rpm)\n" + "".join(f"{i},{700 + i % 90}\n" for i in range(20000)))
    told = []
    convert(path, progress=told.append)
    assert told == sorted(told) and told[-1] == pytest.approx(1.0) and told[0] > 0


# ---------------------------------------------------------------- doubts: asked, or a mapping file


def test_doubts_leave_the_column_under_its_own_name_and_make_a_mapping_file_ready(saved):
    path = saved(CAMS)
    conversion = convert(path)
    assert {c.name for c in conversion.doubtful} == {"Intake cam desired (deg)", "Intake cam actual (deg)"}
    trace = read_trace(conversion.trace_path)
    assert trace.signals == ("intake_cam_desired", "intake_cam_actual")
    map_path = path.with_name("customer.map.toml")
    map_path.write_text(conversion.mapping_text)
    unchanged = convert(path, mapping=map_path, force=True)
    assert len(unchanged.doubtful) == 2  # passing it back as it is answers nothing
    map_path.write_text(conversion.mapping_text.replace('# angle = "cam" ', 'angle = "cam" '))
    answered = convert(path, mapping=map_path, force=True)
    assert not answered.doubtful
    trace = read_trace(answered.trace_path)
    assert trace.columns["cam_intake_b1_actual"].tolist() == [0.4, 10.0, 45.0]
    assert column(answered, "Intake cam actual (deg)").angle == "cam"


def test_a_foreign_file_in_doubt_cannot_be_analysed_before_an_answer(saved):
    path = saved(CAMS)
    with pytest.raises(InputError) as caught:
        read_any(path)
    text = str(caught.value)
    assert "Intake cam desired" in text and "crank or cam" in text
    assert mapping_path(path).exists() and f"--map {mapping_path(path)}" in text
    answer = mapping_path(path).read_text().replace('# angle = "crank" ', 'angle = "crank" ')
    mapping_path(path).write_text(answer)
    with pytest.raises(InputError):
        read_any(path)  # without --map nothing is taken, and the answer is not written over
    assert mapping_path(path).read_text() == answer
    trace, drive, conversion = read_any(path, mapping_path(path))
    assert trace.columns["cam_intake_b1_actual"].tolist() == [0.2, 5.0, 22.5]
    assert drive.adapter["columns"][2]["angle"] == "crank" and not conversion.doubtful


def test_questions_are_asked_once_and_answers_are_rules(saved):
    path = saved(
        "Time,Engine speed (rpm),Exhaust cam target (deg),Exhaust cam actual (deg),Temp 3\n"
        "0,700,0,0.5,60\n20,800,20,5,61\n40,900,20,18,61\n"
    )
    asked = []

    def ask(question):
        asked.append((question.about, question.heading))
        return {"time_unit": "ms", "angle": "cam", "positive": "retard", "signal": "-", "unit": "degC"}[question.about]

    conversion = convert(path, ask=ask)
    assert asked.count(("angle", "")) == 1
    assert [heading for about, heading in asked if about == "positive"] == ["Exhaust cam target (deg)"]
    trace = read_trace(conversion.trace_path)
    assert trace.time_s.tolist() == [0.0, 0.02, 0.04]
    assert trace.columns["cam_exhaust_b1_commanded"].tolist() == [0.0, -40.0, -40.0]
    assert not conversion.doubtful


def test_what_one_column_was_said_to_be_is_not_offered_for_another(saved):
    path = saved(
        "Time (s),Engine speed (rpm),Cam commanded (°CA),Cam actual (°CA)\n"
        + "".join(f"{i / 10:.1f},{800 + i},{i % 30},{max(i % 30 - 1, 0)}\n" for i in range(300))
    )
    offered = {}

    def ask(question):
        if question.about != "signal":
            return "advance"
        offered[question.heading] = [value for value, _ in question.choices]
        assert question.text == f"What is {question.heading!r}?" and "intake or the exhaust" in question.why
        return "cam_intake_b1_actual"  # for both: the second time it is no answer any more

    conversion = convert(path, ask=ask)
    assert "cam_intake_b1_actual" in offered["Cam commanded (°CA)"]
    assert "cam_intake_b1_actual" not in offered["Cam actual (°CA)"]
    assert [c.name for c in conversion.doubtful] == ["Cam actual (°CA)"]


def test_a_question_left_open_leaves_the_doubt(saved):
    conversion = convert(saved(CAMS), ask=lambda question: None)
    assert len(conversion.doubtful) == 2


def test_angles_and_sign_can_be_said_for_the_whole_file(saved):
    conversion = convert(saved(CAMS), angles="cam", positive="retard")
    trace = read_trace(conversion.trace_path)
    assert trace.columns["cam_intake_b1_actual"].tolist() == [-0.4, -10.0, -45.0]
    refusal(saved(CAMS, "b.csv"), angles="valve")


def test_a_stated_direction_is_stronger_than_what_is_said_of_the_file(saved):
    path = saved(
        "Time (s),Intake cam advance commanded (°CA),Intake cam advance actual (°CA)\n0,0,0\n1,20,5\n2,20,18\n"
    )
    trace = read_trace(convert(path, positive="retard").trace_path)
    assert trace.columns["cam_intake_b1_actual"].tolist() == [0.0, 5.0, 18.0]


def test_raw_counts_and_rest_angle_come_from_the_mapping(saved):
    path = saved("Time (s),CamSet,CamIs\n0,128,130\n1,168,140\n2,168,166\n")
    mapping = saved(
        'schema = "camlog.map/1"\n[angles]\nangle = "crank"\n'
        '[[column]]\nheading = "CamSet"\nsignal = "cam_intake_b1_commanded"\nfactor = 0.5\noffset = -64.0\n'
        'positive = "advance"\n'
        '[[column]]\nnumber = 3\nsignal = "cam_intake_b1_actual"\nfactor = 0.5\noffset = '
        "-60.0\nrest_deg = 5.0\n",
        "m.toml",
    )
    trace = read_trace(convert(path, mapping=mapping).trace_path)
    assert trace.columns["cam_intake_b1_commanded"].tolist() == [0.0, 20.0, 20.0]
    assert trace.columns["cam_intake_b1_actual"].tolist() == [0.0, 5.0, 18.0]


def test_a_mapping_can_name_columns_without_headings_and_leave_some_out(saved):
    path = saved("0,700,80,1\n50,705,80,2\n100,702,81,3\n")
    assert "no headings" in refusal(path).what
    mapping = saved(
        'schema = "camlog.map/1"\n[time]\ncolumn = 1\nunit = "ms"\n[[column]]\nnumber = 2\nsignal = '
        '"engine_speed"\n'
        '[[column]]\nnumber = 3\nsignal = "coolant_temp"\nunit = "degC"\n[[column]]\nnumber = '
        '4\nsignal = "-"\n',
        "m.toml",
    )
    trace = read_trace(convert(path, mapping=mapping).trace_path)
    assert trace.signals == ("engine_speed", "coolant_temp") and trace.time_s.tolist() == [0.0, 0.05, 0.1]


@pytest.mark.parametrize(
    ("text", "line", "column", "words"),
    [
        ("schema = 1\n", 1, "schema", "camlog.map/1"),
        ('schema = "camlog.map/2"\n', 1, "schema", "camlog.map/1"),
        ("[time]\nunit = 3\n", 3, "time.unit", "text"),
        ('[time]\nunit = "fortnight"\n', 3, "time.unit", "unit of time"),
        ("[time]\nrate_hz = 0\n", 3, "time.rate_hz", "above 0"),
        ("[tabel]\n", 2, "tabel", "table"),
        ('[[column]]\nheading = "A"\nsignal = "engine_sped"\n', 4, "column.signal", "engine_speed"),
        ('[[column]]\nheading = "A"\nnumber = 2\n', 2, "column", "either"),
        ('[[column]]\nheading = "A"\nsignal = "engine_speed"\nunit = "degC"\n', 5, "column.unit", "rpm"),
        ('[[column]]\nheading = "A"\nfactor = 0\n', 4, "column.factor", "0"),
        ('[[column]]\nheading = "A"\nfactor = inf\n', 4, "column.factor", "finite"),
        ('[[column]]\nheading = "A"\nsignal = "oil_temp"\nangle = "cam"\n', 5, "column.angle", "cam angles"),
        ('[[column]]\nheading = "A"\nangle = "both"\n', 4, "column.angle", "one of"),
        ('[[column]]\nheading = "Engin speed"\n', 2, "column", "Engine speed"),
        ('[table]\nencoding = "klingon"\n', 3, "table.encoding", "encoding"),
        ('[table]\nseparator = "x"\n', 3, "table.separator", "one of"),
        ("not toml", 1, None, "TOML"),
    ],
)
def test_a_faulty_mapping_file_names_line_and_key(saved, text, line, column, words):
    head = "" if text.startswith(("schema", "not")) else 'schema = "camlog.map/1"\n'
    mapping = saved(head + text, "m.toml")
    error = refusal(saved("Time (s),Engine speed\n0,700\n1,705\n"), mapping=mapping)
    assert error.file == str(mapping) and error.line == line and error.column == column
    assert words in str(error)


def test_a_folder_named_by_a_dot_is_refused_as_any_other(saved, monkeypatch):
    monkeypatch.chdir(saved(CAMS).parent)
    assert "directory" in refusal(Path(".")).what.lower()


def test_every_ready_made_mapping_file_is_one(tmp_path):
    for expected in FILES:
        source = tmp_path / expected.name
        source.write_bytes(expected.path.read_bytes())
        conversion = convert(source, out=tmp_path / "o.csv", force=True)
        (tmp_path / "m.toml").write_text(conversion.mapping_text)
        assert isinstance(read_mapping(tmp_path / "m.toml"), Mapping)
        again = convert(source, out=tmp_path / "o.csv", mapping=tmp_path / "m.toml", force=True)
        assert [(c.signal, c.doubts) for c in again.columns] == [(c.signal, c.doubts) for c in conversion.columns]


def test_overheating_in_a_trace_of_camlogs_own_is_not_doubted(saved):
    path = saved("time [s],coolant_temp [degC]\n" + "".join(f"{i},{120 + i}\n" for i in range(60)))
    assert not convert(path).doubtful


# ---------------------------------------------------------------- refused, with a clear line


def test_quotation_marks_within_a_number_make_it_no_number(saved):
    rows = "".join(f'"{i}","7{i:02d}","3,{i:02d}"\n' for i in range(20))
    end = '"20","700","3,5"9\n"21","701","3,60"\n'
    path = saved('"Time (s)","Engine speed (rpm)","Mass air flow (g/s)"\n' + rows + end)
    conversion = convert(path)
    flow = read_trace(conversion.trace_path).columns["mass_air_flow"]
    assert 3.59 not in flow and flow[-1] == 3.6
    assert any("line 22" in n for n in conversion.notes)
    swiss = saved("'Time (s)';'Boost (kPa)'\n'0';'752''212.5'\n'1';'100.5'\n'2';'101.5'\n", "b.csv")
    assert 752212.5 not in read_trace(convert(swiss).trace_path).columns["boost"]


def test_a_time_for_every_channel_is_read_as_such(saved):
    own_times = "Time 1 (s),Engine speed (rpm),Time 2 (s),Oil temp (°C)\n"
    rows = "".join(f"{i * 0.1:.1f},{700 + i},{i * 0.1 + 0.03 * (i % 3):.2f},{60 + i}\n" for i in range(20))
    trace = read_trace(convert(saved(own_times + rows)).trace_path)
    times, values = trace.samples("oil_temp")
    assert times == pytest.approx([i * 0.1 + 0.03 * (i % 3) for i in range(20)]) and values.tolist() == list(
        range(60, 80)
    )
    assert trace.samples("engine_speed")[0] == pytest.approx(np.arange(20) * 0.1)


def test_several_times_that_differ_are_refused_where_nothing_tells_whose_they_are(saved):
    headings = "Time 1 (s),Time 2 (s),Engine speed (rpm),Oil temp (°C)\n"
    rows = "".join(f"{i * 0.1:.1f},{i * 0.1 + 0.05:.2f},{700 + i},90\n" for i in range(20))
    path = saved(headings + rows)
    assert "several times that differ" in refusal(path).what
    mapping = saved(
        'schema = "camlog.map/1"\n[time]\ncolumn = 1\n[[column]]\nheading = "Oil temp (°C)"\ntime = "Time 2 (s)"\n',
        "m.toml",
    )
    trace = read_trace(convert(path, mapping=mapping).trace_path)
    assert trace.samples("oil_temp")[0] == pytest.approx(np.arange(20) * 0.1 + 0.05)
    assert trace.samples("engine_speed")[0] == pytest.approx(np.arange(20) * 0.1)


def test_one_clock_written_twice_is_one_clock(saved):
    twice = "Time (s),Elapsed time (ms),Engine speed (rpm)\n" + "".join(
        f"{i},{i * 1000},{700 + i}\n" for i in range(20)
    )
    assert read_trace(convert(saved(twice, "b.csv")).trace_path).time_s[-1] == 19


def test_an_archive_bomb_is_refused_before_it_is_unpacked(saved):
    line = b"0.0," + b"7" * 60 + b"\n"
    bomb = gzip.compress(b"Time (s),Engine speed (rpm)\n" + line * 1_500_000, 9)
    error = refusal(saved(bomb, "bomb.csv.gz"))
    assert "unpacks to far more" in error.what
    with zipfile.ZipFile(path := saved(b"", "bomb.zip"), "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("drive.csv", b"Time (s),Engine speed (rpm)\n" + line * 1_500_000)
    assert "unpacks to far more" in refusal(path).what


def test_a_line_without_end_is_refused_early(saved):
    path = saved(b"Time (s),Engine speed (rpm)\n0,700\n1,705\n" + b"7" * (64 << 20))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    error = refusal(path)
    assert "a line has more than" in error.what and error.line == 4
    assert (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024 < 40
    assert "a line has more than" in refusal(saved(b"a" * (8 << 20), "one.csv")).what


def test_a_million_columns_are_refused(saved):
    wide = b"Time (s)" + b",a" * 400_000 + b"\n" + (b"0" + b",1" * 400_000 + b"\n") * 2
    assert "columns or more" in refusal(saved(wide)).what
    assert refusal(saved(b",".join([b"x"] * 1_000_000) + b"\n1,2\n", "b.csv")).what
    long = "Time (s),Signal,Value\n" + "".join(f"{i},signal {i % 5000},1\n" for i in range(60000))
    assert "different signals" in refusal(saved(long, "long.csv")).what


def test_names_that_lead_out_of_an_archive_are_refused(saved, tmp_path):
    for name in ("../x.csv", "/etc/x.csv", "a/../../x.csv", "C:\\x.csv", "..\\x.csv", "\\\\host\\x.csv"):
        with zipfile.ZipFile(path := tmp_path / "a.zip", "w") as archive:
            archive.writestr(zipfile.ZipInfo(name), "Time (s),RPM\n0,700\n")
        assert "leads outside" in refusal(path).what
    assert not (tmp_path.parent / "x.csv").exists()


def test_a_damaged_archive_is_refused_and_a_cut_one_is_used_as_far_as_it_goes(saved):
    rows = "".join(f"{i},{700 + i * 7 % 90}\n" for i in range(5000))
    packed = bytearray(gzip.compress(b"Time (s),Engine speed (rpm)\n" + rows.encode()))
    conversion = convert(saved(bytes(packed[: len(packed) // 2]), "cut.csv.gz"))
    assert 100 < conversion.rows < 5000 and any("cut off" in n for n in conversion.notes)
    packed[-6] ^= 0xFF  # the checksum
    assert "damaged" in refusal(saved(bytes(packed), "bad.csv.gz")).what
    assert "cannot be read" in refusal(saved(b"PK\x03\x04" + bytes(80), "bad.zip")).what


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\xd0\xcf\x11\xe0" + bytes(600), "workbook"),
        (b"%PDF-1.7\n" + bytes(600), "printed"),
        (b"\x00\x01\x02\x03" * 200, "not a table of text"),
        (b"SQLite format 3\x00" + bytes(600), "database"),
        (b"   \n\n  \n", "blanks"),
        (b"x" * 257 + b"ustar" + b"\x00" * 300, "archive of files"),
    ],
)
def test_what_is_no_text_is_called_what_it_is(saved, content, words):
    assert words in refusal(saved(content)).what


def test_a_missing_file_and_a_folder_are_told(tmp_path):
    assert "cannot be read" in refusal(tmp_path / "none.csv").what
    assert "cannot be read" in refusal(tmp_path).what


def test_a_full_disk_leaves_nothing_behind(saved, monkeypatch):
    path = saved("Time (s),Engine speed (rpm)\n0,700\n1,705\n")

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("camlog.new_files.os.fsync", full)
    assert "No space left" in refusal(path).what
    assert [p.name for p in path.parent.iterdir()] == ["customer.csv"]


# ---------------------------------------------------------------- large files


def test_small_blocks_and_large_ones_give_the_same(tmp_path, monkeypatch):
    whole = {}
    for expected in FILES:
        source = tmp_path / expected.name
        source.write_bytes(expected.path.read_bytes())
        convert(source, out=tmp_path / "o.csv", force=True)
        whole[expected.name] = (tmp_path / "o.csv").read_bytes()
    monkeypatch.setattr(source_module, "BLOCK_CHARACTERS", 90)
    monkeypatch.setattr(source_module, "HEAD_CHARACTERS", 2000)
    monkeypatch.setattr(rows_module, "IN_MEMORY_BYTES", 50)
    for expected in FILES:
        if expected.name in ("standard_signals_1hz.csv", "held_values.csv"):
            continue  # what a short beginning cannot tell
        convert(tmp_path / expected.name, out=tmp_path / "o.csv", force=True)
        assert (tmp_path / "o.csv").read_bytes() == whole[expected.name], expected.name


def test_reading_at_once_and_row_by_row_give_the_same(tmp_path, monkeypatch):
    rng = random.Random(3)
    odd = [
        "",
        "-",
        "N/A",
        "nan",
        "1e3",
        "+5",
        ".5",
        "5.",
        "inf",
        "1e400",
        "0x10",
        "True",
        "1_0",
        " 7 ",
        "--1",
        "1.2.3",
        "٣",
    ]
    for trial in range(25):
        rows = ["Time (s),Engine speed (rpm),Oil temperature (°C),Boost"]
        for i in range(60):
            cells = [f"{700 + rng.random() * 50:.2f}", f"{rng.randint(60, 90)}", rng.choice(["1", "0"])]
            if rng.random() < 0.15:
                cells[rng.randrange(3)] = rng.choice(odd)
            rows.append(",".join([f"{i * 0.1:.1f}", *cells][: rng.choice([4, 4, 4, 4, 4, 4, 4, 4, 3])]))
        path = tmp_path / f"{trial}.csv"
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")
        convert(path, out=tmp_path / "fast.csv", force=True)
        monkeypatch.setattr(blocks_module.BlockParser, "_at_once", lambda self, text, line: None)
        convert(path, out=tmp_path / "slow.csv", force=True)
        monkeypatch.undo()
        assert (tmp_path / "fast.csv").read_bytes() == (tmp_path / "slow.csv").read_bytes()


def test_the_fast_reading_is_the_usual_one(tmp_path, monkeypatch):
    path = tmp_path / "a.csv"
    rows = "".join(f"{i * 0.1:.1f},{700 + i % 90},{'---' if i % 7 == 3 else i % 50}\n" for i in range(20000))
    path.write_text("Time (s),Engine speed (rpm),Throttle position (%)\n" + rows + "torn,5\nEnd\n")
    slow = []
    original = blocks_module.BlockParser._row_by_row
    monkeypatch.setattr(
        blocks_module.BlockParser,
        "_row_by_row",
        lambda self, text, *a, **k: slow.append(len(text)) or original(self, text, *a, **k),
    )
    assert convert(path).rows == 20000
    assert sum(slow) < 0.2 * path.stat().st_size


def test_memory_does_not_grow_with_the_file(tmp_path):
    path = tmp_path / "large.csv"
    with open(path, "w", encoding="utf-8") as out:
        out.write("Time (s)," + ",".join(f"Channel {j} (V)" for j in range(12)) + "\n")
        block = "".join("{t}," + ",".join(f"{(i * 7 + j) % 97}.25" for j in range(12)) + "\n" for i in range(2000))
        out.writelines(block.replace("{t}", f"{k}.5") for k in range(120))
    code = (
        "import resource, sys, pandas, orjson\nfrom camlog.convert import convert\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "found = convert(sys.argv[1])\n"
        "print(found.rows, (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) // 1024)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True)
    rows, grown_mb = map(int, done.stdout.split())
    assert rows == 240_000
    # The table alone is 25 MB as numbers and 15 MB as text; it is let go at 24 MB, beside one block of each
    # kind.
    assert grown_mb < 110


# ---------------------------------------------------------------- what the analysis makes of it


def test_standard_signals_without_cam_angles_give_a_useful_report():
    from camlog import analyze

    trace, drive, conversion = read_any(FOLDER / "standard_signals_1hz.csv")
    assert not conversion.doubtful
    findings = analyze(trace, drive).to_dict()
    assert findings["conditions"]["warm_up_cycle"]["met"] is True
    assert findings["cams"] == {} and findings["coverage"]["sufficient"] is False
    assert "phaser cannot be judged" in " ".join(findings["coverage"]["missing"])
    assert findings["misfire"]["per_cylinder"][1]["count"] > 50
    assert "P0302" in json.dumps(findings["codes"])


# ---------------------------------------------------------------- the command


def command(*arguments: str):
    return CliRunner().invoke(build_app(), ["convert", *arguments])


def test_the_command_says_what_it_took_and_what_is_missing(saved):
    path = saved("Time (s),Engine speed (rpm),Coolant temp (°C)\n0,700,20\n1,705,21\n")
    result = command(str(path))
    assert result.exit_code == 0
    assert "engine_speed" in result.stdout and "2 rows" in result.stdout
    assert "no cam angles" in result.stderr and "cannot be judged" in result.stderr


def test_the_command_lists_doubts_with_the_command_that_settles_them(saved):
    path = saved(CAMS)
    result = command(str(path))
    assert result.exit_code == 0
    assert "in doubt as cam_intake_b1_commanded" in result.stderr and "--map" in result.stderr
    assert mapping_path(path).exists()
    settled = command(str(path), "--angles", "crank", "--force")
    assert settled.exit_code == 0 and "in doubt" not in settled.stderr
    assert "cam_intake_b1_commanded" in settled.stdout


def test_the_command_ends_with_one_line_and_status_2_on_bad_input(saved):
    path = saved("Dear sir, please find attached nothing.\n")
    done = camlog("convert", path)
    assert done.returncode == 2 and done.stdout == ""
    assert done.stderr.count("\n") == 1 and "Traceback" not in done.stderr


def test_on_a_terminal_the_command_asks(saved):
    path = saved(CAMS)
    ours, theirs = os.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "camlog", "convert", str(path)],
        stdin=theirs,
        stdout=subprocess.PIPE,
        stderr=theirs,
    )
    os.close(theirs)
    seen = b""
    while b"Number" not in seen:
        seen += os.read(ours, 4096)
    os.write(ours, b"2\n")
    out, _ = process.communicate(timeout=30)
    os.close(ours)
    assert process.returncode == 0 and b"crank or in cam degrees" in seen
    assert b"cam_intake_b1_actual" in out
    assert read_trace(path.with_name("customer.camlog.csv")).columns["cam_intake_b1_actual"].tolist() == [
        0.4,
        10.0,
        45.0,
    ]


def test_the_help_is_instructions():
    text = " ".join(command("--help").stdout.split())
    for words in ("--map", "--rate", "--angles", "--positive", "--force", "Nothing is guessed", "crank"):
        assert words in text


def test_a_foreign_file_read_in_memory_is_not_called_a_recording_cut_short(tmp_path):
    from camlog.trust import remarks

    path = tmp_path / "customer.csv"
    path.write_text("Time (s),Engine RPM (rpm)\n" + "".join(f"{i / 10},{700 + i % 7}\n" for i in range(100)))
    trace, drive, _ = read_any(path)
    assert remarks(drive, trace.sha256, path) == []


def test_every_command_that_reads_a_recording_takes_a_mapping(tmp_path):
    """The same drive before and after, from elsewhere: each command gets what its columns are from --map."""
    folder = tmp_path / "a customer"
    folder.mkdir()
    path, said = folder / "drive of today.csv", folder / "what it is.toml"
    rows = "".join(f"{i / 10:.1f},{900 + i % 60},{i // 30 % 2 * 20},{i // 30 % 2 * 20 + 0.2}\n" for i in range(300))
    path.write_text("Time (s),Engine speed (rpm),Intake cam desired (deg),Intake cam actual (deg)\n" + rows)
    said.write_text('schema = "camlog.map/1"\n[angles]\nangle = "crank"\n')
    runner, app, mapped = CliRunner(), build_app(), ["--map", str(said)]
    asked = runner.invoke(app, ["analyze", str(path), "--json"])
    with pytest.raises(InputError) as caught:
        read_any(path)
    assert asked.exit_code != 0 and f"--map '{mapping_path(path)}'" in caught.value.remedy
    done = runner.invoke(app, ["analyze", str(path), "--json", *mapped])
    assert done.exit_code == 0 and "intake_b1" in json.loads(done.stdout)["cams"]
    assert "did not end cleanly" not in done.stderr
    assert runner.invoke(app, ["replay", str(path), "--speed", "max", *mapped]).exit_code == 0
    assert runner.invoke(app, ["compare", str(path), str(path), *mapped, *mapped]).exit_code == 0
    assert runner.invoke(app, ["verify", str(path), "--before", str(path), "--json", *mapped]).exit_code == 1


def test_a_column_that_speaks_of_a_cam_and_is_none_is_listed_with_what_to_do(saved):
    path = saved(
        "Time (s),Engine speed (rpm),Intake cam max (°CA)\n" + "".join(f"{i},{700 + i},{i % 20}\n" for i in range(50))
    )
    (note,) = convert(path).notes
    assert "'Intake cam max (°CA)'" in note and "also says max" in note and "--map" in note


def test_a_deviation_from_the_command_is_offered_as_the_actual_angle(saved):
    """Commanded minus deviation, or plus: asked, prepared in the mapping file, and never taken by itself."""
    angles = [0, 0, 20, 20, 20, 20, 0, 0, 0, 0]
    actual = [0, 0, 4, 12, 18, 20, 16, 8, 2, 0]
    rows = "".join(f"{i / 10},{1500 + i},{c},{c - a}\n" for i, (c, a) in enumerate(zip(angles, actual, strict=True)))
    path = saved("Time (s),Engine speed (rpm),Intake cam commanded (°CA),Intake cam deviation (°CA)\n" + rows)
    conversion = convert(path)
    assert [(c.signal, c.doubts) for c in conversion.doubtful] == [("cam_intake_b1_actual", ("deviation",))]
    questions = []
    convert(path, force=True, ask=lambda question: questions.append(question) or "minus")
    assert [q.about for q in questions] == ["deviation"] and "commanded - deviation" in str(questions[0].choices)
    trace = read_trace(path.with_name("customer.camlog.csv"))
    assert trace.columns["cam_intake_b1_actual"].tolist() == actual
    lines = conversion.mapping_text.replace('# signal = "cam_intake_b1_actual"', 'signal = "cam_intake_b1_actual"')
    mapping = saved(lines.replace('# deviation = "plus"', 'deviation = "plus"'), "m.toml")
    trace = read_any(path, mapping)[0]
    assert trace.columns["cam_intake_b1_actual"].tolist() == [2 * c - a for c, a in zip(angles, actual, strict=True)]


def test_the_command_says_in_one_screen_what_it_made_and_what_a_verdict_takes_besides(saved):
    rows = "".join(
        f"{i / 2},{1500 + i % 40},{i // 8 % 2 * 20},{i // 8 % 2 * 20},{i // 9 % 2 * -10}\n" for i in range(120)
    )
    path = saved(
        "Time (s),Engine speed (rpm),Intake cam target (°CA),Intake cam actual (°CA),Exhaust cam advance actual (°CA)\n"
        + rows
    )
    done = command(str(path))
    assert len(done.stdout.splitlines()) <= 24 and "2 readings/s" in done.stdout and "120 rows" in done.stdout
    assert "60 s" in done.stdout
    assert "intake cam of bank 1 come 2 times a second" in done.stderr and "must come 4 times a second" in done.stderr
    answered, others = done.stderr.split("For the others")
    assert "Does it move?" in answered and "Does it reach its command?" in answered and "in time?" not in answered
    assert "Does it arrive in time?" in others and "Does it move smoothly?" in others
    assert "exhaust cam of bank 1 has no commanded angle" in done.stderr
    assert "neither oil nor coolant temperature" in done.stderr and "no cam angles" not in done.stderr


def test_a_doubtful_column_shows_its_values_its_moves_and_its_likely_partner(tmp_path):
    source = tmp_path / "customer.csv"
    source.write_bytes((FOLDER / "wrong_swapped.csv").read_bytes())
    looks = {look.name: look for look in convert(source).looks}
    look = looks["Intake cam commanded (°CA)"]
    assert (look.low, look.high) == (0.0, 40.0) and len(look.values) == 10 and len(look.line) <= 200
    assert look.moves == "turns" and look.turns > 4
    assert look.partner == "Intake cam actual (°CA)" and look.lag_s > 0 and look.gain == pytest.approx(1.0, abs=0.05)
    questions = []
    convert(source, ask=lambda question: questions.append(question), force=True)
    assert [(q.place, q.of) for q in questions] == [(1, 2), (2, 2)] and questions[0].look == look


ENGINE = {"engine_speed": "Engine speed (rpm)", "engine_load": "Engine load (%)"}


def under_other_headings(trace: Trace, columns: dict[str, str], path: Path, shift_s: float = 0.0) -> Path:
    """The columns of a trace under the headings given, written to `path`; cam angles `shift_s` later than the rest."""
    times = [trace.samples(name)[0] + (shift_s if name.startswith("cam_") else 0.0) for name in columns]
    moments = np.unique(np.round(np.concatenate(times), 3))
    cells = np.full((len(moments), len(columns)), "", dtype=object)
    for j, (name, at) in enumerate(zip(columns, times, strict=True)):
        cells[np.searchsorted(moments, np.round(at, 3)), j] = [f"{v:.2f}" for v in trace.samples(name)[1]]
    rows = "".join(f"{t:.3f},{','.join(row)}\n" for t, row in zip(moments, cells, strict=True))
    path.write_text(",".join(["Time (s)", *columns.values()]) + "\n" + rows, encoding="utf-8")
    return path


def test_no_sample_of_a_sound_or_faulty_car_is_doubted_for_its_values_and_swapped_ones_are(tmp_path):
    """The recordings of the simulated car, healthy and with every fault, under another logger's headings."""
    names = "cam_intake_b1_commanded", "cam_intake_b1_actual"
    headings = "Intake cam advance target (°CA)", "Intake cam advance actual (°CA)"
    swapped = {}
    for sample in sorted(Path("sample_logs").glob("*.csv")):
        trace = read_trace(sample)
        if not {*names, *ENGINE} <= set(trace.signals):
            continue
        path = under_other_headings(trace, ENGINE | dict(zip(names, headings, strict=True)), tmp_path / "customer.csv")
        assert not convert(path, force=True).doubtful, sample
        path = under_other_headings(trace, dict(zip(names, headings[::-1], strict=True)), tmp_path / "customer.csv")
        swapped[sample.stem] = [c.doubts for c in convert(path, force=True).doubtful]
    assert swapped["healthy"] == [("signal",), ("signal",)]


def test_a_command_that_the_engine_contradicts_is_asked_about(tmp_path):
    """The command is a map of engine speed and load: on a shifted clock it fits them only so much later, and a column
    that follows nothing while the cam follows the engine is no command of that cam."""
    trace = read_trace(Path("sample_logs/healthy.csv"))
    names = {
        "cam_intake_b1_commanded": "Intake cam advance target (°CA)",
        "cam_intake_b1_actual": "Intake cam advance actual (°CA)",
    }
    shifted = convert(under_other_headings(trace, ENGINE | names, tmp_path / "shifted.csv", shift_s=20.0))
    assert [c.doubts for c in shifted.doubtful] == [("signal",)] * 2
    assert "goes with engine speed and load only 20" in shifted.doubtful[0].reason
    rng = np.random.default_rng(3)
    time_s, command = trace.samples("cam_intake_b1_commanded")
    free = np.repeat(rng.uniform(0.0, 40.0, len(command) // 20 + 1), 20)[: len(command)]
    other = np.full(len(trace.time_s), np.nan)
    other[np.searchsorted(trace.time_s, time_s)] = free
    wrong = Trace(trace.time_s, {**trace.columns, "cam_intake_b1_commanded": other}, trace.units)
    doubtful = convert(under_other_headings(wrong, ENGINE | names, tmp_path / "free.csv")).doubtful
    assert [(c.signal, c.doubts) for c in doubtful] == [("cam_intake_b1_commanded", ("signal",))]
    assert "does not go with engine speed and load" in doubtful[0].reason


def test_a_mapping_that_contradicts_the_values_is_applied_and_said(tmp_path):
    source, said = tmp_path / "customer.csv", tmp_path / "m.toml"
    source.write_bytes((FOLDER / "wrong_swapped.csv").read_bytes())
    said.write_text(
        'schema = "camlog.map/1"\n'
        '[[column]]\nheading = "Intake cam commanded (°CA)"\nsignal = "cam_intake_b1_commanded"\n'
        '[[column]]\nheading = "Intake cam actual (°CA)"\nsignal = "cam_intake_b1_actual"\n',
        encoding="utf-8",
    )
    done = convert(source, mapping=said)
    assert not done.doubtful and any("applied as told" in note and "swapped" in note for note in done.notes)
    said.write_text(
        said.read_text("utf-8").replace("_commanded", "_x").replace("_actual", "_commanded").replace("_x", "_actual"),
        "utf-8",
    )
    assert not convert(source, mapping=said, force=True).notes
