"""The whole page: nothing outside the working folder is read or written, nothing comes from elsewhere.

Where a check follows a publication it stands beside it; CWE is MITRE's Common Weakness Enumeration, ASVS is
OWASP's Application Security Verification Standard 4.0.3, both from memory.
"""

import json
import os
import re
import shutil
from pathlib import Path
from urllib.parse import quote, urlencode

import pytest

from camlog.serve.guard import BODY_LIMIT_BYTES, HEADERS
from camlog.serve.server import RunningServer
from tests.browser_help import browser
from tests.serve_help import ask, one_plain_line, raw

ROOT = Path(__file__).resolve().parent.parent
MARKER = "marker-of-what-lies-outside"
INSIDE = "marker-of-what-lies-inside"
SECRET_CSV = f"time [s],engine_speed [rpm]\n0,800\n1,{MARKER}\n"
FORM = {"Content-Type": "application/x-www-form-urlencoded"}
HOSTILE_NAME = '<img src=x onerror="window.fooled=1">&amp;.csv'


@pytest.fixture(scope="module")
def around(tmp_path_factory):
    """A working folder with neighbours that are none of the page's business."""
    around = tmp_path_factory.mktemp("around")
    folder = around / "work"
    (folder / "sub").mkdir(parents=True)
    beside = around / "work-of-others"
    beside.mkdir()
    for place in (
        around / "secret.csv",
        beside / "secret.csv",
        folder / "sub" / "secret.csv",
        folder / ".hidden.csv",
    ):
        place.write_text(SECRET_CSV)
    for name in (
        "secret.report.html",
        "secret.html",
        "secret.toml",
        "secret.drive.json",
        "secret.findings.json",
    ):
        (around / name).write_text(f'"{MARKER}"')
    (folder / "linked.csv").symlink_to(around / "secret.csv")
    (folder / "linked.report.html").symlink_to(around / "secret.report.html")
    (folder / "linked.drive.json").symlink_to(around / "secret.drive.json")
    (folder / "linked.toml").symlink_to(around / "secret.toml")
    (folder / "other.txt").write_text(MARKER)
    shutil.copy(ROOT / "sample_logs" / "healthy.csv", folder / "healthy.csv")
    shutil.copy(ROOT / "sample_logs" / "healthy.drive.json", folder / "healthy.drive.json")
    shutil.copy(ROOT / "sample_logs" / "healthy.csv", folder / HOSTILE_NAME)
    (folder / "healthy.report.html").write_text(f"<!DOCTYPE html><h1>{INSIDE}</h1><script>window.ran=1</script>")
    return around


@pytest.fixture(scope="module")
def page(around):
    with RunningServer(around / "work") as running:
        yield running


def origin(page):
    return {"Origin": f"http://127.0.0.1:{page.port}"}


def everything(around):
    return {str(p.relative_to(around)): p.read_bytes() for p in around.rglob("*") if p.is_file() and not p.is_symlink()}


def routes(page, method):
    return [rule for rule in page.app.url_map.iter_rules() if method in rule.methods]


# CWE-22 path traversal, CWE-59 link following, CWE-158 NUL, CWE-36 absolute path; ASVS 12.3.1
ESCAPES = [
    "../secret.csv", "..%2fsecret.csv", "%2e%2e/secret.csv", "%2e%2e%2fsecret.csv", "..%252fsecret.csv",
    "..\\secret.csv", "..%5csecret.csv",
    "sub/secret.csv", "sub%2fsecret.csv", ".hidden.csv", "%2ehidden.csv", "linked.csv", "linked.toml",
    "linked.report.html",
    "linked.drive.json", "other.txt", "../work-of-others/secret.csv",
    "%2e%2e%2fwork-of-others%2fsecret.csv", "../secret.report.html",
    "secret.csv%00.csv", "..%00/secret.csv", "....//secret.csv", "..;/secret.csv",
    "%c0%ae%c0%ae/secret.csv", "%uff0e%uff0e/secret.csv",
    "healthy.csv/../../secret.csv", "healthy.csv%2f..%2f..%2fsecret.csv", "~/secret.csv",
    "file:///etc/passwd", "%2fetc%2fpasswd",
    "/etc/passwd", "//etc/passwd", "C:%5cWindows%5cwin.ini", "..", ".", "%2e", "CON", "healthy.csv.",
    "healthy.csv%20",
]  # fmt: skip


