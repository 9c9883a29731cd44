"""The web server (waitress), with bounds: what is refused before a body is read, how slow one may be."""

from __future__ import annotations

import logging
import socket
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence

from waitress import wasyncore
from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.server import TcpWSGIServer
from waitress.task import ErrorTask, ThreadedTaskDispatcher, WSGITask
from waitress.utilities import Error

from camlog.serve.guard import CLOSED_POLICY, HEADERS, PAIR_ROUTE, UPLOAD_ROUTE, Ask, Guard, is_loopback
from camlog.serve.pairing import device_of

THREADS = 12
IDLE_S = 30  # a connection on which nothing moves, in either direction
REQUEST_S = 20.0  # the longest that a request may take to arrive
UPLOAD_BYTES_PER_S = 20_000.0  # slower than that, over its whole time, an upload is given up
ANSWER_S = 30.0  # how long an answer may be read too slowly
ANSWER_BYTES_PER_S = 5_000.0  # what is too slow
HEAD_LIMIT_BYTES = 32_768
# Connections at once. Where there are as many, a new one takes the place of one that waits: see `_least_needed`.
OWN_CONNECTIONS = 70  # from this computer, which the other devices cannot take from it
GUEST_CONNECTIONS = 120  # from all other devices
CONNECTIONS_PER_GUEST = 24
CONNECTIONS = 200  # above those, and the listening sockets: waitress would stop accepting here
UPLOADS = 3  # at once
_CHECK_S = 2  # how often connections are looked over
_TURN_S = 1.0

_LINES = {
    413: "Too large.",
    431: "Too large.",
    500: "That failed, through a fault of camlog. The recording is not affected.",
}

_log = logging.getLogger("camlog.serve")


class Listening:
    """An application served on sockets that already listen, in a thread of its own."""

    def __init__(self, application: Callable, guard: Guard, sockets: Sequence[socket.socket]):
        adjustments = Adjustments(
            sockets=list(sockets),
            threads=THREADS,
            ident=None,
            channel_timeout=IDLE_S,
            cleanup_interval=_CHECK_S,
            connection_limit=CONNECTIONS,
            max_request_header_size=HEAD_LIMIT_BYTES,
            max_request_body_size=guard.upload_limit_bytes + 1,
            clear_untrusted_proxy_headers=True,
            expose_tracebacks=False,
            log_socket_errors=False,
            asyncore_use_poll=True,
        )
        logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # a queue for a moment is no news
        self._map: dict = {}
        self._dispatcher = ThreadedTaskDispatcher()
        self._dispatcher.set_thread_count(THREADS)
        self._servers = [
            _Server(
                application,
                self._map,
                True,
                one,
                dispatcher=self._dispatcher,
                adj=adjustments,
                sockinfo=(one.family, one.type, one.proto, one.getsockname()),
                bind_socket=False,
                guard=guard,
            )
            for one in sockets
        ]
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Take no more requests; those being answered have a few seconds."""
        if self._ending.is_set():
            return
        self._ending.set()
        self._servers[0].pull_trigger()
        self._thread.join()

    def _run(self) -> None:
        checked = time.monotonic()
        while not self._ending.is_set():
            try:
                wasyncore.loop(timeout=_TURN_S, use_poll=True, map=self._map, count=1)
                if time.monotonic() - checked >= _CHECK_S:
                    checked = time.monotonic()
                    for server in self._servers:
                        server.close_stuck()
            except Exception:
                _log.exception("The page's server met a fault and goes on")
                time.sleep(_TURN_S)
        for server in self._servers:
            server.socket.close()
        self._dispatcher.shutdown()
        wasyncore.close_all(self._map, ignore_all=True)


class _Refused(Error):
    """An answer given before the body is read."""

    def __init__(self, status: int, line: str):
        super().__init__(line)
        self.code = status


class _Parser(HTTPRequestParser):
    """A request as it arrives: refused once its head is there, or held to the limit of its path."""

    def __init__(self, adj: Adjustments, channel: _Channel):
        super().__init__(adj)
        self.began = time.monotonic()
        self.upload = False  # whether a file is arriving with it
        self._channel = channel
        self._taken = False  # whether the guard took it

    def parse_header(self, header_plus: bytes) -> None:
        super().parse_header(header_plus)
        path = "/" + self.path.lstrip("/")
        guard = self._channel.server.guard
        # A proxy's headers are dropped before an application sees them; here nothing reads them.
        refused = guard.refusal(
            Ask(self.command, self.request_uri, path, self._channel.addr[0], self.headers)
        )
        limit = guard.body_limit(self.command, path)
        self._taken = refused is None and path != PAIR_ROUTE
        if self.body_rcv is None:
            return  # answered, or refused, in front of the application like all others
        if refused is not None:
            self._refuse(refused.status, refused.line)
        elif self.content_length > limit:
            self._refuse(413, f"Too large: at most {limit / 1e6:g} MB.")
        elif path == UPLOAD_ROUTE and self._channel.server.uploads() >= UPLOADS:
            self._refuse(503, "Other files are being taken in. Try again when they are done.")
        else:
            self.upload = path == UPLOAD_ROUTE
            self.adj = _Limited(self.adj, limit + 1)

    def received(self, data: bytes) -> int:
        taken = super().received(data)
        if self.error is not None:
            self.expect_continue = False  # it is not waited for
        elif self._taken and (self.completed or self.upload):
            self._channel.known = True
        return taken

    def overdue(self, now: float) -> bool:
        """Whether it should have arrived by now."""
        allowed_s = REQUEST_S
        if self.headers_finished and self.body_bytes_received:
            allowed_s += self.body_bytes_received / UPLOAD_BYTES_PER_S
        return now - self.began > allowed_s

    def _refuse(self, status: int, line: str) -> None:
        self.error = _Refused(status, line)
        self.body_rcv, self.content_length, self.chunked = None, 0, False


class _Limited:
    """Adjustments with a limit of the body's size of their own."""

    def __init__(self, adj: Adjustments, max_request_body_size: int):
        self._adj = adj
        self.max_request_body_size = max_request_body_size

    def __getattr__(self, name: str):
        return getattr(self._adj, name)


