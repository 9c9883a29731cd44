"""The drive file: what surrounds a trace survives writing, crashes and hand editing."""

from __future__ import annotations

import json
import math
import os

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from camlog.drive import SCHEMA, Drive, drive_path, read_drive, write_drive
from camlog.errors import InputError
from camlog.stream import EVENT_KINDS, CodeSnapshot, Event, MonitorTest, TroubleCode

SNAPSHOT = CodeSnapshot(
    time_s=0.5,
    mil=True,
    stored=(TroubleCode("P0011", "7E8"),),
    pending=(),
    permanent=None,
    readiness={"misfire": "complete", "catalyst": "incomplete"},
    freeze_frame={"code": "P0011", "engine_speed": 750.0, "coolant_temp": None},
    since_clear={"warm_ups": 12.0, "distance_km": 340.0, "time_min": None},
    monitor_tests=(
        MonitorTest("35", "80", 12.0, 0.0, 50.0, "deg"),
        MonitorTest("A2", "0C", 3.0, None, None, "count"),
    ),
)
DRIVE = Drive(
    "2024-05-01T09:30:00+02:00",
    {"name": "Invented four-cylinder", "vin": None},
    {"protocol": "ISO 15765-4", "uncertainty_s": 0.004},
    "ab" * 32,
    (Event(12.4, "marker", "rattle heard"), Event(20.0, "gap", "")),
    (SNAPSHOT,),
)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "drive.drive.json"


def refusal(path, content) -> InputError:
    path.write_bytes(content if isinstance(content, bytes) else json.dumps(content).encode())
    with pytest.raises(InputError) as caught:
        read_drive(path)
    assert str(path) in str(caught.value) and caught.value.remedy
    return caught.value


def test_a_drive_reads_back_as_it_was_written(path):
    write_drive(DRIVE, path)
    assert read_drive(path) == DRIVE


def test_the_file_is_laid_out_as_designed(path):
    write_drive(DRIVE, path)
    raw = json.loads(path.read_text("utf-8"))
    assert raw["schema"] == "camlog.drive/1"
    assert raw["events"][0] == {"time_s": 12.4, "kind": "marker", "text": "rattle heard"}
    snapshot = raw["code_snapshots"][0]
    assert snapshot["stored"] == [{"code": "P0011", "ecu": "7E8"}]
    assert snapshot["pending"] == [] and snapshot["permanent"] is None  # none there, against not read
    assert snapshot["monitor_tests"][0] == {
        "mid": "35",
        "tid": "80",
        "value": 12.0,
        "min": 0.0,
        "max": 50.0,
        "unit": "deg",
    }


def test_everything_but_the_schema_is_optional(path):
    path.write_text('{"schema": "camlog.drive/1", "later_key": 1}')
    assert read_drive(path) == Drive()


def test_it_lies_beside_its_trace(tmp_path):
    assert drive_path(tmp_path / "a.csv") == tmp_path / "a.drive.json"
    assert drive_path("B.CSV").name == "B.drive.json"
    assert drive_path("c.d").name == "c.d.drive.json"


def test_numbers_that_are_none_become_null(path):
    odd = Drive(
        adapter={"rate": math.nan, "seen": [math.inf, 1.0]},
        code_snapshots=(
            CodeSnapshot(
                0.0,
                freeze_frame={"engine_speed": math.nan},
                since_clear={"warm_ups": math.nan},
                monitor_tests=(
                    MonitorTest("35", "80", math.nan, None, None),
                    MonitorTest("36", "80", 1.0, math.nan, 2.0),
                ),
            ),
        ),
    )
    write_drive(odd, path)
    back = read_drive(path)
    assert back.adapter == {"rate": None, "seen": [None, 1.0]}
    assert back.code_snapshots[0].freeze_frame == {"engine_speed": None}
    assert back.code_snapshots[0].monitor_tests == (MonitorTest("36", "80", 1.0, None, 2.0),)


def test_text_with_half_characters_does_not_stop_the_writing(path):
    write_drive(Drive(events=(Event(1.0, "marker", "rattle \ud800 heard ü"),)), path)
    assert read_drive(path).events[0].text == "rattle ? heard ü"


def test_a_failed_writing_leaves_the_old_file(path, monkeypatch):
    write_drive(DRIVE, path)
    with pytest.raises(ValueError):
        write_drive(Drive(events=(Event(math.nan, "marker"),)), path)

    def full(fd):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError):
        write_drive(Drive(), path)
    assert read_drive(path) == DRIVE
    assert os.listdir(path.parent) == [path.name]


