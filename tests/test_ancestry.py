"""A file made from another says so and is never more trusted than it: no fresh seal for what was cut or converted."""

from __future__ import annotations

import hashlib
import json
import shutil

import pytest

from camlog.cli import main
from camlog.convert import convert
from camlog.drive import SEAL, drive_path, read_drive
from camlog.places import sample_logs_folder
from camlog.trace import read_trace
from camlog.trust import trust


@pytest.fixture
def recorded(tmp_path):
    """A recording with its drive file, sealed as camlog seals it."""
    for ending in ("csv", "drive.json"):
        shutil.copy(sample_logs_folder() / f"too-short.{ending}", tmp_path / f"drive.{ending}")
    return tmp_path / "drive.csv"


def cut(trace, out, *more):
    with pytest.raises(SystemExit) as end:
        main(["replay", str(trace), "--speed", "max", "--out", str(out), *map(str, more)])
    assert end.value.code == 0
    return out


def trusted(trace):
    return trust(read_drive(drive_path(trace)), read_trace(trace).sha256)


def sha256(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_recording_is_trusted_and_its_cut_is_not(recorded, tmp_path, capsys):
    assert trusted(recorded).as_recorded is True and not trusted(recorded).reasons
    piece = cut(recorded, tmp_path / "piece.csv", "--start", 5)
    drive = read_drive(drive_path(piece))
    (ancestor,) = drive.ancestry
    assert (ancestor.sha256, ancestor.file, ancestor.as_recorded) == (sha256(recorded), "drive.csv", True)
    assert "cut at 5 s" in ancestor.made
    found = trusted(piece)
    assert found.as_recorded is None and "cut at 5 s from drive.csv" in found.reasons[0]
    assert drive.intact is None and SEAL not in json.loads(drive_path(piece).read_text())


def test_a_whole_replay_gives_an_edited_trace_no_seal_back(recorded, tmp_path, capsys):
    lines = recorded.read_bytes().splitlines(keepends=True)
    recorded.write_bytes(b"".join(lines[:40] + lines[41:]))  # a row taken out
    again = cut(recorded, tmp_path / "again.csv")
    assert read_drive(drive_path(again)).ancestry[0].as_recorded is False
    assert trusted(again).as_recorded is False and "changed after the recording" in trusted(again).reasons[0]
    # However often it is made anew, and by whatever way.
    third = cut(again, tmp_path / "third.csv")
    fourth = convert(third, out=tmp_path / "fourth.csv").trace_path
    assert trusted(third).as_recorded is False and trusted(fourth).as_recorded is False
    made = [a.made.split()[0] for a in read_drive(drive_path(fourth)).ancestry]
    assert made == ["cut", "cut", "converted"]


def test_without_its_drive_file_an_edited_trace_gains_nothing(recorded, tmp_path, capsys):
    drive_path(recorded).unlink()
    again = cut(recorded, tmp_path / "again.csv")
    assert read_drive(drive_path(again)).ancestry[0].as_recorded is None and trusted(again).as_recorded is None


def test_a_foreign_file_is_no_recording_after_it_was_converted(tmp_path):
    foreign = tmp_path / "customer.csv"
    foreign.write_text("Time (s),Engine RPM (rpm)\n" + "".join(f"{i / 10},{700 + i % 7}\n" for i in range(100)))
    made = convert(foreign).trace_path
    (ancestor,) = read_drive(drive_path(made)).ancestry
    assert (ancestor.sha256, ancestor.made, ancestor.as_recorded) == (sha256(foreign), "converted", None)
    assert trusted(made).as_recorded is None


@pytest.mark.parametrize("taken_away", ["ancestry", "derived_content_sha256"])
def test_taking_a_mark_of_descent_away_gives_no_trust(recorded, tmp_path, capsys, taken_away):
    piece = cut(recorded, tmp_path / "piece.csv", "--start", 5)
    content = json.loads(drive_path(piece).read_text())
    content.pop(taken_away)
    drive_path(piece).write_text(json.dumps(content))
    assert trusted(piece).as_recorded is not True


def test_what_descends_from_a_simulated_adapter_proves_nothing(recorded, tmp_path, capsys):
    content = json.loads(drive_path(recorded).read_text())
    content["adapter"]["simulated"] = True
    drive_path(recorded).write_text(json.dumps(content))
    piece = cut(recorded, tmp_path / "piece.csv", "--start", 5)
    assert read_drive(drive_path(piece)).ancestry[0].simulated
    assert read_drive(drive_path(piece)).is_simulated
