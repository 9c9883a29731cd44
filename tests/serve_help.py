"""The page's guard around a small application, and requests as an attacker would write them."""

from __future__ import annotations

import html
import http.client
import re
import socket
from contextlib import contextmanager
from dataclasses import dataclass, field

import flask

from camlog.errors import InputError
from camlog.serve.addresses import listen, own_addresses
from camlog.serve.guard import BODY_LIMIT_BYTES, Guard, protect
from camlog.serve.listening import Listening
from camlog.serve.pairing import Pairing

UPLOAD_LIMIT = 3_000_000
SECRET_PATH = "/home/somebody/customers/secret.csv"


class Clock:
    """Time that passes when told."""

    def __init__(self):
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@dataclass
class Small:
    """A guarded application and what reached it."""

    app: flask.Flask
    guard: Guard
    done: list[str] = field(default_factory=list)
    port: int = 0

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.port}"


def small_app() -> tuple[flask.Flask, list[str]]:
    """Routes of every kind that the pages have, noting what reached them."""
    app, done = flask.Flask("small"), []

    def note(word: str, answer="done"):
        done.append(word)
        return answer

    app.add_url_rule("/", "home", lambda: note("home", "<h1>home</h1>"))
    app.add_url_rule("/live", "live", lambda: note("live", {"speed": 1}))
    app.add_url_rule("/do", "do", lambda: note("do"), methods=["POST", "PUT", "DELETE", "PATCH"])
    app.add_url_rule("/upload", "upload", lambda: note(f"upload {len(flask.request.stream.read())}"), methods=["POST"])
    app.add_url_rule("/read", "read", lambda: note(f"read {len(flask.request.get_data())}"), methods=["POST"])

    @app.get("/fails")
    def fails():
        raise OSError(13, "Permission denied", SECRET_PATH)

    @app.get("/wrong")
    def wrong():
        raise InputError("is <b>no trace</b>", file=SECRET_PATH, line=3, remedy="Choose another.")

    @app.get("/result")
    def result():
        return flask.Response("<h1>report</h1>", headers={"Content-Security-Policy": "sandbox"})

    @app.get("/long")
    def long():
        return flask.Response((b"x" * 65536 for _ in range(400)), mimetype="application/octet-stream")

    @app.get("/open")
    def too_open():
        return flask.Response("x", headers={"Access-Control-Allow-Origin": "*", "Server": "something/1.2"})

    return app, done


def guarded(host: str = "127.0.0.1", port: int = 8462, pairing: Pairing | None = None) -> Small:
    """The small application behind the guard, without a server: for `app.test_client()`."""
    app, done = small_app()
    guard = Guard(host, port, pairing, upload_limit_bytes=UPLOAD_LIMIT)
    protect(app, guard)
    return Small(app, guard, done, port)


@contextmanager
def served(host: str = "127.0.0.1", pairing: Pairing | None = None):
    """The same behind the real server, on a free port."""
    sockets, port = listen(host, 0)
    small = guarded(host, port, pairing)
    listening = Listening(small.app, small.guard, sockets)
    try:
        yield small
    finally:
        listening.close()


@dataclass(frozen=True)
class Answer:
    status: int
    headers: dict[str, str]
    body: str


def ask(
    port: int,
    method: str,
    target: str,
    headers: dict[str, str] | None = None,
    body=None,
    to: str = "127.0.0.1",
) -> Answer:
    """A request with exactly these headers (and Host where none is given; None leaves one out)."""
    given = {"Host": f"{to}:{port}", **(headers or {})}
    connection = http.client.HTTPConnection(to, port, timeout=10)
    try:
        connection.putrequest(method, target, skip_host=True, skip_accept_encoding=True)
        if isinstance(body, str):
            body = body.encode()
        if body is not None and "Transfer-Encoding" not in given:
            given.setdefault("Content-Length", str(len(body)))
        for name, value in given.items():
            if value is not None:
                connection.putheader(name, value)
        connection.endheaders(body)
        response = connection.getresponse()
        return Answer(response.status, dict(response.headers), response.read().decode("utf-8", "replace"))
    finally:
        connection.close()


def raw(port: int, data: bytes, to: str = "127.0.0.1", wait_s: float = 10.0) -> bytes:
    """What comes back for these bytes until the server closes, or nothing comes for `wait_s`."""
    with socket.create_connection((to, port), timeout=wait_s) as line:
        got = b""
        try:
            line.sendall(data)
        except OSError:
            pass  # closed on us; what was answered can still be read
        try:
            while part := line.recv(65536):
                got += part
        except (TimeoutError, ConnectionResetError):
            pass
    return got


def outside_address() -> str | None:
    """An address of this computer that is not loopback: a request to it also comes from it."""
    return next(iter(own_addresses()), None)


def one_plain_line(answer: Answer) -> bool:
    """Whether an answer is a line of text and says nothing of this computer."""
    return (
        answer.headers["Content-Type"].startswith("text/plain")
        and answer.body.count("\n") == 1
        and not re.search(
            r"Traceback|File \"|/home/|/tmp/|/usr/|site-packages|[Ww]aitress|[Ww]erkzeug|[Ff]lask",
            answer.body,
        )
    )


def main_of(page: str) -> str:
    """The main part of a page, without what is around all of them; a part alone is given back."""
    found = re.search(r"<main.*</main>", page, re.S)
    return str(page) if found is None else found[0]


def text_of(page: str) -> str:
    """What a page, or a part of one, says, as one line."""
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]*>", " ", main_of(page)))).strip()


def links_of(page: str) -> list[str]:
    """Where the links of a page lead."""
    return [html.unescape(link) for link in re.findall(r'<a [^>]*?href="([^"]*)"', main_of(page))]


def options_of(page: str, name: str) -> tuple[list[str], str | None]:
    """The values of the radio buttons of that name, and which is chosen."""
    fields = re.findall(rf'<input type="radio" name="{name}" value="([^"]*)"( checked)?', page)
    return [html.unescape(v) for v, _ in fields], next((html.unescape(v) for v, on in fields if on), None)


__all__ = ["BODY_LIMIT_BYTES", "SECRET_PATH", "UPLOAD_LIMIT", "Answer", "Clock", "Small", "ask", "guarded",
"links_of", "main_of",
           "one_plain_line", "options_of", "text_of",
           "outside_address", "raw", "served"]  # fmt: skip
