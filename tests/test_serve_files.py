"""Files between the folder and a browser: results that run without trust, downloads, and what is handed in."""

from __future__ import annotations

import gzip
import io
import os
import shutil
from pathlib import Path
from types import SimpleNamespace
from urllib.parse import quote

import flask
import pytest
from werkzeug.http import parse_options_header

from camlog.profile import DEMO
from camlog.serve import files, receiving
from camlog.serve import folder as folder_module
from camlog.serve.folder import Folder
from camlog.serve.server import RunningServer
from camlog.serve.tasks import make_report, make_verification
from tests.browser_help import PHONE, browser

SAMPLES = Path(__file__).resolve().parent.parent / "sample_logs"
TRACE = b"time [s],engine_speed [rpm]\n0,800\n0.5,810\n"
FOREIGN = b"Time (s),Engine RPM\n0,800\n0.5,810\n"
MARKUP = "<img src=x onerror=1>.csv"
MARKED = [
    MARKUP,
    "\"><script>1</script>'.csv".replace("/", "|"),
    "100% #1?&=;.csv",
    "Müller läuft.csv",
    "日本 🚗.csv",
]
HOSTILE = [
    "../outside.csv", "..\\outside.csv", "/etc/passwd", "sub/x.csv", ".x.csv", "x.csv\0", "x\r\nX-Evil: 1.csv", "x\u202e.csv",
    "con.csv", "x.exe", "x.html", "", ".", "..", "x" * 300 + ".csv", "C:\\x.csv",
]  # fmt: skip


@pytest.fixture
def desk(tmp_path):
    (tmp_path / "work" / "sub").mkdir(parents=True)
    (tmp_path / "work" / "sub" / "x.csv").write_bytes(b"secret")
    (tmp_path / "outside.csv").write_bytes(b"secret")
    return SimpleNamespace(folder=Folder(tmp_path / "work"))


@pytest.fixture
def client(desk):
    app = flask.Flask("small")
    files.register(app, desk)
    return app.test_client()


def put(desk, name, content=TRACE):
    (desk.folder.root / name).write_bytes(content)
    return name


def names(desk):
    return sorted(n for n in os.listdir(desk.folder.root) if n != "sub")


def send(client, name, content=TRACE, **more):
    return client.post("/upload", query_string={"name": name}, data=content, **more)


def directives(response):
    policy = response.headers["Content-Security-Policy"]
    return {words[0]: set(words[1:]) for part in policy.split(";") if (words := part.split())}


# ---- results: CSP Level 3, 6.3.2 `sandbox`, 6.4.2 `frame-ancestors`; HTML Living Standard, "sandboxing"


@pytest.mark.parametrize("kind", ["report", "comparison", "verification"])
def test_a_result_is_shown_in_an_origin_of_its_own_and_reaches_nothing(client, desk, kind):
    put(desk, f"x.{kind}.html", b"<h1>x</h1>")
    answer = client.get(f"/results/x.{kind}.html")
    assert answer.status_code == 200 and answer.data == b"<h1>x</h1>" and answer.mimetype == "text/html"
    said = directives(answer)
    assert said["sandbox"] == {"allow-scripts", "allow-downloads", "allow-modals", "allow-popups"}
    assert said["default-src"] == said["frame-ancestors"] == said["form-action"] == said["base-uri"] == {"'none'"}
    assert said["script-src"] == said["style-src"] == {"'unsafe-inline'"} and said["img-src"] == {
        "data:",
        "blob:",
    }
    assert said.get("connect-src", {"'none'"}) == {"'none'"}
    assert not [s for sources in said.values() for s in sources if "self" in s or "http" in s or "*" in s]
    assert answer.headers["X-Content-Type-Options"] == "nosniff" and "Content-Disposition" not in answer.headers


def test_nothing_but_a_result_is_shown_as_a_page(client, desk):
    for name in ("x.csv", "x.drive.json", "x.findings.json", "x.toml", "x.html"):
        put(desk, name, b"<script>1</script>")
        answer = client.get(f"/results/{name}")
        assert answer.status_code == 404 and b"<script>" not in answer.data and answer.mimetype == "text/plain"


@pytest.mark.parametrize("route", ["/results/", "/files/"])
@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_gets_one_plain_line(client, desk, route, name):
    put(desk, "x.exe")
    put(desk, "x.html")
    for target in (
        route + quote(name, safe=""),
        route + quote(name),
        route + quote(quote(name, safe=""), safe=""),
    ):
        answer = client.get(target)
        assert answer.status_code in (404, 308), target
        assert b"secret" not in answer.data and b"root:" not in answer.data and str(desk.folder.root) not in answer.text
        assert "X-Evil" not in answer.headers


