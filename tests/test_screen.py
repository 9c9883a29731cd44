"""Many recordings at once: every file is a row, stopped runs go on, and a lost worker costs one file."""

from __future__ import annotations

import json
import os
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest

from camlog.cli import main
from camlog.errors import InputError
from camlog.library import overview
from camlog.library import screen as screening
from camlog.library.addresses import files_of
from camlog.library.screen import RESULTS, STATE, Row, screen
from camlog.profile.reader import DEMO
from tests.command_help import FORKING

SAMPLES = Path(__file__).parent.parent / "sample_logs"


@pytest.fixture(autouse=True)
def forked(monkeypatch):
    """Workers that have camlog loaded."""
    monkeypatch.setattr(screening, "get_context", lambda how: FORKING)


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "drives"
    (place / "deep" / "er").mkdir(parents=True)
    for name, to in (("healthy", place), ("slow-cold", place / "deep"), ("too-short", place / "deep" / "er")):
        shutil.copy(SAMPLES / f"{name}.csv", to)
        shutil.copy(SAMPLES / f"{name}.drive.json", to)
    (place / "notes.txt").write_text("nothing to read here\n")
    (place / "healthy.report.html").write_text("<p>")
    return place


def test_every_file_below_a_folder_is_a_row_and_a_bad_one_says_why(folder, tmp_path):
    rows = {Path(r.path).name: r for r in screen(files_of([str(folder)]), tmp_path / "out", vehicle="demo", jobs=1)}
    assert set(rows) == {"healthy.csv", "slow-cold.csv", "too-short.csv", "notes.txt"}
    assert rows["healthy.csv"].worst == "healthy" and rows["slow-cold.csv"].worst == "slow"
    assert rows["slow-cold.csv"].worst_cam == "intake_b1"
    assert rows["notes.txt"].reason and not rows["notes.txt"].worst
    assert {c["oil"] for c in rows["slow-cold.csv"].cams} > {"", "below 40 °C"}


def test_a_second_run_examines_only_what_is_new_or_changed(folder, tmp_path, monkeypatch):
    out = tmp_path / "out"
    screen(files_of([str(folder)]), out, vehicle="demo", jobs=1)
    lines = (out / STATE).read_text().splitlines()
    screen(files_of([str(folder)]), out, vehicle="demo", jobs=1)
    again = (out / STATE).read_text().splitlines()[len(lines) :]
    assert [Path(json.loads(line)["path"]).name for line in again] == ["notes.txt"]  # what was not read is tried again
    os.utime(folder / "healthy.csv")  # touched, not changed
    with open(folder / "deep" / "slow-cold.csv", "a") as file:
        file.write("\n")
    rows = screen(files_of([str(folder)]), out, vehicle="demo", jobs=1)
    last = [Path(json.loads(line)["path"]).name for line in (out / STATE).read_text().splitlines()[len(lines) + 1 :]]
    assert sorted(last) == ["notes.txt", "slow-cold.csv"] and len(rows) == 4


def test_with_another_profile_every_file_is_examined_anew(folder, tmp_path):
    out, own = tmp_path / "out", tmp_path / "own.toml"
    files = files_of([str(folder / "healthy.csv")])
    (row,) = screen(files, out, vehicle="demo", jobs=1)
    own.write_text(DEMO.read_text("utf-8").replace("Invented", "Another invented"), encoding="utf-8")
    (other,) = screen(files, out, vehicle=str(own), jobs=1)
    assert other.examined_by != row.examined_by
    assert screen(files, out, vehicle=str(own), jobs=1) == [other]
    assert len((out / STATE).read_text().splitlines()) == 2


def test_a_changed_drive_file_is_seen_here_and_elsewhere(folder, tmp_path):
    fsspec = pytest.importorskip("fsspec")
    drive, elsewhere = folder / "healthy.drive.json", fsspec.filesystem("memory")
    for files, place in (([str(folder / "healthy.csv")], "here"), (["memory://kept/healthy.csv"], "there")):
        changed = json.loads((SAMPLES / drive.name).read_text("utf-8"))
        for _ in range(2):
            drive.write_text(json.dumps(changed), encoding="utf-8")
            for name in ("healthy.csv", drive.name):
                elsewhere.put_file(str(folder / name), f"/kept/{name}")
            (row,) = screen(files, tmp_path / place, jobs=1) if place == "here" else [screening.examine(files[0])]
            changed["code_snapshots"][0]["stored"] = [{"code": "P0303", "ecu": "7E8"}]
        assert row.simulated and "P0303" in row.codes
        known = screening._known(row)
        assert screening.examine(files[0], None, known) is None
        assert screening.examine(files[0], None, (*known[:3], "of another drive file")) is not None


def test_a_run_that_was_cut_off_goes_on(folder, tmp_path):
    out = tmp_path / "out"
    screen(files_of([str(folder / "healthy.csv")]), out, vehicle="demo", jobs=1)
    state = out / STATE
    state.write_text(state.read_text() + '{"path": "half a li')
    rows = screen(files_of([str(folder)]), out, vehicle="demo", jobs=1)
    assert len(rows) == 4 and sum(r.worst == "healthy" for r in rows) == 1


def test_screening_writes_nothing_beside_the_recordings(folder, tmp_path):
    shutil.copy(Path(__file__).parent / "foreign" / "cam_no_side.csv", folder)
    before = sorted(folder.rglob("*"))
    rows = screen(files_of([str(folder)]), tmp_path / "out", jobs=1)
    assert any("doubt" in r.reason for r in rows)
    assert sorted(folder.rglob("*")) == before


