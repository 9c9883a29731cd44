"""The job in the page, by a technician with a phone: from the complaint to the page that is handed over. All invented."""

from __future__ import annotations

import json
import shutil
import time
from pathlib import Path
from urllib.parse import quote

import pytest

from camlog.job.record import read_job
from camlog.serve.app import page_for
from camlog.serve.server import RunningServer
from tests.browser_help import DESK, PHONE, browser, troubles_of

SAMPLES = Path(__file__).parent.parent / "sample_logs"
WAIT_S = 120


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    work = tmp_path_factory.mktemp("work")
    for name in ("repair-before", "repair-after"):
        for ending in (".csv", ".drive.json"):
            shutil.copy(SAMPLES / (name + ending), work)
    (work / "odd.job.json").write_text('{"schema": "camlog.job/1", "checks": 4}')
    (work / "own.job.json").write_text(json.dumps({
        "schema": "camlog.job/1", "complaint": "<img src=x onerror=alert(1)>", "own": [1], "vehicle": {"profile": "/etc/passwd"},
    }))  # fmt: skip
    with RunningServer(work) as running:
        running.work = work
        yield running


@pytest.fixture(scope="module")
def page(server):
    with browser() as chromium:
        page = chromium.new_context(viewport=PHONE).new_page()
        page.set_default_timeout(20_000)
        page.troubles = troubles_of(page)
        page.at = lambda path: (page.goto(server.url.rstrip("/") + path), page.wait_for_selector("main h1"))
        yield page


def until(page, condition, what: str):
    """Polled: the page's policy forbids the browser's own waiting for a condition."""
    end = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < end, what
        page.wait_for_timeout(30)


def first_cause(page) -> tuple[str, int]:
    row = page.locator(".causes li").first
    return row.locator("span").inner_text(), int(row.locator("b").inner_text().split()[0])


def typed(page, row: str, label: str, value: str) -> None:
    page.locator(".sheet > li", has_text=row).locator("label", has_text=label).first.locator("input").fill(value)


def press(page, word: str, changed, what: str) -> None:
    page.get_by_role("button", name=word, exact=True).first.click()
    until(page, changed, what)


def test_a_job_from_complaint_to_the_handed_over_page(server, page):
    page.at("/jobs")
    assert "checks should be" not in page.inner_text("main") and "odd" in page.inner_text("main")
    page.fill("#job-new-name", "red-car")
    page.fill("#job-new-complaint", "rattles when cold")
    page.fill("#job-new-mileage", "182,000")
    page.locator("#job-new-before label", has_text="repair-before.csv").click()
    page.locator("#job-new-vehicle label", has_text="invented").click()
    page.click("#job-begin")
    page.wait_for_selector("#job-state .causes")
    until(page, lambda: "Slow" in page.inner_text("#job-state"), "the recording was not taken in")
    assert "182,000 km" in page.inner_text("#job-state")

    # The dipstick first; a tick moves the probabilities at once, and the next check follows.
    assert "oil level" in page.locator(".checks li").first.inner_text()
    assert "Hot oil burns" in page.locator(".checks li").first.inner_text()
    before = first_cause(page)
    press(
        page,
        "In order",
        lambda: "oil level" not in page.locator(".checks li").first.inner_text(),
        "the tick moved nothing",
    )
    press(page, "Screen blocked", lambda: first_cause(page)[1] > 85, "the cause did not move")
    assert before[1] < 40 and first_cause(page)[0] == "oil control valve's screen blocked"
    page.locator("label", has_text="Found something else").locator("input").fill("gibberish")
    press(page, "Note it", lambda: "no outcome" in page.inner_text("#job-said"), "a word that means nothing was taken")

    press(page, "Quote", lambda: page.locator(".choices-table").count() == 1, "nothing was quoted")
    page.locator("tr", has_text="whole timing set").get_by_role("button").click()
    until(page, lambda: "phaser bolt" in page.inner_text("#job-sheet"), "no work sheet")
    typed(page, "chain elongation", "measured", "0.9")
    typed(page, "chain elongation", "limit", "0,5")
    typed(page, "phaser bolt", "torque", "18.4")
    typed(page, "phaser bolt", "unit", "lbf*ft")
    press(
        page,
        "Save what was typed",
        lambda: "24.9 N·m (18.4 lbf·ft)" in page.inner_text("#job-sheet"),
        "the torque was not kept",
    )
    assert "offset at rest says" in page.inner_text("#job-said")  # held against what the recording said of the chain
    page.locator(".sheet .tick-off").first.click()
    until(page, lambda: page.locator(".sheet .tick-off").first.inner_text() == "☑", "no tick")
    page.get_by_role("button", name="☐ markings").first.click()
    until(page, lambda: page.get_by_role("button", name="☑ markings").count() == 1, "the part did not arrive")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    typed(page, "phaser bolt", "unit", "kPa")
    press(page, "Save what was typed", lambda: "kPa" in page.inner_text("#job-said"), "a torque in kPa was taken")

    page.locator("#job-closing label", has_text="What was done").locator("input").fill("valve renewed")
    page.locator("#job-closing label", has_text="repair-after.csv").click()
    press(
        page, "Close and make the pages", lambda: page.locator("#job-closing a.main").count() == 2, "it did not close"
    )
    kept = read_job(server.work / "red-car.job.json")
    assert kept.get("done") == "valve renewed" and kept.get("verification")["outcome"] == "proves_nothing"
    assert [c["outcome"] for c in kept.get("checks")] == ["in order", "screen blocked", "chain beyond its limit"]
    assert "rattles when cold" in (server.work / "red-car.customer.html").read_text()
    page.set_viewport_size(DESK)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.troubles == []


def test_somebody_elses_job_is_shown_as_text_and_leads_to_no_other_file(server, page):
    page.at("/jobs/own")
    assert "<img src=x onerror=alert(1)>" in page.inner_text("main")
    press(page, "Low, old or of another grade", lambda: "before the engine runs" in page.inner_text("main"), "no tick")
    kept = json.loads((server.work / "own.job.json").read_text())
    assert kept["own"] == [1] and kept["checks"][0]["key"] == "oil_level"
    for name in ("odd", "none", "../x", "repair-before.csv"):
        assert "No such job" in str(page_for(server.desk, f"/jobs/{quote(name, safe='')}"))
    assert page.troubles == []


@pytest.mark.parametrize(
    ("field", "value", "said"), [("name", "", "name"), ("mileage", "far", "no number"), ("name", "own", "there")]
)
def test_a_slip_in_the_form_is_one_clear_line(page, field, value, said):
    page.at("/jobs")
    page.fill("#job-new-name", "new")
    page.fill(f"#job-new-{field}", value)
    page.click("#job-begin")
    until(page, lambda: said in page.inner_text("#job-new-said"), page.inner_text("#job-new-said"))