def test_links_out_pipes_and_folders_are_not_served(client, desk, tmp_path):
    root = desk.folder.root
    (tmp_path / "outside.report.html").write_bytes(b"secret")
    (root / "away.csv").symlink_to(tmp_path / "outside.csv")
    (root / "away.report.html").symlink_to("../outside.report.html")
    os.mkfifo(root / "pipe.csv")
    os.mkfifo(root / "pipe.report.html")
    (root / "dir.csv").mkdir()
    for name in ("away.csv", "away.report.html", "pipe.csv", "pipe.report.html", "dir.csv", "none.csv"):
        for route in ("/files/", "/results/"):
            answer = client.get(route + name)  # a pipe that were opened would wait for ever
            assert answer.status_code == 404 and b"secret" not in answer.data
    (root / "real.csv").write_bytes(TRACE)
    (root / "also.csv").symlink_to("real.csv")
    assert client.get("/files/also.csv").data == TRACE


# ---- downloads: RFC 6266 (Content-Disposition), RFC 8187 (filename*)


@pytest.mark.parametrize("name", MARKED)
def test_whatever_a_file_is_called_it_is_downloaded_under_that_name(client, desk, name):
    put(desk, name)
    answer = client.get("/files/" + quote(name, safe=""))
    assert answer.status_code == 200 and answer.data == TRACE
    kind, options = parse_options_header(answer.headers["Content-Disposition"])
    assert kind == "attachment" and options["filename"] == name
    assert answer.headers["Content-Length"] == str(len(TRACE)) and answer.headers["X-Content-Type-Options"] == "nosniff"
    assert directives(answer)["default-src"] == {"'none'"} and "sandbox" in directives(answer)
    assert answer.headers["Content-Disposition"].isascii()


def test_a_recording_with_all_that_belongs_to_it_can_be_taken_away(client, desk):
    put(desk, "x.csv.gz", gzip.compress(TRACE))
    put(desk, "theirs.txt", FOREIGN)
    for name in ("x.csv", "x.drive.json", "x.findings.json", "x.map.toml"):
        put(desk, name, b"<script>1</script>")
    for name in names(desk):
        answer = client.get("/files/" + name)
        assert answer.status_code == 200, name
        assert answer.headers["Content-Disposition"].startswith("attachment"), name
        assert "sandbox" in directives(answer) and answer.mimetype != "text/html", name
    assert client.get("/files/x.csv").mimetype == "text/csv"
    assert client.get("/files/x.csv.gz").mimetype == "application/gzip"


def test_other_files_that_lie_in_the_folder_are_nobodys_business(client, desk):
    secret = b"Dear sir,\nmy number is 4711, and the car rattles.\n"
    for name in ("letter.txt", "program.log", "other.toml", "x.html", "x.report.html", "key.dat", "notes.gz"):
        put(desk, name, secret)
        answer = client.get("/files/" + name)
        assert answer.status_code == 404 and b"4711" not in answer.data, name


def test_a_recording_that_grows_is_given_as_long_as_it_was(client, desk):
    path = desk.folder.root / put(desk, "x.csv", TRACE * 50_000)
    answer = client.get("/files/x.csv", buffered=False)
    pieces = answer.iter_encoded()
    got = [next(pieces)]
    with open(path, "ab") as file:
        file.write(TRACE)
    got += pieces
    assert sum(map(len, got)) == int(answer.headers["Content-Length"]) == len(TRACE) * 50_000
    answer.close()


def test_head_and_files_without_rights(client, desk, monkeypatch):
    put(desk, "x.csv")
    answer = client.head("/files/x.csv")
    assert answer.status_code == 200 and answer.data == b"" and answer.headers["Content-Length"] == str(len(TRACE))

    def refused(*_, **__):
        raise PermissionError(13, "Permission denied", str(desk.folder.root / "x.csv"))

    monkeypatch.setattr(files, "open", refused, raising=False)
    answer = client.get("/files/x.csv")
    assert answer.status_code == 404 and "Permission denied" in answer.text and str(desk.folder.root) not in answer.text


# ---- handing in


@pytest.mark.parametrize("name", MARKED)
def test_a_trace_that_is_handed_in_is_kept_and_where_to_go_is_said(client, desk, name):
    answer = send(client, name)
    assert answer.status_code == 200 and answer.mimetype == "application/json"
    assert answer.json == {"name": name, "kind": "trace", "next": "/recording/" + quote(name, safe="")}
    assert (desk.folder.root / name).read_bytes() == TRACE and names(desk) == [name]


