"""The trace file: what a recorder writes reads back to the last digit, and a faulty file is told where."""

from __future__ import annotations

import io
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from camlog.errors import InputError
from camlog.signals import SIGNALS
from camlog.stream import Batch
from camlog.trace import Trace, TraceWriter, clock_warnings, heading, parse_heading, read_trace, write_trace

HEAD = b"time [s],engine_speed [rpm],coolant_temp [degC]\r\n"


@pytest.fixture
def saved(tmp_path):
    def save(content: bytes | str):
        path = tmp_path / "drive.csv"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return save


def refusal(path) -> InputError:
    with pytest.raises(InputError) as caught:
        read_trace(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    return caught.value


# ---------------------------------------------------------------- reading what is right


def test_a_trace_reads_with_empty_cells_as_missing(saved):
    trace = read_trace(saved(HEAD + b"0,750,\r\n0.1,,88\r\n0.2,760.25,\r\n"))
    assert trace.time_s.tolist() == [0.0, 0.1, 0.2]
    assert trace.signals == ("engine_speed", "coolant_temp")
    assert np.isnan(trace.columns["coolant_temp"][[0, 2]]).all()
    times, values = trace.samples("engine_speed")
    assert times.tolist() == [0.0, 0.2] and values.tolist() == [750.0, 760.25]
    assert trace.samples("oil_temp")[0].size == 0
    assert trace.duration_s == 0.2 and trace.warnings == ()


def test_units_of_the_heading_are_converted(saved):
    # NIST SP 811 (from memory): 1 mile = 1.609 344 km, t/degC = (t/degF - 32)/1.8, 1 psi = 6.894 757 kPa.
    head = "time [ms],vehicle_speed [mph],coolant_temp [degF],oil_pressure [psi],"
    head += "engine_speed [1/min],oil_temp [°F]"
    trace = read_trace(saved(head + "\n0,60,212,50,800,-40\n500,0,32,0,0,\n"))
    assert trace.time_s.tolist() == [0.0, 0.5]
    assert trace.columns["vehicle_speed"] == pytest.approx([96.56064, 0.0])
    assert trace.columns["coolant_temp"] == pytest.approx([100.0, 0.0])
    assert trace.columns["oil_pressure"] == pytest.approx([344.73785, 0.0], rel=1e-6)
    assert trace.columns["engine_speed"].tolist() == [800.0, 0.0]
    assert trace.columns["oil_temp"][0] == pytest.approx(-40.0) and math.isnan(trace.columns["oil_temp"][1])
    assert trace.units["coolant_temp"] == "degC" and trace.units["vehicle_speed"] == "km/h"


def test_a_signal_camlog_does_not_know_keeps_its_unit(saved):
    trace = read_trace(saved("time [s],boost [psi],valves,gear []\n0,1.5,2,3\n"))
    assert trace.units == {"boost": "psi", "valves": "", "gear": ""}
    assert trace.columns["boost"].tolist() == [1.5]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_any_line_end_reads(saved, end):
    trace = read_trace(saved(end.join(["time [s],engine_speed [rpm]", "0,700", "1,710", ""])))
    assert trace.columns["engine_speed"].tolist() == [700.0, 710.0] and not trace.warnings


def test_byte_order_mark_quotes_blank_lines_and_spaces_do_not_disturb(saved):
    content = b'\xef\xbb\xbf"time [s]","engine_speed\n [rpm]"\n\n"0","700"\n  \n1, 710\n2, \n3,"720\n"\n'
    trace = read_trace(saved(content))
    assert trace.time_s.tolist() == [0.0, 1.0, 2.0, 3.0]
    assert trace.samples("engine_speed")[1].tolist() == [700.0, 710.0, 720.0]


def test_nan_text_is_a_missing_value(saved):
    trace = read_trace(saved(HEAD + b"0,nan,NaN\n1,700,NAN\n"))
    assert np.isnan(trace.columns["coolant_temp"]).all()
    assert trace.samples("engine_speed")[1].tolist() == [700.0]


def test_numbers_of_any_size_read_exactly(saved):
    trace = read_trace(saved(HEAD + b"0,1e308,-1E-320\n1,0.1,123456789012345678901234567890\n"))
    assert trace.columns["engine_speed"].tolist() == [1e308, 0.1]
    assert trace.columns["coolant_temp"].tolist() == [-1e-320, 123456789012345678901234567890.0]


def test_a_torn_last_line_is_left_out_with_a_warning(saved):
    # "1.5,7" may have been 1.5,700: nobody knows, so the row counts as never written.
    trace = read_trace(saved(HEAD + b"0,700,\r\n1.5,7"))
    assert trace.time_s.tolist() == [0.0]
    assert len(trace.warnings) == 1 and "cut off" in trace.warnings[0]


def test_a_last_line_torn_between_its_line_end_bytes_is_whole(saved):
    trace = read_trace(saved(HEAD + b"0,700,80\r\n1,710,81\r"))
    assert trace.columns["engine_speed"].tolist() == [700.0, 710.0]


def test_zeros_left_at_the_end_by_a_power_cut_are_left_out(saved):
    trace = read_trace(saved(HEAD + b"0,700,80\r\n" + bytes(4096)))
    assert trace.time_s.tolist() == [0.0] and "cut off" in trace.warnings[0]


def test_cells_missing_at_the_end_of_a_row_are_said(saved):
    trace = read_trace(saved(HEAD + b"0,700,80\n1\n\n2,710\n"))
    assert np.isnan(trace.columns["engine_speed"][1])
    assert "2 rows have fewer cells" in trace.warnings[0] and "line 3" in trace.warnings[0]


def test_a_trailing_comma_is_no_extra_value(saved):
    trace = read_trace(saved(HEAD + b"0,700,80,\n1,710,81,\n"))
    assert trace.columns["coolant_temp"].tolist() == [80.0, 81.0] and not trace.warnings


# ---------------------------------------------------------------- refusing what is wrong


@pytest.mark.parametrize(
    ("rows", "line", "column", "says"),
    [
        ("0,700,80\n1,n/a,80\n", 3, "engine_speed", "'n/a' is not a number"),
        ("0,700,80\n\n1,700,N/A\n", 4, "coolant_temp", "'N/A' is not a number"),
        ("0,700,8o\n", 2, "coolant_temp", "'8o' is not a number"),
        ("0,1_000,80\n", 2, "engine_speed", "'1_000' is not a number"),
        ("0,True,80\n", 2, "engine_speed", "'True' is not a number"),
        ("0,FALSE,80\n1,TRUE,81\n", 2, "engine_speed", "'FALSE' is not a number"),
        ("0,0x1F,80\n", 2, "engine_speed", "'0x1F' is not a number"),
        ("0,700,80\n1,inf,80\n", 3, "engine_speed", "infinite"),
        ("0,700,80\n1,700,-Infinity\n", 3, "coolant_temp", "infinite"),
        ("0,700,80\n1,1e400,80\n", 3, "engine_speed", "infinite"),
        ('0,"70\n0",80\n', 2, "engine_speed", "is not a number"),
        ('0,"700\n",80\n1,x,80\n', 4, "engine_speed", "'x' is not a number"),
        ("0,700,80\n1,700,80,5\n", 3, None, "the row has 4 cells, the heading 3"),
        ("0,700,80,5\n1,700,80,5\n", 2, None, "the row has 4 cells, the heading 3"),
        ("0,700,80,x\n", 2, None, "the row has 4 cells"),
        ("0,700,80\n1,700,80,,,,9\n", 3, None, "the row has 7 cells"),
        ("0,700,80\n,710,80\n", 3, "time", "time is missing"),
        ("0,700,80\n\n\n1,700,80\n0.5,700,80\n", 6, "time", "time goes backwards, from 1 s to 0.5 s"),
        ('0,"700\n",80\n-1,700,80\n', 4, "time", "time goes backwards"),
        ("0,700,80\n1,7\x0000,80\n", 3, "engine_speed", "is not a number"),
    ],
)
def test_a_faulty_cell_is_named_with_line_and_column(saved, rows, line, column, says):
    error = refusal(saved(HEAD.decode().replace("\r\n", "\n") + rows))
    assert says in error.what
    assert (error.line, error.column) == (line, column)
    assert error.remedy


@pytest.mark.parametrize(
    ("head", "column", "says"),
    [
        ("time [s],engine_speed [rpm],engine_speed [rpm]", "engine_speed", "stands twice"),
        ("time [s],time [s]", "time", "stands twice"),
        ("time [s],coolant_temp", "coolant_temp", "no unit"),
        ("time [s],coolant_temp []", "coolant_temp", "no unit"),
        ("time [s],coolant_temp [km/h]", "coolant_temp", "'km/h' is not one that can become 'degC'"),
        ("time [s],coolant_temp [((]", "coolant_temp", "can become 'degC'"),
        ("time [s],Engine RPM [rpm]", 2, "not of the form"),
        ("time [s],engine_speed [rpm],", 3, "not of the form"),
        ("time,engine_speed [rpm]", None, "is not a camlog recording"),
        ("Time (s);RPM", None, "is not a camlog recording"),
        ("engine_speed [rpm],time [s]", None, "is not a camlog recording"),
        ("", None, "is not a camlog recording"),
    ],
)
def test_a_faulty_heading_is_named(saved, head, column, says):
    error = refusal(saved(head + "\n0,1,2\n"))
    assert says in error.what
    assert error.line == 1 and error.column == column and error.remedy


@pytest.mark.parametrize("content", [b"", HEAD, HEAD + b"0,70", HEAD[:20], HEAD + b"\n\n"])
def test_a_file_without_a_complete_row_is_refused(saved, content):
    assert refusal(saved(content)).what in ("is empty", "has no complete row")


def test_text_that_is_not_utf8_is_refused_where_it_stands(saved):
    assert refusal(saved(b"time [s],coolant_temp [\xb0C]\n0,1\n")).line == 1
    assert refusal(saved(HEAD + b"0,700,80\n1,7\xb00,80\n")).line == 3
    assert "UTF-8" in refusal(saved("time [s]\n0\n".encode("utf-16"))).what


def test_a_missing_file_or_a_folder_is_refused(tmp_path):
    assert "No such file" in refusal(tmp_path / "none.csv").what
    refusal(tmp_path)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200), st.booleans())
