"""The pages about saved drives in a browser, by keyboard: list, report, repair against the drive before, conversion."""

from __future__ import annotations

import shutil
import time
from pathlib import Path
from urllib.parse import quote

import pytest

from camlog.drive import Drive, drive_path, write_drive
from camlog.serve.app import page_for
from camlog.serve.pages import recordings
from camlog.serve.server import RunningServer
from camlog.stream import Event
from camlog.trace import read_trace
from tests.browser_help import DESK, PHONE, browser, troubles_of

SAMPLES = Path(__file__).parent.parent / "sample_logs"
FOREIGN = Path(__file__).parent / "foreign"
HOSTILE = "<img src=x onerror=1>.csv"
QUOTED = "a\"b'.csv"
SAID = "<img src=x onerror=alert(1)>"
TOUCH_PX = 44


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    work = tmp_path_factory.mktemp("work")
    for name in ("repair-before", "repair-after", "sticking"):
        for ending in (".csv", ".drive.json"):
            shutil.copy(SAMPLES / (name + ending), work)
    shutil.copy(SAMPLES / "too-short.csv", work / QUOTED)
    drive = Drive(
        started_at="2024-05-13T08:00:00+02:00", vehicle={"name": SAID, "vin": None}, adapter={"port": "x"},
        events=(Event(-1.0, "marker", "before the first row"), Event(12.5, "marker", SAID)),
    )  # fmt: skip
    write_drive(drive, drive_path(work / QUOTED))
    shutil.copy(FOREIGN / "cam_no_side.csv", work / HOSTILE)
    shutil.copy(FOREIGN / "cam_not_zero_at_rest.csv", work / "rest.csv")
    shutil.copy(FOREIGN / "cam_says_nothing.csv", work / "customer.csv")
    with RunningServer(work) as running:
        yield running


@pytest.fixture(scope="module")
def chromium():
    with browser() as running:
        yield running


class Visit:
    """A browser on a page of the server, with what went wrong in it."""

    def __init__(self, chromium, server, size=DESK, **context):
        self.context = chromium.new_context(viewport=size, **context)
        self.page = self.context.new_page()
        self.page.set_default_timeout(60_000)
        self.troubles = troubles_of(self.page)
        self.server = server

    def go(self, path: str):
        self.page.goto(self.server.url.rstrip("/") + path)
        self.page.wait_for_selector("main h1")
        return self.page

    def text(self, selector: str) -> str:
        return self.page.locator(selector).inner_text()

    def until(self, condition, what: str):
        """Polled: the page's policy forbids the browser's own waiting for a condition."""
        end = time.monotonic() + 60
        while not condition():
            assert time.monotonic() < end, what
            self.page.wait_for_timeout(30)

    def press(self, selector: str, key: str = "Enter"):
        self.page.focus(selector)
        self.page.keyboard.press(key)

    def choose(self, selector: str, label: str):
        """A radio button, by the keyboard alone."""
        radio = self.page.locator(f"{selector} label", has_text=label).locator("input")
        radio.focus()
        self.page.keyboard.press("Space")
        self.until(radio.is_checked, f"{label} was not chosen")


@pytest.fixture(scope="module")
def one_visit(chromium, server):
    return Visit(chromium, server)


@pytest.fixture
def visit(one_visit):
    one_visit.troubles.clear()
    yield one_visit
    assert one_visit.troubles == []


# ---------------------------------------------------------------- text is text


@pytest.mark.parametrize("name", [HOSTILE, QUOTED])
def test_whatever_a_file_is_called_its_name_is_text_and_its_link_holds(visit, name):
    page = visit.go("/recordings")
    page.get_by_role("link", name=name, exact=True).click()
    visit.until(lambda: name in page.locator("main h1").inner_text(), "its page never came")
    assert page.url.endswith(quote(name, safe=""))
    assert page.locator("main img").count() == 0
    back = page.get_by_role("link", name="All recordings")
    back.click()
    page.wait_for_selector(".recordings")


