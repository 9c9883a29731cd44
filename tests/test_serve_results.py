"""The page's results: analysis apart, foreign traces asked about, files to and from a browser, the pages."""

from __future__ import annotations

import io
import json
import os
import shutil
import time
from email.message import Message
from pathlib import Path
from urllib.parse import quote

import pytest

from camlog.convert import Question
from camlog.drive import drive_path
from camlog.errors import InputError
from camlog.serve import converting, files, tasks
from camlog.serve import folder as folder_module
from camlog.serve.app import make_app, page_for
from camlog.serve.board import Board
from camlog.serve.converting import Conversions
from camlog.serve.desk import Desk
from camlog.serve.folder import Folder
from camlog.serve.guard import Guard, protect
from camlog.serve.jobs import Jobs, Look
from camlog.serve.pages import convert as convert_page
from camlog.serve.pages import recording as recording_page
from camlog.sinks.words import FIGURES
from camlog.stream import Batch
from tests.serve_help import links_of, options_of, text_of

SAMPLES = Path(__file__).parent.parent / "sample_logs"
FOREIGN = Path(__file__).parent / "foreign"
EVIL = "<img src=x onerror=alert(1)>.csv"
QUOTED = "a\"b'.csv"
HOST = {"Host": "127.0.0.1:8462", "Origin": "http://127.0.0.1:8462"}


def over(jobs: Jobs, id_: str, within_s: float = 60.0) -> Look:
    until = time.monotonic() + within_s
    while not (look := jobs.look(id_)).over:
        assert time.monotonic() < until, f"{look} is not over"
        time.sleep(0.02)
    return look


@pytest.fixture(scope="module")
def jobs():
    one = Jobs()
    yield one
    one.close()


# ---------------------------------------------------------------- what is analysed


@pytest.fixture(scope="module")
def repaired(tmp_path_factory) -> Path:
    """A folder with a drive before and after a repair, analysed."""
    folder = tmp_path_factory.mktemp("repaired")
    for name in ("repair-before", "repair-after"):
        for ending in (".csv", ".drive.json"):
            shutil.copy(SAMPLES / f"{name}{ending}", folder)
    return folder


@pytest.fixture(scope="module")
def reported(repaired) -> dict:
    return tasks.make_report(str(repaired / "repair-before.csv"), "demo")


@pytest.fixture(scope="module")
def verified(repaired) -> dict:
    return tasks.make_verification(
        str(repaired / "repair-after.csv"), str(repaired / "repair-before.csv"), "demo", "order 7", ("P0442",)
    )


def test_the_report_says_what_the_command_would(reported, repaired):
    json.dumps(reported, allow_nan=False)
    assert reported["report"] == "repair-before.report.html" and (repaired / reported["report"]).exists()
    assert reported["headline"][0] == "Intake cam, bank 1: slow. Exhaust cam, bank 1: healthy."
    assert any("not a roadworthiness statement" in caution for caution in reported["cautions"])
    found = json.loads((repaired / "repair-before.findings.json").read_text())
    assert Folder(repaired).entry("repair-before.csv").verdicts == {
        cam: said["condition"] for cam, said in found["cams"].items()
    }


def test_a_simulated_repair_passes_every_other_check_and_proves_nothing(verified, repaired):
    json.dumps(verified, allow_nan=False)
    assert not verified["verified"] and verified["outcome"] == "proves_nothing" and len(verified["gates"]) == 23
    states = {g["title"]: g["state"] for g in verified["gates"] if g["state"] != "passed"}
    assert states == {"Fault conditions met again": "not_applicable", "Recorded on a vehicle": "not_shown"}
    page = (repaired / verified["page"]).read_text()
    assert "order 7" in page and "prove nothing" in page
    entry = Folder(repaired).entry("repair-after.csv")
    assert "prove nothing" in entry.simulated