def test_any_bytes_give_a_trace_or_one_clear_line(tmp_path_factory, content, with_heading):
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes((HEAD if with_heading else b"") + content)
    try:
        trace = read_trace(path)
    except InputError as error:
        assert str(path) in str(error)
    else:
        assert (np.diff(trace.time_s) >= 0).all()


@settings(max_examples=300, deadline=None)
@given(st.lists(st.text('0123456789.,-+eEnaifTrue"\n\r ;x', max_size=12), max_size=8))
def test_what_looks_like_rows_never_crashes_and_never_invents_a_value(tmp_path_factory, rows):
    path = tmp_path_factory.getbasetemp() / "rows.csv"
    content = "time [s],engine_speed [rpm]\n" + "\n".join(rows) + "\n"
    path.write_bytes(content.encode())
    try:
        trace = read_trace(path)
    except InputError:
        return
    for value in trace.samples("engine_speed")[1]:
        assert any(_is(cell, value) for cell in content.replace("\r", "\n").replace("\n", ",").split(","))


def _is(cell: str, value: float) -> bool:
    try:
        return float(cell.strip().strip('"')) == value
    except ValueError:
        return False


# ---------------------------------------------------------------- writing and round trip

_names = st.lists(st.sampled_from([*SIGNALS, "boost", "gear_2"]), min_size=1, max_size=6, unique=True)
_values = st.floats(allow_nan=False, allow_infinity=False)


