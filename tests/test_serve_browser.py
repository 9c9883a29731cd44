"""The page as a technician uses it, in Chromium over the real server, recorder process and simulated adapter.

Invented data, for mechanics only.
"""

import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from playwright.sync_api import Error

from camlog.drive import drive_path, read_drive
from camlog.serve import guard
from camlog.serve.pages import recordings
from camlog.serve.pairing import MOST_VIEWERS
from camlog.serve.server import RunningServer
from camlog.simulate.adapter import Fault
from camlog.simulate.live import simulated_adapter
from camlog.trace import read_trace
from tests.browser_help import DESK, PHONE, browser, troubles_of

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "sample_logs"
TARGET_PX = 44  # WCAG 2.2, success criterion 2.5.5 (from memory)
# Whose cam, and which way it counts, does not stand in these headings.
FOREIGN = "Time (s),Engine speed (rpm),Engine oil temperature (°C),Cam commanded (°CA),Cam actual (°CA)\n"


@pytest.fixture(scope="module")
def chromium():
    with browser() as running:
        yield running


@pytest.fixture(scope="module")
def car(tmp_path_factory):
    """A simulated car behind an adapter on a pseudo-terminal."""
    made = simulated_adapter(condition="stick_slip", drive="hot", baud=500_000, latency_s=0.004, wait_s=0.02)
    with made.adapter as adapter:
        adapter.port = adapter.start_pty(tmp_path_factory.mktemp("car") / "port")
        yield adapter


@pytest.fixture
def served(tmp_path, car):
    with RunningServer(tmp_path, adapter=car.port, vehicle="demo") as server:
        server.root = tmp_path
        yield server


class Visitor:
    """A page, with what went wrong in it."""

    def __init__(self, chromium, url, size=DESK):
        self.context = chromium.new_context(viewport=size)
        self.page = self.context.new_page()
        self.page.set_default_timeout(60_000)
        self.url = url.rstrip("/")
        self.troubles, self.hosts = troubles_of(self.page), set()
        self.foreseen = None  # a pattern: what the browser says of a server that the test takes away, at any time
        self.page.on("request", lambda r: self.hosts.add(re.sub(r"^(\w+:(//[^/]*)?).*", r"\1", r.url, flags=re.S)))

    def go(self, path="/"):
        self.page.goto(self.url + path)
        self.page.wait_for_selector("main")

    def until(self, script, what):
        """Until a script gives true; under the page's policy no other kind of waiting works."""
        end = time.monotonic() + 60.0
        while not self._now(script):
            assert time.monotonic() < end, what
            time.sleep(0.05)

    def _now(self, script):
        """What a script gives; nothing while the page is just being loaded again."""
        try:
            return self.page.evaluate(script)
        except Error as trouble:
            if "context was destroyed" not in str(trouble):
                raise
            return None

    def text(self, selector):
        return self.page.inner_text(selector)

    def __enter__(self):
        return self

    def __exit__(self, kind, *_):
        self.context.close()
        if kind is None:
            foreseen = re.compile(self.foreseen or r"\Z.")
            assert not [said for said in self.troubles if not foreseen.search(said)]
            assert all(host == self.url or host.startswith(("data:", "blob:")) for host in self.hosts), self.hosts


# The first cam's last seconds are drawn.
DRAWN = "() => (document.querySelector('.cam-strip path.actual')?.getAttribute('d') || '').split('L').length > 10"


def start(visitor):
    visitor.page.click("#connect")
    visitor.page.wait_for_selector("#ready:not([hidden])")
    visitor.page.click("#start")
    visitor.page.wait_for_selector("#driving:not([hidden])")
    visitor.until(DRAWN, "no strip was drawn")


def the_drive(folder):
    (trace,) = folder.glob("drive-*.csv")
    return read_trace(trace), read_drive(drive_path(trace))