def test_verification_refuses_what_cannot_be(repaired, tmp_path):
    after = str(repaired / "repair-after.csv")
    with pytest.raises(InputError, match="same recording"):
        tasks.make_verification(after, after, None)
    with pytest.raises(InputError, match="bears on cams"):
        tasks.make_verification(after, None, None, "", ("P0011",))
    shutil.copy(SAMPLES / "repair-before.drive.json", tmp_path / "codes-1.drive.json")
    # A saved memory stands in for a first drive, but this one holds no code: then it shows no fault.
    known = tasks.make_verification(after, str(tmp_path / "codes-1.drive.json"), "demo")
    assert not known["changes"] and known["outcome"] == "not_verified_yet"
    open_ones = [g["title"] for g in known["gates"] if g["state"] == "not_shown"]
    assert open_ones == ["Recorded on a vehicle", "Fault in the first drive"]
    unknown = tasks.make_verification(after, None, None)
    assert not unknown["verified"] and unknown["todo"]


def test_a_changed_trace_is_cautioned(tmp_path):
    shutil.copy(SAMPLES / "too-short.csv", tmp_path)
    shutil.copy(SAMPLES / "too-short.drive.json", tmp_path)
    with open(tmp_path / "too-short.csv", "a") as file:
        file.write("torn")
    said = tasks.make_report(str(tmp_path / "too-short.csv"), None)
    assert any("changed after the recording" in caution for caution in said["cautions"])


def test_the_verdict_so_far_writes_nothing(tmp_path):
    shutil.copy(SAMPLES / "too-short.csv", tmp_path)
    said = tasks.provisional(str(tmp_path / "too-short.csv"), "demo")
    assert said["cams"]["intake_b1"]["condition"] == "insufficient_data" and said["seconds"] > 10
    assert os.listdir(tmp_path) == ["too-short.csv"]


# ---------------------------------------------------------------- foreign traces


def until(conversions: Conversions, id_: str, *states: str, number: int = 0) -> converting.ConversionLook:
    end = time.monotonic() + 60.0
    while (look := conversions.look(id_)).state not in states or look.question_number < number:
        assert time.monotonic() < end, f"{look}"
        time.sleep(0.01)
    return look


# ---------------------------------------------------------------- files to and from a browser


@pytest.fixture
def desk(tmp_path: Path):
    (tmp_path / "work").mkdir()
    for ending in (".csv", ".drive.json"):
        shutil.copy(SAMPLES / f"too-short{ending}", tmp_path / "work")
    shutil.copy(SAMPLES / "too-short.csv", tmp_path / "work" / EVIL)
    shutil.copy(SAMPLES / "too-short.csv", tmp_path / "work" / QUOTED)
    shutil.copy(FOREIGN / "cam_says_nothing.csv", tmp_path / "work" / "customer.csv")
    (tmp_path / "secret.csv").write_text("secret")
    one = Desk(tmp_path / "work")
    yield one
    one.close()


@pytest.fixture
def app(desk):
    return make_app(desk)


@pytest.fixture
def client(app):
    protect(app, Guard("127.0.0.1", 8462, upload_limit_bytes=folder_module.UPLOAD_LIMIT_BYTES))
    return app.test_client()


def test_a_result_page_runs_where_it_can_reach_nothing(client, desk):
    (desk.folder.root / "too-short.report.html").write_text("<script>fetch('/')</script>")
    answer = client.get("/results/too-short.report.html", headers=HOST)
    assert answer.status_code == 200 and answer.mimetype == "text/html" and b"fetch" in answer.data
    policy = answer.headers["Content-Security-Policy"]
    assert policy.startswith("sandbox allow-scripts") and "allow-same-origin" not in policy
    assert "connect-src 'none'" in policy and "form-action 'none'" in policy and "default-src 'none'" in policy
    assert (
        "allow-top-navigation" not in policy
        and "escape" not in policy
        and answer.headers["X-Content-Type-Options"] == "nosniff"
    )


def test_only_result_pages_are_shown_as_pages(client):
    for name in (
        "too-short.csv",
        "too-short.drive.json",
        "none.report.html",
        "x.html",
        "..%2Fsecret.csv",
        "%00.report.html",
    ):
        answer = client.get(f"/results/{name}", headers=HOST)
        assert answer.status_code in (400, 404) and answer.mimetype == "text/plain", name


@pytest.mark.parametrize("name", ["too-short.csv", EVIL, QUOTED])
def test_a_trace_is_downloaded_under_its_own_name(client, name):
    answer = client.get(f"/files/{quote(name, safe='')}", headers=HOST)
    assert answer.data == (SAMPLES / "too-short.csv").read_bytes() and answer.mimetype == "text/csv"
    disposition = answer.headers["Content-Disposition"]
    assert (
        disposition.startswith("attachment")
        and "\n" not in disposition
        and answer.headers["X-Content-Type-Options"] == "nosniff"
    )
    header = Message()
    header["Content-Disposition"] = disposition
    assert header.get_filename() == name


