"""`socket://HOST:PORT`: pyserial's port on the network, with waits that end.

pyserial's own waits five seconds for a connection, throws away what came for as long as more comes, reads a byte
at a time, and sleeps on closing.
"""

from __future__ import annotations

import contextlib
import fcntl
import socket
import struct
import termios

from serial import SerialException
from serial.urlhandler import protocol_socket

CONNECT_TIMEOUT_S = 3.0
_MOST_DISCARDED_BYTES = 1 << 20
_CHUNK_BYTES = 1 << 16


class Serial(protocol_socket.Serial):
    """As pyserial's, over the same private socket."""

    def open(self) -> None:
        """Connect. Raises SerialException where that is not possible within a few seconds."""
        self.logger = None
        if self.is_open:
            raise SerialException("Port is already open.")
        try:
            self._socket = socket.create_connection(self.from_url(self.portstr), timeout=CONNECT_TIMEOUT_S)
        except OSError as error:
            self._socket = None
            raise SerialException(f"Could not open port {self.portstr}: {error}") from error
        self._socket.setblocking(False)
        self.is_open = True
        self.reset_input_buffer()

    def close(self) -> None:
        found, self._socket, self.is_open = getattr(self, "_socket", None), None, False
        if found is not None:
            with contextlib.suppress(OSError):  # the other side may have closed it
                found.shutdown(socket.SHUT_RDWR)
            found.close()

    @property
    def in_waiting(self) -> int:
        """Bytes to read; 1 where reading tells that the other side has closed."""
        if not super().in_waiting:
            return 0
        return struct.unpack("i", fcntl.ioctl(self._socket, termios.FIONREAD, b"\0" * 4))[0] or 1

    def reset_input_buffer(self) -> None:
        discarded = 0
        while discarded < _MOST_DISCARDED_BYTES and super().in_waiting:
            try:
                came = self._socket.recv(_CHUNK_BYTES)
            except BlockingIOError:
                return
            except OSError as error:
                raise SerialException(f"read failed: {error}") from error
            if not came:
                return
            discarded += len(came)
