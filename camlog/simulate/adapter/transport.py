"""The adapter's ports: a TCP port, as of a Wi-Fi adapter, and a pseudo-terminal, as of a cable or paired radio."""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import sys
from pathlib import Path

from camlog.simulate import say

_READ_BYTES = 4096


class PtyPort:
    """A pseudo-terminal; `link` is a symbolic link to it that survives unplugging. Raises InputError if `link` exists
    and is no symbolic link, or if the system has no pseudo-terminals."""

    def __init__(self, link: str | Path | None = None):
        self._link = None if link is None else Path(link)
        self._master = self._slave = -1
        self._name = ""

    @property
    def address(self) -> str:
        return self._name if self._link is None else str(self._link)

    def open(self) -> None:
        if sys.platform == "win32":
            raise say.error("no_pty")
        import pty
        import tty

        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        # The slave stays open here too, so that a leaving client causes no end of file.
        self._name = os.ttyname(self._slave)
        if self._link is not None:
            self._point(self._link)

    def _point(self, link: Path) -> None:
        if os.path.lexists(link) and not link.is_symlink():
            self.close()
            raise say.error("no_link", link)
        fresh = link.with_name(f".{link.name}.{os.getpid()}")
        try:
            fresh.unlink(missing_ok=True)
            fresh.symlink_to(self._name)
            os.replace(fresh, link)
        except OSError as error:
            self.close()
            raise say.error("link", link, why=error.strerror) from error

    def close(self) -> None:
        for handle in (self._master, self._slave):
            if handle >= 0:
                with contextlib.suppress(OSError):
                    os.close(handle)
        self._master = self._slave = -1
        if self._link is not None and self._link.is_symlink() and os.readlink(self._link) == self._name:
            with contextlib.suppress(OSError):
                self._link.unlink()

    def wait(self, timeout_s: float) -> bool:
        """Wait for something to read; False where there was nothing."""
        return bool(select.select([self._master], [], [], max(0.0, timeout_s))[0])

    def read(self) -> bytes:
        try:
            return os.read(self._master, _READ_BYTES)
        except OSError as error:
            if error.errno in (errno.EAGAIN, errno.EIO):
                return b""
            raise

    def write(self, data: bytes) -> None:
        with contextlib.suppress(BlockingIOError):
            os.write(self._master, data)


class TcpPort:
    """A TCP server for one client at a time; a new client replaces the previous one. Raises InputError if the port
    cannot be opened."""

    def __init__(self, host: str = "127.0.0.1", port: int = 0):
        self._host, self._port = host, port
        self._listener: socket.socket | None = None
        self._client: socket.socket | None = None

    @property
    def address(self) -> str:
        return f"socket://{self._host}:{self._port}"

    def open(self) -> None:
        try:
            listener = socket.create_server((self._host, self._port), backlog=1)
        except (OSError, OverflowError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise say.error("tcp", host=self._host, port=self._port, why=reason) from error
        listener.setblocking(False)
        self._port = listener.getsockname()[1]
        self._listener = listener

    def close(self) -> None:
        for part in (self._client, self._listener):
            if part is not None:
                part.close()
        self._client = self._listener = None

    def wait(self, timeout_s: float) -> bool:
        """Wait for something to read; False if there was nothing. New clients are accepted meanwhile."""
        handles = [h for h in (self._client, self._listener) if h is not None]
        ready = select.select(handles, [], [], max(0.0, timeout_s))[0]
        if self._listener is not None and self._listener in ready:
            with contextlib.suppress(OSError):
                client, _ = self._listener.accept()
                client.setblocking(False)
                client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._drop()
                self._client = client
        return self._client is not None and self._client in ready

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None

    def read(self) -> bytes:
        if self._client is None:
            return b""
        try:
            data = self._client.recv(_READ_BYTES)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._drop()
        return data

    def write(self, data: bytes) -> None:
        if self._client is None:
            return
        try:
            self._client.send(data)
        except BlockingIOError:
            pass
        except OSError:
            self._drop()


# One port. `read` and `write` never block; bytes that a client does not read are lost, as on a serial line.
Port = PtyPort | TcpPort
