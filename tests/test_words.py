"""Words people see: every sample report, the pages made of a pair, the terminal and the pages of the server hold none of
the retired ones, and an unstable cam is told by its kind."""

from __future__ import annotations

import re
import shutil
from html import unescape
from pathlib import Path

import pytest
from typer.testing import CliRunner

from camlog.cli import COMMANDS, build_app
from camlog.cli.results import verdict_lines
from camlog.places import sample_logs_folder
from camlog.report import render_comparison, render_report
from camlog.report.summary import card, headline
from camlog.report.words import condition_word
from camlog.serve.app import page_for
from camlog.serve.desk import Desk
from camlog.verify.page import verification_page
from camlog.verify.verification import verify
from tests.report_drives import findings_of
from tests.sample_recordings import SAMPLES
from tests.serve_help import text_of

NAMES = [s.name for s in SAMPLES]
# What a technician reads as something else, or nobody in a workshop says: (pattern, what to write). Our own list.
RETIRED = (
    (r"base timing", "mechanical timing (base timing is ignition timing)"),
    (r"(?<!VVT )\bactuators?\b", "phaser, explained once as phaser (VVT actuator)"),
    (r"(?<!oil )\bcontrol valves?\b", "oil control valve"),
    (r"\bgates?\b", "check"),
    (r"\btraces?\b", "recording"),
    (r"\bpanels?\b", "chart"),
    (r"half[- ]swings?", "swings from one side to the other"),
    (r"\bby [\d.]+ deg rms", "by typically ... deg"),
    (r"\b(support|confidence) 0?\.?\d", "how strong the evidence is, the number behind"),
    (r"(?<!MIL \()\bwarning lamp\b", "MIL (warning lamp)"),
    (r"\bDBC\b", "ODX"),
)
# No bare statistics where the answer stands.
FIRST_SCREEN_RETIRED = (r"\bsupport\b", r"\bT63\b", r"\bT86\b", r"\brms\b", r"\bp95\b", r"\bconfidence\b")


def words_of(page: str) -> str:
    """What can be read of a page: no scripts, styles or tags, but what attributes say aloud."""
    page = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.S)
    said = re.findall(r'(?:aria-label|title|alt|placeholder)="([^"]*)"', page)
    return " ".join(unescape(" ".join([re.sub(r"<[^>]+>", " ", page), *said])).split())


def retired(text: str, patterns=RETIRED) -> list[str]:
    pairs = [(p, "") if isinstance(p, str) else p for p in patterns]
    return [
        f"{text[max(m.start() - 40, 0) : m.end() + 40]!r}: write {better}"
        for pattern, better in pairs
        for m in re.finditer(pattern, text, re.I)
    ]


@pytest.mark.parametrize("line", ["base timing is off", "the actuator", "its control valve", "all 19 gates passed", "in this trace",
                                  "12 half swings", "wanders by 2.1 deg rms", "support 0.91", "Warning lamp: on"])  # fmt: skip
def test_the_list_finds_what_it_retires(line):
    assert retired(line)
    assert not retired(
        "phaser (VVT actuator), oil control valve, MIL (warning lamp), 19 checks, a recording, mechanical timing"
    )


@pytest.mark.parametrize("name", NAMES)
def test_a_sample_report_and_its_terminal_output_hold_no_retired_word(name):
    findings = findings_of(name)
    page = render_report(findings)
    assert retired(words_of(page)) == []
    first = page[page.index('<section id="answer"') : page.index('<nav class="jump')]
    # A chart's spoken summary tells of its axes; the card, the causes and the coverage are what is read first.
    read_first = words_of(re.sub(r"<figure.*?</figure>", "", first, flags=re.S))
    assert retired(read_first, FIRST_SCREEN_RETIRED) == []
    terminal = "\n".join(verdict_lines(findings))
    assert retired(terminal) == [] and retired(terminal, FIRST_SCREEN_RETIRED) == []


def test_the_phaser_is_explained_where_it_is_first_suspected():
    page, terminal = render_report(findings_of("sticking")), "\n".join(verdict_lines(findings_of("sticking")))
    assert "phaser (VVT actuator)" in words_of(page) and "phaser (VVT actuator)" in " ".join(terminal.split())


def test_the_pages_of_a_pair_hold_no_retired_word():
    before, after = findings_of("repair-before"), findings_of("repair-after")
    assert retired(words_of(render_comparison(before, after))) == []
    found = verify(after, before)
    assert retired(words_of(verification_page(found))) == []
    said = " ".join([found.headline, *found.todo, *(f"{g.title} {g.evidence}" for g in found.gates)])
    assert retired(said) == []


def test_the_kinds_of_unstable_are_told_and_the_key_stays():
    rattles, leaks = findings_of("cold-rattle"), findings_of("leaking-hot")
    words = {
        condition_word(c.verdict)
        for f in (rattles, leaks)
        for c in f.cams.values()
        if c.verdict.condition == "unstable"
    }
    assert "Rattling at start" in words and words <= {"Rattling at start", "Hunting", "Drifting"}
    assert "rattling at start" in headline(rattles)
    unstable = next(c for c in rattles.cams.values() if c.verdict.condition == "unstable")
    assert card(unstable)["word"] == "Rattling at start" and unstable.to_dict()["condition"] == "unstable"


def test_the_pages_of_the_server_hold_no_retired_word(tmp_path):
    for name in ("too-short.csv", "too-short.drive.json", "repair-before.csv", "repair-before.drive.json"):
        shutil.copy(sample_logs_folder() / name, tmp_path)
    shutil.copy(Path(__file__).parent / "foreign" / "cam_no_side.csv", tmp_path / "customer.csv")
    desk = Desk(tmp_path)
    try:
        for path in (
            "/",
            "/recordings",
            "/recording/too-short.csv",
            "/recording/customer.csv",
            "/recording/none.csv",
            "/convert/customer.csv",
            "/convert/too-short.csv",
            "/convert/none.csv",
            "/replay/too-short.csv",
        ):
            page = page_for(desk, path)
            hints = re.findall(r'(?:placeholder|title|alt|aria-label)="([^"]*)"', page)  # are read out too
            said = " ".join([text_of(page), *hints])
            assert len(said) > 20 and retired(said) == [], path
    finally:
        desk.close()


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_the_help_of_every_command_holds_no_retired_word(command):
    said = CliRunner().invoke(build_app(), [*([command] if command else []), "--help"]).output
    assert "Usage" in said and retired(said.replace("TRACE", "")) == []
