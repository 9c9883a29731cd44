"""Damaged foreign files: never a traceback, never a hang, never a value that was not in the file."""

from __future__ import annotations

import csv
import random
import time

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from camlog.convert import Conversion, convert
from camlog.errors import InputError
from camlog.trace import Trace, read_trace
from tests.foreign_files import damaged, foreign_values, numbers_in, seeds

SEEDS = seeds()
# Well above what the largest of the small files takes, imports done.
ALLOWED_S = 3.0
_few = settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fuzz")
    (folder / "first.csv").write_text("Time (s),Oil (°F)\n0,180\n1,181\n")
    convert(folder / "first.csv")  # the imports
    return folder


def as_written(path) -> Trace:
    """A trace with its values in the units of its headings."""
    with open(path, encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    names = [cell.rsplit(" [", 1)[0] for cell in rows[0]]
    table = {n: np.array([float(r[i]) if r[i] else np.nan for r in rows[1:]]) for i, n in enumerate(names)}
    return Trace(table.pop("time"), table)


def check(content: bytes, folder) -> Conversion | None:
    source, out = folder / "fuzz.csv", folder / "out.csv"
    source.write_bytes(content)
    began = time.process_time()
    try:
        conversion = convert(source, out=out, force=True)
    except InputError as error:
        assert "\n" not in str(error) and error.what
        return None
    finally:
        assert time.process_time() - began < ALLOWED_S
        for made in folder.glob("*.map.toml"):
            made.unlink()
    written = as_written(out)
    assert foreign_values(conversion, written, numbers_in(content)) == []
    trace = read_trace(out)
    assert trace.time_s[0] == 0 and (np.diff(trace.time_s) >= 0).all()
    # A damaged stamp may leap by hours: the trace says so, once, and nothing else.
    leaps = bool((np.diff(trace.time_s) > 3600.0).any())
    assert [w.startswith("The time leaps from ") for w in trace.warnings] == [True] * leaps
    assert all(c.certain or c.doubts for c in conversion.columns)
    return conversion


@_few
@given(content=st.binary(max_size=600))
def test_random_bytes(folder, content):
    check(content, folder)


@_few
@given(seed=st.integers(0, 2**32 - 1), which=st.integers(0, len(SEEDS) - 1))
def test_truncated_flipped_and_shuffled_files(folder, seed, which):
    check(damaged(SEEDS[which], random.Random(seed)), folder)


_cell = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True).map(repr),
    st.integers(-(10**6), 10**6).map(str),
    st.sampled_from(
        [
            "",
            "-",
            "N/A",
            "12:00:00",
            "2024-05-01 10:00:00",
            "1,5",
            "1.234,5",
            '"',
            "P0011",
            "True",
            "0x1F",
            "°C",
            "rpm",
        ]
    ),
    st.text(max_size=6),
)


@_few
@given(
    rows=st.lists(st.lists(_cell, min_size=1, max_size=5), min_size=1, max_size=12),
    headings=st.lists(
        st.sampled_from(["Time", "Time (ms)", "RPM", "Coolant", "Intake cam actual", "Signal", "Value",
        "Unit", "Temp (F)", ""]),
        min_size=1, max_size=5,
    ),
    separator=st.sampled_from([",", ";", "\t", "|"]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
)  # fmt: skip
def test_tables_of_anything(folder, rows, headings, separator, end):
    text = end.join(separator.join(row) for row in [headings, *rows])
    check(text.encode("utf-8", "surrogatepass"), folder)


@pytest.mark.parametrize(
    "piece",
    ['"', "'", ",", ";", "\t", "-", "0,", "1:", "(", "[", "a ", "\r", "0\n", '"\n', "1e", "é", "1.1.", "::;"],
)
def test_time_grows_with_the_size_and_no_faster(folder, piece):
    took = []
    for size in (1 << 16, 1 << 18):
        content = ("Time (s),Engine speed (rpm)\n0,700\n1,705\n" + piece * (size // len(piece))).encode()
        began = time.process_time()
        check(content, folder)
        took.append(time.process_time() - began)
    assert took[1] < 8 * took[0] + 0.6