def test_no_route_reads_outside_the_folder_however_it_is_asked(page, around):
    absolute = quote(str(around / "secret.csv"), safe="")
    tried = 0
    for rule in routes(page, "GET"):
        if not rule.arguments:
            continue
        for escape in [*ESCAPES, absolute, str(around / "secret.csv")]:
            target = re.sub(r"<[^>]+>", lambda _, e=escape: e, rule.rule)
            answer = ask(page.port, "GET", target if target.startswith("/") else "/" + target)
            tried += 1
            assert MARKER not in answer.body and "root:" not in answer.body, target
            assert answer.status < 500, (target, answer.body)
            if answer.status >= 400:
                assert one_plain_line(answer), (target, answer.body)
    assert tried > 50


def test_a_file_of_the_folder_is_served_without_trust(page):
    """The check before it would pass where nothing is served at all."""
    answer = ask(page.port, "GET", "/results/healthy.report.html")
    assert answer.status == 200 and INSIDE in answer.body
    # W3C CSP Level 3, section 6.3.2 (sandbox): a result's own scripts run without this server's origin.
    policy = answer.headers["Content-Security-Policy"]
    assert "sandbox" in policy and "allow-same-origin" not in policy
    assert all(answer.headers[name] == value for name, value in HEADERS.items() if name != "X-Frame-Options")


def test_the_pages_layouts_and_callbacks_do_not_read_outside_either(page, around):
    for kind in ("recording", "replay", "convert"):
        for escape in ESCAPES:
            body = urlencode({"page": kind, "about": escape, "button": "report"})
            answer = ask(page.port, "POST", "/ask", {**origin(page), **FORM}, body)
            place = f"/{kind}/{escape}"
            assert MARKER not in answer.body and "Traceback" not in answer.body and str(around) not in answer.body, (
                place
            )
            assert answer.status in (200, 400), (place, answer.body)


@pytest.mark.parametrize(
    "body",
    ["", "x", "page=nowhere", "page=recordings&seen=[", "page=recordings&seen=[]", "page=record&seen=" + "[" * 5000],
)
def test_what_no_page_sends_is_one_plain_line(page, body):
    answer = ask(page.port, "POST", "/ask", {**origin(page), **FORM}, body)
    assert answer.status == 400 and one_plain_line(answer), answer.body


UPLOAD_NAMES = [
    "../escaped.csv", "..\\escaped.csv", "/etc/escaped.csv", "sub/escaped.csv", ".escaped.csv",
    "escaped.csv\x00.csv", "escaped.exe",
    "escaped.report.html", "escaped.html", "escaped.toml/../x.csv", "", ".", "..", "esc\r\naped.csv",
    "linked.csv", "healthy.csv",
    "healthy.drive.json", "a" * 300 + ".csv",
]  # fmt: skip


def one_error_text(answer):
    """What the page's upload shows: `{"error": "one line"}`."""
    told = json.loads(answer.body)
    return set(told) == {"error"} and "\n" not in told["error"]


def test_an_upload_goes_into_the_folder_or_nowhere_and_over_nothing(page, around):
    # CWE-434 (file type), CWE-22; ASVS 12.3.2, 12.4
    before = everything(around)
    for name in UPLOAD_NAMES:
        for target in (f"/upload?name={quote(name, safe='')}", f"/upload/{quote(name, safe='')}"):
            answer = ask(page.port, "POST", target, {**origin(page), "X-File-Name": quote(name)}, b"time [s],a\n0,1\n")
            assert answer.status < 500, (name, answer.body)
            assert answer.status < 400 or one_plain_line(answer) or one_error_text(answer)
    after = everything(around)
    assert {name: after.get(name) for name in before} == before
    new = set(after) - set(before)
    assert all(re.fullmatch(r"work/[^./][^/]*", name) and not name.endswith(("html", "exe")) for name in new), new
    for name in new:
        (around / name).unlink()


def test_an_upload_is_bounded_and_nothing_is_left_of_one_that_is_cut_off(page, around):
    before = everything(around)
    large = {**origin(page), "Content-Length": str(page.guard.upload_limit_bytes + 1)}
    assert ask(page.port, "POST", "/upload?name=big.csv", large).status == 413
    head = f"POST /upload?name=big.csv HTTP/1.1\r\nHost: 127.0.0.1:{page.port}\r\nOrigin: {origin(page)['Origin']}\r\n"
    raw(page.port, (head + "Content-Length: 100000\r\n\r\n" + "x" * 500).encode(), wait_s=0.3)
    raw(page.port, (head + "Transfer-Encoding: chunked\r\n\r\n5\r\nhello\r\n").encode(), wait_s=0.3)
    assert (
        ask(
            page.port,
            "POST",
            "/ask",
            {**origin(page), "Content-Length": str(BODY_LIMIT_BYTES + 1)},
        ).status
        == 413
    )
    assert everything(around) == before


def test_an_upload_from_another_page_is_refused(page, around):
    before = everything(around)
    for headers in ({}, {"Origin": "http://elsewhere.example"}, {"Origin": "null"}):
        assert ask(page.port, "POST", "/upload?name=evil.csv", headers, b"time [s],a\n0,1\n").status == 403
    assert everything(around) == before