def test_where_each_kind_of_file_goes_on(client, desk):
    drive = (SAMPLES / "too-short.drive.json").read_bytes()
    for name, content, following in (
        ("own.csv", TRACE, "/recording/own.csv"),
        ("theirs.csv", FOREIGN, "/convert/theirs.csv"),
        ("theirs.txt", FOREIGN, "/convert/theirs.txt"),
        ("noise.csv", bytes(range(256)), "/convert/noise.csv"),
        ("too-short.drive.json", drive, "/recordings"),
        ("mine.toml", DEMO.read_bytes(), "/recordings"),
    ):
        answer = send(client, name, content)
        assert (answer.status_code, answer.json["next"]) == (200, following), (name, answer.json)
    assert [p.file for p in desk.folder.profiles()] == ["mine.toml", "demo"]


def test_nothing_is_ever_overwritten(client, desk):
    put(desk, "x.csv", b"first")
    (desk.folder.root / "dead.csv").symlink_to("../new.csv")
    assert [send(client, n).json["name"] for n in ("x.csv", "X.CSV", "x.csv", "dead.csv")] == [
        "x-2.csv", "X-3.CSV", "x-4.csv", "dead-2.csv",
    ]  # fmt: skip
    assert (desk.folder.root / "x.csv").read_bytes() == b"first"
    assert not (desk.folder.root.parent / "new.csv").exists()


@pytest.mark.parametrize("name", [*HOSTILE, "x.report.html", "x.findings.json", "x.csv.partial"])
def test_a_name_that_is_none_is_refused_with_why(client, desk, name, tmp_path):
    answer = send(client, name)
    assert answer.status_code == 400 and set(answer.json) == {"error"} and answer.json["error"].isprintable()
    assert str(tmp_path) not in answer.text and names(desk) == []
    assert client.post("/upload", data=TRACE).status_code == 400


def test_what_is_no_profile_and_no_drive_file_is_refused_with_where(client, desk):
    for name, content, word in (
        ("x.toml", DEMO.read_bytes().replace(b"cylinders = 4", b"cylinders = 'four'"), "cylinders"),
        ("x.toml", b"= = <script>", "x.toml"),
        ("x.drive.json", b"{}", "schema"),
    ):
        answer = send(client, name, content)
        assert answer.status_code == 400 and word in answer.json["error"] and "partial" not in answer.json["error"]
    assert names(desk) == []


class _Broken(io.RawIOBase):
    """A body of which only the first part arrives."""

    def __init__(self):
        self.parts = [TRACE, TRACE]

    def readable(self):
        return True

    def read(self, size=-1):
        if self.parts:
            return self.parts.pop()
        raise ConnectionResetError("gone")

    def readinto(self, buffer):
        part = self.read()
        buffer[: len(part)] = part
        return len(part)


def test_of_a_body_that_breaks_off_nothing_is_kept(client, desk):
    for body in (io.BytesIO(TRACE), _Broken()):
        short = {"CONTENT_LENGTH": "5000", "wsgi.input": body}
        answer = client.post("/upload?name=x.csv", environ_overrides=short)
        assert answer.status_code == 400
        assert names(desk) == []
    assert client.post("/upload?name=x.csv", data=b"").status_code == 400 and names(desk) == []


def test_too_large_and_no_room_are_said(client, desk, monkeypatch):
    monkeypatch.setattr(files, "UPLOAD_LIMIT_BYTES", 1000)
    monkeypatch.setattr(folder_module, "UPLOAD_LIMIT_BYTES", 1000)
    answer = send(client, "x.csv", b"x" * 1001)
    assert answer.status_code in (400, 413) and "large" in answer.json["error"] and names(desk) == []
    usage = shutil.disk_usage(desk.folder.root)
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage._replace(free=receiving.FREE_LEFT_BYTES + 10))
    answer = send(client, "x.csv", b"x" * 100)
    assert answer.status_code == 400 and "does not fit" in answer.json["error"] and names(desk) == []


def test_only_posting_hands_in(client, desk):
    for method in ("get", "put", "delete", "patch"):
        assert getattr(client, method)("/upload?name=x.csv", data=TRACE).status_code == 405
    assert names(desk) == []


# ---- in a browser, from the real server


