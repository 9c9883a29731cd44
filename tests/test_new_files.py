"""Files are written whole, each by one: no name that can be foreseen, never through a link, one of two wins."""

from __future__ import annotations

import multiprocessing
import os
import threading
from pathlib import Path

import pytest

from camlog import new_files
from camlog.drive import Drive, drive_path, write_drive
from camlog.errors import InputError
from camlog.new_files import whole_file, write_text
from camlog.page import write_page
from camlog.profile import write_template
from camlog.sinks.trace_file import TraceFileSink
from camlog.stream import Batch
from camlog.trace import Trace, read_trace, write_trace

ROW = Batch(0.0, {"engine_speed": 700.0})


def trace() -> Trace:
    import numpy as np

    return Trace(np.array([0.0, 1.0]), {"engine_speed": np.array([700.0, 710.0])})


WRITERS = {
    "page": lambda path: write_page("<html>", path),
    "drive": lambda path: write_drive(Drive(), path),
    "trace": lambda path: write_trace(trace(), path),
    "profile": lambda path: write_template(path, force=True),
    "recording": lambda path: TraceFileSink(path, ["engine_speed"], force=True).close(),
}


@pytest.mark.parametrize("writer", WRITERS.values(), ids=WRITERS)
def test_nothing_is_written_through_a_link_of_the_name_or_of_one_that_can_be_guessed(tmp_path, writer):
    victim, path = tmp_path / "victim", tmp_path / "drive.csv"
    victim.write_text("kept")
    for name in ("drive.csv", "drive.csv.partial", "drive.csv.tmp", ".drive.csv.partial", "drive.drive.json.partial"):
        (tmp_path / name).symlink_to(victim)
    writer(path)
    assert victim.read_text() == "kept"
    assert path.is_file() and not path.is_symlink() and path.stat().st_size > 0
    assert (tmp_path / "drive.csv.partial").is_symlink()


@pytest.mark.parametrize("writer", WRITERS)
def test_a_write_that_fails_leaves_what_was_there_and_nothing_else(tmp_path, monkeypatch, writer):
    path = tmp_path / "drive.csv"
    path.write_text("before")

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises((OSError, InputError)):
        WRITERS[writer](path)
    left = {p.name: p.read_text() for p in tmp_path.iterdir()}
    # A recording takes the place of the old one before its first row, as it was told to.
    assert left == ({} if writer == "recording" else {"drive.csv": "before"})


def test_a_full_disk_leaves_no_empty_profile(tmp_path, monkeypatch):
    monkeypatch.setattr("camlog.profile.reader.template_text", lambda: (_ for _ in ()).throw(OSError(28, "No space")))
    with pytest.raises(InputError, match="cannot be written"):
        write_template(tmp_path / "own.toml")
    assert not list(tmp_path.iterdir())


def test_without_replace_even_a_dead_link_is_somebodys_name(tmp_path):
    (tmp_path / "page.html").symlink_to(tmp_path / "nowhere")
    with pytest.raises(InputError, match="is there already.*--force"):
        write_page("<html>", tmp_path / "page.html", replace=False)
    assert not (tmp_path / "nowhere").exists() and len(list(tmp_path.iterdir())) == 1


