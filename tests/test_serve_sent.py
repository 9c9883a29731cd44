"""Whatever is sent to the page's addresses in place of what its script sends: an answer or 400, never a fault.

400 for what the client sent wrongly, 500 for a fault of the server: RFC 9110, 15.5.1 and 15.6.1.
"""

import copy
import json
import random
import shutil
from pathlib import Path

import pytest

from camlog.serve.app import make_app
from camlog.serve.desk import Desk
from camlog.serve.guard import Guard, protect
from camlog.serve.pairing import Pairing
from camlog.serve.sent import CALLBACK_ROUTE

ROOT = Path(__file__).resolve().parent.parent
JUNK = [
    None, True, False, 0, -1, 10**30, 0.5, float("nan"), float("inf"), "", "x", "²", "1e400", "../x", "\x00", "\ud800",
    "x" * 5000, [], [None], [[]], ["x", "x"], {}, {"a": 1}, {"id": "x", "property": "value"}, [{"id": {}}],
]  # fmt: skip
HEADERS = {"Host": "127.0.0.1:8462", "Origin": "http://127.0.0.1:8462", "Content-Type": "application/json"}


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sent")
    for name in ("healthy.csv", "healthy.drive.json"):
        shutil.copy(ROOT / "sample_logs" / name, folder / name)
    desk = Desk(folder)
    app = make_app(desk)
    protect(app.server, Guard("127.0.0.1", 8462))
    app.server.test_client().get("/_dash-dependencies", headers=HEADERS)  # what was registered is ready from here on
    yield app, desk
    desk.close()


def sent_text(app, text):
    return app.server.test_client().post(CALLBACK_ROUTE, data=text, headers=HEADERS)


def sent(app, body):
    return sent_text(app, json.dumps(body))


def right(app, player):
    """A body for each callback as the page's script sends it (a recorded one, with its values left empty)."""
    values = {
        "recording-name.data": "healthy.csv", "convert-name.data": "healthy.csv", "job-name.data": "car.job.json", "speed.value": "2",
        "convert-number.data": 0, "player.data": player, "place.pathname": "/recordings", "replay-look.n_intervals": 1,
    }  # fmt: skip

    def given(place):
        id_, property_ = place["id"], place["property"]
        if id_.startswith("{"):
            return [{"id": dict.fromkeys(json.loads(id_), 0), "property": property_, "value": 1 if property_ == "n_clicks" else "1"}]
        return {"id": id_, "property": property_, "value": values.get(f"{id_}.{property_}")}

    for output, callback in app.callback_map.items():
        if "callback" not in callback:
            continue  # it runs in the page
        names = output[2:-2].split("...") if output.startswith("..") else [output]
        outputs = [dict(zip(("id", "property"), n.split("@")[0].rsplit(".", 1), strict=True)) for n in names if "." in n]
        yield {
            "output": output,
            "outputs": outputs if output.startswith("..") or not outputs else outputs[0],
            "inputs": [given(p) for p in callback["inputs"]],
            "state": [given(p) for p in callback["state"]],
            "changedPropIds": [],
        }


def everywhere(part, path=()):
    """Every place in a body, as the keys that lead there."""
    yield path
    for key, inner in part.items() if isinstance(part, dict) else enumerate(part) if isinstance(part, list) else ():
        yield from everywhere(inner, (*path, key))


def with_at(body, path, value):
    made = copy.deepcopy(body)
    if not path:
        return value
    inner = made
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    return made


def test_no_value_of_another_kind_is_a_fault_of_the_server(page):
    app, desk = page
    # Nothing is begun, though junk may press every button: what a button does is tested where it belongs.
    bodies = list(right(app, desk.players.open("healthy.csv").id))
    assert len(bodies) > 12
    random.seed(8462)
    for body in bodies:
        assert sent(app, body).status_code in (200, 204), body["output"]
        for path in everywhere(body):
            for junk in random.sample(JUNK, 3):
                answer = sent(app, with_at(body, path, junk))
                assert answer.status_code in (200, 204, 400), (body["output"], path, junk)
                if answer.status_code == 400:
                    assert answer.text.count("\n") == 1


@pytest.mark.parametrize("text", ["", "{", "null", "[]", "3", '"x"', "[" * 2000, '{"output": NaN}', "\ufeff{}"])
def test_what_is_no_request_of_the_page_is_400(page, text):
    assert sent_text(page[0], text).status_code == 400


def test_a_value_of_the_wrong_kind_is_400_and_says_what_to_do(page):
    app, desk = page
    (body,) = (b for b in right(app, desk.players.open("healthy.csv").id) if b["output"] == "page.children")
    for junk in (3, ["/"], {"a": "/"}, True):
        body["inputs"][0]["value"] = junk
        answer = sent(app, body)
        assert answer.status_code == 400 and "Load it again" in answer.text


@pytest.mark.parametrize("junk", ["", "x", "-1", "²", "१", "9" * 6000, "1e9", "nan", "%00", "[]"])
def test_no_query_is_a_fault_of_the_server(page, junk):
    app, desk = page
    player = desk.players.open("healthy.csv").id
    client = app.server.test_client()
    for place in ("/live", f"/live/{player}"):
        for name in ("cursor", "span", "id"):
            assert client.get(f"{place}?id={player}&{name}={junk}", headers=HEADERS).status_code == 200
    assert client.post(f"/upload?name={junk}", data=b"x", headers=HEADERS).status_code == 400


def test_only_this_computer_makes_a_new_pairing_code(tmp_path):
    pairing = Pairing()
    desk = Desk(tmp_path)
    app = make_app(desk)
    protect(app.server, Guard("0.0.0.0", 8462, pairing))
    client = app.server.test_client(use_cookies=False)
    client.get("/_dash-dependencies", headers=HEADERS)
    (body,) = (b for b in right(app, None) if b["output"] == "pairing.children")
    body["inputs"][1]["value"], body["changedPropIds"] = 1, ["new-code.n_clicks"]
    phone = {**HEADERS, "Cookie": f"camlog-8462={pairing.try_code(pairing.code, '192.168.0.20')}"}
    code = pairing.code
    for peer, headers, renewed in (("192.168.0.20", phone, False), ("127.0.0.1", HEADERS, True)):
        client.environ_base["REMOTE_ADDR"] = peer
        answer = client.post(CALLBACK_ROUTE, json=body, headers=headers)
        assert answer.status_code in (200, 204)
        assert (pairing.code != code) is renewed
        assert (pairing.code in answer.text) is renewed
    desk.close()
