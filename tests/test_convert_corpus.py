"""Foreign traces, as customers send them: every file of the corpus converts to what it says, or is refused
for the reason that is true of it. The files and their values are invented; `tests/foreign/expected.toml`
says what each shows. Unit factors: NIST SP 811 (from memory)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from camlog.convert import convert, read_any
from camlog.drive import read_drive
from camlog.errors import InputError
from camlog.trace import read_trace
from tests.foreign_files import FOLDER, Expected, corpus

FILES = corpus()


def test_the_corpus_is_complete():
    names = {path.name for path in FOLDER.iterdir() if not path.name.startswith(".")} - {"expected.toml"}
    assert names == {e.name for e in FILES}
    assert len(FILES) >= 40


@pytest.mark.parametrize("expected", FILES, ids=lambda e: e.name)
def test_a_foreign_file_converts_to_what_it_says(expected: Expected, tmp_path):
    out = tmp_path / "out.csv"
    source = tmp_path / expected.name
    source.write_bytes(expected.path.read_bytes())
    if expected.refused:
        with pytest.raises(InputError) as caught:
            convert(source, out=out)
        assert caught.value.what == expected.refused
        assert caught.value.line == expected.line
        assert caught.value.remedy and "\n" not in str(caught.value)
        assert not out.exists()
        return
    conversion = convert(source, out=out)
    trace = read_trace(out)
    assert trace.time_s[: len(expected.time_s)] == pytest.approx(expected.time_s, abs=1e-9)
    assert set(trace.signals) == set(expected.signals)
    for name, values in expected.signals.items():
        assert trace.columns[name][: len(values)] == pytest.approx(values, abs=1e-5, nan_ok=True), name
    assert {c.name: list(c.doubts) for c in conversion.doubtful} == expected.doubtful
    assert list(conversion.notes) == expected.notes
    drive = read_drive(conversion.drive_path)
    assert drive.trace_sha256 == trace.sha256
    assert drive.started_at == expected.started_at
    stored = [s.stored for s in drive.code_snapshots if s.stored is not None]
    assert ([c.code for c in stored[-1]] if stored else None) == expected.stored_codes
    assert [e.text for e in drive.events] == expected.remarks


@pytest.mark.parametrize("expected", [e for e in FILES if not e.refused], ids=lambda e: e.name)
def test_reading_in_memory_is_the_same_as_converting(expected: Expected, tmp_path):
    source = tmp_path / expected.name
    source.write_bytes(expected.path.read_bytes())
    if expected.doubtful:
        with pytest.raises(InputError) as caught:
            read_any(source)
        for heading in expected.doubtful:
            assert heading in str(caught.value)
        assert "--map" in caught.value.remedy and list(tmp_path.glob("*.map.toml"))
        return
    trace, drive, conversion = read_any(source)
    assert drive.adapter["name"] == "converted" and conversion.trace_path is None
    convert(source, out=tmp_path / "out.csv")
    written = read_trace(tmp_path / "out.csv")
    assert np.array_equal(trace.time_s, written.time_s)
    assert trace.signals == written.signals and trace.units == written.units
    for name in trace.signals:
        assert np.array_equal(trace.columns[name], written.columns[name], equal_nan=True), name


@pytest.mark.parametrize("expected", [e for e in FILES if not e.refused], ids=lambda e: e.name)
def test_a_converted_trace_converts_to_itself(expected: Expected, tmp_path):
    source = tmp_path / expected.name
    source.write_bytes(expected.path.read_bytes())
    first = convert(source, out=tmp_path / "first.csv")
    again = convert(first.trace_path, out=tmp_path / "again.csv")
    a, b = read_trace(first.trace_path), read_trace(again.trace_path)
    assert np.array_equal(a.time_s, b.time_s)
    certain = {c.signal for c in first.columns if c.certain and c.signal}
    for name in a.signals:
        if name in certain:  # what was in doubt is in doubt again, and a doubt may be another one by its new name
            assert np.array_equal(a.columns[name], b.columns[name], equal_nan=True), name
    one, two = read_drive(first.drive_path), read_drive(again.drive_path)
    assert two.code_snapshots == one.code_snapshots and two.events == one.events
    assert two.adapter["earlier"] == one.adapter


def test_every_signal_of_the_corpus_says_where_it_came_from(tmp_path):
    for expected in FILES:
        if expected.refused:
            continue
        source = tmp_path / expected.name
        source.write_bytes(expected.path.read_bytes())
        conversion = convert(source, out=tmp_path / "out.csv", force=True)
        adapter = read_drive(conversion.drive_path).adapter
        records = {r["written_as"]: r for r in adapter["columns"] if r["written_as"]}
        for signal in read_trace(conversion.trace_path).signals:
            record = records[signal]
            assert record["reason"] and 0.0 <= record["score"] <= 1.0
            assert record["heading"] or record["number"]
        assert adapter["source_file"] == expected.name and len(adapter["source_sha256"]) == 64
        assert all(math.isfinite(r["score"]) for r in adapter["columns"])