def test_what_a_drive_file_says_is_text_and_its_marks_lead_into_the_replay(visit):
    page = visit.go("/recordings")
    assert SAID in page.locator("li", has_text=QUOTED).inner_text()
    page = visit.go(f"/recording/{quote(QUOTED, safe='')}")
    assert SAID in visit.text(".known")
    events = page.locator(".events li")
    assert [SAID in text for text in events.all_inner_texts()] == [False, True]
    ways = [way.get_attribute("href") for way in events.locator("a").all()]
    assert ways == [f"/replay/{quote(QUOTED, safe='')}?at={at}" for at in ("0.0", "12.5")]
    assert page.locator("main img").count() == 0
    assert "no: what was recorded until it broke off is here" in visit.text(".known")


@pytest.mark.parametrize(
    "path", ["/recording/none.csv", "/convert/repair-after.drive.json", "/recording/", "/convert/%3Cb%3E.csv"]
)
def test_what_is_not_there_is_said_with_the_way_back(visit, path):
    page = visit.go(path)
    assert page.locator(".notice.bad").count() == 1 and page.get_by_role("link", name="To the recordings").count() == 1
    assert str(visit.server.desk.folder.root) not in visit.text("main")


@pytest.mark.parametrize("page", ["recording", "convert"])
@pytest.mark.parametrize("name", ["../outside.csv", "/etc/passwd", "..", "a\0b.csv", "link.csv", "x" * 5000 + ".csv"])
def test_no_name_leads_out_of_the_folder(server, page, name, tmp_path):
    (tmp_path / "outside.csv").write_text("time [s],engine_speed [rpm]\n0,800\n")
    link = server.desk.folder.root / "link.csv"
    link.symlink_to(tmp_path / "outside.csv")
    try:
        shown = str(page_for(server.desk, f"/{page}/{quote(name, safe='')}"))
    finally:
        link.unlink()
    assert "No such" in shown and str(tmp_path) not in shown and "engine_speed" not in shown


# ---------------------------------------------------------------- the list


def test_the_list_narrows_as_one_types_and_leaves_the_field_alone(visit, monkeypatch):
    monkeypatch.setattr(recordings, "LOOK_MS", 200)
    root = visit.server.desk.folder.root
    page = visit.go("/recordings")
    items = page.locator(".recordings > li")
    shown = [text.splitlines()[0] for text in items.all_inner_texts()]
    assert shown.index("repair-after.csv") < shown.index("repair-before.csv") < shown.index(QUOTED), "newest first"
    page.focus("#recordings-search")
    page.keyboard.type("stick", delay=20)
    visit.until(lambda: items.count() == 1, "the list was not narrowed")
    assert "sticking.csv" in items.first.inner_text() and "1 recording found" in visit.text("#recordings-list")
    try:
        shutil.copy(SAMPLES / "too-short.csv", root / "sticky.csv")
        visit.until(lambda: items.count() == 2, "a new recording does not appear by itself")
        page.keyboard.type("y")  # goes on where it was
        visit.until(lambda: items.count() == 1, "what was typed later is not searched for")
        assert page.input_value("#recordings-search") == "sticky"
    finally:
        (root / "sticky.csv").unlink()
    page.keyboard.type(" no such word")
    visit.until(lambda: "No recording has all of these words" in visit.text("#recordings-list"), "it is not said")


# ---------------------------------------------------------------- one recording