def test_record_mark_pull_the_cable_resume_stop_report(chromium, served, car):
    with Visitor(chromium, served.url) as first:
        first.go()
        assert "someone else operates" in first.text("#setup .caution")
        first.page.click("#connect")
        first.page.wait_for_selector("#ready:not([hidden])")
        assert "cam_intake_b1_actual" in first.text("#found")
        first.page.click("#start")
        first.page.wait_for_selector("#driving:not([hidden])")
        first.until(DRAWN, "no strip was drawn")
        assert "command" in first.text("#cams") and "rpm" in first.text("[data-figure=engine_speed]")
        assert re.search(
            r"at rest|following|moving|stands \d|jumped", first.text(".cam .doing")
        ) and "/s" in first.text(".cam-so-far")
        assert "Next:" in first.text("#next-now")
        first.page.click("#mark")
        first.until("() => document.querySelector('#marks').textContent.includes('rattle heard')", "no mark")
        first.until(
            "() => document.querySelector('.cam-strip path.marks').getAttribute('d')",
            "the mark does not stand in the strips",
        )
        first.page.fill("#note", "ticking at idle")
        first.page.press("#note", "Enter")
        first.until("() => document.querySelector('#marks').textContent.includes('ticking')", "no note")
        first.page.click("#mark")
        first.until("() => document.querySelector('#marks').textContent.includes('3 marked')", "no third mark")
        first.page.click("#take-back")  # a wrong tap
        first.until("() => document.querySelector('#marks').textContent.includes('2 marked')", "it was not taken back")
        assert "ticking" in first.text("#marks") and first.page.evaluate("document.activeElement.id") == "take-back"
        first.page.click("#mark-note")
        first.page.wait_for_selector("#said .notice")
        said = first.page.locator("#said .notice").bounding_box()
        assert "the note is empty" in first.text("#said") and said["x"] >= 0 and said["y"] < DESK["height"]
        car._faults.faults = (Fault("unplugged", car.elapsed_s, 1.5),)
        first.page.wait_for_selector("#gap-notice:not([hidden])")
        assert "goes on by itself" in first.text("#gap-notice")
        first.page.wait_for_selector("#gap-notice[hidden]", state="attached")
        first.page.click("#more summary")
        assert "1 gap" in first.text("#gaps")
    # Nobody looks; the drive goes on.
    rows = served.desk.recorder.status().rows
    time.sleep(1.0)
    assert served.desk.recorder.status().rows > rows + 10
    with Visitor(chromium, served.url) as again:
        again.go()
        again.until(DRAWN, "the page did not catch up")
        # From how long ago the strip is drawn: 1000 are 20 s.
        oldest = again.page.evaluate(
            "Number(document.querySelector('.cam-strip path.actual').getAttribute('d').match(/M([\\d.]+)/)[1])"
        )
        assert oldest < 1000 - 3.0 * 50
        again.page.click("#stop")
        again.page.wait_for_selector("#finished a.main")
        with again.context.expect_page() as opened:
            again.page.click("#finished a.main")
        report = opened.value
        report.wait_for_selector("html[data-done]", timeout=60_000)
        assert report.locator(".js-plotly-plot").count() > 0
        again.go("/recordings")
        again.page.wait_for_selector(".recordings li")
        assert "rattle heard" in again.text(".recordings")
    trace, drive = the_drive(served.root)
    kinds = [e.kind for e in drive.events]
    assert kinds.count("marker") == 2 and {"gap", "reconnect"} <= set(kinds)
    assert drive.trace_sha256 == trace.sha256 and len(drive.code_snapshots) == 2
    assert list(served.root.glob("drive-*.report.html"))


def test_a_wrong_port_is_said_and_the_page_goes_on(chromium, served):
    with Visitor(chromium, served.url) as visitor:
        visitor.go()
        visitor.page.fill("#other-port", "/etc/passwd")
        chosen = visitor.page.locator("#port label").filter(has_text="Another port")
        assert chosen.locator("input").is_checked()  # what is written is meant
        visitor.page.press("#other-port", "Enter")
        visitor.page.wait_for_selector("#said .notice")
        assert "is no port of an adapter" in visitor.text("#said")
        visitor.page.fill("#other-port", "socket://127.0.0.1:9")
        visitor.page.click("#connect")
        visitor.page.wait_for_selector("#notices .notice.bad")
        assert "no adapter" in visitor.text("#notices")
        assert visitor.page.is_visible("#connect")