def test_a_name_beyond_ascii_is_given_as_rfc_8187_says(client, desk):
    (desk.folder.root / "Müller 日本.csv").write_bytes(b"x")
    disposition = client.get("/files/" + quote("Müller 日本.csv"), headers=HOST).headers["Content-Disposition"]
    assert f"filename*=UTF-8''{quote('Müller 日本.csv')}" in disposition and disposition.isascii()


def test_what_is_not_for_downloading_is_not_given(client, desk, tmp_path):
    (desk.folder.root / "x.report.html").write_text("x")
    (desk.folder.root / "away.csv").symlink_to(tmp_path / "secret.csv")
    (desk.folder.root / ".env").write_text("secret")
    for name in (
        "x.report.html",
        "away.csv",
        ".env",
        "none.csv",
        "..%2fsecret.csv",
        "..%5csecret.csv",
        quote(str(tmp_path / "secret.csv")),
    ):
        answer = client.get(f"/files/{name}", headers=HOST)
        assert "Content-Disposition" not in answer.headers and answer.data != b"secret", name
        assert answer.status_code in (400, 404) or answer.mimetype == "text/html", name  # the pages' shell
    assert client.get("/files/too-short.drive.json", headers=HOST).mimetype == "application/json"


def test_a_trace_that_grows_is_given_as_long_as_it_was(client, desk):
    path = desk.folder.root / "growing.csv"
    path.write_bytes(b"x" * 600_000)
    answer = client.get("/files/growing.csv", headers=HOST, buffered=False)
    pieces = iter(answer.response)
    got = next(pieces)
    with open(path, "ab") as file:
        file.write(b"y" * 100_000)
    assert len(got + b"".join(pieces)) == 600_000 == int(answer.headers["Content-Length"])


def upload(client, name: str, data: bytes, **headers):
    return client.post(f"/upload?name={quote(name, safe='')}", data=data, headers=HOST | headers)


def test_a_file_handed_in_is_kept_and_the_page_goes_on(client, desk):
    trace = (SAMPLES / "too-short.csv").read_bytes()
    assert upload(client, "new ü.csv", trace).json == {
        "name": "new ü.csv",
        "kind": "trace",
        "next": "/recording/new%20%C3%BC.csv",
    }
    assert upload(client, "too-short.csv", trace).json["name"] == "too-short-2.csv"
    foreign = (FOREIGN / "comma.csv").read_bytes()
    assert upload(client, "#1?.csv", foreign).json["next"] == "/convert/%231%3F.csv"
    assert upload(client, "note.txt", b"Dear sir,\n").json["next"] == "/convert/note.txt"  # which says what is wrong
    drive = (SAMPLES / "healthy.drive.json").read_bytes()
    assert upload(client, "healthy.drive.json", drive).json["next"] == "/recordings"
    assert upload(client, EVIL, trace).json["next"] == "/recording/" + quote(EVIL.replace(".csv", "-2.csv"), safe="")
    assert (desk.folder.root / "new ü.csv").read_bytes() == trace


def test_a_file_that_cannot_be_taken_in_is_refused_in_a_line(client, desk, monkeypatch):
    before = sorted(os.listdir(desk.folder.root))
    for name, data in (
        ("../x.csv", b"x"),
        ("", b"x"),
        ("x.html", b"x"),
        ("x.csv", b""),
        ("x.toml", b"nothing"),
        (".x.csv", b"x"),
    ):
        answer = upload(client, name, data)
        assert answer.status_code == 400 and answer.json["error"] and str(desk.folder.root) not in answer.json["error"]
    monkeypatch.setattr(files, "UPLOAD_LIMIT_BYTES", 10)
    assert upload(client, "x.csv", b"x" * 11).status_code == 413
    assert client.post("/upload?name=x.csv", data=b"x", headers=HOST | {"Origin": "http://evil"}).status_code == 403
    client.get("/upload?name=x.csv", headers=HOST)
    assert sorted(os.listdir(desk.folder.root)) == before


# ---------------------------------------------------------------- the pages


