"""The page is this computer's own: who may ask, from where, how much, and what an answer gives away.

Where a check follows a publication it stands beside it; "ASVS" is OWASP's Application Security Verification
Standard 4.0.3, from memory. The small application stands for routes of every kind. The whole server is asked
in test_serve_closed.py.
"""

import http.server
import re
import socket
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from camlog.serve import listening
from camlog.serve.guard import BODY_LIMIT_BYTES, HEADERS, PAGE_POLICY, own_names
from camlog.serve.pairing import Pairing
from tests.serve_help import (
    SECRET_PATH,
    UPLOAD_LIMIT,
    ask,
    guarded,
    one_plain_line,
    outside_address,
    raw,
    served,
)

PORT = 8462
EVIL = "http://elsewhere.example"


@pytest.fixture(scope="module")
def door():
    with served() as small:
        yield small


@pytest.fixture(autouse=True)
def nothing_done(request):
    if "door" in request.fixturenames:
        request.getfixturevalue("door").done.clear()


# ---- by which name: RFC 9110 sections 7.2 (Host) and 15.5.20 (421 Misdirected Request); the attack is DNS
# rebinding


@pytest.mark.parametrize("name", ["127.0.0.1", "localhost", "LOCALHOST", "127.3.2.1", "[::1]", "[0:0:0:0:0:0:0:1]"])
def test_this_computer_by_its_own_names(door, name):
    assert ask(door.port, "GET", "/", {"Host": f"{name}:{door.port}"}).status == 200


@pytest.mark.parametrize(
    "host",
    [
        None, "", "elsewhere.example:{port}", "127.0.0.1", "localhost", "127.0.0.1:1", "127.0.0.1:{port}0",
        "127.0.0.1.:{port}",
        "127.0.0.1.elsewhere.example:{port}", "localhost.elsewhere.example:{port}", "localhost.:{port}",
        "192.168.0.2:{port}",
        "user@127.0.0.1:{port}", "127.0.0.1:{port}, elsewhere.example", "127.1:{port}", "2130706433:{port}",
        "0x7f.0.0.1:{port}",
        "0.0.0.0:{port}", "[::]:{port}", "::1:{port}", "[::1:{port}", "[127.0.0.1]:{port}",
        "127.0.0.1:{port}/x", "127.0.0.1:+{port}",
        "127.0.0.1:٨٤٦٢", "lökalhost:{port}", "[::1%25lo]:{port}",
    ],
)  # fmt: skip
def test_no_other_name_is_answered(door, host):
    written = None if host is None else host.format(port=door.port).encode("utf-8").decode("latin-1")
    answer = ask(door.port, "GET", "/", {"Host": written})
    assert answer.status in (400, 421) and one_plain_line(answer)
    assert not door.done


def test_two_host_lines_and_a_proxys_form_are_not_answered(door):
    good = f"Host: 127.0.0.1:{door.port}\r\n"
    for head in (
        f"GET / HTTP/1.1\r\n{good}Host: elsewhere.example\r\n\r\n",
        f"GET / HTTP/1.1\r\nHost: elsewhere.example\r\n{good}\r\n",
        f"GET http://elsewhere.example/ HTTP/1.1\r\n{good}\r\n",  # RFC 9112 section 3.2.2
        f"GET http://127.0.0.1:{door.port}/ HTTP/1.1\r\nHost: elsewhere.example\r\n\r\n",
        f"OPTIONS * HTTP/1.1\r\n{good}\r\n",
        f"CONNECT elsewhere.example:443 HTTP/1.1\r\n{good}\r\n",
        "GET / HTTP/1.0\r\n\r\n",
    ):
        got = raw(door.port, head.replace("\r\n\r\n", "\r\nConnection: close\r\n\r\n").encode())
        assert re.match(rb"HTTP/1\.[01] (400|421) ", got), head
    assert not door.done


