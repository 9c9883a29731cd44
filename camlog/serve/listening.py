"""The web server: HTTP/1.1 (by h11) on asyncio streams in front of a WSGI application, with limits for every device.

A request uses a thread of the pool only while the application works on it or on the next piece of the answer, not while
the request arrives or the answer is read. Refusals are sent before the body is read.
"""

from __future__ import annotations

import asyncio
import logging
import re
import socket
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import h11
from werkzeug.http import http_date

from camlog.serve.gateway import Answer, begin, environ_of, refusal
from camlog.serve.guard import PAIR_ROUTE, UPLOAD_ROUTE, Ask, Guard, is_loopback
from camlog.serve.pairing import device_of
from camlog.serve.words import sentence

THREADS = 12
IDLE_S = 30  # longest time of a connection without a request
REQUEST_S = 20.0  # the longest that a request may take to arrive
UPLOAD_BYTES_PER_S = 20_000.0  # a body extends that time by its size divided by this rate
ANSWER_S = 30.0  # how long one piece of an answer may take to be read
ANSWER_BYTES_PER_S = 5_000.0  # and so how long a piece is
HEAD_LIMIT_BYTES = 32_768
# Most connections at once. A further one replaces one that waits: see `_least_needed`.
OWN_CONNECTIONS = 70  # reserved for this computer
GUEST_CONNECTIONS = 120  # from all other devices
CONNECTIONS_PER_GUEST = 24
UPLOADS = 3  # at once
_BACKLOG = 128
_READ_BYTES = 65_536
_END_S = 5.0  # for open answers when the server ends
_LINGER_S = 2.0  # how long the data after a refused head is read, so that the refusal arrives (RFC 9112, 9.6)

_WAITING, _ARRIVING, _UPLOADING, _WORKING, _ANSWERING = "waiting", "arriving", "uploading", "working", "answering"
# RFC 9112, 6.3 allows a list of equal lengths, but no ordinary client sends one.
_SEVERAL_LENGTHS = re.compile(rb"\ncontent-length:[^\n]*,", re.IGNORECASE)
_HEAD_END = re.compile(rb"\r?\n\r?\n")

_log = logging.getLogger("camlog.serve")


class _Refused(Exception):
    """A request that does not reach the application: status and line of the answer."""


class _Connection:
    """A connection and the `stage` of its request.

    `known` is True after the guard accepted a request on it: it is from this computer or from a paired device. `own` is
    True if it is from this computer.
    """

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter):
        self.reader, self.writer = reader, writer
        self.peer = str((writer.get_extra_info("peername") or ("",))[0])
        self.own, self.device = is_loopback(self.peer), device_of(self.peer)
        self.http = h11.Connection(h11.SERVER, max_incomplete_event_size=HEAD_LIMIT_BYTES)
        self.known, self.stage, self.method, self.created = False, _WAITING, "", time.monotonic()
        self.task: asyncio.Task | None = None  # referenced here, so that it is not garbage-collected while it runs
        writer.transport.set_write_buffer_limits(high=0)  # so that `drain` waits for all of it

    @property
    def useful(self) -> bool:
        """True if a request is being worked on, or a known device sends a file or receives an answer."""
        return self.stage == _WORKING or (self.known and self.stage in (_UPLOADING, _ANSWERING))

    async def send(self, event: Any) -> None:
        """Send an event of h11. Raises TimeoutError if it is read too slowly."""
        if data := self.http.send(event):
            self.writer.write(data)
            async with asyncio.timeout(ANSWER_S):
                await self.writer.drain()

    def close(self) -> None:
        self.writer.transport.abort()