def test_the_list_shows_names_as_text_and_links_that_hold(desk):
    page = page_for(desk, "/recordings")
    said, links = text_of(page), links_of(page)
    assert EVIL in said and QUOTED in said and "4 recordings" in said and "Somebody else's recording" in said
    assert f"/recording/{quote(EVIL, safe='')}" in links and "/convert/customer.csv" in links
    for link in links:
        if link.startswith("/recording/"):
            assert text_of(page_for(desk, link)).startswith("All recordings")
    assert "<img" not in page


def test_hidden_characters_of_a_drive_are_shown(desk):
    path = drive_path(desk.folder.root / "too-short.csv")
    said = json.loads(path.read_text())
    said["vehicle"]["name"] = "Van \u202egpj"
    said["events"] = [{"time_s": 3.0, "kind": "marker", "text": "<b>rattle</b>\u0000"}] * 900
    del said["content_sha256"]
    path.write_text(json.dumps(said))
    for page in ("/recordings", "/recording/too-short.csv"):
        shown = text_of(page_for(desk, page))
        assert "Van [U+202E]gpj" in shown and "<b>rattle</b>[U+0000]" in shown and "\u202e" not in shown
    assert "And 700 more." in text_of(page_for(desk, "/recording/too-short.csv"))


def test_an_empty_folder_says_what_to_do(tmp_path):
    one = Desk(tmp_path)
    try:
        page = page_for(one, "/recordings")
        assert "No recordings in this folder yet" in text_of(page) and "/" in links_of(page)
    finally:
        one.close()


def test_of_many_recordings_the_newest_are_shown_and_all_are_searched(desk):
    for i in range(120):
        (desk.folder.root / f"more-{i}.csv").write_text("time [s],engine_speed [rpm]\n0,800\n")
    page = page_for(desk, "/recordings")
    assert "124 recordings; the newest 50 are shown" in text_of(page) and page.count('<li class="recording">') == 50


def send(client, page: str, name: str = "", button: str = "", **fields) -> dict[str, list[str]]:
    """What comes back for a page's fields: digest and HTML of each part that is not in the page yet."""
    answer = client.post("/ask", data={"page": page, "about": name, "button": button} | fields, headers=HOST)
    assert answer.status_code == 200, answer.data
    return answer.json


def test_the_figures_of_a_drive_are_sent_in_the_order_of_their_table(app):
    board = Board()
    board.accept(Batch(0.0, dict.fromkeys(reversed(FIGURES), 50.0)))
    assert list(json.loads(app.json.dumps(board.update()))["values"]) == list(FIGURES)


def test_search_answers_through_the_page(client):
    shown = send(client, "recordings", search="onerror")
    digest, said = shown["recordings-list"]
    assert EVIL in text_of(said) and "customer" not in said
    assert "recordings-list" not in send(
        client, "recordings", search="onerror", seen=json.dumps({"recordings-list": digest})
    )
    assert "No recording has" in text_of(send(client, "recordings", search="x" * 100_000)["recordings-list"][1])


def press(client, kind: str, name: str, vehicle="", other="", job="", outside=""):
    fields = {"vehicle": vehicle, "other": other, "job": job, "outside": outside}
    return send(client, "recording", name, kind, **{f"recording-{k}": v for k, v in fields.items()})


def test_a_report_is_made_at_the_press_of_a_button(client, desk):
    press(client, "report", "too-short.csv", "demo")
    look = over(desk.jobs, desk.jobs.latest(f"report {desk.folder.path('too-short.csv')}"))
    assert look.state == "done", look.error
    assert (desk.folder.root / "too-short.report.html").exists()
    page = page_for(desk, "/recording/too-short.csv")
    assert "Not enough data" in text_of(page) and "/results/too-short.report.html" in links_of(page)
    view = recording_page.becoming("report", look, "too-short.csv")
    assert "roadworthiness" in text_of(view) and links_of(view)[-1] == "/results/too-short.report.html"


def test_all_that_was_not_analysed_yet_is_at_the_press_of_one_button(client, desk):
    shown = send(client, "recordings")["analyse"][1]
    todo = [e.name for e in desk.folder.recordings() if e.kind == "trace"]
    assert len(todo) == 3 and f"not yet: {len(todo)}" in text_of(shown)
    assert f"{len(todo)}" in text_of(send(client, "recordings", "", "analyse")["said"][1])
    for name in todo:
        assert over(desk.jobs, desk.jobs.latest(f"report {desk.folder.path(name)}")).state == "done"
    assert all("findings" in e.results for e in desk.folder.recordings() if e.kind == "trace")
    assert "not yet" not in text_of(send(client, "recordings")["analyse"][1])


