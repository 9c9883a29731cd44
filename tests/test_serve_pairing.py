"""Pairing another device: the code works once, guessing gets nowhere, the session is the device's alone."""

import hmac
import re
import threading

import pytest

from camlog.serve import pairing as pairing_module
from camlog.serve.pairing import (
    LONGEST_WAIT_S,
    MEMORY_S,
    MOST_VIEWERS,
    SESSION_S,
    Pairing,
)
from tests.serve_help import Clock, ask, guarded, outside_address, served

PHONE = "192.168.0.20"
OTHER = "192.168.0.21"


def wrong_code(pairing):
    return f"{(int(pairing.code.replace(' ', '') or 0) + 1) % 10**8:08d}"


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def told():
    return []


@pytest.fixture
def pairing(clock, told):
    return Pairing(clock=clock, on_new_code=lambda code, why: told.append((code, why)))


def test_the_code_is_eight_digits_in_two_groups_and_each_server_has_its_own(pairing):
    assert re.fullmatch(r"\d{4} \d{4}", pairing.code)
    assert len({Pairing().code for _ in range(50)}) == 50  # of 10^8: a repeat has odds of one in 80,000


# OWASP ASVS 4.0.3, 2.7.3 and 2.7.6 (from memory): an out-of-band code is used once, and has enough random
# digits.
@pytest.mark.parametrize("written", ["{}", " {} ", "{0[0]}-{0[1]}", "{0[0]}{0[1]}"])
def test_a_code_lets_one_device_in_however_it_is_grouped_and_then_there_is_another(pairing, told, written):
    code = pairing.code
    token = pairing.try_code(written.format(code.split() if "[" in written else code), PHONE)
    assert token and pairing.knows(token) and pairing.viewers == 1
    assert pairing.code != code and told == [(pairing.code, "used")]
    assert pairing.try_code(code, OTHER) is None
    assert pairing.viewers == 1


def test_two_devices_with_one_code_at_the_same_moment_are_one_device():
    for _ in range(20):
        pairing = Pairing()
        code, got, start = pairing.code, [], threading.Barrier(4)

        def enter(n, pairing=pairing, code=code, got=got, start=start):
            start.wait()
            got.append(pairing.try_code(code, f"192.168.0.{n}"))

        threads = [threading.Thread(target=enter, args=(n,)) for n in range(4)]
        [t.start() for t in threads]
        [t.join() for t in threads]
        assert sum(token is not None for token in got) == 1


@pytest.mark.parametrize(
    "junk", ["", " ", "0", "12345678901234567890" * 1000, "١٢٣٤٥٦٧٨", "\ud800", "1234567\x00", "None"]
)
def test_what_is_no_code_is_a_wrong_code(pairing, junk):
    assert pairing.try_code(junk, PHONE) is None
    assert pairing.wait_s(PHONE) > 0


def test_the_code_is_compared_in_constant_time(pairing, monkeypatch):
    # Timing: python documentation of hmac.compare_digest. A comparison of another kind would not be seen
    # here.
    seen = []

    class Watched:
        @staticmethod
        def compare_digest(a, b):
            seen.append((a, b))
            return hmac.compare_digest(a, b)

    monkeypatch.setattr(pairing_module, "hmac", Watched)
    code = pairing.code.replace(" ", "").encode()
    tried = wrong_code(pairing)
    pairing.try_code(tried, PHONE)
    assert seen == [(tried.encode(), code)]


def test_after_a_wrong_code_an_address_waits_longer_each_time_and_the_right_one_is_not_looked_at(pairing, clock):
    waits = []
    for _ in range(4):
        assert pairing.try_code(wrong_code(pairing), PHONE) is None
        waits.append(pairing.wait_s(PHONE))
        clock.now += waits[-1] - 0.1
        assert pairing.try_code(pairing.code, PHONE) is None  # still too early
        assert pairing.wait_s(PHONE) == pytest.approx(0.1)  # and no longer for having tried
        clock.now += 0.2
    assert waits == [2.0, 4.0, 8.0, 16.0]
    assert pairing.wait_s(OTHER) == 0.0
    assert pairing.try_code(pairing.code, PHONE)
    assert pairing.wait_s(PHONE) == 0.0


