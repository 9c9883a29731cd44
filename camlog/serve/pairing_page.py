"""The page for devices that are not paired, and the answer to their code."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import flask

from camlog.cautions import OPERATE, caution
from camlog.serve.pairing import SESSION_S, Pairing
from camlog.serve.words import sentence

if TYPE_CHECKING:
    from camlog.serve.guard import Ask, Guard

PAIR_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; form-action 'self'; "
    "frame-ancestors 'none'; base-uri 'none'"
)


def pair(guard: Guard, pairing: Pairing, ask: Ask) -> flask.Response:
    """The answer to a device that asks to be paired."""
    request = flask.request
    if guard.lets_in(ask):
        return flask.redirect("/", 303)
    if request.method != "POST":
        return pairing_page(pairing, ask.peer, 200)
    if not pairing.code or pairing.wait_s(ask.peer) > 0.0:
        return pairing_page(pairing, ask.peer, 429)
    token = pairing.try_code(request.form.get("code", ""), ask.peer)
    if token is None:
        return pairing_page(pairing, ask.peer, 403, wrong=True)
    response = flask.redirect("/", 303)
    response.set_cookie(guard.cookie, token, max_age=int(SESSION_S), httponly=True, samesite="Strict", path="/")
    return response


def pairing_page(pairing: Pairing, peer: str, status: int, wrong: bool = False) -> flask.Response:
    """The page for a device that is not paired, without script and without other files from the server."""
    from camlog.serve.pages.template import Template  # slow to load

    wait_s = math.ceil(pairing.wait_s(peer))
    remarks = {"withdrawn": not pairing.code, "wrong_code": wrong, "wait": wait_s > 0}
    notices = [sentence(name, seconds=wait_s) for name, is_so in remarks.items() if is_so]
    response = flask.Response(Template("pair.html").layout(notices, caution(OPERATE)), status, mimetype="text/html")
    response.headers["Content-Security-Policy"] = PAIR_POLICY
    # With "no-referrer" a browser sends "Origin: null" with the form (Fetch, "append a request Origin
    # header").
    response.headers["Referrer-Policy"] = "same-origin"
    if wait_s > 0:
        response.headers["Retry-After"] = str(wait_s)
    return response