def test_what_a_button_cannot_do_is_said(client, desk, tmp_path):
    outside = str(tmp_path / "secret.csv")
    for kind, name, given, why in (
        ("report", "../secret.csv", {}, "is not a name in this folder"),
        ("report", outside, {}, "is not a name in this folder"),
        ("report", "none.csv", {}, "is not in this folder"),
        ("report", "too-short.csv", {"vehicle": "/etc/passwd"}, "is not a name"),
        ("report", "too-short.csv", {"vehicle": "too-short.csv"}, "is not a vehicle profile"),
        ("comparison", "too-short.csv", {}, "no drive before"),
        ("comparison", "too-short.csv", {"other": "too-short.drive.json"}, "codes only"),
        ("verification", "too-short.csv", {"other": "../secret.csv"}, "is not a name"),
    ):
        told = text_of(press(client, kind, name, **given)[f"recording-{kind}-wrong"][1])
        assert why in told and str(desk.folder.root) not in told
    assert os.listdir(desk.folder.root).count("too-short.report.html") == 0


def test_the_drive_before_is_looked_for_among_the_earlier_ones(repaired, monkeypatch):
    one = Desk(repaired)
    try:
        shutil.copy(SAMPLES / "healthy.drive.json", repaired / "codes-20240515.drive.json")
        page = page_for(one, "/recording/repair-after.csv")
        options, chosen = options_of(page, "recording-other")
        assert options == ["repair-before.csv", "codes-20240515.drive.json", ""] and chosen == ""
        assert (
            recording_page.others(one, "repair-after.csv", "nothing", "repair-before.csv")[0][0] == "repair-before.csv"
        )
        assert options_of(page, "recording-vehicle") == (["demo", ""], "demo") and "of the same name" not in text_of(
            page
        )
        monkeypatch.setattr(recording_page, "OTHERS_SHOWN", 0)
        (_, label, closed), none = recording_page.others(one, "repair-after.csv", "", "")
        assert closed and label.startswith("2 more are not shown") and none[0] == ""
    finally:
        (repaired / "codes-20240515.drive.json").unlink()
        one.close()


def test_a_profile_of_the_vehicles_name_is_chosen_where_nothing_says_which_it_was(tmp_path):
    for ending in (".csv", ".drive.json"):
        shutil.copy(SAMPLES / f"too-short{ending}", tmp_path)
    one = Desk(tmp_path)
    try:
        page = page_for(one, "/recording/too-short.csv")
        assert options_of(page, "recording-vehicle")[1] == "demo" and "of the same name" in text_of(page)
        # Invented readings say so wherever they are shown.
        for address in ("/recording/too-short.csv", "/replay/too-short.csv"):
            assert "prove nothing" in text_of(page_for(one, address))
        assert "proves nothing" in text_of(page_for(one, "/recordings"))
    finally:
        one.close()


def test_a_verification_is_told_gate_by_gate(verified):
    view = recording_page.becoming("verification", Look("x", "x", "done", verified), "repair-after.csv")
    said = text_of(view)
    assert "Proves nothing: all other checks pass" in said and said.count("✓ passed") == 21 and "not applicable" in said
    assert "Careful" in said
    assert links_of(view) == ["/results/repair-after.verification.html"]


def test_a_foreign_trace_is_sent_to_convert(desk):
    page = page_for(desk, "/recording/customer.csv")
    assert "/convert/customer.csv" in links_of(page) and 'id="recording-report"' not in page
    assert "is a camlog recording already" in text_of(page_for(desk, "/convert/too-short.csv"))
    for missing in (
        "/recording/none.csv",
        "/convert/none.csv",
        "/recording/",
        "/convert/..%2Fx.csv",
        "/recording/%00",
    ):
        assert links_of(page_for(desk, missing)) == ["/recordings"]


def step(client, desk, button: str, number=0, choice="", name="customer.csv") -> str:
    send(client, "convert", name, button, number=str(number), choice=choice)
    return desk.conversions.newest(name).id