def test_a_strangers_wrong_codes_keep_nobody_else_out_and_leave_time_to_type_the_code(pairing, clock, told):
    code = pairing.code
    for second in range(600):  # ten minutes of guessing from 200 addresses, as often as each may
        for n in range(200):
            pairing.try_code(wrong_code(pairing), f"192.168.1.{n}")
        clock.now += 1.0
        assert pairing.code == code and pairing.wait_s(PHONE) == 0.0, second
    assert pairing.try_code(code, PHONE) and told == [(pairing.code, "used")]


def test_one_device_gets_few_tries_an_hour(pairing, clock):
    # OWASP ASVS 4.0.3, 2.2.1 (from memory): no more than 100 failed attempts an hour.
    tries = []
    while clock.now < 1000 + 3 * MEMORY_S:
        if pairing.wait_s(OTHER) == 0:
            pairing.try_code(wrong_code(pairing), OTHER)
            tries.append(clock.now)
        clock.now += 1.0
    assert 5 < max(sum(t <= u < t + 3600 for u in tries) for t in tries) <= 30


def test_a_code_guessed_at_from_ever_new_addresses_is_withdrawn_until_this_computer_makes_another(pairing, told):
    # NIST SP 800-63B, 5.1.1.2 and 5.2.2 (from memory): 100 tries of 6 random digits, odds of 1 in 10,000.
    tries, withdrawn = 0, ""
    for n in range(30_000):
        withdrawn = pairing.code
        pairing.try_code(wrong_code(pairing), f"10.{n >> 16}.{n >> 8 & 255}.{n & 255}")
        tries += 1
        if not pairing.code:
            break
    assert tries / 10**8 <= 100 / 10**6
    assert told == [("", "guessed at")]
    assert pairing.try_code(withdrawn, PHONE) is None and pairing.try_code("", PHONE) is None
    pairing.renew()
    assert pairing.code not in ("", withdrawn) and told[1:] == [(pairing.code, "asked for")]
    assert pairing.try_code(pairing.code, PHONE)


def test_a_new_code_made_on_this_computer_ends_a_devices_wait(pairing):
    old = pairing.code
    pairing.try_code(wrong_code(pairing), PHONE)
    assert pairing.wait_s(PHONE) > 0
    pairing.renew()
    assert pairing.wait_s(PHONE) == 0 and pairing.code != old
    assert pairing.try_code(pairing.code, PHONE)


def test_one_ipv6_device_has_one_network_however_many_addresses_it_takes(pairing):
    # RFC 4291 section 2.5.4: the interface identifier is 64 bits, the device's own choice.
    assert pairing.try_code(wrong_code(pairing), "fd00:1:2:3::1") is None
    assert pairing.wait_s("fd00:1:2:3:aaaa::9") > 0
    assert pairing.wait_s("fd00:1:2:4::1") == 0


def test_one_address_alone_waits_no_longer_than_a_quarter_of_an_hour_and_is_forgiven_after_one(pairing, clock):
    for _ in range(12):
        clock.now += pairing.wait_s(PHONE)
        pairing.try_code(wrong_code(pairing), PHONE)
    assert pairing.wait_s(PHONE) <= LONGEST_WAIT_S
    clock.now += MEMORY_S
    assert pairing.wait_s(PHONE) == 0


def test_what_is_remembered_of_wrong_tries_is_bounded(pairing):
    for n in range(3000):
        pairing.try_code("1", f"10.0.{n >> 8}.{n & 255}")
    assert len(pairing._wrong_from) <= 1000


def test_a_session_ends_after_a_working_day(pairing, clock):
    token = pairing.try_code(pairing.code, PHONE)
    clock.now += SESSION_S - 1
    assert pairing.knows(token)
    clock.now += 2
    assert not pairing.knows(token) and pairing.viewers == 0


def test_only_so_many_viewers_and_the_one_not_seen_for_the_longest_makes_room(pairing):
    tokens = [pairing.try_code(pairing.code, PHONE) for _ in range(MOST_VIEWERS)]
    assert pairing.viewers == MOST_VIEWERS
    assert pairing.knows(tokens[0])
    tokens.append(pairing.try_code(pairing.code, PHONE))
    assert pairing.viewers == MOST_VIEWERS
    assert [pairing.knows(t) for t in tokens] == [True, False] + [True] * (MOST_VIEWERS - 1)


