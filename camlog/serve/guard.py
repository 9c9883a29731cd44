"""Access control of the page: checks before a request is processed, and headers on every answer.

Sources: Host and 421, RFC 9110 sections 7.2 and 15.5.20; Origin, RFC 6454 section 7; Sec-Fetch-*, W3C Fetch
Metadata Request Headers; Content-Security-Policy, W3C CSP Level 3; cookies, RFC 6265 sections 4.1.2 and 8.5,
SameSite as in its revision (draft-ietf-httpbis-rfc6265bis). The list of what a local page needs is from
memory of OWASP ASVS 4.
"""

from __future__ import annotations

import ipaddress
import logging
import re
import socket
from collections.abc import Mapping
from dataclasses import dataclass

import flask
from werkzeug.exceptions import HTTPException
from werkzeug.http import parse_cookie

from camlog.errors import InputError
from camlog.serve.names import told
from camlog.serve.pairing import Pairing
from camlog.serve.pairing_page import pair, pairing_page
from camlog.serve.words import sentence

BODY_LIMIT_BYTES = 1_000_000
PAIR_LIMIT_BYTES = 2_000
UPLOAD_ROUTE = "/upload"
PAIR_ROUTE = "/pair"
HTTP_PORT = 80

_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_HOST = re.compile(r"(?P<name>\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9.-]+)(?::(?P<port>[0-9]{1,5}))?")
_UNSEEN = re.compile(r"[\x00-\x1f\x7f]")
_STATIC = "/assets/"
_NAMES = {404: "no_page", 405: "wrong_method", 413: "too_large"}

HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Resource-Policy": "same-origin",
}
# Only for loopback addresses, which browsers trust without encryption; at others browsers ignore it with a warning
# (HTML Living Standard, "obtain a cross-origin opener policy").
OPENER_POLICY = ("Cross-Origin-Opener-Policy", "same-origin")
CLOSED_POLICY = "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'; sandbox"

_log = logging.getLogger("camlog.serve")


PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
    "font-src 'self' data:; connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)


@dataclass(frozen=True)
class Ask:
    """A request before its body is read: `target` as in the request line, `path` percent-decoded and without the query,
    `peer` the address at the other end of the socket, `headers` by name in capitals with "_" for "-"."""

    method: str
    target: str
    path: str
    peer: str
    headers: Mapping[str, str]
    scheme: str = "http"

    @staticmethod
    def of(environ: Mapping[str, object]) -> Ask:
        """From a WSGI environment. Forwarding headers are ignored."""
        return Ask(
            method=str(environ["REQUEST_METHOD"]),
            target=str(environ.get("REQUEST_URI", "/")),
            path=str(environ.get("PATH_INFO", "/")),
            peer=str(environ.get("REMOTE_ADDR", "")),
            headers={name[5:]: str(value) for name, value in environ.items() if name.startswith("HTTP_")},
            scheme=str(environ.get("wsgi.url_scheme", "http")),
        )


@dataclass(frozen=True)
class Refusal:
    """A refusal: a status and the name of its line; `pair` is True if pairing would help."""

    status: int
    name: str
    pair: bool = False


@dataclass(frozen=True)
class Guard:
    """Decides which requests this server accepts.

    `host` is the given address of the server, `port` its port. `pairing` is None if only this computer can reach it.
    """

    host: str
    port: int
    pairing: Pairing | None = None
    upload_limit_bytes: int = BODY_LIMIT_BYTES

    @property
    def cookie(self) -> str:
        """Name of the session cookie; it contains the port, because cookies are shared by ports (RFC 6265, 8.5)."""
        return f"camlog-{self.port}"

    def body_limit(self, method: str, path: str) -> int:
        """The most bytes in the body of a request."""
        if path == PAIR_ROUTE:
            return PAIR_LIMIT_BYTES
        return self.upload_limit_bytes if (method, path) == ("POST", UPLOAD_ROUTE) else BODY_LIMIT_BYTES

    def refusal(self, ask: Ask) -> Refusal | None:
        """Why a request is refused, from its head alone; None if it is accepted."""
        if not ask.target.startswith("/"):  # also refused: a proxy's form, and "*"
            return Refusal(400, "no_proxy")
        if _UNSEEN.search(ask.path) or any(part in (".", "..") for part in re.split(r"[/\\]", ask.path)):
            return Refusal(400, "no_page")
        host = ask.headers.get("HOST", "")
        if not self.reached_by(host):
            return Refusal(421, "wrong_host")
        connection = {part.strip().lower() for part in ask.headers.get("CONNECTION", "").split(",")}
        if ask.headers.get("UPGRADE") or "upgrade" in connection:
            return Refusal(403, "no_sockets")
        if crossed := _crossed(ask, host):
            return crossed
        if self.lets_in(ask):
            return None
        if self.pairing is None:
            return Refusal(403, "own_only")
        return None if ask.path == PAIR_ROUTE else Refusal(401, "pair_first", pair=True)

    def reached_by(self, host: str) -> bool:
        """True if a Host header names this server; names that anyone can point here are refused (rebinding)."""
        match = _HOST.fullmatch(host)
        if match is None or int(match["port"] or HTTP_PORT) != self.port:
            return False
        name = match["name"].lower()
        if name == "localhost":
            return True
        own = _address(self.host)
        wildcard = own is not None and own.is_unspecified
        try:
            address = ipaddress.ip_address(name.strip("[]"))
        except ValueError:
            return wildcard and name in own_names()
        if name.startswith("[") != (address.version == 6):
            return False
        return address.is_loopback or wildcard or address == own

    def lets_in(self, ask: Ask) -> bool:
        """True if a request is from this computer, or has the token of a paired device."""
        token = parse_cookie(ask.headers.get("COOKIE", "")).get(self.cookie)
        return is_loopback(ask.peer) or (self.pairing is not None and self.pairing.knows(token))


