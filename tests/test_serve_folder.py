"""The working folder behind the page: which names reach a file, what a list says, and files handed in."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import socket
import threading
import time
from pathlib import Path

import pytest

from camlog.drive import Drive, drive_path, write_drive
from camlog.errors import InputError
from camlog.profile import DEMO
from camlog.serve import folder as folder_module
from camlog.serve import receiving
from camlog.serve.entries import FINDINGS_SCHEMA
from camlog.serve.folder import Folder
from camlog.serve.names import check_name, kind_of, split_ending, told
from camlog.stream import CodeSnapshot, Event, TroubleCode

SAMPLES = Path(__file__).parent.parent / "sample_logs"
TRACE = b"time [s],engine_speed [rpm]\n0,800\n0.5,810\n"
FOREIGN = b"Time (s),Engine RPM\n0,800\n0.5,810\n"


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    (tmp_path / "work").mkdir()
    (tmp_path / "outside.csv").write_bytes(TRACE)
    return Folder(tmp_path / "work")


def record(folder: Folder, name: str, **drive) -> Path:
    """A small recording with a drive file."""
    path = folder.root / name
    path.write_bytes(TRACE)
    facts = {"started_at": "2024-05-14T08:00:00+02:00", "adapter": {"port": "x"}, "trace_sha256": "0" * 64}
    write_drive(Drive(**(facts | drive)), drive_path(path))
    return path


def judged(folder: Folder, name: str, **changes) -> Path:
    found = {
        "schema": FINDINGS_SCHEMA,
        "trace": {"sha256": "0" * 64},
        "cams": {"intake_b1": {"condition": "sticking"}},
    }
    path = folder.root / name
    path.write_text(json.dumps(found | changes))
    return path


# ---------------------------------------------------------------- the folder itself


def test_a_folder_that_cannot_be_used_is_said(tmp_path):
    (tmp_path / "file").write_text("x")
    for wrong in (tmp_path / "none", tmp_path / "file", "a\0b"):
        with pytest.raises(InputError):
            Folder(wrong)


def test_what_a_killed_server_half_received_is_taken_away_but_not_what_arrives_now(tmp_path):
    old, new = tmp_path / ".camlog-1.partial", tmp_path / ".camlog-2.partial"
    for path in (old, new):
        path.write_bytes(b"x")
    os.utime(old, (1, 1))
    Folder(tmp_path)
    assert not old.exists() and new.exists()


# ---------------------------------------------------------------- names

HOSTILE = [
    "", ".", "..", "../outside.csv", "..\\outside.csv", "/etc/passwd", "/etc/passwd.csv", "sub/x.csv", "sub\\x.csv",
    "C:x.csv", "C:\\x.csv", "c:/x.csv", "\\\\host\\share\\x.csv", "x.csv/", "./x.csv", "x/../x.csv", "..csv", ".x.csv",
    "x\0.csv", "x.csv\0", "x\n.csv", "x\r.csv", "x\t.csv", "x\x1b[2J.csv", "x\x7f.csv", "x\x85.csv",
    "\u202ecsv.x.csv", "x\u202e.csv", "x\u2066.csv", "x\u200e.csv", "x\ufeff.csv", "x\u00ad.csv", "x\u200b.csv",
    "x\u2028.csv", "x\ud800.csv", "x\ue000.csv", "x" * 252 + ".csv", "ü" * 126 + ".csv",
    "x.csv.", "x.csv ", "x.csv. .", " ", "   .csv ", ".csv", ".drive.json",
    "con.csv", "CON.csv", "Con .csv", "nul.drive.json", "aux.x.csv", "COM1.csv", "lpt9.toml", "com\u00b9.csv", "CONIN$.csv",
    "x", "x.exe", "x.html", "x.json", "x.csv.partial", "x.csv~", "x.py", "x.csv\u2024exe", "passwd", "x.CSV.bak",
    "x.report.html/../../outside.csv", "%2e%2e%2foutside.csv%00",
]  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_reaches_no_file(folder, name):
    for ask in (folder.path, folder.existing, folder.entry):
        with pytest.raises(InputError) as refused:
            ask(name)
        # What is said of it hides nothing, and shows no place on this computer.
        assert str(refused.value).isprintable() and str(folder.root) not in told(refused.value)
    with pytest.raises(InputError):
        folder.receive(name, io.BytesIO(TRACE), len(TRACE))
    assert os.listdir(folder.root) == []


@pytest.mark.parametrize("name", [None, 7, ["x.csv"], {"a": 1}, b"x.csv"])
def test_what_is_no_text_is_no_name(folder, name):
    with pytest.raises(InputError):
        folder.path(name)


@pytest.mark.parametrize(
    "name",
    [
        "a b.csv", "Müller Läuft nicht.csv", "a\"b'.csv", "<img src=x onerror=alert(1)>.csv", "100%.csv", "#1?&=.csv",
        "$(reboot);`x`.csv", "-rf.csv", "~.csv", "x..csv", "日本.csv", "e\u0301.csv", "x.CSV", "X.Csv",
        "Log 12:30.csv", "می\u200cخواهم.csv", "a.csv.gz", "b.zip", "comma,semicolon;.csv", "console.csv", "🚗.csv",
    ],
)  # fmt: skip
@pytest.mark.skipif(os.name == "nt", reason="some of these cannot be on Windows")
def test_a_file_that_is_really_there_is_reached_whatever_its_name(folder, name):
    (folder.root / name).write_bytes(TRACE)
    assert folder.existing(name) == folder.root / name
    if name.lower().endswith("csv"):
        assert folder.entry(name).name == name
        assert [e.name for e in folder.recordings()] == [name]


def test_links_out_of_the_folder_lead_nowhere(folder, tmp_path):
    root = folder.root
    (root / "away.csv").symlink_to(tmp_path / "outside.csv")
    (root / "up.csv").symlink_to("../outside.csv")
    (root / "loop.csv").symlink_to("loop.csv")
    (root / "broken.csv").symlink_to("nothing.csv")
    (root / "folder.csv").symlink_to(tmp_path)
    (root / "chain.csv").symlink_to("away.csv")
    for name in ("away.csv", "up.csv", "loop.csv", "broken.csv", "folder.csv", "chain.csv"):
        with pytest.raises(InputError):
            folder.path(name)
    assert folder.recordings() == []
    (root / "real.csv").write_bytes(TRACE)
    (root / "also.csv").symlink_to("real.csv")
    assert {e.name for e in folder.recordings()} == {"real.csv", "also.csv"}


def test_companions_that_are_links_out_are_not_read(folder, tmp_path):
    record(folder, "x.csv")
    (tmp_path / "secret.json").write_text('{"schema": "camlog.drive/1", "vehicle": {"name": "secret"}}')
    drive_path(folder.root / "x.csv").unlink()
    drive_path(folder.root / "x.csv").symlink_to(tmp_path / "secret.json")
    assert "secret" not in repr(folder.entry("x.csv")) and "secret" not in repr(folder.recordings())


def test_what_is_no_file_is_never_opened(folder):
    root = folder.root
    os.mkfifo(root / "pipe.csv")
    os.mkfifo(root / "pipe.toml")
    (root / "dir.csv").mkdir()
    line = socket.socket(socket.AF_UNIX)
    line.bind(str(root / "s.csv"))
    (root / "null.csv").symlink_to("/dev/zero")
    for name in ("pipe.csv", "dir.csv", "s.csv", "null.csv", "pipe.toml"):
        with pytest.raises(InputError):
            folder.path(name)
    # A pipe that were opened would keep this test waiting for ever.
    assert folder.recordings() == [] and [p.file for p in folder.profiles()] == ["demo"]
    line.close()


def test_kinds_and_endings():
    assert [kind_of(n) for n in ("a.csv", "a.drive.json", "A.FINDINGS.JSON", "a.report.html", "a.map.toml", "a.toml")] == [
        "trace", "drive", "findings", "result", "map", "profile",
    ]  # fmt: skip
    assert kind_of("a.json") is None and kind_of(".csv") is None
    assert split_ending("a.b.csv.gz") == ("a.b", ".csv.gz") and split_ending("a.drive.json") == (
        "a",
        ".drive.json",
    )
    assert check_name("a.csv") == "a.csv"


def test_a_new_recording_takes_a_name_nothing_is_called_after(folder):
    assert folder.new_trace_name().startswith("drive-2") and folder.new_trace_name().endswith(".csv")
    assert folder.new_trace_name("order 12") == "order 12.csv"
    (folder.root / "order 12.drive.json").write_text("{}")  # as `camlog clear` leaves one
    assert folder.new_trace_name("order 12") == "order 12-2.csv"
    (folder.root / "ORDER 12-2.CSV").write_bytes(TRACE)  # another file only on some disks
    assert folder.new_trace_name("order 12.CSV") == "order 12-3.csv"
    for wrong in ("../x", "a/b", "x" * 300, "con", ".hidden", "x\n"[:1] + "\0"):
        with pytest.raises(InputError):
            folder.new_trace_name(wrong)


# ---------------------------------------------------------------- recordings


def test_a_recording_is_listed_with_all_that_is_known(folder):
    taken = CodeSnapshot(0.0, stored=(TroubleCode("P0011", "7E8"),), pending=(TroubleCode("P0011", "7E8"),))
    record(
        folder, "x.csv", vehicle={"name": "Van", "vin": None, "profile_sha256": hashlib.sha256(DEMO.read_bytes()).hexdigest()},
        events=(Event(1.0, "marker", "rattle heard"), Event(2.0, "gap", "cable")), code_snapshots=(taken, taken),
    )  # fmt: skip
    judged(folder, "x.findings.json")
    (folder.root / "x.report.html").write_text("<p>")
    entry = folder.entry("x.csv")
    assert entry.kind == "trace" and entry.when == "2024-05-14 08:00" and entry.vehicle == "Van"
    assert (
        entry.verdicts == {"intake_b1": "sticking"} and entry.markers == ("rattle heard",) and entry.codes == ("P0011",)
    )
    assert entry.ended_cleanly is True and entry.size_bytes == len(TRACE) and entry.problems == ()
    assert entry.results == {
        "drive": "x.drive.json",
        "findings": "x.findings.json",
        "report": "x.report.html",
    }
    assert folder.profile_of(entry) == "demo"
    assert folder.recordings() == [entry]


def test_newest_first_by_when_it_was_driven_else_by_the_file(folder):
    record(folder, "old.csv", started_at="2020-01-01T00:00:00+00:00")
    record(folder, "new.csv", started_at="2024-01-01T23:30:00+00:00")
    record(folder, "newer.csv", started_at="2024-01-02T00:10:00+02:00")  # 22:10 UTC the day before
    (folder.root / "between.csv").write_bytes(TRACE)
    os.utime(folder.root / "between.csv", (1_600_000_000, 1_600_000_000))  # September 2020
    assert [e.name for e in folder.recordings()] == ["new.csv", "newer.csv", "between.csv", "old.csv"]


def test_search_needs_every_word_and_looks_in_everything(folder):
    record(
        folder,
        "a.csv",
        vehicle={"name": "Blue van", "vin": None},
        events=(Event(1.0, "marker", "Rattle HEARD"),),
    )
    record(
        folder,
        "b.csv",
        vehicle={"name": "Blue car", "vin": None},
        started_at="2023-02-03T08:00:00+00:00",
        trace_sha256=None,
    )
    judged(folder, "b.findings.json")
    (folder.root / "c.csv").write_bytes(FOREIGN)

    def found(words):
        return sorted(e.name for e in folder.recordings(words))

    assert found("blue") == ["a.csv", "b.csv"] and found("BLUE rattle") == ["a.csv"] and found("2023-02") == ["b.csv"]
    assert (
        found("sticking intake") == ["b.csv"]
        and found("did not end cleanly") == ["b.csv"]
        and found("foreign") == ["c.csv"]
    )
    assert found("nothing of the kind") == [] and found("  ") == ["a.csv", "b.csv", "c.csv"] and found(".*") == []


def test_whatever_is_wrong_with_its_files_a_recording_is_listed_and_says_so(folder):
    record(folder, "json.csv")
    drive_path(folder.root / "json.csv").write_text('{"schema": "camlog.dri')
    record(folder, "other.csv")
    judged(folder, "other.findings.json", schema="camlog.findings/9")
    record(folder, "odd.csv")
    judged(folder, "odd.findings.json", cams={"<b>": {"condition": "sticking"}})
    record(folder, "list.csv")
    (folder.root / "list.findings.json").write_text("[" * 100_000)
    record(folder, "changed.csv")
    judged(folder, "changed.findings.json", trace={"sha256": "1" * 64})
    record(folder, "early.csv", started_at="0001-01-01T00:00:00+14:00")
    (folder.root / "empty.csv").write_bytes(b"")
    (folder.root / "binary.csv").write_bytes(os.urandom(5000))
    said = {e.name: e.problems for e in folder.recordings()}
    assert len(said) == 8 and "started_at should be" in said["early.csv"][0]
    assert "is not JSON" in said["json.csv"][0] and "another version" in said["other.csv"][0]
    assert "not as camlog writes it" in said["odd.csv"][0] and "cannot be read" in said["list.csv"][0]
    assert "another state" in said["changed.csv"][0]
    assert not any(str(folder.root) in problem for problems in said.values() for problem in problems)


def test_a_drive_file_changed_by_hand_is_said(folder):
    path = drive_path(record(folder, "x.csv"))
    path.write_text(path.read_text().replace("2024", "2025"))
    assert "was changed" in folder.entry("x.csv").problems[0]


def test_a_huge_companion_is_not_read(folder):
    path = drive_path(record(folder, "x.csv"))
    with open(path, "wb") as file:
        file.truncate(2 << 30)
    began = time.monotonic()
    assert "too large" in folder.entry("x.csv").problems[0]
    assert time.monotonic() - began < 1.0


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser reads everything")
def test_an_unreadable_trace_is_listed(folder):
    record(folder, "x.csv").chmod(0)
    assert "cannot be read" in folder.entry("x.csv").problems[0]


def test_an_unreadable_trace_is_listed_for_everybody(folder, monkeypatch):
    record(folder, "x.csv")

    def refused(path):
        raise InputError("cannot be read (Permission denied)", file=path)

    monkeypatch.setattr("camlog.serve.entries.is_trace", refused)
    assert folder.entry("x.csv").problems == ("x.csv: cannot be read (Permission denied)",)


def test_notes_and_logs_that_are_no_tables_are_not_listed(folder):
    (folder.root / "notes.txt").write_text("Dear sir,\nthe car rattles, mostly in the morning, 3 times.\nRegards\n")
    (folder.root / "table.txt").write_bytes(FOREIGN)
    (folder.root / "broken.zip").write_bytes(b"PK\x03\x04 nothing")
    (folder.root / "utf16.txt").write_bytes(FOREIGN.decode().encode("utf-16"))
    assert {e.name for e in folder.recordings()} == {"table.txt", "utf16.txt"}
    with pytest.raises(InputError):
        folder.entry("notes.txt")


@pytest.mark.parametrize(
    ("content", "said"),
    # Signatures: PNG (ISO/IEC 15948) and the end of a line after it.
    [(b"\x89PNG\r\n\x1a\n" + bytes(64), "is a picture"), (b"", "is empty")],
)
def test_a_csv_that_is_none_is_listed_and_says_so(folder, content, said):
    (folder.root / "scope.csv").write_bytes(content)
    (found,) = folder.recordings()
    assert found.name == "scope.csv" and said in " ".join(found.problems)


def test_a_change_is_seen_and_what_is_gone_is_gone(folder):
    record(folder, "x.csv")
    assert folder.recordings()[0].verdicts == {}
    judged(folder, "x.findings.json")
    assert folder.recordings()[0].verdicts == {"intake_b1": "sticking"}
    record(folder, "x.csv", vehicle={"name": "Another", "vin": None})
    assert folder.recordings()[0].vehicle == "Another"
    (folder.root / "x.csv").unlink()
    assert folder.recordings() == [] and folder.snapshots() == ["x.drive.json"]


def test_five_hundred_recordings_list_quickly(folder):
    drive = (SAMPLES / "sticking.drive.json").read_bytes()
    for i in range(500):
        (folder.root / f"d{i}.csv").write_bytes(TRACE)
        (folder.root / f"d{i}.drive.json").write_bytes(drive)
        judged(folder, f"d{i}.findings.json")
    assert len(folder.recordings()) == 500
    began = time.monotonic()
    assert len(folder.recordings("sticking d49")) == 11
    assert time.monotonic() - began < 0.5  # 0.02 s usual


# ---------------------------------------------------------------- profiles


def test_profiles_of_the_folder_with_what_is_wrong_and_the_demo_last(folder):
    shutil.copy(DEMO, folder.root / "mine.toml")
    text = DEMO.read_text()
    (folder.root / "broken.toml").write_text(text.replace("cylinders = 4", "cylinders = 'four'"))
    (folder.root / "x.map.toml").write_text('schema = "camlog.map/1"\n')
    (folder.root / "pyproject.toml").write_text("[project]\n")
    found = folder.profiles()
    assert {p.file for p in found} == {"mine.toml", "broken.toml", "demo"} and found[-1].file == "demo"
    assert len({p.title for p in found}) == 3
    broken = next(p for p in found if p.file == "broken.toml")
    assert broken.error and "cylinders" in broken.error and str(folder.root) not in broken.error
    assert folder.profile("mine.toml").engine.cylinders == 4
    assert folder.profile("") is None and folder.profile(None) is None and folder.profile("demo").file == str(DEMO)
    for wrong in ("none.toml", "../x.toml", "x.map.toml", "x.csv", "broken.toml"):
        with pytest.raises(InputError):
            folder.profile(wrong)


# ---------------------------------------------------------------- files handed in


class Slow(io.BytesIO):
    """A stream that breaks off, or that notes how much was asked for at once."""

    def __init__(self, data: bytes, breaks: bool = False):
        super().__init__(data)
        self.breaks, self.largest = breaks, 0

    def read(self, size=-1):
        self.largest = max(self.largest, size) if size >= 0 else 1 << 60
        part = super().read(size)
        if not part and self.breaks:
            raise ConnectionResetError("gone")
        return part


def test_a_trace_is_kept_as_it_is_and_never_over_another(folder):
    stream = Slow(TRACE * 100_000)
    assert folder.receive("x.csv", stream, None) == "x.csv"
    assert (folder.root / "x.csv").read_bytes() == TRACE * 100_000
    assert stream.largest <= receiving.PART_BYTES  # never the whole of it in memory
    assert folder.receive("x.csv", io.BytesIO(FOREIGN), len(FOREIGN)) == "x-2.csv"
    assert folder.receive("X.csv", io.BytesIO(FOREIGN), len(FOREIGN)) == "X-3.csv"
    assert folder.receive("a.csv.gz", io.BytesIO(b"\x1f\x8b"), 2) == "a.csv.gz"
    assert folder.receive("a.csv.gz", io.BytesIO(b"\x1f\x8b"), 2) == "a-2.csv.gz"
    assert (folder.root / "x.csv").stat().st_size == len(TRACE) * 100_000
    assert not list(folder.root.glob(".*"))


def test_what_does_not_arrive_whole_leaves_nothing(folder, monkeypatch):
    monkeypatch.setattr(folder_module, "UPLOAD_LIMIT_BYTES", 1000)
    for stream, length in (
        (io.BytesIO(b"x" * 1001), 1001),  # said to be too large
        (io.BytesIO(b"x" * 5000), None),  # is too large, unsaid
        (io.BytesIO(b"x" * 5000), 500),  # is too large, and said to be small
        (io.BytesIO(b"x" * 10), 500),  # breaks off
        (Slow(b"x" * 10, breaks=True), 500),
        (io.BytesIO(b""), 0),
    ):
        with pytest.raises(InputError):
            folder.receive("x.csv", stream, length)
        assert os.listdir(folder.root) == []


def test_space_is_kept_for_recordings(folder, monkeypatch):
    usage = shutil.disk_usage(folder.root)
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage._replace(free=receiving.FREE_LEFT_BYTES + 100))
    with pytest.raises(InputError, match="does not fit"):
        folder.receive("x.csv", io.BytesIO(b"x" * 101), 101)
    assert folder.receive("x.csv", io.BytesIO(b"x" * 99), 99) == "x.csv"
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage._replace(free=receiving.FREE_LEFT_BYTES - 1))
    with pytest.raises(InputError, match="does not fit"):
        folder.receive("y.csv", io.BytesIO(b"x"), None)
    assert os.listdir(folder.root) == ["x.csv"]


def test_a_full_disk_leaves_nothing(folder, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(receiving.os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        folder.receive("x.csv", io.BytesIO(TRACE), len(TRACE))
    assert os.listdir(folder.root) == []


def test_a_disk_without_links_serves_too(folder, monkeypatch):
    def no_links(*_):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(receiving.os, "link", no_links)
    assert folder.receive("x.csv", io.BytesIO(TRACE), None) == "x.csv"
    assert folder.receive("x.csv", io.BytesIO(FOREIGN), None) == "x-2.csv"
    assert (folder.root / "x.csv").read_bytes() == TRACE


def test_only_what_camlog_works_with_is_taken_in(folder):
    for name in ("x.report.html", "x.verification.html", "x.findings.json", "x.exe"):
        with pytest.raises(InputError):
            folder.receive(name, io.BytesIO(b"<script>"), 8)
    for name, text in (
        ("x.drive.json", b"{}"),
        ("x.toml", b"[project]\n"),
        ("x.map.toml", b"x = "),
        ("y.drive.json", b"[" * 99999),
    ):
        with pytest.raises(InputError) as refused:
            folder.receive(name, io.BytesIO(text), len(text))
        assert name in str(refused.value) and "partial" not in str(refused.value)
    assert os.listdir(folder.root) == []
    assert folder.receive("v.toml", io.BytesIO(DEMO.read_bytes()), None) == "v.toml"
    assert folder.profiles()[0].file == "v.toml"


@pytest.mark.parametrize("first", ["trace", "drive"])
def test_a_trace_and_its_drive_file_stay_together_whichever_comes_first(folder, tmp_path, first):
    record(folder, "x.csv")  # another drive of the same name
    trace = (SAMPLES / "too-short.csv").read_bytes()
    drive = (SAMPLES / "too-short.drive.json").read_bytes()
    handed = [("x.csv", trace), ("x.drive.json", drive)]
    kept = [folder.receive(n, io.BytesIO(d), len(d)) for n, d in (handed if first == "trace" else handed[::-1])]
    assert set(kept) == {"x-2.csv", "x-2.drive.json"}
    assert folder.entry("x-2.csv").problems == ()


def test_a_drive_file_is_not_put_beside_a_trace_it_does_not_belong_to(folder):
    (folder.root / "x.csv").write_bytes(FOREIGN)
    drive = (SAMPLES / "too-short.drive.json").read_bytes()
    assert folder.receive("x.drive.json", io.BytesIO(drive), None) == "x-2.drive.json"
    assert folder.receive("x.csv", io.BytesIO((SAMPLES / "too-short.csv").read_bytes()), None) == "x-2.csv"


def test_a_trace_does_not_inherit_the_report_of_one_that_is_gone(folder):
    judged(folder, "x.findings.json")
    assert folder.receive("x.csv", io.BytesIO(TRACE), None) == "x-2.csv"


def test_many_at_once_each_get_a_name_of_their_own(folder):
    kept: list[str] = []
    threads = [
        threading.Thread(target=lambda i=i: kept.append(folder.receive("x.csv", io.BytesIO(b"%d" % i * 1000), None)))
        for i in range(8)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(kept)) == 8 and len({(folder.root / n).read_bytes() for n in kept}) == 8