class _Answer(ErrorTask):
    """The answer to what never reaches the application: one plain line, with the headers of all others."""

    def execute(self) -> None:
        error = self.request.error
        reason = error.reason if not isinstance(error, _Refused) else "Refused"
        line = error.body if isinstance(error, _Refused) else _LINES.get(error.code, "That is not a request.")
        body = (line + "\n").encode("utf-8")
        self.status = f"{error.code} {reason}"
        self.response_headers.extend(
            [
                ("Content-Type", "text/plain; charset=utf-8"),
                ("Content-Security-Policy", CLOSED_POLICY),
                ("Cache-Control", "no-store"),
                *HEADERS.items(),
            ]
        )
        self.set_close_on_finish()
        self.content_length = len(body)
        self.write(body)


class _Task(WSGITask):
    """A request being answered."""

    def execute(self) -> None:
        super().execute()
        if self.channel.total_outbufs_len > self.channel.adj.outbuf_high_watermark:
            # A request sent behind this one would keep a thread waiting until this answer is read.
            self.close_on_finish = True


class _Channel(HTTPChannel):
    """A connection. `known` once a whole request on it was taken by the guard: it is from this computer, or from
    a paired device. `own` where it is from this computer."""

    task_class = _Task
    error_task_class = _Answer
    known = False
    _sent_bytes = 0
    _unread_since: tuple[float, int] | None = None  # when an answer began to wait for its reader, and what was sent

    def __init__(self, server, connection: socket.socket, address: tuple, adj: Adjustments, map: dict):
        self.own, self.device = is_loopback(address[0]), device_of(address[0])
        super().__init__(server, connection, address, adj, map=map)

    def send(self, data: bytes, do_close: bool = True) -> int:
        sent = super().send(data, do_close)
        self._sent_bytes += sent
        return sent

    def parser_class(self, adj: Adjustments) -> _Parser:
        return _Parser(adj, self)

    def stuck(self, now: float) -> bool:
        """Whether a request on it does not get on, or nobody reads its answer; asked every few seconds."""
        if not self.total_outbufs_len:
            self._unread_since = None
        elif self._unread_since is None:
            self._unread_since = (now, self._sent_bytes)
        elif now - self._unread_since[0] > ANSWER_S:
            if self._sent_bytes - self._unread_since[1] < ANSWER_S * ANSWER_BYTES_PER_S:
                return True
            self._unread_since = (now, self._sent_bytes)
        request = self.request
        return request is not None and request.overdue(now)

    @property
    def useful(self) -> bool:
        """Whether a request is being answered, or a file or an answer on its way that was asked for."""
        uploading = self.request is not None and self.request.upload
        return bool(self.requests or (self.known and (uploading or self.total_outbufs_len)))


class _Server(TcpWSGIServer):
    """What accepts connections on one socket."""

    def __init__(self, *args, guard: Guard, **named):
        self.guard = guard
        super().__init__(*args, **named)

    def channel_class(
        self, _server, connection: socket.socket, address: tuple, adj: Adjustments, map: dict
    ) -> None:
        if self._make_room(device_of(address[0]), is_loopback(address[0])):
            _Channel(self, connection, address, adj, map=map)
        else:
            connection.close()

    def _make_room(self, device: str, own: bool) -> bool:
        """Whether there is, or could be made, a place for one more connection of a device."""
        beside = [c for c in self.active_channels.values() if c.own == own]
        if not own:
            same = [c for c in beside if c.device == device]
            if len(same) >= CONNECTIONS_PER_GUEST:
                beside = same
            elif len(beside) < GUEST_CONNECTIONS:
                return True
        elif len(beside) < OWN_CONNECTIONS:
            return True
        gone = _least_needed(beside)
        if gone is not None:
            gone.handle_close()
        return gone is not None

    def uploads(self) -> int:
        """How many files are arriving at this moment."""
        arriving = [channel.request for channel in list(self.active_channels.values())]
        return sum(request is not None and request.upload for request in arriving)

    def close_stuck(self) -> None:
        """Close connections that hold a place and do nothing with it."""
        wall, monotonic = time.time(), time.monotonic()
        for channel in list(self.active_channels.values()):
            unread = channel.total_outbufs_len and channel.last_activity < wall - IDLE_S
            if unread or channel.stuck(monotonic):
                channel.handle_close()


def _least_needed(channels: Sequence[_Channel]) -> _Channel | None:
    """The connection to close for a new one: of strangers before known ones, of these the idle before those with a
    request half sent, then of the device that has most, then the oldest. None where each is of use."""
    held = Counter(c.device for c in channels)
    waiting = [c for c in channels if not c.useful]
    return min(
        waiting,
        key=lambda c: (c.known, c.known and c.request is not None, -held[c.device], c.creation_time),
        default=None,
    )