@st.composite
def _traces(draw):
    names = draw(_names)
    rows = draw(st.integers(1, 12))
    time_s = np.array(sorted(draw(st.lists(st.floats(0, 1e9), min_size=rows, max_size=rows))))
    cells = st.lists(st.one_of(st.just(math.nan), _values), min_size=rows, max_size=rows)
    columns = {name: np.array(draw(cells)) for name in names}
    # A row without any value is no batch and is not kept.
    kept = np.any([np.isfinite(c) for c in columns.values()], axis=0)
    kept[0] = True
    columns[names[0]][0] = draw(_values)
    return Trace(time_s[kept], {n: c[kept] for n, c in columns.items()}, {"boost": "psi", "gear_2": ""})


@settings(max_examples=150, deadline=None)
@given(_traces())
def test_every_time_and_value_comes_back_equal(tmp_path_factory, trace):
    path = tmp_path_factory.getbasetemp() / "round.csv"
    write_trace(trace, path)
    back = read_trace(path)
    assert back.time_s.tolist() == trace.time_s.tolist()
    assert back.signals == trace.signals and back.warnings == tuple(clock_warnings(trace.time_s))
    for name in trace.signals:
        np.testing.assert_array_equal(back.columns[name], trace.columns[name])
    assert back.units == {n: SIGNALS[n].unit if n in SIGNALS else trace.units[n] for n in trace.signals}


