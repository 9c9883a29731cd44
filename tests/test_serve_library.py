"""The library on the page: search and choices, the known-good mark, the way to a car over time."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from camlog.library.store import Entry, FigureValue, Library
from camlog.serve.app import page_for
from camlog.serve.desk import Desk
from camlog.serve.pages import recordings
from camlog.serve.server import RunningServer
from camlog.trace import read_trace
from tests.browser_help import DESK, PHONE, browser, findings_of_axe, troubles_of
from tests.serve_help import links_of, text_of

SAMPLES = Path(__file__).parent.parent / "sample_logs"
CAR = "A-1 / <b>"


def kept(number, car, condition="slow", t63=0.2, sha="", **more):
    figures = (FigureValue("intake_b1", "t63_s", t63, t63 - 0.01, t63 + 0.01, 10.0, "advance", "40 to 70 °C"),)
    cams = {"intake_b1": (condition, 0.9, {}), "exhaust_b1": ("healthy", 0.9, {})}
    when = f"2026-{number + 1:02d}-01T08:00:00+00:00"
    return Entry(sha or f"{number:064x}", f"drive-{number}.csv", "four", car, when, cams=cams, figures=figures, **more)


@pytest.fixture
def desk(tmp_path, monkeypatch):
    monkeypatch.setenv("CAMLOG_LIBRARY", str(tmp_path / "library.sqlite"))
    work = tmp_path / "work"
    work.mkdir()
    for name in ("sticking", "too-short"):
        for ending in (".csv", ".drive.json"):
            shutil.copy(SAMPLES / f"{name}{ending}", work)
    desk = Desk(work)
    yield desk
    desk.close()


@pytest.fixture
def filled(desk):
    """The library has one recording of the folder, known-good, and seven of another folder, of the same car."""
    sha = read_trace(desk.folder.root / "sticking.csv").sha256
    with Library() as library:
        number = library.add(kept(9, CAR, "sticking", 0.51, sha, outcome="phaser replaced", mileage_km=120_000.0))
        library.mark_good(number, "T", "repair verified")
        for i in range(7):
            library.add(kept(i, CAR if i else "other", t63=0.2 + 0.3 * (i > 3) + 0.01 * (i % 2)))
    return desk


def shown(desk, **sent):
    return str(recordings.pieces(desk, "", sent)["recordings-list"])


def names(desk, **sent):
    """What is listed of the folder, and what of the library beside it."""
    own, _, others = text_of(shown(desk, **sent)).partition("In the library, not in this folder")
    listed = [
        [n for n in ("sticking.csv", "too-short.csv") if n in own],
        [i for i in range(8) if f"drive-{i}.csv" in others],
    ]
    return listed


def test_without_a_library_the_list_is_that_of_the_folder_and_none_is_made(desk, tmp_path):
    assert names(desk) == [["sticking.csv", "too-short.csv"], []]
    page = str(page_for(desk, "/recordings"))
    assert "Engine kind" not in page and "Verdict" in page and not (tmp_path / "library.sqlite").exists()
    assert "holds no recording" in text_of(page_for(desk, "/trend/x"))


def test_a_recording_says_what_the_library_knows_of_it(filled):
    text, links = text_of(shown(filled)), links_of(shown(filled))
    assert re.search(r"Known-good , says T \(20\d\d-\d\d-\d\d\): repair verified", text) and "four" in text
    assert text.count("says") == 1 + text.count("Who says so") and "/trend/A-1%20%2F%20%3Cb%3E" in links
    assert names(filled)[1] == []


@pytest.mark.parametrize(
    ("sent", "own", "others"),
    [({"search": "replaced"}, ["sticking.csv"], []), ({"search": "too-short"}, ["too-short.csv"], []),
     ({"search": "other"}, [], [0]), ({"condition": "slow"}, [], [0, 1, 2, 3, 4, 5, 6]), ({"condition": "sticking"}, ["sticking.csv"], []),
     ({"kind": "four"}, ["sticking.csv"], [0, 1, 2, 3, 4, 5, 6]), ({"kind": "six"}, [], []), ({"car": "other"}, [], [0]),
     ({"car": CAR, "condition": "healthy", "search": "drive-3"}, [], [3]), ({"search": 'x\0y" \ud800'}, [], [])],
)  # fmt: skip
def test_search_and_choices_find_in_the_folder_and_in_the_library(filled, sent, own, others):
    assert names(filled, **sent) == [own, others]


def test_a_library_that_cannot_be_used_is_said_and_hides_no_recording(desk, tmp_path):
    (tmp_path / "library.sqlite").write_text("no library" * 100)
    assert "cannot be used as a library" in text_of(str(recordings.pieces(desk, "", {})["library-wrong"]))
    assert names(desk) == [["sticking.csv", "too-short.csv"], []] and "sticking.csv" in str(
        page_for(desk, "/recordings")
    )
    assert "cannot be used" in text_of(page_for(desk, "/trend/x"))


def test_a_cars_page_says_since_when_a_figure_changed(filled):
    page = page_for(filled, "/trend/A-1%20%2F%20%3Cb%3E")
    said = text_of(page)
    assert "Intake cam, bank 1: time to 63 % of a step (advance) with oil 40 to 70 °C changed with drive-4.csv" in said
    assert "120,000 km" in said and "phaser replaced" in said and "/recording/sticking.csv" in links_of(page)


def test_the_page_in_a_browser_narrows_by_choice_and_leads_to_the_car(filled, monkeypatch):
    monkeypatch.setattr(recordings, "LOOK_MS", 200)
    with RunningServer(filled.folder.root) as server, browser() as running:
        for size in (DESK, PHONE):
            page = running.new_context(viewport=size).new_page()
            troubles = troubles_of(page)
            page.goto(server.url + "recordings")
            page.select_option("#recordings-condition", "slow")
            page.get_by_role("heading", name="In the library, not in this folder").wait_for()
            assert page.locator(".recordings > li").count() == 7
            page.select_option("#recordings-car", CAR)
            page.get_by_text("drive-0.csv").wait_for(state="detached")
            assert findings_of_axe(page) == []
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            page.get_by_role("link", name="over time").first.click()
            page.get_by_role("heading", name=CAR).wait_for()
            assert "changed with drive-4.csv" in page.locator("main").inner_text() and findings_of_axe(page) == []
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth") and troubles == []


def test_the_page_in_a_browser_decides_what_is_known_good_and_takes_it_back(filled, monkeypatch):
    monkeypatch.setattr(recordings, "LOOK_MS", 200)

    def kept(file):
        with Library() as library:
            (row,) = (r for r in library.recordings() if r["file"] == file)
        return [row["known_good"], row["known_good_by"], row["known_good_why"], (row["known_good_at"] or "")[:2]]

    with RunningServer(filled.folder.root) as server, browser() as running:
        page = running.new_context(viewport=PHONE).new_page()
        troubles = troubles_of(page)
        page.goto(server.url + "recordings")
        page.get_by_label("Search").fill("drive-3")
        row = page.locator("li", has_text="drive-3.csv")
        row.get_by_text("Known-good?").click()
        row.get_by_role("button").click()
        row.get_by_text("nobody says so").wait_for()
        assert kept("drive-3.csv") == [0, "", "", ""] and findings_of_axe(page) == []
        row.get_by_label("Who says so").fill("Foreman <b>")
        row.get_by_label("Why").fill("repair verified")
        page.wait_for_timeout(600)  # what is written outlasts a look for what is new
        row.get_by_role("button").click()
        row.get_by_text("Known-good, says Foreman <b> (20").wait_for()
        assert kept("drive-3.csv") == [1, "Foreman <b>", "repair verified", "20"]
        page.get_by_label("Search").fill("")
        row = page.locator("li", has_text="sticking.csv")
        row.get_by_text("No longer known-good?").click()
        row.get_by_label("Who says so").fill("Foreman")
        row.get_by_role("button").click()
        row.get_by_text("No longer known-good, says Foreman (20").wait_for()
        assert (
            kept("drive-9.csv") == [0, "Foreman", "", "20"] and row.get_by_text("Known-good?", exact=True).count() == 1
        )
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth") and troubles == []


def test_a_decision_on_what_is_not_there_is_said(filled):
    said = recordings.act(filled, "", "good:99", {"who-99": "me"})
    assert "no recording 99" in text_of(said["wrong-99"]) and recordings.act(filled, "", "good:x", {}) is not None