def test_keyboard_only(chromium, served):
    with Visitor(chromium, served.url) as visitor:
        visitor.go()
        page = visitor.page
        page.wait_for_selector("#connect")

        def tab_to(selector):
            for _ in range(40):
                page.keyboard.press("Tab")
                if page.evaluate("s => document.activeElement.matches(s)", selector):
                    return
            pytest.fail(f"Tab does not reach {selector}")

        tab_to("#connect")
        page.keyboard.press("Enter")
        page.wait_for_selector("#ready:not([hidden])")
        tab_to("#start")
        page.keyboard.press("Space")
        page.wait_for_selector("#driving:not([hidden])")
        visitor.until(DRAWN, "no strip was drawn")
        page.keyboard.press("m")
        visitor.until("() => document.querySelector('#marks').textContent.includes('1 marked')", "M marks nothing")
        tab_to("#note")
        page.keyboard.type("mm")
        page.keyboard.press("Enter")
        visitor.until("() => document.querySelector('#marks').textContent.includes('2 marked')", "no note")
        page.keyboard.press("Shift+Tab")
        tab_to("#stop")
        page.keyboard.press("Enter")
        page.wait_for_selector("#finished a.main")
    _, drive = the_drive(served.root)
    assert [e.text for e in drive.events if e.kind == "marker"] == ["rattle heard", "mm"]


def test_phone_width(chromium, served):
    for name in ("repair-before", "repair-after"):
        for ending in (".csv", ".drive.json"):
            shutil.copy(SAMPLES / (name + ending), served.root)
    with Visitor(chromium, served.url, PHONE) as visitor:
        visitor.go()
        start(visitor)
        fits(visitor)
        mark = visitor.page.locator("#mark").bounding_box()
        assert mark["height"] >= 70 and mark["width"] > 300
        back = visitor.page.locator("#take-back").bounding_box()
        assert (
            max(mark["y"] + mark["height"], back["y"] + back["height"]) <= PHONE["height"]
        )  # in reach without scrolling
        told = visitor.page.locator("#notices")
        notice, stop = told.locator(".notice").bounding_box(), visitor.page.locator("#stop").bounding_box()
        assert "simulated" in told.inner_text() and notice["y"] + notice["height"] <= stop["y"]
        assert told.evaluate("e => e.scrollHeight <= e.clientHeight")  # nothing of it is cut
        visitor.page.click("#stop")
        visitor.page.wait_for_selector("#finished a.main")
        for path in ("/recordings", "/recording/repair-after.csv", "/replay/repair-after.csv"):
            visitor.go(path)
            fits(visitor)


def fits(visitor):
    """No scrolling sideways, and every control is large enough for a thumb."""
    assert visitor.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    small = visitor.page.evaluate(
        """least => [...document.querySelectorAll('button, a, label, input:not([type=radio]):not([type=checkbox])')]
        .filter(e => e.offsetParent !== null && !e.closest('p, li') && e.getBoundingClientRect().height < least - 2.5)
        .map(e => e.outerHTML.slice(0, 120))""",
        TARGET_PX,
    )
    assert not small, small


def foreign_file(folder):
    """A trace of another make in which the cam angles do not say whose they are."""
    trace = read_trace(SAMPLES / "sticking.csv")
    rows = []
    for batch in trace.batches():
        if {"cam_intake_b1_commanded", "cam_intake_b1_actual"} <= set(batch.values):
            speed = batch.values.get("engine_speed")
            rows.append(
                f"{batch.time_s:.3f},{'' if speed is None else round(speed)},90,"
                f"{batch.values['cam_intake_b1_commanded']:.2f},{batch.values['cam_intake_b1_actual']:.2f}"
            )
    path = folder / "customer.csv"
    path.write_text(FOREIGN + "\n".join(rows[:3000]) + "\n", encoding="utf-8")
    return path