def dying(path, vehicle=None, known=None):
    """Stands in for the examination: ends its process on one file, as a crash of a library would."""
    if Path(path).name == "bad.csv":
        os._exit(9)
    return Row(path, 1, 1.0, worst="healthy")


def test_a_worker_that_dies_costs_its_own_file_only(tmp_path, monkeypatch):
    monkeypatch.setattr(screening, "examine", dying)
    names = [f"{i}.csv" for i in range(8)] + ["bad.csv"] + [f"x{i}.csv" for i in range(8)]
    rows = {r.path: r for r in screen(names, tmp_path / "out", jobs=2)}
    assert set(rows) == set(names)
    assert "ended" in rows["bad.csv"].reason
    assert all(r.worst == "healthy" for name, r in rows.items() if name != "bad.csv")


def test_no_recording_there_is_said(tmp_path):
    with pytest.raises(InputError, match="no recording"):
        files_of([str(tmp_path)])
    with pytest.raises(InputError, match="no recording"):
        files_of([str(tmp_path / "*.csv")])


def test_recordings_of_any_storage_are_read(tmp_path):
    fsspec = pytest.importorskip("fsspec")
    memory = fsspec.filesystem("memory")
    memory.pipe("/fleet/healthy.csv", (SAMPLES / "healthy.csv").read_bytes())
    (found,) = files_of(["memory://fleet"])
    row = screening.examine(found, "demo")
    assert row.worst == "healthy" and row.path == found and found.startswith("memory://")


def test_the_command_writes_tables_and_an_overview(folder, tmp_path, capsys):
    out = tmp_path / "out"
    with pytest.raises(SystemExit) as end:
        main(["screen", str(folder), "--out", str(out), "--vehicle", "demo", "--jobs", "1"])
    assert not end.value.code
    assert "4 recordings: 1 with a fault, 1 not read." in capsys.readouterr().out
    recordings, cams = pd.read_parquet(out / "recordings.parquet"), pd.read_parquet(out / "cams.parquet")
    assert len(recordings) == 4 and set(cams["cam"]) == {"intake_b1", "exhaust_b1"}
    page = (out / "overview.html").read_text()
    assert "1 healthy" in page and "1 not read" in page and '"Slow","intake, bank 1"' in page
    assert "simulated: proves nothing" in page and not re.search("insufficient_data|intake_b1|oil_control", page)


def command(*words):
    """Status of `camlog screen` with these words."""
    with pytest.raises(SystemExit) as end:
        main(["screen", *map(str, words), "--vehicle", "demo", "--jobs", "1"])
    return end.value.code or 0


def test_a_further_run_replaces_its_own_results_and_nothing_else(folder, tmp_path, capsys):
    out = tmp_path / "out"
    assert command(folder / "deep", "--out", out) == 0
    assert command(folder, "--out", out) == 0  # its own are carried on
    assert len(pd.read_parquet(out / "recordings.parquet")) == 4
    for name in RESULTS:
        (out / name).write_text("somebody's own")
        before = sorted((p.name, p.read_bytes()) for p in out.iterdir())
        capsys.readouterr()
        assert command(folder, "--out", out) == 2
        said = capsys.readouterr().err
        assert f"{name}: is there already" in said and "--force" in said and said.count("\n") == 1
        assert sorted((p.name, p.read_bytes()) for p in out.iterdir()) == before
        assert command(folder, "--out", out, "--force") == command(folder, "--out", out) == 0
    (out / "notes.md").write_text("mine")
    (out / "overview.html").unlink()
    assert command(folder, "--out", out) == 0 and (out / "notes.md").read_text() == "mine"


@pytest.mark.parametrize("name", [STATE, *RESULTS])
def test_a_file_that_no_screening_wrote_is_replaced_with_force_only(folder, tmp_path, name):
    out = tmp_path / "out"
    out.mkdir()
    (out / name).write_text("somebody's own\n")
    assert command(folder, "--out", out) == 2
    assert [(p.name, p.read_text()) for p in out.iterdir()] == [(name, "somebody's own\n")]
    assert command(folder, "--out", out, "--force") == 0
    assert (
        len(pd.read_parquet(out / "recordings.parquet")) == 4 and "own" not in (out / STATE).read_text().splitlines()[0]
    )


def test_a_run_that_was_killed_while_it_wrote_its_results_goes_on(folder, tmp_path, monkeypatch):
    out, put = tmp_path / "out", overview.whole_file
    assert command(folder / "deep", "--out", out) == 0

    def killed(path, *, replace):
        if path.name == "overview.html":
            raise KeyboardInterrupt
        return put(path, replace=replace)

    monkeypatch.setattr(overview, "whole_file", killed)
    command(folder, "--out", out)
    monkeypatch.undo()
    assert command(folder, "--out", out) == 0 and "1 healthy" in (out / "overview.html").read_text()


def test_a_profile_that_is_not_there_ends_it_at_once(folder, tmp_path, capsys):
    with pytest.raises(SystemExit) as end:
        main(["screen", str(folder), "--out", str(tmp_path / "out"), "--vehicle", "none.toml"])
    assert end.value.code == 2 and "none.toml" in capsys.readouterr().err and not (tmp_path / "out").exists()
