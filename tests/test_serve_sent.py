"""Whatever is sent to the page's addresses in place of what its script sends: an answer or 400, never a fault.

400 for what the client sent wrongly, 500 for a fault of the server: RFC 9110, 15.5.1 and 15.6.1.
"""

import random
import shutil
from pathlib import Path

import pytest

from camlog.serve.app import PAGES, make_app
from camlog.serve.desk import Desk
from camlog.serve.guard import Guard, protect
from camlog.serve.pairing import Pairing

ROOT = Path(__file__).resolve().parent.parent
JUNK = ["", "x", "0", "-1", "1" * 400, "0.5", "nan", "inf", "1e400", "²", "../x", "\x00", "\ud800", "x" * 5000, "[]", "{", "null",
        '{"state": 1}', "[" * 2000, "healthy.csv"]  # fmt: skip
HEADERS = {"Host": "127.0.0.1:8462", "Origin": "http://127.0.0.1:8462"}
FIELDS = {
    "": ["port", "other-port", "vehicle", "vin", "name", "note"],
    "recordings": ["search", "condition", "kind", "car"],
    "trend": [],
    "recording": [
        "recording-vehicle",
        "recording-other",
        "recording-other-search",
        "recording-job",
        "recording-outside",
    ],
    "replay": ["player", "go-to", "speed"],
    "convert": ["choice", "figure", "number"],
    "jobs": [
        "found",
        "who",
        "before",
        "vehicle",
        "after",
        "done",
        "row.0.value",
        "part.0.part",
        "job-new-name",
        "job-new-mileage",
    ],
}
BUTTONS = {
    "": ["disconnect", "only", "only-kept", "mark:x", "mark-note", "stop", "start", "look-ports", "nothing"],
    "recordings": ["nothing"],
    "trend": ["nothing"],
    "recording": ["comparison", "report:cancel", "nothing"],
    "replay": ["play", "back", "on", "go-to", "seek:", "seek:x", "jump:-1", "jump:nan", "speed", "nothing"],
    "convert": ["answer", "open", "cancel", "nothing"],
    "jobs": [
        "found",
        "check:oil_level:9",
        "check",
        "repair:x",
        "tick:-1",
        "tick:²",
        "arrived:0:0",
        "save",
        "take",
        "nothing",
    ],
}


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sent")
    for name in ("healthy.csv", "healthy.drive.json"):
        shutil.copy(ROOT / "sample_logs" / name, folder / name)
    desk = Desk(folder)
    app = make_app(desk)
    protect(app, Guard("127.0.0.1", 8462))
    yield app.test_client(), desk
    desk.close()


def test_no_value_is_a_fault_of_the_server(page):
    client, desk = page
    assert FIELDS.keys() == BUTTONS.keys() == PAGES.keys()
    random.seed(8462)
    for name, buttons in BUTTONS.items():
        for button in ["", *buttons]:
            right = {
                "page": name,
                "about": "healthy.csv" if name not in ("", "recordings") else "",
                "button": button,
                "seen": "{}",
            }
            right |= dict.fromkeys(FIELDS[name], "") | (
                {"player": desk.players.open("healthy.csv").id} if name == "replay" else {}
            )
            assert client.post("/ask", data=right, headers=HEADERS).status_code == 200, right
            for field in right:
                for junk in random.sample(JUNK, 3):
                    if field == "button" or (name == "" and button in ("start", "mark:x")):
                        continue
                    answer = client.post(
                        "/ask", data=right | {field: junk.encode("utf-8", "surrogatepass")}, headers=HEADERS
                    )
                    assert answer.status_code in (200, 400), (name, button, field, junk)
                    if answer.status_code == 400:
                        assert answer.text.count("\n") == 1


@pytest.mark.parametrize("text", ["", "{", "null", "page=none", "page=&seen=3", "page=&seen=[", "\ufeffpage="])
def test_what_is_no_request_of_the_page_is_400(page, text):
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    assert page[0].post("/ask", data=text, headers=HEADERS | form).status_code == 400


@pytest.mark.parametrize("junk", ["", "x", "-1", "²", "१", "9" * 6000, "1e9", "nan", "%00", "[]"])
def test_no_query_is_a_fault_of_the_server(page, junk):
    client, desk = page
    player = desk.players.open("healthy.csv").id
    for place in ("/live", f"/live/{player}"):
        for name in ("cursor", "id"):
            assert client.get(f"{place}?id={player}&{name}={junk}", headers=HEADERS).status_code == 200
    assert client.get(f"/replay/healthy.csv?at={junk}", headers=HEADERS).status_code == 200
    assert client.post(f"/upload?name={junk}", data=b"x", headers=HEADERS).status_code == 400


def test_only_this_computer_makes_a_new_pairing_code(tmp_path):
    pairing = Pairing()
    desk = Desk(tmp_path)
    app = make_app(desk)
    protect(app, Guard("0.0.0.0", 8462, pairing))
    client = app.test_client(use_cookies=False)
    phone = {**HEADERS, "Cookie": f"camlog-8462={pairing.try_code(pairing.code, '192.168.0.20')}"}
    code = pairing.code
    for peer, headers, renewed in (("192.168.0.20", phone, False), ("127.0.0.1", HEADERS, True)):
        client.environ_base["REMOTE_ADDR"] = peer
        answer = client.post("/ask", data={"page": "", "button": "new-code"}, headers=headers)
        assert answer.status_code == 200
        assert (pairing.code != code) is renewed
        assert (pairing.code in answer.text) is renewed
    desk.close()