# ---------------------------------------------------------------- refusing what is wrong


@pytest.mark.parametrize(
    ("content", "line"),
    [
        (b"", 1),
        (b"{", 1),
        (b'{\n"schema": }', 2),
        (b"time [s],engine_speed [rpm]\n0,1\n", 1),
        (b"[" * 100_000, None),
    ],
)
def test_what_is_not_json_is_refused_with_its_line(path, content, line):
    error = refusal(path, content)
    assert "not JSON" in error.what and error.line == line


@pytest.mark.parametrize(
    "content",
    [
        b'{"schema": "camlog.drive/1", "adapter": {"rate": NaN}}',
        b'{"schema": "camlog.drive/1", "adapter": {"rate": -Infinity}}',
        b'{"schema": "camlog.drive/1", "adapter": {"rate": 1e999}}',
        b'{"schema": "camlog.drive/1", "adapter": {"rate": ' + b"9" * 6000 + b"}}",
    ],
)
def test_numbers_json_does_not_have_are_refused(path, content):
    assert "is not JSON (" in refusal(path, content).what


def test_text_that_is_not_utf8_is_refused(path):
    assert "UTF-8" in refusal(path, b'{"schema": "\xff"}').what


def test_a_missing_file_is_refused(path):
    with pytest.raises(InputError, match="No such file"):
        read_drive(path)


def _changed(**changes):
    return {"schema": SCHEMA, **changes}


def _snapshot(**changes):
    return _changed(code_snapshots=[{"time_s": 0.0}, {"time_s": 1.0, **changes}])


@pytest.mark.parametrize(
    ("content", "key"),
    [
        ([], "the file"),
        ("text", "the file"),
        ({}, "schema"),
        ({"schema": "camlog.drive/2"}, "schema"),
        ({"schema": [1]}, "schema"),
        (_changed(started_at=5), "started_at"),
        (_changed(started_at="yesterday"), "started_at"),
        (_changed(started_at="2024-05-01T09:30:00"), "started_at"),
        (_changed(vehicle=[]), "vehicle"),
        (_changed(vehicle=False), "vehicle"),
        (_changed(vehicle={"vin": 5}), "vehicle.vin"),
        (_changed(adapter="x"), "adapter"),
        (_changed(trace_sha256=1), "trace_sha256"),
        (_changed(events={}), "events"),
        (_changed(events=0), "events"),
        (_changed(events=[{"time_s": 0, "kind": "marker"}, 5]), "events[1]"),
        (_changed(events=[{"kind": "marker"}]), "events[0].time_s"),
        (_changed(events=[{"time_s": True, "kind": "marker"}]), "events[0].time_s"),
        (_changed(events=[{"time_s": 10**400, "kind": "marker"}]), "events[0].time_s"),
        (_changed(events=[{"time_s": 0, "kind": "note"}]), "events[0].kind"),
        (_changed(events=[{"time_s": 0, "kind": ["marker"]}]), "events[0].kind"),
        (_changed(events=[{"time_s": 0, "kind": "marker", "text": 0}]), "events[0].text"),
        (_changed(code_snapshots="none"), "code_snapshots"),
        (_snapshot(time_s=None), "code_snapshots[1].time_s"),
        (_snapshot(mil="on"), "code_snapshots[1].mil"),
        (_snapshot(mil=1), "code_snapshots[1].mil"),
        (_snapshot(stored="P0011"), "code_snapshots[1].stored"),
        (_snapshot(stored=["P0011"]), "code_snapshots[1].stored[0]"),
        (_snapshot(pending=[{"ecu": "7E8"}]), "code_snapshots[1].pending[0].code"),
        (_snapshot(permanent=[{"code": "P0011", "ecu": 7}]), "code_snapshots[1].permanent[0].ecu"),
        (_snapshot(readiness=["misfire"]), "code_snapshots[1].readiness"),
        (_snapshot(readiness={"misfire": "done"}), "code_snapshots[1].readiness.'misfire'"),
        (_snapshot(freeze_frame=[1]), "code_snapshots[1].freeze_frame"),
        (_snapshot(freeze_frame={"engine_speed": "fast"}), "code_snapshots[1].freeze_frame.'engine_speed'"),
        (_snapshot(freeze_frame={"code": 11}), "code_snapshots[1].freeze_frame.'code'"),
        (_snapshot(since_clear=3), "code_snapshots[1].since_clear"),
        (_snapshot(since_clear={"warm_ups": "12"}), "code_snapshots[1].since_clear.'warm_ups'"),
        (_snapshot(monitor_tests={}), "code_snapshots[1].monitor_tests"),
        (_snapshot(monitor_tests=[{"mid": 35}]), "code_snapshots[1].monitor_tests[0].mid"),
        (_snapshot(monitor_tests=[{"mid": "35", "tid": "80"}]), "code_snapshots[1].monitor_tests[0].value"),
        (
            _snapshot(monitor_tests=[{"mid": "35", "tid": "80", "value": 1, "min": "0"}]),
            "code_snapshots[1].monitor_tests[0].min",
        ),
    ],
)
def test_a_faulty_key_is_named(path, content, key):
    assert refusal(path, content).what.startswith(f"{key} should be ")


