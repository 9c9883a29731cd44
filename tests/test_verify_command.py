"""`camlog verify`: page, JSON, exit status, and the ways it can be called wrongly. Invented data."""

from __future__ import annotations

import dataclasses
import json
import re

import pytest

from camlog.cli import main
from camlog.drive import drive_path, write_drive
from camlog.trace import read_trace, write_trace
from camlog.verify import verify
from camlog.verify.page import MAX_CHANGES, chosen_changes, verification_page
from tests.verify_help import repair, snapshot


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The drives of a repair on disk, as a recorder leaves them."""
    made = tmp_path_factory.mktemp("drives")
    for name in ("before", "after", "short"):
        findings = getattr(repair(), name)
        write_trace(findings.trace, made / f"{name}.csv")
        drive = dataclasses.replace(findings.drive, trace_sha256=read_trace(made / f"{name}.csv").sha256)
        write_drive(drive, drive_path(made / f"{name}.csv"))
    return made


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main(["verify", *map(str, arguments)])
    out = capsys.readouterr()
    return ended.value.code or 0, out.out, out.err


def test_verified_ends_with_0_and_a_page(folder, tmp_path, capsys):
    drives = (folder / "after.csv", "--before", folder / "before.csv", "--vehicle", "demo")
    status, out, err = run(capsys, *drives, "--out", tmp_path / "new", "--job", "Order <12>")
    assert status == 0 and err == "" and out.splitlines()[0] == "Verified: all 23 checks passed."
    page = (tmp_path / "new" / "after.verification.html").read_text(encoding="utf-8")
    assert "Order &lt;12&gt;" in page and "<h1>Verified</h1>" in page


def test_not_verified_ends_with_1_and_says_what_to_do(folder, tmp_path, capsys):
    status, out, _ = run(
        capsys,
        folder / "short.csv",
        "--before",
        folder / "before.csv",
        "--vehicle",
        "demo",
        "--out",
        tmp_path,
    )
    assert status == 1 and out.startswith("Not verified yet") and "To do:" in out and "not yet shown" in out


def test_json_goes_to_the_pipe_and_writes_no_page(folder, tmp_path, capsys):
    status, out, _ = run(capsys, folder / "after.csv", "--before", folder / "before.csv", "--vehicle", "demo", "--json")
    said = json.loads(out)
    assert status == 0 and said["outcome"] == "verified" and said["schema"] == "camlog.verification/1"
    assert not (folder / "after.verification.html").exists()


def test_the_drive_file_in_place_of_the_trace_finds_the_trace(folder, capsys):
    status, out, _ = run(
        capsys, folder / "after.csv", "--before", folder / "before.drive.json", "--vehicle", "demo", "--json"
    )
    assert status == 0 and json.loads(out)["before"]["trace"] == "before.csv"


def test_without_the_first_drive_it_is_not_verified(folder, capsys):
    status, out, _ = run(capsys, folder / "after.csv", "--vehicle", "demo", "--json")
    assert status == 1 and json.loads(out)["outcome"] == "not_verified_yet"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["missing.csv"], "missing.csv"),
        (["after.csv", "--before", "missing.csv"], "missing.csv"),
        (["after.csv", "--before", "missing.drive.json"], "missing.drive.json"),
        (["after.csv", "--vehicle", "missing.toml"], "missing.toml"),
        (["after.csv", "--outside", "P0011"], "P0011"),
        (["after.csv", "--outside", "noise"], "noise"),
    ],
)
def test_bad_input_ends_with_2_and_one_line(folder, capsys, monkeypatch, arguments, words):
    monkeypatch.chdir(folder)
    status, out, err = run(capsys, *arguments, "--json")
    assert status == 2 and out == "" and words in err and err.strip().count("\n") == 0


def test_a_page_is_not_overwritten_without_force(folder, tmp_path, capsys):
    page = tmp_path / "after.verification.html"
    page.write_text("signed")
    asked = (folder / "after.csv", "--before", folder / "before.csv", "--vehicle", "demo", "--out", tmp_path)
    status, _, err = run(capsys, *asked)
    assert status == 2 and page.read_text() == "signed" and "--force" in err
    assert run(capsys, *asked, "--force")[0] == 0 and "Verified" in page.read_text(encoding="utf-8")


def test_the_page_holds_every_gate_hashes_and_room_to_sign():
    found = verify(repair().after, repair().before, job="Order 12")
    page = verification_page(found)
    for gate in found.gates:
        assert gate.title in page
    for words in (
        repair().after.trace.sha256,
        repair().before.trace.sha256,
        "Signature",
        "Technician, name",
        "Order 12",
    ):
        assert words in page, words
    assert "not a roadworthiness statement" in page
    assert not re.search(r"(src|href)=[\"']?(https?:)?//", page) and "<script" not in page


def test_the_page_escapes_what_a_drive_file_may_hold():
    from camlog.stream import TroubleCode

    evil = snapshot(repair().after, -1, stored=(TroubleCode("<img src=x>", "</table>"),))
    page = verification_page(verify(evil, repair().before, job="<script>alert(1)</script>"))
    assert "<script" not in page and "<img" not in page and page.count("</table>") == page.count("<table")


def test_only_changes_that_matter_are_printed_the_surest_first():
    found = verify(repair().after, repair().before)
    told = chosen_changes(found)
    assert 1 <= len(told) <= MAX_CHANGES and all(c.beyond_chance and not c.small for c in told)
    assert [c.p_value for c in told] == sorted(c.p_value for c in told)
    assert any(c.figure.cam == "intake_b1" and c.better for c in told)


def test_a_gate_the_car_cannot_answer_is_named_on_the_page():
    page = verification_page(verify(snapshot(repair().after, -1, permanent=None), repair().before))
    assert "this car cannot show it" in page and "Not verified yet" in page
