"""Converts between HTTP and the application: a request to WSGI, and an answer to pieces."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from typing import Any, NamedTuple
from urllib.parse import unquote_to_bytes

import h11

from camlog.serve.guard import CLOSED_POLICY, HEADERS

_IN_MEMORY_BYTES = 1_000_000  # a larger body waits in a temporary file


class Answer(NamedTuple):
    """Status, headers, and the body in pieces."""

    status: int
    headers: list[tuple[str, str]]
    body: Iterable[bytes]
    pieces: Iterator[bytes]


def begin(application: Callable, environ: dict[str, Any]) -> Answer:
    """The answer of a WSGI application, started in this thread. It must call `start_response` at once, as Flask
    does."""
    started: list[Any] = []
    body = application(environ, lambda status, headers, exc_info=None: started.extend((status, headers)))
    status, headers = started[-2:]
    return Answer(int(status.split()[0]), headers, body, iter(body))


def refusal(status: int, line: str) -> Answer:
    """The answer to a request that does not reach the application: one plain line, with the same headers as all
    answers."""
    body = [f"{line}\n".encode()]
    headers = {
        "Content-Type": "text/plain; charset=utf-8",
        "Content-Length": str(len(body[0])),
        "Content-Security-Policy": CLOSED_POLICY,
        "Cache-Control": "no-store",
        **HEADERS,
    }
    return Answer(status, list(headers.items()), body, iter(body))


def environ_of(head: h11.Request, peer: str, host: str, port: int) -> dict[str, Any]:
    """The WSGI environment (PEP 3333) of a request from `peer`, without its body."""
    target = head.target.decode("latin-1")
    path, _, query = target.partition("?")
    environ: dict[str, Any] = {
        "REQUEST_METHOD": head.method.decode("latin-1"),
        "SCRIPT_NAME": "",
        "PATH_INFO": "/" + unquote_to_bytes(path).decode("latin-1").lstrip("/"),
        "QUERY_STRING": query,
        "REQUEST_URI": target,
        "SERVER_NAME": host,
        "SERVER_PORT": str(port),
        "SERVER_PROTOCOL": f"HTTP/{head.http_version.decode('latin-1')}",
        "REMOTE_ADDR": peer,
        "wsgi.version": (1, 0),
        "wsgi.url_scheme": "http",
        "wsgi.input": tempfile.SpooledTemporaryFile(_IN_MEMORY_BYTES),
        "wsgi.input_terminated": True,  # the input ends with the body (Werkzeug)
        "wsgi.errors": sys.stderr,
        "wsgi.multithread": True,
        "wsgi.multiprocess": False,
        "wsgi.run_once": False,
    }
    for name, value in head.headers:
        if b"_" in name:
            continue  # it would be confused with the one written with "-"
        key = name.decode("latin-1").upper().replace("-", "_")
        key = key if key in ("CONTENT_TYPE", "CONTENT_LENGTH") else f"HTTP_{key}"
        value = value.decode("latin-1")
        environ[key] = f"{environ[key]},{value}" if key in environ else value
    return environ