def _crossed(ask: Ask, host: str) -> Refusal | None:
    """The refusal of a request that the page of another site made the browser send."""
    origin = ask.headers.get("ORIGIN")
    own = origin is not None and origin.lower() == f"{ask.scheme}://{host}".lower()
    if not own and (origin is not None or ask.method not in _SAFE):
        return Refusal(403, "crossed")
    fetch = [ask.headers.get(f"SEC_FETCH_{part}", "") for part in ("MODE", "DEST")]
    visit = ask.method in ("GET", "HEAD") and fetch == ["navigate", "document"]
    if visit or ask.headers.get("SEC_FETCH_SITE", "none").lower() in ("same-origin", "none"):
        return None
    return Refusal(403, "crossed_read")


def protect(server: flask.Flask, guard: Guard) -> None:
    """Put `guard` in front of every route of a Flask application, and its headers on every answer."""
    server.extensions["camlog-guard"] = guard  # for a page that shows the pairing code on this computer
    server.debug = False  # whatever the environment says
    server.config["MAX_CONTENT_LENGTH"] = BODY_LIMIT_BYTES
    # Before all other handlers, so that nothing is done for a refused request.
    server.before_request_funcs.setdefault(None, []).insert(0, lambda: _before(guard))
    server.after_request(_after)
    server.register_error_handler(InputError, lambda error: _plain(400, told(error)))
    server.register_error_handler(Exception, _failed)
    if (pairing := guard.pairing) is not None:

        def _pair() -> flask.Response:
            return pair(guard, pairing, Ask.of(flask.request.environ))

        server.add_url_rule(PAIR_ROUTE, "pair", _pair, methods=["GET", "POST"])


def is_loopback(peer: str) -> bool:
    """True if the address at the other end of a socket is of this computer."""
    address = _address(peer)
    return address is not None and address.is_loopback


def own_names() -> frozenset[str]:
    """Names of this computer on the network."""
    full = socket.gethostname().lower().rstrip(".")
    short = full.split(".")[0]
    return frozenset({full, short, f"{short}.local"} - {"", ".local"})


def _plain(status: int, line: str) -> flask.Response:
    return flask.Response(line + "\n", status, mimetype="text/plain")


def _before(guard: Guard) -> flask.Response | None:
    request = flask.request
    ask = Ask.of(request.environ)
    refused = guard.refusal(ask)
    if refused is not None:
        html = ask.method in ("GET", "HEAD") and "text/html" in ask.headers.get("ACCEPT", "")
        if refused.pair and guard.pairing is not None and html:
            response = pairing_page(guard.pairing, ask.peer, 401)
        else:
            response = _plain(refused.status, sentence(refused.name))
        if refused.status == 401:
            # RFC 9110, 15.5.2; a scheme for which browsers ask no password.
            response.headers["WWW-Authenticate"] = "Pairing"
        return response
    limit = guard.body_limit(ask.method, ask.path)
    request.max_content_length = limit
    if (request.content_length or 0) > limit:
        return _plain(413, sentence("larger_than", limit=limit / 1e6))
    return None


def _after(response: flask.Response) -> flask.Response:
    headers = response.headers
    headers.setdefault("Content-Security-Policy", PAGE_POLICY)
    for name, value in HEADERS.items():
        headers.setdefault(name, value)
    host = _HOST.fullmatch(flask.request.environ.get("HTTP_HOST", ""))
    if host is not None and (host["name"].lower() == "localhost" or is_loopback(host["name"].strip("[]"))):
        headers.setdefault(*OPENER_POLICY)
    for name in [n for n in headers.keys() if n.lower().startswith("access-control-") or n.lower() == "server"]:
        del headers[name]
    if not (response.status_code in (200, 206, 304) and flask.request.path.startswith(_STATIC)):
        headers["Cache-Control"] = "no-store"
    return response


def _failed(error: Exception) -> flask.Response:
    if isinstance(error, HTTPException):
        if error.response is not None:
            return error.response
        code = error.code or 500
        response = _plain(code, sentence(_NAMES[code]) if code in _NAMES else f"{error.name}.")
        for name, value in error.get_headers():
            if name.lower() in ("allow", "location", "retry-after", "content-range"):
                response.headers[name] = value
        return response
    traced = _log.isEnabledFor(logging.DEBUG)
    _log.error("%s %r failed: %r", flask.request.method, flask.request.path, error, exc_info=traced)
    return _plain(500, sentence("server_fault"))


def _address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return None
    return getattr(address, "ipv4_mapped", None) or address