def test_questions_are_answered_on_the_page_and_its_outcome_told(client, desk):
    id_ = step(client, desk, "start")
    until(desk.conversions, id_, "asking")
    asked = send(client, "convert", "customer.csv")["convert-asking"][1]
    assert "Question 1 of 1" in text_of(asked) and "crank or in cam" in text_of(asked)
    # Nothing is preselected but leaving it open, as on a terminal.
    assert options_of(asked, "choice") == (["crank", "cam", ""], "") and "convert-figure" not in asked
    step(client, desk, "answer", number=7, choice="cam")  # of a page that is behind
    assert desk.conversions.look(id_).state == "asking"
    step(client, desk, "answer", number=1, choice="cam")
    look = until(desk.conversions, id_, "done")
    view = convert_page.result_view(look)
    assert "cam degrees, as told" in text_of(view) and "/recording/customer.camlog.csv" in links_of(view)
    page = page_for(desk, "/convert/customer.csv")
    assert "It was converted already" in text_of(page) and "Convert it again" in text_of(page)
    assert "Converted from customer.csv" in text_of(page_for(desk, "/recording/customer.camlog.csv"))
    # Converted again it asks again, with the earlier answer chosen.
    id_ = step(client, desk, "start")
    assert until(desk.conversions, id_, "asking").earlier == "cam"
    assert options_of(send(client, "convert", "customer.csv")["convert-asking"][1], "choice")[1] == "cam"
    step(client, desk, "open", number=1, choice="cam")
    assert until(desk.conversions, id_, "done").earlier is None
    id_ = step(client, desk, "start")
    assert until(desk.conversions, id_, "asking").earlier is None  # it was left open the last time
    step(client, desk, "cancel")


def test_what_stays_in_doubt_is_told(client, desk):
    id_ = step(client, desk, "start")
    until(desk.conversions, id_, "asking")
    step(client, desk, "open", number=1, choice="cam")  # whatever is selected
    view = convert_page.result_view(until(desk.conversions, id_, "done"))
    assert "Still in doubt" in text_of(view) and "No cam angles" in text_of(view)
    assert "/files/customer.map.toml" in links_of(view)
    assert b"camlog.map/1" in client.get("/files/customer.map.toml", headers=HOST).data


@pytest.mark.parametrize(
    ("figure", "answer"),
    [("10", "10"), ("0,5 -64", "0.5 -64"), ("", None), ("  ", None), (None, None), ("1e3", "1e3")],
)
def test_a_figure_is_read_as_it_is_written(figure, answer):
    assert convert_page.answer_of(Question("factor", "x", "?"), None, figure) == answer


@pytest.mark.parametrize("figure", ["ten", "nan", "inf", "1 2 3", "1;2", "<b>"])
def test_what_is_no_figure_is_asked_again(figure):
    with pytest.raises(InputError, match="is no number"):
        convert_page.answer_of(Question("factor", "x", "?"), None, figure)


def test_an_answer_that_is_no_choice_is_none():
    question = Question("unit", "x", "?", (("degC", ""), ("degF", "")), "degC")
    assert (
        convert_page.answer_of(question, "kelvin", "") is None
        and convert_page.answer_of(question, "degF", "") == "degF"
    )
    assert convert_page.answer_of(question, "", "1") is None


def test_a_page_opened_at_a_question_shows_it(desk):
    id_ = desk.conversions.start("customer.csv")
    until(desk.conversions, id_, "asking")
    page = page_for(desk, "/convert/customer.csv")
    assert "Question 1" in text_of(page) and 'data-do="start"' not in page


def test_visiting_pages_changes_nothing(desk):
    before = sorted(os.listdir(desk.folder.root))
    for page in (
        "/recordings",
        "/recording/too-short.csv",
        "/convert/customer.csv",
        "/recording/customer.csv",
    ):
        page_for(desk, page)
    assert sorted(os.listdir(desk.folder.root)) == before and desk.conversions.newest("customer.csv") is None


def test_upload_reads_in_pieces(desk):
    class Counting(io.BytesIO):
        most = 0

        def read(self, size=-1):
            assert size > 0
            Counting.most = max(Counting.most, size)
            return super().read(size)

    desk.folder.receive("big.csv", Counting(b"x" * 3_000_000), 3_000_000)
    assert Counting.most <= 1 << 20
