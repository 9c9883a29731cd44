"""`socket://HOST:PORT`: an adapter on the network (Wi-Fi), or a simulated one."""

from __future__ import annotations

import contextlib
import select
import socket
from urllib.parse import urlsplit

from camlog.capture import error
from camlog.capture.ports import CHUNK_BYTES, POLL_S, WRITE_TIMEOUT_S, LinkLost
from camlog.capture.ports import Transport as Base

CONNECT_TIMEOUT_S = 3.0


class Transport(Base):
    """A TCP connection."""

    scheme = "socket"

    def __init__(self, port: str, baud: int | None = None):
        place = urlsplit(port)
        try:
            self._socket = socket.create_connection((place.hostname, place.port), timeout=CONNECT_TIMEOUT_S)
        except OSError as refused:
            text = f"{place.hostname} port {place.port}: {refused.strerror or refused}".lower()
            raise LinkLost("unplugged", text) from refused
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    @classmethod
    def check(cls, port: str) -> None:
        place = urlsplit(port)
        try:
            complete = bool(place.hostname and place.port)
        except ValueError:
            complete = False
        if not complete:
            raise error("port_number", port)

    @property
    def waiting(self) -> bool:
        return bool(select.select([self._socket], [], [], 0.0)[0])

    def read(self) -> bytes:
        self._socket.settimeout(POLL_S)
        try:
            came = self._socket.recv(CHUNK_BYTES)
        except TimeoutError:
            return b""
        if not came:
            raise ConnectionError("the other side has closed the connection")
        return came

    def write(self, data: bytes) -> None:
        self._socket.settimeout(WRITE_TIMEOUT_S)
        self._socket.sendall(data)

    def close(self) -> None:
        with contextlib.suppress(OSError):  # the other side may have closed it
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