def test_a_report_is_made_by_the_keyboard_while_somebody_types(visit):
    page = visit.go("/recording/sticking.csv")
    assert visit.text("#recording-verdict") == "Not analysed yet"
    visit.press("#recording-report")
    page.focus("#recording-job")
    typed = ""
    while page.locator("#recording-report-said .headline").count() == 0:
        typed += "x"
        assert len(typed) < 200, "no report came"
        page.keyboard.type("x")
        page.wait_for_timeout(250)
    assert page.input_value("#recording-job") == typed
    assert "sticking" in visit.text("#recording-report-said .headline").lower()
    visit.until(lambda: "Sticking" in visit.text("#recording-verdict"), "the verdict is not told at the top")
    # Word and sign, so that the colour need not be seen.
    bad = page.locator("#recording-verdict .cam-verdict", has_text="Sticking")
    assert bad.locator(".sign").inner_text() == "!"
    assert "advice to a qualified technician" in visit.text("#recording-report-said .cautions")
    with page.expect_popup() as opened:
        visit.press("#recording-report-said a.main")
    opened.value.wait_for_selector("h1")
    assert opened.value.url.endswith("/results/sticking.report.html")
    # Made anew it is overwritten, which the page says beforehand.
    visit.go("/recording/sticking.csv")
    visit.until(lambda: "Open the report" in visit.text("main"), "the report is not kept")
    # The verdict's strip carries the replay: a click on it goes there, a worst moment is a button.
    visit.go("/replay/sticking.csv")
    page.click("#play")

    def place() -> float:
        return page.evaluate("document.getElementById('progress').value")

    strip, whole = page.locator("#scrubber svg.strip").first, page.evaluate("document.getElementById('progress').max")
    box = strip.bounding_box()
    strip.click(position={"x": 0.6 * box["width"], "y": 0.5 * box["height"]})
    visit.until(lambda: abs(place() - 0.6 * whole) < 0.02 * whole + 2.0, "the strip does not lead there")
    worst = page.locator(".jumps button").first
    at_s = float(worst.get_attribute("data-do").partition(":")[2])
    assert "stands" in worst.inner_text() or "jumps" in worst.inner_text()
    worst.click()
    visit.until(lambda: abs(place() - at_s) < 5.0, "the worst moment is not shown")


def _never_done():
    time.sleep(600)


def test_an_analysis_is_cancelled_and_made_after_all(visit):
    page = visit.go("/recording/repair-before.csv")
    assert not page.is_visible("#recording-report-cancel")
    ahead = visit.server.desk.jobs.submit("Long", _never_done)
    try:
        visit.press("#recording-report")
        visit.until(lambda: page.is_visible("#recording-report-cancel"), "nothing to cancel it with")
        assert "Waiting for another analysis" in visit.text("#recording-report-said")
        visit.press("#recording-report-cancel")
        visit.until(lambda: visit.text("#recording-report-said") == "Cancelled.", "it is not cancelled")
        assert not page.is_visible("#recording-report-cancel")
        assert not (visit.server.desk.folder.root / "repair-before.report.html").exists()
    finally:
        visit.server.desk.jobs.cancel(ahead)
    visit.press("#recording-report")
    visit.until(lambda: "slow" in visit.text("#recording-report-said").lower(), "the report is not made after all")


def test_a_repair_is_compared_and_verified_against_the_drive_before(visit):
    page = visit.go("/recording/repair-after.csv")
    assert "This recording, repair-after.csv, is the drive after the repair." in visit.text("main")
    visit.press("#recording-comparison")
    visit.until(lambda: "no drive before is chosen" in visit.text("#recording-comparison-said"), "nothing is said")
    visit.press("#recording-verification")
    visit.until(lambda: "Not verified" in visit.text("#recording-verification-said"), "no verification came")
    assert "--" not in visit.text("#recording-verification-said")
    assert "codes saved before" not in visit.text("#recording-verification-said")
    visit.choose("#recording-other", "repair-before.csv")
    page.fill("#recording-job", "order 17 <b>")
    page.fill("#recording-outside", "p0442, P0011")
    visit.press("#recording-verification")
    visit.until(lambda: "P0011 bears on cams" in visit.text("#recording-verification-said"), "it is not refused")
    page.fill("#recording-outside", "p0442, P0456")
    visit.press("#recording-verification")
    visit.until(
        lambda: (
            "Proves nothing: all other checks pass, on simulated recordings"
            in visit.text("#recording-verification-said")
        ),
        "it is not verified",
    )
    # Neither drive holds a stored fault whose conditions could be met again, and neither was recorded on a vehicle.
    words = [line.split("\t")[:2] for line in page.locator(".gates").inner_text().splitlines() if "\t" in line]
    assert [check for check in words if "passed" not in check[0]] == [
        ["–not applicable", "Fault conditions met again"],
        ["–not yet shown", "Recorded on a vehicle"],
    ]
    assert len(words) == page.locator(".gates .sign").count() == 23
    visit.press("#recording-comparison")
    visit.until(lambda: "slow before, healthy after" in visit.text("#recording-comparison-said"), "no comparison came")
    assert page.input_value("#recording-job") == "order 17 <b>"
    root = visit.server.desk.folder.root
    paper = (root / "repair-after.verification.html").read_text()
    assert "order 17 &lt;b&gt;" in paper
    assert (root / "repair-after.comparison.html").exists()


