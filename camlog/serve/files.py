"""Files to and from a browser: result pages, downloads, and what is handed in. All through `Folder`."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import flask
from werkzeug.http import dump_options_header

from camlog.errors import InputError
from camlog.serve.desk import Desk
from camlog.serve.folder import UPLOAD_LIMIT_BYTES
from camlog.serve.names import address, kind_of, told

# A result page is a file of the folder, and so may be anybody's: it runs in an origin of its own, from which it
# can reach nothing here or elsewhere (CSP Level 3 `sandbox`, HTML "sandboxing flags"). Its own policy names the
# hashes of its scripts; both apply.
RESULT_POLICY = (
    "sandbox allow-scripts allow-downloads allow-modals allow-popups; default-src 'none'; "
    "script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; connect-src 'none'; "
    "form-action 'none'; frame-ancestors 'none'; base-uri 'none'"
)
DOWNLOAD_POLICY = "default-src 'none'; sandbox; frame-ancestors 'none'"
_DOWNLOADS = {
    "drive": "application/json",
    "findings": "application/json",
    "map": "text/plain",
    "trace": "text/csv",
}
_BYTES = {".gz": "application/gzip", ".zip": "application/zip"}
_PIECE_BYTES = 1 << 18


def register(server: flask.Flask, desk: Desk) -> None:
    """Add the routes."""

    @server.get("/results/<name>")
    def result(name: str):
        return _answered(lambda: _result(desk, name))

    @server.get("/files/<name>")
    def download(name: str):
        return _answered(lambda: _download(desk, name))

    @server.post("/upload")
    def upload():
        return _uploaded(desk)


def place_of(desk: Desk, name: str) -> str:
    """Where a page goes on with a file that was taken in."""
    kind = kind_of(name)
    if kind != "trace":
        return "/recordings"
    try:
        page = "recording" if desk.folder.entry(name).kind == "trace" else "convert"
    except InputError:
        page = "convert"  # which says what is wrong with it
    return address(page, name)


def _answered(answer) -> flask.Response:
    try:
        return answer()
    except InputError as error:
        return flask.Response(told(error) + "\n", 404, mimetype="text/plain")


def _result(desk: Desk, name: str) -> flask.Response:
    path = desk.folder.existing(name)
    if kind_of(name) != "result":
        raise InputError("is not a result page", file=name, remedy="Choose it on the recording's page.")
    response = _file(path, "text/html; charset=utf-8")
    response.headers["Content-Security-Policy"] = RESULT_POLICY
    # A sandboxed page cannot be shown with any other opener policy (HTML, "create navigation params by fetching").
    response.headers["Cross-Origin-Opener-Policy"] = "unsafe-none"
    return response


def _download(desk: Desk, name: str) -> flask.Response:
    path = desk.folder.existing(name)
    mime = _DOWNLOADS.get(kind_of(name) or "")
    if mime is None:
        raise InputError("is not for downloading", file=name, remedy="Choose a recording.")
    if kind_of(name) == "trace":
        desk.folder.entry(name)  # other text files of the folder are nobody's business
    response = _file(path, next((m for ending, m in _BYTES.items() if name.lower().endswith(ending)), mime))
    ascii_name = name.encode("ascii", "replace").decode().replace("?", "_")
    options = {"filename": ascii_name}
    if ascii_name != name:
        options["filename*"] = f"UTF-8''{quote(name, safe='')}"  # RFC 6266 and RFC 8187
    response.headers["Content-Disposition"] = dump_options_header("attachment", options)
    response.headers["Content-Security-Policy"] = DOWNLOAD_POLICY
    return response


def _file(path: Path, mime: str) -> flask.Response:
    """A file, in pieces. One that is being recorded is given as long as it was when it was asked for.

    The server, where it can, reads on as the other end takes it, and holds no thread (PEP 3333,
    `wsgi.file_wrapper`).
    """
    try:
        file = open(path, "rb")  # noqa: SIM115 - closed when the answer was sent
        size = os.fstat(file.fileno()).st_size
    except OSError as error:
        raise InputError(
            f"cannot be read ({error.strerror or type(error).__name__})", file=path.name,
            remedy="Check the rights of the file.",
        ) from error  # fmt: skip
    if flask.request.method == "HEAD":
        file.close()
    wrapper = flask.request.environ.get("wsgi.file_wrapper")
    pieces = wrapper(file, _PIECE_BYTES) if wrapper else _pieces(file, size)
    response = flask.Response(pieces, content_type=mime, direct_passthrough=True)
    response.headers["Content-Length"] = str(size)
    response.headers["X-Content-Type-Options"] = "nosniff"
    response.headers["Cache-Control"] = "no-store"
    return response


def _pieces(file, left: int) -> Iterator[bytes]:
    with file:
        while left > 0 and (piece := file.read(min(_PIECE_BYTES, left))):
            left -= len(piece)
            yield piece


def _uploaded(desk: Desk) -> flask.Response:
    request = flask.request
    length = request.content_length
    if length is not None and length > UPLOAD_LIMIT_BYTES:
        return _said({"error": f"Too large: at most {UPLOAD_LIMIT_BYTES / 1e6:g} MB."}, 413)
    try:
        name = desk.folder.receive(request.args.get("name", ""), request.stream, length)
    except InputError as error:
        return _said({"error": told(error)}, 400)
    return _said({"name": name, "kind": kind_of(name), "next": place_of(desk, name)}, 200)


def _said(content: dict, status: int) -> flask.Response:
    response = flask.jsonify(content)
    response.status_code = status
    return response