def test_replay_of_a_foreign_file_with_a_doubtful_column(chromium, served, tmp_path_factory):
    path = foreign_file(tmp_path_factory.mktemp("mail"))
    with Visitor(chromium, served.url) as visitor:
        visitor.go("/recordings")
        visitor.page.set_input_files("#take-in input[type=file]", path)
        visitor.page.wait_for_selector("#convert-start")
        visitor.page.click("#convert-start")
        asked, reasons = [], []
        for _ in range(8):
            visitor.until(
                "() => ['convert-answer', 'convert-result'].some(i => document.getElementById(i)?.textContent.trim())",
                "neither a question nor a result",
            )
            if not visitor.page.is_visible("#convert-answer"):
                break
            question = visitor.text("#convert-text")
            asked.append(question)
            reasons.append(visitor.text("#convert-why"))
            # The likeliest comes first; which way it counts nobody can tell from the file.
            labels = visitor.page.locator("#convert-choice label")
            (labels.filter(has_text="advance") if question.startswith("Does ") else labels).first.click()
            visitor.page.click("#convert-answer")
            visitor.until(
                f"() => document.getElementById('convert-text')?.textContent !== {question!r}", "the answer was not taken",
            )  # fmt: skip
        assert len(asked) >= 2 and "intake or the exhaust" in reasons[0], (asked, reasons)
        (made,) = served.root.glob("customer.camlog.csv")
        signals = read_trace(made).signals
        assert {"cam_intake_b1_commanded", "cam_intake_b1_actual"} <= set(signals)
        visitor.go("/recordings")
        assert "converted to customer.camlog.csv" in " ".join(visitor.text("#recordings-list").split())
        visitor.go("/replay/customer.camlog.csv?at=60")
        visitor.until(DRAWN, "no strip was drawn")
        place = visitor.page.evaluate("document.getElementById('progress').value")
        assert place >= 56.0
        visitor.page.locator("#speed label").filter(has_text="30×").click()
        visitor.until(f"() => document.getElementById('progress').value > {place + 20}", "30× is not quicker")
        visitor.page.click("#play")
        visitor.until("() => document.getElementById('play').textContent === 'Play'", "it does not pause")


def test_a_jump_goes_to_the_event(chromium, served):
    for ending in (".csv", ".drive.json"):
        shutil.copy(SAMPLES / ("cold-rattle" + ending), served.root)
    events = read_drive(SAMPLES / "cold-rattle.drive.json").events
    assert events
    with Visitor(chromium, served.url) as visitor:
        visitor.go("/replay/cold-rattle.csv")
        visitor.page.click("#play")
        visitor.page.locator(".jumps button").last.click()
        visitor.until(
            f"() => Math.abs(document.getElementById('progress').value - {max(0.0, events[-1].time_s - 3.0)}) < 1.5",
            "it did not jump",
        )


def test_verify(chromium, served):
    for name in ("repair-before", "repair-after"):
        for ending in (".csv", ".drive.json"):
            shutil.copy(SAMPLES / (name + ending), served.root)
    with Visitor(chromium, served.url) as visitor:
        visitor.go("/recording/repair-after.csv")
        visitor.page.locator("#recording-other label").filter(has_text="repair-before.csv").click()
        visitor.page.fill("#recording-job", "order 1234")
        visitor.page.click("#recording-verification")
        visitor.page.wait_for_selector("#recording-verification-said a")
        # Whatever they show, simulated recordings are no proof of a repair.
        assert "Proves nothing: all other checks pass, on simulated recordings" in visitor.text(
            "#recording-verification-said"
        )
    page = (served.root / "repair-after.verification.html").read_text(encoding="utf-8")
    assert "order 1234" in page