_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
_places = st.sampled_from(
    [
        ("started_at",), ("vehicle",), ("vehicle", "vin"), ("adapter",), ("trace_sha256",), ("schema",),
        ("events",), ("events", 0), ("events", 1, "time_s"), ("events", 0, "kind"), ("events", 0, "text"),
        ("code_snapshots",),
        ("code_snapshots", 0),
        *[("code_snapshots", 0, k) for k in ("time_s", "mil", "stored", "pending", "permanent", "readiness")],
        *[("code_snapshots", 0, k) for k in ("freeze_frame", "since_clear", "monitor_tests")],
        ("code_snapshots", 0, "stored", 0), ("code_snapshots", 0, "stored", 0, "code"),
        ("code_snapshots", 0, "readiness", "misfire"), ("code_snapshots", 0, "freeze_frame", "engine_speed"),
        ("code_snapshots", 0, "since_clear", "warm_ups"), ("code_snapshots", 0, "monitor_tests", 0),
        ("code_snapshots", 0, "monitor_tests", 0, "value"), ("code_snapshots", 0, "monitor_tests", 1, "min"),
    ]
)  # fmt: skip


@settings(max_examples=400, deadline=None)
@given(_places, _json)
def test_anything_in_any_place_reads_or_is_refused_and_what_reads_can_be_written(tmp_path_factory, place, value):
    path = tmp_path_factory.getbasetemp() / "fuzzed.drive.json"
    raw = DRIVE.to_dict()
    spot = raw
    for step in place[:-1]:
        spot = spot[step]
    spot[place[-1]] = value
    path.write_text(json.dumps(raw), "utf-8")
    try:
        drive = read_drive(path)
    except InputError as error:
        assert str(path) in str(error) and error.remedy
        return
    write_drive(drive, path)
    assert json.loads(path.read_text("utf-8"))["schema"] == SCHEMA
    read_drive(path)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=60), st.integers(0, 2000), st.integers(0, 200))
def test_damaged_bytes_read_or_are_refused(tmp_path_factory, junk, at, cut):
    path = tmp_path_factory.getbasetemp() / "damaged.drive.json"
    content = json.dumps(DRIVE.to_dict()).encode()
    at %= len(content)
    path.write_bytes(content[:at] + junk + content[at + cut :])
    try:
        read_drive(path)
    except InputError as error:
        assert str(path) in str(error)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.builds(Event, st.floats(0, 1e6), st.sampled_from(EVENT_KINDS), st.text(st.characters(codec="utf-8"))),
        max_size=5,
    )
)
def test_events_of_any_text_come_back(tmp_path_factory, events):
    path = tmp_path_factory.getbasetemp() / "events.drive.json"
    write_drive(Drive(events=tuple(events)), path)
    assert read_drive(path).events == tuple(events)


@pytest.mark.parametrize("when", ["9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00"])
def test_a_start_at_an_end_of_the_calendar_is_refused(tmp_path, when):
    path = tmp_path / "x.drive.json"
    path.write_text(json.dumps({"schema": "camlog.drive/1", "started_at": when}))
    with pytest.raises(InputError, match="started_at should be"):
        read_drive(path)


@pytest.mark.parametrize("key", ["name", "vin", "vin_hash", "profile_sha256"])
@pytest.mark.parametrize("value", [{}, {"a": 1}, [1], 5, True])
def test_what_tells_a_vehicle_is_text_or_not_known(tmp_path, key, value):
    path = tmp_path / "a.drive.json"
    path.write_text(json.dumps({"schema": "camlog.drive/1", "vehicle": {key: value}}), encoding="utf-8")
    with pytest.raises(InputError, match=rf"vehicle\.{key}"):
        read_drive(path)
    path.write_text(
        json.dumps({"schema": "camlog.drive/1", "vehicle": {key: None, "colour": {"of": "its own"}}}), encoding="utf-8"
    )
    assert read_drive(path).vehicle["colour"] == {"of": "its own"}