def test_with_a_host_address_that_address_counts_too_and_still_no_name():
    small = guarded("192.168.0.2", pairing=Pairing())
    assert all(small.guard.reached_by(h) for h in (f"192.168.0.2:{PORT}", f"localhost:{PORT}", f"127.0.0.1:{PORT}"))
    names = [f"{name}:{PORT}" for name in own_names()]
    assert not any(
        small.guard.reached_by(h) for h in (f"192.168.0.3:{PORT}", "192.168.0.2", f"elsewhere.example:{PORT}", *names)
    )
    six = guarded("fd00::2", pairing=Pairing())
    assert six.guard.reached_by(f"[fd00::2]:{PORT}") and six.guard.reached_by(f"[FD00:0::2]:{PORT}")
    assert not six.guard.reached_by(f"fd00::2:{PORT}") and not six.guard.reached_by(f"[fd00::3]:{PORT}")


def test_for_every_network_numbers_and_this_computers_own_name_count_and_no_other_name(monkeypatch):
    # A name is what rebinding needs: whoever owns it points it here. A number, or a name this network gives
    # us, is not.
    monkeypatch.setattr(socket, "gethostname", lambda: "Bench-Laptop.shop.example")
    for host in ("0.0.0.0", "::"):
        guard = guarded(host, pairing=Pairing()).guard
        for name in (
            "192.168.7.7",
            "[fd00::7]",
            "bench-laptop",
            "BENCH-LAPTOP.local",
            "bench-laptop.shop.example",
            "localhost",
        ):
            assert guard.reached_by(f"{name}:{PORT}"), name
        for name in (
            "elsewhere.example",
            "bench-laptop.elsewhere.example",
            "laptop",
            "local",
            "bench-laptop.local.elsewhere.example",
        ):
            assert not guard.reached_by(f"{name}:{PORT}"), name


def test_at_the_usual_port_the_host_stands_without_it():
    guard = guarded("192.168.0.2", port=80, pairing=Pairing()).guard
    assert (
        guard.reached_by("192.168.0.2") and guard.reached_by("localhost:80") and not guard.reached_by("localhost:8462")
    )


# ---- from which page: RFC 6454 section 7 (Origin), W3C Fetch Metadata Request Headers (Sec-Fetch-*), ASVS
# 4.2.2, 13.2.3


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH"])
def test_what_changes_something_must_come_from_the_page_itself(door, method):
    for origin in (
        None, "", "null", EVIL, "http://127.0.0.1", f"https://127.0.0.1:{door.port}",
        f"http://localhost:{door.port}",
        f"http://127.0.0.1:{door.port}.elsewhere.example", f"http://127.0.0.1:{door.port}/",
        f"{EVIL}, http://127.0.0.1:{door.port}",
        f"http://127.0.0.1:{door.port} {EVIL}", "file://", "*",
    ):  # fmt: skip
        answer = ask(door.port, method, "/do", {"Origin": origin}, body=b"x")
        assert answer.status == 403 and one_plain_line(answer), origin
    assert not door.done
    assert ask(door.port, method, "/do", {"Origin": f"http://{door.host}"}, body=b"x").status == 200
    assert door.done == ["do"]


def test_a_rebound_name_does_not_help_an_origin(door):
    name = f"elsewhere.example:{door.port}"
    assert ask(door.port, "POST", "/do", {"Host": name, "Origin": f"http://{name}"}, body=b"").status == 421
    assert not door.done