def test_random_floats_of_every_size_come_back_equal(saved):
    rng = np.random.default_rng(20)
    bits = rng.integers(0, 2**64, 100_000, dtype=np.uint64).view(np.float64)
    values = bits[np.isfinite(bits)]
    trace = Trace(np.arange(len(values)) / 30, {"engine_speed": values})
    path = saved("")
    write_trace(trace, path)
    back = read_trace(path)
    assert (back.columns["engine_speed"] == values).all() and (back.time_s == trace.time_s).all()


def test_a_row_is_one_line_of_plain_short_numbers():
    out = io.StringIO(newline="")
    writer = TraceWriter(out, ["engine_speed", "coolant_temp", "boost"], {"boost": "psi", "coolant_temp": "degF"})
    writer.write(Batch(12.345678, {"engine_speed": np.float64(750.0), "boost": -0.25}))
    writer.write(Batch(13.0, {"coolant_temp": math.nan, "engine_speed": math.inf}))
    # Values are in canonical units, so a heading must never claim another one for a known signal.
    assert out.getvalue() == (
        "time [s],engine_speed [rpm],coolant_temp [degC],boost [psi]\r\n12.345678,750,,-0.25\r\n13.000000,,,\r\n"
    )


@pytest.mark.parametrize(
    ("signals", "units"),
    [
        (["Engine"], {}),
        (["time"], {}),
        (["boost", "boost"], {}),
        (["boost"], {"boost": "a]b"}),
        (["boost"], {"boost": "\n"}),
    ],
)
def test_columns_that_could_not_be_read_back_are_not_written(signals, units):
    with pytest.raises(ValueError):
        TraceWriter(io.StringIO(), signals, units)


@given(st.sampled_from(sorted(SIGNALS)))
def test_headings_parse_back(name):
    assert parse_heading(heading(name, SIGNALS[name].unit)) == (name, SIGNALS[name].unit)


# ---------------------------------------------------------------- using a trace


def test_batches_are_the_rows_with_their_values_only(saved):
    trace = read_trace(saved(HEAD + b"0,750,\n0.1,,\n0.2,760,88\n"))
    assert list(trace.batches()) == [
        Batch(0.0, {"engine_speed": 750.0}),
        Batch(0.2, {"engine_speed": 760.0, "coolant_temp": 88.0}),
    ]


def test_a_stretch_keeps_its_times(saved):
    part = read_trace(saved(HEAD + b"0,1,\n1,2,\n2,3,\n3,4,\n")).between(1.0, 2.0)
    assert part.time_s.tolist() == [1.0, 2.0] and part.columns["engine_speed"].tolist() == [2.0, 3.0]


def test_a_pandas_user_gets_a_frame(saved):
    frame = read_trace(saved(HEAD + b"0,750,\n0.1,,88\n")).to_frame()
    assert frame.index.name == "time_s" and list(frame.columns) == ["engine_speed", "coolant_temp"]
    assert frame.loc[0.1, "coolant_temp"] == 88.0


def test_traces_compare_by_identity(saved):
    path = saved(HEAD + b"0,750,\n")
    assert read_trace(path) != read_trace(path)
    assert len({read_trace(path), read_trace(path)}) == 2


def test_the_hash_is_that_of_the_bytes_on_disk(saved):
    import hashlib

    content = b"\xef\xbb\xbf" + HEAD + b"0,750,\n0.1,7"
    assert read_trace(saved(content)).sha256 == hashlib.sha256(content).hexdigest()