@pytest.fixture(scope="module")
def work(tmp_path_factory):
    work = tmp_path_factory.mktemp("work")
    for name in ("repair-before", "repair-after"):
        lines = (SAMPLES / f"{name}.csv").read_bytes().splitlines(keepends=True)
        (work / f"{name}.csv").write_bytes(b"".join(lines[: len(lines) // 4]))
    before, after = str(work / "repair-before.csv"), str(work / "repair-after.csv")
    make_report(after, "demo")
    make_verification(after, before, "demo", "order 12", ())
    return work


@pytest.fixture(scope="module")
def page(work):
    with RunningServer(work) as running:
        yield running


@pytest.fixture(scope="module")
def chromium():
    with browser() as running:
        yield running


@pytest.fixture
def looking(chromium):
    context = chromium.new_context(accept_downloads=True)
    looking = context.new_page()
    looking.set_default_timeout(15_000)
    looking.troubles, looking.asked = [], []
    looking.on("console", lambda m: looking.troubles.append(m.text) if m.type in ("error", "warning") else None)
    looking.on("pageerror", lambda e: looking.troubles.append(str(e)))
    looking.on("dialog", lambda d: (looking.troubles.append(d.message), d.dismiss()))
    looking.on("request", lambda r: looking.asked.append(r.url))
    yield looking
    context.close()


def test_a_real_report_draws_its_charts_and_complains_of_nothing(page, looking):
    address = f"{page.url}results/repair-after.report.html"
    looking.goto(address)
    looking.wait_for_selector("html[data-done]")
    assert looking.evaluate("self.origin") == "null"
    drawn = "[...document.querySelectorAll('.main-svg')].filter(s => s.querySelector('path.js-line, .trace')).length"
    assert looking.evaluate(drawn) >= 2
    assert [url for url in looking.asked if not url.startswith(("data:", "blob:"))] == [address]
    assert looking.troubles == []
    looking.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    with looking.expect_download() as saved:
        looking.click("button[data-do=csv] >> nth=0")
    assert Path(saved.value.path()).stat().st_size > 100


def test_a_real_verification_is_shown_and_complains_of_nothing(page, looking):
    looking.goto(f"{page.url}results/repair-after.verification.html")
    assert "order 12" in looking.inner_text("body") and looking.evaluate("self.origin") == "null"
    assert looking.evaluate("getComputedStyle(document.querySelector('h1')).fontSize") != "32px"  # its style applies
    assert looking.troubles == []


def test_a_file_is_chosen_by_keyboard_and_handed_in(page, work, looking, tmp_path):
    trace = tmp_path / "ürgent.csv"
    trace.write_bytes((SAMPLES / "too-short.csv").read_bytes())
    looking.on("filechooser", lambda chooser: None)  # from now on, not from when the key is pressed
    looking.goto(page.url + "recordings")
    field = looking.wait_for_selector("input[type=file]")
    assert looking.evaluate("document.querySelector('input[type=file]').labels[0].innerText").strip()
    field.focus()
    assert looking.evaluate("document.activeElement.type") == "file"
    with looking.expect_file_chooser() as chosen:
        looking.keyboard.press("Enter")
    chosen.value.set_files(trace)
    looking.wait_for_selector("h1:has-text('ürgent.csv')")
    assert looking.url == page.url + "recording/" + quote("ürgent.csv")
    assert (work / "ürgent.csv").read_bytes() == trace.read_bytes()
    assert looking.troubles == []


DROP = """([name, size, text]) => {
  const data = new DataTransfer(), place = document.querySelector('input[type=file]').closest('div');
  data.items.add(new File([text || new Uint8Array(size)], name));
  for (const kind of ['dragenter', 'dragover', 'drop'])
    place.dispatchEvent(new DragEvent(kind, {bubbles: true, cancelable: true, dataTransfer: data}));
}"""


def test_a_file_is_dropped_and_its_name_is_text(page, work, looking):
    looking.set_viewport_size(PHONE)
    looking.goto(page.url + "recordings")
    looking.wait_for_selector("input[type=file]")
    looking.evaluate(DROP, [MARKUP, 0, TRACE.decode()])
    looking.wait_for_selector(f"h1:has-text({MARKUP!r})")
    assert (work / MARKUP).read_bytes() == TRACE
    assert looking.locator("#page img").count() == 0 and looking.troubles == []


def test_what_is_refused_is_said_where_it_was_handed_in(page, work, looking):
    before = sorted(os.listdir(work))
    looking.goto(page.url + "recordings")
    looking.wait_for_selector("input[type=file]")
    looking.evaluate(DROP, ["<b>x</b>.exe".replace("/", "|"), 10, ""])
    looking.wait_for_selector("[role=status] >> text=not a kind of file")
    assert looking.locator("[role=status] b >> text=/^x$/").count() == 0
    # Too large is known before anything is sent.
    asked = len(looking.asked)
    looking.evaluate("document.querySelector('input[type=file]').closest('[data-limit]').dataset.limit = '1000'")
    looking.evaluate(DROP, ["large.csv", 1001, ""])
    looking.wait_for_selector("[role=status] >> text=too large")
    assert not [url for url in looking.asked[asked:] if "/upload" in url]
    assert sorted(os.listdir(work)) == before and looking.url == page.url + "recordings"