# ---------------------------------------------------------------- conversion


def question(visit: Visit, number: int) -> str:
    visit.until(
        lambda: any(
            h.startswith(f"Question {number} of ") for h in visit.page.locator("#convert-heading").all_inner_texts()
        ),
        f"no question {number}",
    )
    return visit.text("#convert-text")


def test_a_doubtful_cam_column_is_asked_about_one_question_after_another(visit):
    page = visit.go(f"/convert/{quote(HOSTILE, safe='')}")
    visit.press("#convert-start")
    assert "Cam commanded (°CA)" in question(visit, 1)
    cards = page.locator("#convert-columns li")
    assert (
        cards.count() == 2
        and cards.nth(0).inner_text().startswith("1 of ")
        and "asked now" in cards.nth(0).inner_text()
    )
    assert "Cam actual (°CA)" in cards.nth(1).inner_text() and "counts for the verdict" in cards.nth(1).inner_text()
    assert page.evaluate("[...document.querySelectorAll('.asked img')].every(i => i.complete && i.naturalWidth > 0)")
    assert (
        page.locator("#convert-choice input:checked").evaluate("e => e.closest('label').innerText") == "Leave it open"
    )
    visit.choose("#convert-choice", "Exhaust cam, bank 1: commanded")
    visit.press("#convert-answer")
    assert "advance or retard" in question(visit, 2)
    visit.choose("#convert-choice", "a positive angle is retard")
    visit.press("#convert-answer")
    assert "Cam actual (°CA)" in question(visit, 3)
    visit.press("#convert-open")
    page.wait_for_selector("#convert-result table")
    assert "Still in doubt" in visit.text("#convert-result") and "Cam actual (°CA)" in visit.text("#convert-result ul")
    table = visit.text("#convert-result .columns")
    assert "Taken: Exhaust cam, bank 1: commanded angle" in table and "In doubt, and not judged" in table
    trace = read_trace(visit.server.desk.folder.root / HOSTILE.replace(".csv", ".camlog.csv"))
    assert list(trace.columns["cam_exhaust_b1_commanded"]) == [0, -25, -25]
    visit.press("#convert-result a.main")
    visit.until(
        lambda: page.url.endswith(quote(HOSTILE.replace(".csv", ".camlog.csv"), safe="")),
        "no way to the recording",
    )
    visit.until(lambda: f"Converted from\n{HOSTILE}" in visit.text(".known"), "where it came from is not said")