def test_a_token_is_256_random_bits_and_is_not_kept_itself(pairing):
    # OWASP ASVS 4.0.3, 3.2.2 (from memory) asks for 64 bits at least.
    tokens = {pairing.try_code(pairing.code, PHONE) for _ in range(10)}
    assert len(tokens) == 10 and all(len(t) == 43 for t in tokens)  # 43 characters of base64: 256 bits
    kept = repr(vars(pairing))
    assert not any(token in kept for token in tokens)


@pytest.mark.parametrize("token", [None, "", "x", "x" * 100_000, "\ud800"])
def test_an_invented_token_is_unknown(pairing, token):
    pairing.try_code(pairing.code, PHONE)
    assert not pairing.knows(token)


# ---- at the door


def phone_client(small, peer=PHONE):
    client = small.app.test_client()
    client.environ_base.update(REMOTE_ADDR=peer)
    base = {"Host": f"192.168.0.2:{small.port}", "Accept": "text/html"}
    return client, base, {**base, "Origin": f"http://192.168.0.2:{small.port}"}


def test_a_device_that_is_not_paired_sees_the_pairing_page_and_nothing_else(pairing):
    small = guarded("192.168.0.2", pairing=pairing)
    client, headers, posting = phone_client(small)
    page = client.get("/", headers=headers)
    assert page.status_code == 401 and "Pair this device" in page.text and page.headers["WWW-Authenticate"]
    assert "<script" not in page.text and not re.search(r"(?:src|href)=\"(?!data:)", page.text)
    assert client.get("/pair", headers=headers).status_code == 200
    for target in (
        "/live",
        "/result",
        "/ask",
        "/assets/page.css",
        "/pairs",
        "/pair/x",
        "/%70air/../live",
    ):
        answer = client.get(target, headers={**headers, "Accept": "*/*"})
        assert answer.status_code == (400 if ".." in target else 401), target
        assert answer.text.count("\n") == 1
    for route in ("/do", "/upload"):
        assert client.post(route, headers=posting).status_code == 401
    assert not small.done


def test_pairing_gives_a_cookie_that_scripts_and_other_sites_do_not_get_and_that_opens_the_page(pairing):
    small = guarded("192.168.0.2", port=9000, pairing=pairing)
    client, headers, posting = phone_client(small)
    answer = client.post("/pair", data={"code": pairing.code}, headers=posting)
    assert answer.status_code == 303 and answer.headers["Location"] == "/"
    (cookie,) = answer.headers.getlist("Set-Cookie")
    name, flags = cookie.split("=")[0], {part.strip() for part in cookie.split(";")[1:]}
    # RFC 6265 section 8.5: cookies do not tell ports apart; 4.1.2.6 HttpOnly; its revision (rfc6265bis)
    # SameSite.
    assert name == "camlog-9000" and {"HttpOnly", "SameSite=Strict", "Path=/", "Max-Age=43200"} <= flags
    assert not any(flag.startswith("Domain") for flag in flags)
    assert client.get("/live", headers=headers).status_code == 200
    assert client.post("/do", headers=posting).status_code == 200
    assert client.get("/pair", headers=headers).status_code == 303
    # The cookie alone does not make another site's request good.
    assert client.post("/do", headers={**headers, "Origin": "http://elsewhere.example"}).status_code == 403
    assert client.post("/do", headers=headers).status_code == 403
    assert small.done == ["live", "do"]


def test_a_forged_or_a_neighbouring_cookie_opens_nothing(pairing):
    small = guarded("192.168.0.2", pairing=pairing)
    _, headers, _ = phone_client(small)
    client = small.app.test_client(use_cookies=False)
    client.environ_base.update(REMOTE_ADDR=PHONE)
    token = pairing.try_code(pairing.code, PHONE)
    for cookie, status in (
        (f"camlog-8462={token}", 200),
        (f"other=a b; {{}}=1; camlog-8462={token}", 200),  # whatever else lies in the same jar
        (f"camlog-8463={token}", 401),
        (f"camlog-8462={token}x", 401),
        (f"camlog-8462={token[:-1]}", 401),
        ("camlog-8462=", 401),
        ("camlog-8462=None", 401),
    ):
        answer = client.get("/live", headers={**headers, "Cookie": cookie, "Accept": "*/*"})
        assert answer.status_code == status, cookie