def test_a_server_killed_in_mid_drive_finds_the_recording_when_it_is_started_again(chromium, tmp_path, car):
    def started():
        server = subprocess.Popen(
            [sys.executable, "-m", "camlog", "serve", str(tmp_path), "--adapter", car.port, "--vehicle", "demo"],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=ROOT,
        )  # fmt: skip
        return server, re.search(r"http://[\w.:]+", server.stdout.readline())[0]

    server, url = started()
    with Visitor(chromium, url) as visitor:
        visitor.go()
        start(visitor)
        visitor.page.click("#mark")
        visitor.until("() => document.querySelector('#marks').textContent.includes('1 marked')", "no mark")
        (recorded,) = tmp_path.glob("drive-*.csv")
        end = time.monotonic() + 30.0
        while recorded.read_bytes().count(b"\n") < 30:
            assert time.monotonic() < end, "no rows"
            time.sleep(0.05)
        visitor.foreseen = "net::ERR_|the server did not respond"
        server.kill()
        server.wait()
        visitor.page.wait_for_selector("#no-link:not([hidden])")
        lost = visitor.text("#no-link")
        assert "if camlog was ended" in lost.lower() and "Marks are not kept" in lost
        assert visitor.page.locator("main.lost").count() == 1 and "stopped" in visitor.text("#clock")
        visitor.page.click("#mark")
        assert "Not marked" in visitor.text("#marks")
    end = time.monotonic() + 60.0
    while (found := the_drive(tmp_path))[1].trace_sha256 is None:
        assert time.monotonic() < end, "the recording did not end"
        time.sleep(0.1)
    assert found[1].trace_sha256 == found[0].sha256 and len(found[0].time_s) > 20
    server, url = started()
    try:
        with Visitor(chromium, url) as visitor:
            visitor.go("/recordings")
            visitor.page.wait_for_selector(".recordings li")
            assert "rattle heard" in visitor.text(".recordings")
    finally:
        server.send_signal(signal.SIGINT)
        assert server.wait(timeout=30) == 0


def test_the_list_leaves_the_keyboard_its_place_while_a_drive_is_recorded(chromium, served, monkeypatch):
    monkeypatch.setattr(recordings, "LOOK_MS", 1500)
    for name in ("healthy", "sticking"):
        shutil.copy(ROOT / "sample_logs" / f"{name}.csv", served.root)
    with Visitor(chromium, served.url) as visitor:
        visitor.go()
        start(visitor)
        visitor.go("/recordings")
        assert "Being recorded now" in visitor.text("#recordings-list")
        visitor.page.focus("#recordings-list li:last-child a.name")
        for _ in range(2):  # looks at the folder, one after the other
            with visitor.page.expect_response("**/ask"):
                pass
        assert visitor.page.evaluate("document.activeElement.matches('#recordings-list li:last-child a.name')")
        visitor.go("/")
        visitor.page.click("#stop")
        visitor.page.wait_for_selector("#finished a.main")


def test_a_page_whose_pairing_has_ended_asks_for_the_code(chromium, tmp_path, monkeypatch):
    """What the server then answers is the pairing page's status, 401 (RFC 9110, 15.5.2)."""
    monkeypatch.setattr(guard, "is_loopback", lambda peer: False)  # the browser is then another device
    with RunningServer(tmp_path, host="0.0.0.0") as served, Visitor(chromium, served.url, PHONE) as phone:
        phone.foreseen = r"status of 401"
        phone.go()
        phone.page.fill("#code", served.pairing.code)
        phone.page.click("button")
        phone.page.wait_for_selector("main.record")
        phone.page.evaluate("document.body.dataset.before = 'yes'")
        for _ in range(10 * MOST_VIEWERS):  # others are paired, and it is the one not seen for the longest
            served.pairing.try_code(served.pairing.code, "127.0.9.9")
        phone.until("() => !document.body || !document.body.dataset.before", "the page was not loaded again")
        phone.page.wait_for_selector("main")
        assert "Pair this device" in phone.text("main")


def test_a_phone_beside_the_laptop_sees_the_same_drive(chromium, served):
    with Visitor(chromium, served.url) as laptop, Visitor(chromium, served.url, PHONE) as phone:
        laptop.go()
        start(laptop)
        phone.go()
        phone.until(DRAWN, "the second page shows nothing")
        phone.page.click("#mark")
        laptop.until("() => document.querySelector('#marks').textContent.includes('1 marked')", "not seen here")
        laptop.page.click("#stop")
        phone.page.wait_for_selector("#finished a.main")