def test_a_figure_is_typed_in_peace_and_a_slip_in_it_is_said(visit):
    page = visit.go("/convert/rest.csv")
    visit.press("#convert-start")
    assert "locked position" in question(visit, 1)
    page.focus("#convert-figure")
    page.keyboard.type("11o")
    page.wait_for_timeout(1100)  # the page looks twice a second how far it is
    assert page.input_value("#convert-figure") == "11o"
    page.keyboard.press("Enter")
    visit.until(lambda: "'11o' is no number" in visit.text("#convert-said"), "the slip is not said")
    page.wait_for_timeout(700)
    assert "is no number" in visit.text("#convert-said") and page.input_value("#convert-figure") == "11o"
    page.fill("#convert-figure", "110")
    visit.press("#convert-figure")
    question(visit, 2)
    assert page.input_value("#convert-figure") == "", "the next question begins with the last answer"
    page.fill("#convert-figure", "110,0")
    visit.press("#convert-answer")
    page.wait_for_selector("#convert-result table")
    trace = read_trace(visit.server.desk.folder.root / "rest.camlog.csv")
    assert list(trace.columns["cam_intake_b1_commanded"]) == [0, 20, 20]


def test_cancelled_then_done_then_done_again(visit):
    root = visit.server.desk.folder.root
    page = visit.go("/convert/customer.csv")
    visit.press("#convert-start")
    question(visit, 1)
    visit.press("#convert-cancel")
    visit.until(lambda: "Cancelled; nothing was written" in visit.text("#convert-said"), "it is not cancelled")
    assert not (root / "customer.camlog.csv").exists()
    for shaft, actual in (("crankshaft", [0.2, 5, 22.5]), ("camshaft", [0.4, 10, 45])):
        visit.press("#convert-start")
        visit.until(page.locator("#convert-asking").is_visible, "nothing is asked")
        visit.choose("#convert-choice", shaft)
        visit.press("#convert-answer")
        page.wait_for_selector("#convert-result table")
        visit.until(lambda: "It was converted already" in visit.text("#convert-setup"), "that it is there is not said")
        assert "overwritten" in visit.text("#convert-setup")
        assert list(read_trace(root / "customer.camlog.csv").columns["cam_intake_b1_actual"]) == actual


def test_a_trace_of_the_same_name_from_another_file_is_not_taken_for_this_ones(visit):
    root = visit.server.desk.folder.root
    shutil.copy(FOREIGN / "cam_two_banks.csv", root / "same.csv")
    shutil.copy(FOREIGN / "cam_two_banks.csv", root / "same.txt")
    conversions = visit.server.desk.conversions
    id_ = conversions.start("same.csv")
    visit.until(lambda: conversions.look(id_).state == "done", "it is not converted")
    visit.go("/convert/same.txt")
    assert "made from another file, same.csv. Converted, that recording" in visit.text("#convert-setup")


# ---------------------------------------------------------------- for a gloved finger, at night


def test_on_a_phone_at_night_every_target_is_large_and_every_choice_can_be_read(chromium, server):
    visit = Visit(chromium, server, PHONE, color_scheme="dark")
    for path in (
        "/recordings",
        "/recording/repair-after.csv",
        f"/recording/{quote(QUOTED, safe='')}",
        "/convert/customer.csv",
    ):
        page = visit.go(path)
        page.wait_for_timeout(300)
        small = page.evaluate(
            "least => [...document.querySelectorAll('main a, main button, main label, main summary, main input')]"
            ".filter(e => e.offsetParent && !e.closest('label label') && !['radio', 'checkbox'].includes(e.type))"
            ".map(e => [e.outerHTML.slice(0, 90), e.getBoundingClientRect().height]).filter(x => x[1] < least)",
            TOUCH_PX - 0.5,
        )
        assert small == [], path
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path
        # WCAG 2.2, 1.4.3: text against its ground at least 4.5 to 1.
        pale = page.evaluate(
            """() => {
              const light = c => { const [r, g, b] = c.match(/[\\d.]+/g).map(x => x / 255).map(x => x <= 0.04045 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4);
                                   return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
              const ground = light(getComputedStyle(document.body).backgroundColor) + 0.05;
              return [...document.querySelectorAll('main label, main label *')].filter(e => e.offsetParent && e.innerText?.trim())
                .filter(e => (light(getComputedStyle(e).color) + 0.05) / ground < 4.5).map(e => e.outerHTML.slice(0, 90));
            }"""
        )
        assert pale == [], path
    visit.context.close()
    assert visit.troubles == []