# ---- what is switched on: ASVS 14.3.2 (no debugging in what is used), 14.2.2


def test_nothing_is_on_that_serves_those_who_build_pages(page):
    for target in ("/console", "/?__debugger__=yes&cmd=resource&f=debugger.js", "/static/x.js", "/_reload-hash"):
        answer = ask(page.port, "GET", target)
        assert answer.status == 404 or "debugger" not in answer.body.lower(), target
    offered = {rule.rule for rule in page.app.url_map.iter_rules()}
    assert not [rule for rule in offered if re.search(r"health|mcp|ws|socket|debug|console|_alive", rule)]
    assert not page.app.debug


def test_the_page_cannot_be_talked_into_debugging_by_the_environment(around, monkeypatch):
    monkeypatch.setenv("FLASK_DEBUG", "true")
    with RunningServer(around / "work") as running:
        test_nothing_is_on_that_serves_those_who_build_pages(running)


# ---- nothing from elsewhere: W3C CSP Level 3; the README promises that everything works offline


def test_no_file_of_the_page_names_another_place():
    assets = ROOT / "camlog" / "serve" / "assets"
    for file in [f for f in assets.rglob("*") if f.suffix in (".css", ".js", ".svg", ".html")]:
        text = re.sub(r"https?://www\.w3\.org/\d+/\w+", "", file.read_text(encoding="utf-8"))  # names, not places
        assert not re.search(r"(?:https?:|wss?:)?//[a-z0-9-]+(\.[a-z0-9-]+)+", text, re.I), file.name
        assert "@import" not in text and not re.search(
            r"\beval\(|new Function|document\.write|\.innerHTML\s*=", text
        ), file.name


def test_the_html_refers_to_nothing_but_this_server(page):
    for target in (
        "/",
        "/recordings",
        "/recording/healthy.csv",
        "/replay/healthy.csv",
        "/style.css",
        "/pair",
    ):
        answer = ask(page.port, "GET", target)
        assert not re.search(r"(?:src|href|action)=\"(?!/[^/]|data:|#)", answer.body), target
        assert not re.search(r"@import|url\((?![\"']?(?:data:|#))", answer.body), target


def test_in_a_browser_all_pages_come_from_here_break_no_policy_and_show_hostile_names_as_text(page):
    with browser() as running:
        context = running.new_context()
        looking = context.new_page()
        asked, troubles = [], []
        looking.on("request", lambda r: asked.append(r.url))
        looking.on("console", lambda m: troubles.append(m.text) if m.type in ("error", "warning") else None)
        looking.on("pageerror", lambda e: troubles.append(str(e)))
        looking.on("dialog", lambda d: (troubles.append(d.message), d.dismiss()))
        hostile = quote(HOSTILE_NAME)
        for target in (
            "",
            "recordings",
            "recording/healthy.csv",
            f"recording/{hostile}",
            "replay/healthy.csv",
            f"replay/{hostile}",
        ):
            looking.goto(page.url + target)
            looking.wait_for_selector("main h1")
            looking.wait_for_load_state("networkidle") if target == "recordings" else None
            if target == "recordings" or hostile in target:
                looking.wait_for_selector(f"text={HOSTILE_NAME}")
            assert not looking.evaluate("Boolean(window.fooled)")
        context.close()
    assert not troubles
    assert asked and all(url.startswith((page.url, "data:", "blob:")) for url in asked)


def test_a_result_page_with_a_script_cannot_speak_for_the_reader(page, around):
    steal = (
        "<!DOCTYPE html><h1>x</h1><script>fetch('/live').then(r => r.text()).then("
        "t => document.title = 'read ' + t, () => document.title = 'refused');</script>"
    )
    (around / "work" / "healthy.report.html").write_text(steal)
    try:
        with browser() as running:
            looking = running.new_page()
            looking.goto(page.url + "results/healthy.report.html")
            for _ in range(50):
                if looking.title():
                    break
                looking.wait_for_timeout(100)
            assert not looking.title().startswith("read")
            assert looking.evaluate("self.origin") == "null" or looking.title() == ""
    finally:
        (around / "work" / "healthy.report.html").write_text(f"<h1>{INSIDE}</h1>")


def test_the_folder_is_not_left_through_a_link_made_while_serving(page, around):
    late = around / "work" / "late.csv"
    os.symlink(around / "secret.csv", late)
    try:
        for rule in routes(page, "GET"):
            if rule.arguments:
                answer = ask(page.port, "GET", re.sub(r"<[^>]+>", "late.csv", rule.rule))
                assert MARKER not in answer.body, rule.rule
    finally:
        late.unlink()
