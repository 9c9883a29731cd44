"""A raw log keeps every byte of a recording, and gives the same rows again."""

from __future__ import annotations

import numpy as np
import pytest
from typer.testing import CliRunner

from camlog.capture.raw_log import RawLog, replay_raw
from camlog.cli import build_app
from camlog.drive import read_drive
from camlog.errors import InputError
from camlog.simulate.adapter import AdapterTraits, Fault, SimulatedAdapter, preset
from camlog.trace import read_trace
from tests.adapter_car import VIN
from tests.capture_help import PROFILE, TIMING, climbing_car, recorded


def rows_of(batches):
    return [(round(b.time_s, 6), {n: float(v) for n, v in b.values.items()}) for b in batches]


def rows_of_trace(trace):
    return [(round(b.time_s, 6), dict(b.values)) for b in trace.batches()]


def same(raw, trace):
    again, kept = rows_of(replay_raw(raw, PROFILE)), rows_of_trace(trace)
    assert [t for t, _ in again] == [t for t, _ in kept]
    for (_, values), (_, before) in zip(again, kept, strict=True):
        assert values.keys() == before.keys()
        assert np.allclose([values[n] for n in before], [*before.values()], rtol=0, atol=1e-9)


@pytest.mark.parametrize("adapter", ["standard", "clone", "non-can"])
def test_the_same_rows_come_from_the_bytes(tmp_path, adapter):
    raw = RawLog(tmp_path / "drive.raw")
    done = recorded(tmp_path, traits=preset(adapter), seconds=2.0, codes=True, raw=raw)
    raw.close()
    assert len(done.trace.time_s) > 8
    same(tmp_path / "drive.raw", done.trace)


@pytest.mark.parametrize("kind", ["garbage", "unplugged", "reset"])
def test_the_same_rows_come_through_a_fault(tmp_path, kind):
    raw = RawLog(tmp_path / "drive.raw")
    done = recorded(tmp_path, [Fault(kind, 0.6, 0.4)], raw=raw)
    raw.close()
    same(tmp_path / "drive.raw", done.trace)


def test_the_vehicles_number_is_blanked(tmp_path):
    raw = RawLog(tmp_path / "drive.raw")
    recorded(tmp_path, raw=raw)
    raw.close()
    text = (tmp_path / "drive.raw").read_text()
    assert VIN[:6].encode().hex().upper() not in text.replace(" ", "").upper()
    assert "0902" in text


def test_what_is_no_raw_log_is_said(tmp_path):
    (tmp_path / "a.csv").write_text("time [s]\n0\n")
    with pytest.raises(InputError, match="no raw log"):
        list(replay_raw(tmp_path / "a.csv"))
    RawLog(tmp_path / "b.raw").close()
    with pytest.raises(InputError, match="before the recording began"):
        list(replay_raw(tmp_path / "b.raw"))
    with pytest.raises(InputError, match="is there already"):
        RawLog(tmp_path / "b.raw")


def test_the_commands_record_and_replay_the_bytes(tmp_path):
    with SimulatedAdapter(climbing_car(), PROFILE, traits=AdapterTraits(), timing=TIMING) as adapter:
        made = CliRunner().invoke(
            build_app(),
            ["record", "--port", adapter.start_tcp(), "--vehicle", "demo", "--out", str(tmp_path / "drive.csv"),
             "--raw", str(tmp_path / "drive.raw"), "--minutes", "0.04"],
        )  # fmt: skip
    assert made.exit_code == 0, made.output
    again = tmp_path / "again.csv"
    played = CliRunner().invoke(
        build_app(),
        ["replay", "--raw", str(tmp_path / "drive.raw"), "--vehicle", "demo", "--speed", "max", "--out", str(again)],
    )
    assert played.exit_code == 0, played.output
    first, second = read_trace(tmp_path / "drive.csv"), read_trace(again)
    assert len(first.time_s) > 8 and np.allclose(
        first.time_s - first.time_s[0], second.time_s - second.time_s[0], atol=2e-6
    )
    for name in first.signals:
        np.testing.assert_allclose(first.columns[name], second.columns[name], atol=1e-9)
    kept = read_drive(tmp_path / "again.drive.json")
    assert kept.adapter["simulated"] and kept.ancestry
    both = CliRunner().invoke(build_app(), ["replay", "drive.csv", "--raw", str(tmp_path / "drive.raw")])
    assert "either a recording or --raw" in str(both.exception)