def test_wrong_codes_at_the_door_are_answered_with_a_wait(pairing, clock):
    small = guarded("192.168.0.2", pairing=pairing)
    client, headers, posting = phone_client(small)
    wrong = client.post("/pair", data={"code": wrong_code(pairing)}, headers=posting)
    assert wrong.status_code == 403 and "not the code" in wrong.text and "Set-Cookie" not in wrong.headers
    early = client.post("/pair", data={"code": pairing.code}, headers=posting)
    assert (
        early.status_code == 429 and int(early.headers["Retry-After"]) >= 1 and "2 seconds" in early.text
    )  # RFC 6585, 4
    clock.now += 3
    assert client.post("/pair", data={"code": pairing.code}, headers=posting).status_code == 303


def test_a_withdrawn_code_is_said_at_the_door_with_what_to_do(pairing, monkeypatch):
    monkeypatch.setattr(pairing_module, "WRONG_PER_CODE", 1)
    small = guarded("192.168.0.2", pairing=pairing)
    code = pairing.code
    pairing.try_code(wrong_code(pairing), OTHER)
    client, headers, posting = phone_client(small)
    for answer in (client.get("/", headers=headers), client.post("/pair", data={"code": code}, headers=posting)):
        assert answer.status_code in (401, 429) and "New code" in answer.text and "Set-Cookie" not in answer.headers
    pairing.renew()
    assert client.post("/pair", data={"code": pairing.code}, headers=posting).status_code == 303


def test_who_asks_is_told_by_the_socket_alone(pairing):
    # RFC 7239 section 8.1: forwarding headers can be written by anyone.
    small = guarded("192.168.0.2", pairing=pairing)
    client, headers, _ = phone_client(small)
    lies = {
        "X-Forwarded-For": "127.0.0.1",
        "Forwarded": "for=127.0.0.1",
        "X-Real-IP": "127.0.0.1",
        "Remote-Addr": "::1",
    }
    assert client.get("/live", headers={**headers, **lies}).status_code == 401
    for local in ("127.0.0.1", "127.8.9.1", "::1", "::ffff:127.0.0.1"):
        client, headers, _ = phone_client(small, peer=local)
        assert client.get("/live", headers=headers).status_code == 200, local
    for odd in ("", "localhost", "::ffff:192.168.0.9", "unix"):
        client, headers, _ = phone_client(small, peer=odd)
        assert client.get("/live", headers=headers).status_code == 401, odd


def test_without_pairing_nobody_else_is_let_in_even_through_the_socket():
    small = guarded("127.0.0.1")
    client, _, _ = phone_client(small)
    headers = {"Host": "127.0.0.1:8462"}
    assert client.get("/live", headers=headers).status_code == 403
    assert client.get("/pair", headers=headers).status_code == 403


def test_a_device_is_paired_through_the_real_server():
    address = outside_address()
    if address is None:
        pytest.skip("this computer is in no network; the same is tested above with the peer's address put in")
    pairing = Pairing()
    with served(address, pairing) as small:
        own = {
            "Origin": f"http://{address}:{small.port}",
            "Content-Type": "application/x-www-form-urlencoded",
        }
        assert ask(small.port, "GET", "/live", to=address).status == 401
        assert ask(small.port, "GET", "/live", {"X-Forwarded-For": "127.0.0.1"}, to=address).status == 401
        assert ask(small.port, "POST", "/pair", own, body="code=1", to=address).status == 403
        assert ask(small.port, "GET", "/live").status == 200  # this computer itself needs no code
        assert not [word for word in small.done if word != "live"]
    pairing = Pairing()
    with served(address, pairing) as small:
        own = {
            "Origin": f"http://{address}:{small.port}",
            "Content-Type": "application/x-www-form-urlencoded",
        }
        paired = ask(small.port, "POST", "/pair", own, body="code=" + pairing.code.replace(" ", "+"), to=address)
        assert paired.status == 303
        cookie = paired.headers["Set-Cookie"].split(";")[0]
        assert ask(small.port, "GET", "/live", {"Cookie": cookie}, to=address).status == 200