@pytest.mark.parametrize("method", ["GET", "HEAD", "OPTIONS"])
def test_reading_by_another_page_is_refused_too(door, method):
    for headers in (
        {"Origin": EVIL}, {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors", "Sec-Fetch-Dest": "image"},
        {"Sec-Fetch-Site": "same-site", "Sec-Fetch-Mode": "cors", "Sec-Fetch-Dest": "empty"},
        {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "iframe"},
        {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "object"},
        {"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "unheard-of"},
    ):  # fmt: skip
        assert ask(door.port, method, "/live", headers).status == 403, headers
    assert not door.done


def test_a_link_to_the_page_may_be_followed_and_a_form_not_sent(door):
    visit = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}
    assert ask(door.port, "GET", "/", visit).status == 200
    assert ask(door.port, "POST", "/do", {**visit, "Origin": EVIL}, body=b"").status == 403
    assert ask(door.port, "POST", "/do", {**visit, "Origin": f"http://{door.host}"}, body=b"").status == 403
    for site in ("none", "same-origin"):
        assert ask(door.port, "GET", "/live", {"Sec-Fetch-Site": site, "Sec-Fetch-Mode": "cors"}).status == 200


def test_no_answer_permits_another_page_to_read_it(door):
    # Fetch Standard, CORS protocol: without these headers a browser keeps an answer from another origin's
    # script.
    asked = {
        "Origin": EVIL,
        "Access-Control-Request-Method": "POST",
        "Access-Control-Request-Private-Network": "true",
    }
    for answer in (
        ask(door.port, "OPTIONS", "/do", asked),
        ask(door.port, "GET", "/open"),
        ask(door.port, "GET", "/live"),
    ):
        assert not [name for name in answer.headers if name.lower().startswith("access-control-")]
    assert ask(door.port, "OPTIONS", "/do", asked).status == 403


# ---- sockets: RFC 6455 section 4.1 (opening handshake), RFC 9110 section 7.8 (Upgrade)


@pytest.mark.parametrize("upgrade", ["websocket", "WebSocket", "h2c", "anything/1"])
def test_no_socket_opens_whoever_asks(door, upgrade):
    handshake = {
        "Connection": "keep-alive, Upgrade", "Upgrade": upgrade, "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==",
    }  # fmt: skip
    for origin in (None, EVIL, f"http://{door.host}"):
        for target in ("/", "/live", "/ask", "/nowhere"):
            answer = ask(door.port, "GET", target, {**handshake, "Origin": origin})
            assert answer.status == 403 and "Upgrade" not in answer.headers
    assert ask(door.port, "GET", "/", {"Connection": "Upgrade"}).status == 403
    assert ask(door.port, "GET", "/", {"Upgrade": upgrade}).status == 403
    assert not door.done


# ---- what every answer carries: W3C CSP Level 3, Fetch (nosniff, Cross-Origin-Resource-Policy), Referrer
# Policy, ASVS 14.4


def test_every_kind_of_answer_carries_the_headers(door):
    own = {"Origin": f"http://{door.host}"}
    answers = {
        "page": ask(door.port, "GET", "/"), "data": ask(door.port, "GET",
        "/live"), "no page": ask(door.port, "GET", "/nothing"),
        "fault": ask(door.port, "GET", "/fails"), "bad input": ask(door.port, "GET", "/wrong"),
        "foreign": ask(door.port, "POST", "/do", {"Origin": EVIL}, body=b""), "name": ask(door.port, "GET",
        "/", {"Host": "x"}),
        "method": ask(door.port, "POST", "/live", own, body=b""), "head": ask(door.port, "HEAD", "/"),
        "options": ask(door.port, "OPTIONS", "/do", own), "large": ask(door.port, "POST", "/read",
        {**own, "Content-Length": "9" * 9}),
        "much head": ask(door.port, "GET", "/", {"X": "x" * 100_000}), "result": ask(door.port, "GET",
        "/result"),
        "no method": ask(door.port, "BREW", "/", own), "own banner": ask(door.port, "GET", "/open"),
        "no length": ask(door.port, "POST", "/read", {**own, "Content-Length": "many"}, body=b"x"),
    }  # fmt: skip
    for kind, answer in answers.items():
        for name, value in HEADERS.items():
            assert answer.headers.get(name) == value, (kind, name)
        assert answer.headers["Cache-Control"] == "no-store", kind
        assert "Server" not in answer.headers and "Via" not in answer.headers, kind
        if kind != "result":
            assert "default-src 'none'" in answer.headers["Content-Security-Policy"], kind
    for kind in (
        "no page",
        "fault",
        "bad input",
        "foreign",
        "name",
        "method",
        "large",
        "much head",
        "no method",
        "no length",
    ):
        assert answers[kind].status >= 400 and one_plain_line(answers[kind]), (kind, answers[kind].body)
    assert answers["result"].headers["Content-Security-Policy"] == "sandbox"


def test_an_error_is_one_line_of_text_without_a_path_of_this_computer(door):
    # ASVS 7.4.1: a generic message; 14.3.2: no debugging output.
    fault, wrong = ask(door.port, "GET", "/fails"), ask(door.port, "GET", "/wrong")
    assert fault.status == 500 and SECRET_PATH not in fault.body and "Errno" not in fault.body
    assert wrong.status == 400 and wrong.body == "secret.csv, line 3: is <b>no trace</b>. Choose another.\n"
    assert (
        wrong.headers["Content-Type"].startswith("text/plain") and wrong.headers["X-Content-Type-Options"] == "nosniff"
    )
    assert ask(door.port, "GET", "/<script>alert(1)</script>").body == "There is no such page.\n"


def test_the_policy_names_no_place_but_this_server():
    policy = dict(part.strip().split(" ", 1) for part in PAGE_POLICY.split(";"))
    assert (
        policy["default-src"] == "'none'" and policy["frame-ancestors"] == "'none'" and policy["base-uri"] == "'none'"
    )
    assert "unsafe" not in policy["script-src"] and "object-src" not in policy
    allowed = {"'none'", "'self'", "'unsafe-inline'", "data:", "blob:"}
    assert {source for sources in policy.values() for source in sources.split()} <= allowed


# ---- how much: RFC 9110 section 15.5.14 (413), RFC 9112 section 6 (framing), ASVS 12.1.1, 13.1


@pytest.mark.parametrize("route, limit", [("/read", BODY_LIMIT_BYTES), ("/upload", UPLOAD_LIMIT)])
def test_a_body_has_a_limit_and_one_too_large_is_refused_before_it_is_sent(door, route, limit):
    own = {"Origin": f"http://{door.host}"}
    assert ask(door.port, "POST", route, own, body=b"x" * limit).status == 200
    for announced in (limit + 1, 10**12):
        answer = ask(door.port, "POST", route, {**own, "Content-Length": str(announced)})  # nothing follows
        assert answer.status == 413 and one_plain_line(answer)
    assert door.done == [f"{route[1:]} {limit}"]


@pytest.mark.parametrize(
    "route, limit", [("/read", BODY_LIMIT_BYTES), ("/upload", UPLOAD_LIMIT), ("//read", BODY_LIMIT_BYTES)]
)
def test_a_body_in_chunks_without_a_length_has_the_same_limit(door, route, limit):
    head = (
        f"POST {route} HTTP/1.1\r\nHost: {door.host}\r\nOrigin: http://{door.host}\r\n"
        "Transfer-Encoding: chunked\r\n"
        "Connection: close\r\n\r\n"
    )
    part = b"10000\r\n" + b"x" * 0x10000 + b"\r\n"
    fits = raw(door.port, head.encode() + part * (limit // 0x10000) + b"0\r\n\r\n")
    assert fits.startswith(b"HTTP/1.1 200")
    door.done.clear()
    endless = raw(door.port, head.encode() + part * (limit // 0x10000 + 2))  # and no last chunk
    assert endless.startswith(b"HTTP/1.1 413") and not door.done


def test_what_will_be_refused_is_refused_before_its_body(door):
    for headers in ({"Origin": EVIL}, {}, {"Origin": f"http://{door.host}", "Host": "elsewhere.example"}):
        for more in (
            {"Content-Length": "1000"},
            {"Transfer-Encoding": "chunked"},
            {"Content-Length": "9", "Expect": "100-continue"},
        ):
            answer = ask(door.port, "POST", "/upload", {**headers, **more})
            assert answer.status in (403, 421) and one_plain_line(answer)
    assert not door.done


def test_a_device_that_is_not_paired_may_send_no_body_but_a_code():
    address = outside_address()
    if address is None:
        small = guarded("192.168.0.2", pairing=Pairing())
        answer = small.app.test_client().post(
            "/upload", data=b"x", environ_base={"REMOTE_ADDR": "192.168.0.9"},
            headers={"Host": f"192.168.0.2:{PORT}", "Origin": f"http://192.168.0.2:{PORT}"},
        )  # fmt: skip
        assert answer.status_code == 401 and not small.done
        return
    with served(address, Pairing()) as small:
        own = {"Origin": f"http://{address}:{small.port}"}
        assert ask(small.port, "POST", "/upload", {**own, "Content-Length": "1000"}, to=address).status == 401
        assert ask(small.port, "POST", "/pair", {**own, "Content-Length": "5000"}, to=address).status == 413
        assert not small.done


def test_a_length_given_twice_or_two_ways_smuggles_no_second_request(door):
    # RFC 9112 section 6.3 and 11.2 (request smuggling).
    hidden = f"GET /live HTTP/1.1\r\nHost: {door.host}\r\n\r\n"
    head = f"POST /read HTTP/1.1\r\nHost: {door.host}\r\nOrigin: http://{door.host}\r\n"
    for lengths in (
        f"Content-Length: 3\r\nContent-Length: {len(hidden)}\r\n", "Content-Length: 3, 3\r\n",
        "Content-Length: +3\r\n",
        "Transfer-Encoding: identity\r\n", "Transfer-Encoding: chunked, identity\r\n",
        "Transfer-Encoding : chunked\r\n",
    ):  # fmt: skip
        got = raw(door.port, (head + lengths + "\r\n" + "abc" + hidden).encode(), wait_s=1.0)
        assert re.match(rb"HTTP/1\.[01] (400|501) ", got), lengths
    assert "live" not in door.done


def test_half_a_request_is_given_up_and_ties_up_nobody(monkeypatch):
    monkeypatch.setattr(listening, "REQUEST_S", 1.5)
    with served() as small:
        head = f"POST /read HTTP/1.1\r\nHost: {small.host}\r\nOrigin: http://{small.host}\r\n"
        halves = [b"", b"GET / HT", head.encode(), f"{head}Content-Length: 500\r\n\r\nabc".encode()]
        lines = []
        for half in halves * 12:
            line = socket.create_connection(("127.0.0.1", small.port), timeout=5)
            line.sendall(half)
            lines.append((half, line))
        began = time.monotonic()
        with ThreadPoolExecutor(8) as many:
            answers = list(many.map(lambda _: ask(small.port, "GET", "/").status, range(40)))
        assert answers == [200] * 40 and time.monotonic() - began < 3.0
        trickling = lines[1][1]
        ended = time.monotonic() + 6.0
        try:
            while time.monotonic() < ended:
                trickling.sendall(b"x")  # a byte now and then does not keep it (slow request headers)
                time.sleep(0.2)
            pytest.fail("a request that never ends was kept")
        except OSError:
            pass
        for half, line in lines:
            if half and line is not trickling:
                try:
                    assert line.recv(1) == b""
                except ConnectionResetError:
                    pass
            line.close()
        assert set(small.done) == {"home"}


def test_who_does_not_read_the_answer_is_let_go(monkeypatch):
    monkeypatch.setattr(listening, "IDLE_S", 1)
    monkeypatch.setattr(listening, "THREADS", 2)
    with served() as small:
        lines = []
        for _ in range(2):
            line = socket.create_connection(("127.0.0.1", small.port), timeout=5)
            line.sendall(f"GET /long HTTP/1.1\r\nHost: {small.host}\r\n\r\n".encode())
            lines.append(line)
        assert ask(small.port, "GET", "/").status == 200  # though both threads were waiting for a reader
        for line in lines:
            line.close()


def test_another_device_cannot_take_all_connections(monkeypatch):
    address = outside_address()
    if address is None:
        pytest.skip("this computer is in no network")
    monkeypatch.setattr(listening, "CONNECTIONS_PER_GUEST", 5)
    with served(address, Pairing()) as small:
        lines = [socket.create_connection((address, small.port), timeout=5) for _ in range(30)]
        time.sleep(0.3)
        closed = 0
        for line in lines:
            line.setblocking(False)
            try:
                closed += line.recv(1) == b""
            except BlockingIOError:
                pass
        assert closed == 25
        assert ask(small.port, "GET", "/").status == 200
        for line in lines:
            line.close()


@pytest.mark.parametrize(
    "target",
    ["/../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/a/%2e%2e%2fetc/passwd", "/..%5c..%5cwindows",
    "/live%00.csv", "/live%0d%0aX:%20y",
     "/%2e/live", "/live%7f"],
)  # fmt: skip
def test_a_path_that_climbs_or_hides_is_refused_before_any_route(door, target):
    # CWE-22, CWE-158; RFC 3986 section 5.2.4: dot segments are removed by who sends, before they come here.
    answer = ask(door.port, "GET", target)
    assert answer.status == 400 and one_plain_line(answer) and not door.done


# ---- the attacks, by a real browser from another origin


ATTACK = """<!DOCTYPE html><title>elsewhere</title><body><script>
const at = "TARGET", said = {};
const tried = (name, promise) => promise.then(v => said[name] = v, e => said[name] = "failed");
window.attack = async () => {
  await tried("read", fetch(at + "/live").then(r => r.text()));
  await tried("blind read", fetch(at + "/live", {mode: "no-cors"}).then(r => r.type));
  await tried("post", fetch(at + "/do", {method: "POST", mode: "no-cors", body: "x"}).then(r => r.type));
  const json = {method: "POST", headers: {"Content-Type": "application/json"}, body: "{}"};
  await tried("json", fetch(at + "/do", json).then(r => r.text()));
  await tried("delete", fetch(at + "/do", {method: "DELETE"}).then(r => r.text()));
  await tried("beacon", Promise.resolve(navigator.sendBeacon(at + "/do", "x")));
  const socket = new WebSocket(at.replace("http", "ws") + "/live");
  await tried("socket", new Promise((yes, no) => {
    socket.onopen = () => yes("open");
    socket.onerror = no;
  }));
  const add = (tag, set) => new Promise(done => {
    const e = Object.assign(document.createElement(tag), set);
    e.onload = () => done("loaded");
    e.onerror = () => done("failed");
    document.body.append(e);
  });
  said.image = await add("img", {src: at + "/live"});
  said.script = await add("script", {src: at + "/live"});
  await add("iframe", {src: at + "/", name: "inner"});
  const form = document.createElement("form");
  Object.assign(form, {method: "post", action: at + "/do", target: "inner"});
  document.body.append(form); form.submit();
  await new Promise(r => setTimeout(r, 400));
  return said;
};
</script>"""


def test_a_page_from_elsewhere_open_in_the_same_browser_gets_nothing_done(door):
    from tests.browser_help import browser

    class Elsewhere(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(ATTACK.replace("TARGET", f"http://127.0.0.1:{door.port}").encode())

        def log_message(self, *_):
            pass

    evil = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Elsewhere)
    threading.Thread(target=evil.serve_forever, daemon=True).start()
    try:
        with browser() as running:
            for name in (
                "127.0.0.1",
                "localhost",
            ):  # the first is the same site at another port, the second another site
                page = running.new_page()
                page.goto(f"http://{name}:{evil.server_port}/")
                said = page.evaluate("attack()")
                inner = [f.content() for f in page.frames if f is not page.main_frame]
                assert said["read"] == said["json"] == said["delete"] == said["socket"] == said["image"] == "failed", (
                    said
                )
                assert not door.done, (name, said)
                assert not any("<h1>home</h1>" in text for text in inner)
                page.close()
            page = running.new_page()  # the page itself may
            page.goto(f"http://127.0.0.1:{door.port}/")
            assert page.evaluate("fetch('/do', {method: 'POST', body: 'x'}).then(r => r.text())") == "done"
            assert door.done == ["home", "do"]
    finally:
        evil.shutdown()