class Listening:
    """Serves an application on listening sockets, in a separate thread."""

    def __init__(self, application: Callable, guard: Guard, sockets: Sequence[socket.socket]):
        self._application, self._guard, self._sockets = application, guard, sockets
        self._connections: set[_Connection] = set()
        self._pool = ThreadPoolExecutor(THREADS, "answer")
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._run()), name="page", daemon=True)
        self._thread.start()
        self._ready.wait()

    def close(self) -> None:
        """Accept no more requests; those being answered have a few seconds to finish."""
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._ending.set)
            self._thread.join()

    async def _run(self) -> None:
        self._loop, self._ending = asyncio.get_running_loop(), asyncio.Event()
        servers = [await asyncio.start_server(self._accepted, sock=one, backlog=_BACKLOG) for one in self._sockets]
        self._ready.set()
        await self._ending.wait()
        for server in servers:
            server.close()
        end_s = time.monotonic() + _END_S
        while time.monotonic() < end_s and any(c.useful for c in self._connections):
            await asyncio.sleep(0.02)
        for connection in self._connections:
            connection.close()
        self._pool.shutdown(wait=False, cancel_futures=True)

    # ------------------------------------------------------------------ connections
    def _accepted(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        connection = _Connection(reader, writer)
        if self._make_room(connection.device, connection.own):
            self._connections.add(connection)
            connection.task = self._loop.create_task(self._serve(connection))
        else:
            connection.close()

    async def _serve(self, connection: _Connection) -> None:
        try:
            while not self._ending.is_set() and await self._exchange(connection):
                pass
        except (OSError, h11.ProtocolError):
            pass  # it was closed, or is too slow
        except Exception:
            _log.exception("The page's server met a fault and goes on")
        finally:
            self._connections.discard(connection)
            connection.close()

    def _make_room(self, device: str, own: bool) -> bool:
        """True if there is a place for one more connection of a device; closes another connection if needed."""
        beside = [c for c in self._connections if c.own == own]
        same = [c for c in beside if c.device == device]
        if not own and len(same) >= CONNECTIONS_PER_GUEST:
            beside = same
        elif len(beside) < (OWN_CONNECTIONS if own else GUEST_CONNECTIONS):
            return True
        closed = _least_needed(beside)
        if closed is not None:
            self._connections.discard(closed)
            closed.close()
        return closed is not None

    # ------------------------------------------------------------------ a request and its answer
    async def _exchange(self, connection: _Connection) -> bool:
        """Answer one request; returns whether another may follow. Raises OSError, also if the device is too slow."""
        http = connection.http
        try:
            async with asyncio.timeout(IDLE_S) as limit:
                environ = await self._request(connection, limit)
            if environ is None:
                return False
            connection.stage = _WORKING
            answer = await self._loop.run_in_executor(self._pool, begin, self._application, environ)
        except h11.RemoteProtocolError as error:
            name = "too_large" if error.error_status_hint == 431 else "no_request"
            answer = refusal(error.error_status_hint, sentence(name))
        except _Refused as refused:
            answer = refusal(*refused.args)
        cut_off = http.their_state is not h11.DONE  # further data belongs to this request, or to none
        connection.stage = _ANSWERING
        await self._send(connection, answer, cut_off)
        if http.our_state is http.their_state is h11.DONE:
            http.start_next_cycle()
            connection.stage = _WAITING
            return True
        if cut_off:
            connection.writer.write_eof()
            async with asyncio.timeout(_LINGER_S):
                while await connection.reader.read(_READ_BYTES):
                    pass
        return False

    async def _request(self, connection: _Connection, limit: asyncio.Timeout) -> dict[str, Any] | None:
        """The next request as a WSGI environment; None at the end of the connection. The body is read unless the
        application will refuse the request. Raises _Refused."""
        read = bytearray()
        while (head := connection.http.next_event()) is h11.NEED_DATA:
            data = await connection.reader.read(_READ_BYTES)
            if connection.stage == _WAITING:
                connection.stage = _ARRIVING
                limit.reschedule(self._loop.time() + REQUEST_S)
            read += data
            connection.http.receive_data(data)
        if not isinstance(head, h11.Request):
            return None
        if _SEVERAL_LENGTHS.search(_HEAD_END.split(read, maxsplit=1)[0]):
            raise _Refused(400, sentence("no_request"))
        environ = environ_of(head, connection.peer, *connection.writer.get_extra_info("sockname")[:2])
        connection.method = environ["REQUEST_METHOD"]
        path, length = environ["PATH_INFO"], int(environ.get("CONTENT_LENGTH") or 0)
        most = self._guard.body_limit(connection.method, path)
        taken = self._guard.refusal(Ask.of(environ)) is None
        upload = path == UPLOAD_ROUTE
        has_body = length > 0 or "HTTP_TRANSFER_ENCODING" in environ
        if has_body and (not taken or length > most):
            return environ  # the application says why not
        if has_body and upload:
            if sum(c.stage == _UPLOADING for c in self._connections) >= UPLOADS:
                raise _Refused(503, sentence("many_uploads"))
            connection.known, connection.stage = taken, _UPLOADING
        await self._read_body(connection, environ["wsgi.input"], most, limit)
        connection.known = connection.known or (taken and path != PAIR_ROUTE)
        return environ

    async def _read_body(self, connection: _Connection, body: Any, most: int, limit: asyncio.Timeout) -> None:
        http, size = connection.http, 0
        while not isinstance(event := http.next_event(), h11.EndOfMessage):
            if event is h11.NEED_DATA:
                if http.they_are_waiting_for_100_continue:
                    await connection.send(h11.InformationalResponse(status_code=100, headers=[]))
                http.receive_data(await connection.reader.read(_READ_BYTES))
                continue
            size += len(event.data)
            if size > most:
                raise _Refused(413, sentence("larger_than", limit=most / 1e6))
            body.write(event.data)
            if (until := limit.when()) is not None:
                limit.reschedule(until + len(event.data) / UPLOAD_BYTES_PER_S)
        body.seek(0)

    async def _send(self, connection: _Connection, answer: Answer, last: bool) -> None:
        headers = [(name, value.encode("latin-1")) for name, value in answer.headers]
        headers += [("Date", http_date())] + ([("Connection", "close")] if last else [])
        most = max(1, int(ANSWER_S * ANSWER_BYTES_PER_S))
        try:
            await connection.send(h11.Response(status_code=answer.status, headers=headers))
            while (piece := await self._loop.run_in_executor(self._pool, next, answer.pieces, None)) is not None:
                for at in range(0, len(piece) if connection.method != "HEAD" else 0, most):
                    await connection.send(h11.Data(data=piece[at : at + most]))
            await connection.send(h11.EndOfMessage())
        finally:
            if close := getattr(answer.body, "close", None):
                close()


def _least_needed(connections: Sequence[_Connection]) -> _Connection | None:
    """The connection to close for a new one: strangers before known devices, of these idle ones before those with a
    request in progress, then of the device with most connections, then the oldest. None if all are useful."""
    per_device = Counter(c.device for c in connections)

    def need(c: _Connection) -> tuple:
        return c.known, c.known and c.stage != _WAITING, -per_device[c.device], c.created

    return min((c for c in connections if not c.useful), key=need, default=None)