def test_a_device_is_never_replaced(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for replace in (True, False):
        with pytest.raises(InputError, match="it is no file"), whole_file(tmp_path / "pipe", replace=replace):
            pass


def _write_at_once(path, start, told):
    start.wait(10)
    try:
        with whole_file(path, replace=False) as out:
            out.write(b"x" * 100_000)
        told.put("wrote")
    except InputError as error:
        told.put(str(error))


def test_of_writers_at_once_one_wins_and_the_others_say_so(tmp_path):
    context = multiprocessing.get_context("fork")
    start, told = context.Barrier(4), context.Queue()
    running = [context.Process(target=_write_at_once, args=(tmp_path / "one.csv", start, told)) for _ in range(4)]
    for process in running:
        process.start()
    said = sorted(told.get(timeout=20) for _ in running)
    for process in running:
        process.join(20)
    assert said.count("wrote") == 1 and sum("is there already" in s for s in said) == 3
    assert [p.name for p in tmp_path.iterdir()] == ["one.csv"] and (tmp_path / "one.csv").stat().st_size == 100_000


@pytest.mark.parametrize("force", [False, True])
def test_a_recording_that_runs_is_not_taken_over_even_with_force(tmp_path, force):
    path = tmp_path / "drive.csv"
    first = TraceFileSink(path, ["engine_speed"])
    first.accept(ROW)
    with pytest.raises(InputError, match="recorded by another camlog" if force else "is there already"):
        TraceFileSink(path, ["engine_speed"], force=force)
    first.accept(Batch(1.0, {"engine_speed": 710.0, "oil_temp": 80.0}))  # a column more: the file is made anew
    with pytest.raises(InputError):
        TraceFileSink(path, ["engine_speed"], force=force)
    first.close()
    assert len(read_trace(path).time_s) == 2
    if force:
        TraceFileSink(path, ["engine_speed"], force=True).close()
        assert not len(path.read_bytes().splitlines()) > 1


def test_what_a_killed_program_left_is_in_nobodys_way(tmp_path):
    left = tmp_path / ".camlog-0123456789abcdef.partial"
    left.write_text("half")
    sink = TraceFileSink(tmp_path / "drive.csv", ["engine_speed"])
    sink.accept(ROW)
    sink.close()
    assert drive_path(tmp_path / "drive.csv").exists() and left.read_text() == "half"


# ---------------------------------------------------------------- where open files are kept (Windows)


@pytest.fixture
def keeps_open_files(monkeypatch):
    """`os.replace` and `Path.unlink` refuse, as on Windows, for a file that stands in the set given."""
    held: set[Path] = set()
    replace, unlink = os.replace, Path.unlink

    def refusing(real):
        def move_or_remove(*paths, **options):
            if held & {Path(p) for p in paths}:
                raise PermissionError(13, "the file is open in another program")
            return real(*paths, **options)

        return move_or_remove

    monkeypatch.setattr(os, "replace", refusing(replace))
    monkeypatch.setattr(Path, "unlink", refusing(unlink))
    monkeypatch.setattr(new_files, "KEEPS_OPEN_FILES", True)
    return held


def test_a_file_that_somebody_looks_at_for_a_moment_is_waited_for(tmp_path, keeps_open_files):
    path = tmp_path / "report.html"
    path.write_text("old", encoding="utf-8")
    keeps_open_files.add(path)
    threading.Timer(0.3, keeps_open_files.clear).start()
    write_text("new", path, replace=True)
    assert path.read_text(encoding="utf-8") == "new"


def test_a_file_that_stays_open_elsewhere_stays_and_is_said(tmp_path, keeps_open_files, monkeypatch):
    monkeypatch.setattr(new_files, "_BUSY_S", 0.1)
    path = tmp_path / "report.html"
    path.write_text("old", encoding="utf-8")
    keeps_open_files.add(path)
    with pytest.raises(InputError, match="another program has it open"):
        write_text("new", path, replace=True)
    assert path.read_text(encoding="utf-8") == "old" and list(tmp_path.iterdir()) == [path]


def test_a_recording_that_goes_on_is_not_replaced(tmp_path, keeps_open_files, monkeypatch):
    monkeypatch.setattr(new_files, "_BUSY_S", 0.1)
    path = tmp_path / "drive.csv"
    os.close(new_files.claim(path, replace=False))
    with pytest.raises(FileExistsError):
        new_files.claim(path, replace=False)
    keeps_open_files.add(path)
    with pytest.raises(BlockingIOError):
        new_files.claim(path, replace=True)
    keeps_open_files.clear()
    os.close(new_files.claim(path, replace=True))


def test_a_new_file_that_a_cloud_drive_looks_at_keeps_its_name(tmp_path, keeps_open_files, monkeypatch):
    """The name is given while the temporary file is held, which is then left to whoever tidies."""
    monkeypatch.setattr(new_files, "_BUSY_S", 0.1)
    made = new_files.open_temporary

    def held_at_once(folder):
        descriptor, temporary = made(folder)
        keeps_open_files.add(temporary)
        return descriptor, temporary

    monkeypatch.setattr(new_files, "open_temporary", held_at_once)
    write_text("new", tmp_path / "report.html", replace=False)
    assert (tmp_path / "report.html").read_text(encoding="utf-8") == "new"
    assert all(p.name == "report.html" or p.name.startswith(".camlog-") for p in tmp_path.iterdir())


def test_a_path_that_is_too_long_for_windows_is_said(tmp_path, keeps_open_files, monkeypatch):
    """Without long paths, Windows does not find one of 260 characters or more (Microsoft, "Maximum Path Length
    Limitation"; from memory)."""
    opened = os.open

    def finds_short_ones(path, *rest):
        if len(os.path.abspath(path)) > 259:
            raise FileNotFoundError(2, "No such file or directory", str(path))
        return opened(path, *rest)

    monkeypatch.setattr(os, "open", finds_short_ones)
    folder = tmp_path / ("f" * 120) / ("g" * (238 - len(str(tmp_path)) - 122))
    folder.mkdir(parents=True)
    for write in (
        lambda: write_text("", folder / "a.html", replace=False),
        lambda: new_files.claim(folder / ("a" * 40), replace=False),
    ):
        with pytest.raises(InputError, match="too long a path for Windows, which takes 259"):
            write()
    with pytest.raises(FileNotFoundError):
        write_text("", tmp_path / "none" / "a.html", replace=False)
    assert not list(folder.iterdir())


@pytest.mark.parametrize(
    "name", ["a:b.csv", "CON", "con.csv", "Lpt1.report.html", "what?.csv", "dot.", "space ", "tab\t.csv"]
)
def test_names_that_windows_refuses(tmp_path, keeps_open_files, name):
    """Microsoft, "Naming Files, Paths, and Namespaces" (from memory)."""
    with pytest.raises(InputError, match="no name that Windows allows"):
        write_text("", tmp_path / name, replace=False)


@pytest.mark.parametrize("name", ["console.csv", "com10.csv", "a.con", "drive 1.csv", "früh.csv"])
def test_names_that_windows_allows(tmp_path, keeps_open_files, name):
    write_text("", tmp_path / name, replace=False)
