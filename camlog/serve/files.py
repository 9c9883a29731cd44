"""Files to and from a browser: result pages, downloads and uploads, all through `Folder`."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from urllib.parse import quote

import flask

from camlog.errors import InputError
from camlog.serve.desk import Desk
from camlog.serve.folder import UPLOAD_LIMIT_BYTES
from camlog.serve.names import address, kind_of, told
from camlog.serve.words import problem, sentence

# A result page is a file of the folder and may come from anyone. It therefore runs in a separate origin, from which it
# can reach nothing here or elsewhere (CSP Level 3 `sandbox`, HTML "sandboxing flags"). Its own policy, with the hashes
# of its scripts, applies too.
RESULT_POLICY = (
    "sandbox allow-scripts allow-downloads allow-modals allow-popups; default-src 'none'; "
    "script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; connect-src 'none'; "
    "form-action 'none'; frame-ancestors 'none'; base-uri 'none'"
)
DOWNLOAD_POLICY = "default-src 'none'; sandbox; frame-ancestors 'none'"
_DOWNLOADS = dict.fromkeys(("drive", "findings", "job"), "application/json") | {
    "map": "text/plain",
    "trace": "text/csv",
}
_PACKED = {".gz": "application/gzip", ".zip": "application/zip"}
_PIECE_BYTES = 1 << 18


def register(server: flask.Flask, desk: Desk) -> None:
    """Add the routes."""

    @server.get("/results/<name>")
    def result(name: str):
        return _answer(lambda: _result(desk, name))

    @server.get("/files/<name>")
    def download(name: str):
        return _answer(lambda: _download(desk, name))

    @server.post("/upload")
    def upload():
        length = flask.request.content_length
        if length is not None and length > UPLOAD_LIMIT_BYTES:
            return {"error": sentence("larger_than", limit=UPLOAD_LIMIT_BYTES / 1e6)}, 413
        try:
            name = desk.folder.receive(flask.request.args.get("name", ""), flask.request.stream, length)
        except InputError as error:
            return {"error": told(error)}, 400
        return {"name": name, "kind": kind_of(name), "next": place_of(desk, name)}


def place_of(desk: Desk, name: str) -> str:
    """The address of the page for an uploaded file."""
    if kind_of(name) != "trace":
        return "/recordings"
    try:
        page = "recording" if desk.folder.entry(name).kind == "trace" else "convert"
    except InputError:
        page = "convert"  # which shows what is wrong with it
    return address(page, name)


def _answer(make: Callable[[], flask.Response]) -> flask.Response:
    try:
        return make()
    except InputError as error:
        return flask.Response(told(error) + "\n", 404, mimetype="text/plain")


def _result(desk: Desk, name: str) -> flask.Response:
    if kind_of(name) != "result":
        raise problem("no_result", name)
    response = _file(desk, name, "text/html; charset=utf-8", RESULT_POLICY)
    # A sandboxed page cannot be shown with any other opener policy (HTML, "create navigation params by fetching").
    response.headers["Cross-Origin-Opener-Policy"] = "unsafe-none"
    return response


def _download(desk: Desk, name: str) -> flask.Response:
    kind = kind_of(name)
    if kind not in _DOWNLOADS:
        raise problem("no_download", name)
    if kind == "trace":
        desk.folder.entry(name)  # other text files of the folder are not served
    response = _file(desk, name, _PACKED.get(name[name.rindex(".") :].lower(), _DOWNLOADS[kind]), DOWNLOAD_POLICY)
    ascii_name = name.encode("ascii", "replace").decode().replace("?", "_")
    full_name = {} if ascii_name == name else {"filename*": f"UTF-8''{quote(name, safe='')}"}  # RFC 6266 and RFC 8187
    response.headers.set("Content-Disposition", "attachment", filename=ascii_name, **full_name)
    return response


def _file(desk: Desk, name: str, mime: str, policy: str) -> flask.Response:
    """A file, in pieces. A file that is being recorded is cut at its length at the time of the request."""
    path = desk.folder.existing(name)
    try:
        file = open(path, "rb")  # noqa: SIM115 - closed when the answer was sent
    except OSError as error:
        raise problem("unreadable", name, why=error.strerror or type(error).__name__) from error
    size = os.fstat(file.fileno()).st_size

    def pieces() -> Iterator[bytes]:
        left = size
        while left > 0 and (piece := file.read(min(_PIECE_BYTES, left))):
            left -= len(piece)
            yield piece

    response = flask.Response(pieces(), content_type=mime, direct_passthrough=True)
    response.call_on_close(file.close)
    response.content_length = size
    response.headers["Content-Security-Policy"] = policy
    response.headers["X-Content-Type-Options"] = "nosniff"
    response.headers["Cache-Control"] = "no-store"
    return response
