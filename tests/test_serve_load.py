"""The page under load: a stranger's connections and wrong codes keep neither a phone nor this computer out.

Strangers and the phone are addresses of 127.0.0.0/8 here (RFC 1122, 3.2.1.3: all are this computer), of which
only 127.0.0.1 counts as "this computer" in these tests.
"""

import http.client
import socket
import threading
import time
from contextlib import ExitStack

import pytest

from camlog.serve import guard, listening
from camlog.serve.pairing import Pairing
from tests.serve_help import ask, served
from tests.test_serve_pairing import wrong_code

PHONE = "127.0.7.7"
SLOW_CONNECTIONS = 240
PAIRS_WITHIN_S = 10.0


@pytest.fixture
def others(monkeypatch):
    """Addresses other than 127.0.0.1 are those of other devices."""
    for module in (guard, listening):
        monkeypatch.setattr(module, "is_loopback", lambda peer: peer == "127.0.0.1")


def connect(port, source):
    return socket.create_connection(("127.0.0.1", port), timeout=5, source_address=(source, 0))


def post_code(port, code, source):
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=10, source_address=(source, 0))
    try:
        headers = {
            "Origin": f"http://127.0.0.1:{port}",
            "Content-Type": "application/x-www-form-urlencoded",
        }
        line.request("POST", "/pair", f"code={code.replace(' ', '+')}", headers)
        return line.getresponse().status
    finally:
        line.close()


@pytest.mark.parametrize("devices", [1, SLOW_CONNECTIONS])
def test_while_strangers_hold_connections_and_try_codes_a_phone_pairs_and_this_computer_gets_in(others, devices):
    pairing = Pairing()
    with served("0.0.0.0", pairing) as small, ExitStack() as ending:
        head = f"POST /pair HTTP/1.1\r\nHost: {small.host}\r\nOrigin: http://{small.host}\r\n".encode()
        halves = [b"", b"GET / HT", head, head + b"Content-Length: 500\r\n\r\ncode="]
        for n in range(SLOW_CONNECTIONS):
            line = ending.enter_context(connect(small.port, f"127.0.1.{n % devices + 1}"))
            try:
                line.sendall(halves[n % len(halves)])
            except OSError:
                pass  # it was closed for a newer one, as it should be
        done = threading.Event()
        refused = []

        def flood():
            while not done.is_set():
                try:
                    refused.append(post_code(small.port, wrong_code(pairing), "127.0.2.1"))
                except (OSError, http.client.HTTPException):
                    continue

        threads = [threading.Thread(target=flood) for _ in range(4)]
        ending.callback(lambda: [t.join() for t in threads])
        ending.callback(done.set)
        for thread in threads:
            thread.start()
        began = time.monotonic()
        while len(refused) < 50 and time.monotonic() - began < PAIRS_WITHIN_S:
            time.sleep(0.01)
        began = time.monotonic()
        code = pairing.code
        assert post_code(small.port, code, PHONE) == 303
        assert time.monotonic() - began < PAIRS_WITHIN_S
        assert ask(small.port, "GET", "/live").status == 200
        assert len(refused) >= 50 and set(refused) <= {403, 429}


def test_connections_from_this_computer_that_wait_make_room_for_new_ones(others):
    with served() as small, ExitStack() as ending:
        for _ in range(SLOW_CONNECTIONS):
            ending.enter_context(connect(small.port, "127.0.0.1"))
        assert ask(small.port, "GET", "/live").status == 200


def test_a_strangers_connection_is_closed_before_a_paired_devices(others, monkeypatch):
    monkeypatch.setattr(listening, "GUEST_CONNECTIONS", 4)
    pairing = Pairing()
    with served("0.0.0.0", pairing) as small, ExitStack() as ending:
        token = pairing.try_code(pairing.code, PHONE)
        phone = http.client.HTTPConnection("127.0.0.1", small.port, timeout=5, source_address=(PHONE, 0))
        phone.auto_open = False  # it lives on its first connection alone
        phone.connect()
        ending.callback(phone.close)
        for n in range(20):
            if n % 4 == 0:
                phone.request("GET", "/live", headers={"Cookie": f"camlog-{small.port}={token}"})
                answer = phone.getresponse()
                assert answer.status == 200 and answer.read()
            ending.enter_context(connect(small.port, f"127.0.1.{n + 1}"))


def test_who_reads_an_answer_too_slowly_is_let_go_and_who_reads_in_time_gets_it_whole(monkeypatch):
    monkeypatch.setattr(listening, "ANSWER_S", 1.0)
    with served() as small, ExitStack() as ending:
        asked = f"GET /long HTTP/1.1\r\nHost: {small.host}\r\nConnection: close\r\n\r\n".encode()
        slow = ending.enter_context(connect(small.port, "127.0.0.1"))
        slow.sendall(asked)
        received, began = 0, time.monotonic()
        while time.monotonic() - began < 3.5:
            received += len(slow.recv(1000))  # some 5 kB/s: never idle, and never done
            time.sleep(0.2)
        try:
            while part := slow.recv(65536):  # what had left the server before it closed
                received += len(part)
        except ConnectionResetError:
            pass
        assert received < 400 * 65536
        assert len(ask(small.port, "GET", "/long").body) == 400 * 65536
