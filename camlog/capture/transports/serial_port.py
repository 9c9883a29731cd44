"""A serial port of this computer: a USB cable, a paired Bluetooth adapter, or a pseudo-terminal."""

from __future__ import annotations

import errno
import glob
import os
import re
import sys

import serial
from serial.tools import list_ports

from camlog.capture import error, messages
from camlog.capture.ports import CHUNK_BYTES, POLL_S, WRITE_TIMEOUT_S, LinkLost, Port
from camlog.capture.ports import Transport as Base

_HELD = (errno.EAGAIN, errno.EBUSY)
_BUILT_IN = re.compile(r"(?:/dev/ttyS\d+|COM1)\Z")
# The port for incoming connections on Windows (a Bluetooth address of zeros) or macOS (a fixed name).
_INCOMING = re.compile(r"BTHENUM.*&0{12}_|Bluetooth-Incoming", re.IGNORECASE)
_BLUETOOTH = re.compile(r"BTHENUM|rfcomm", re.IGNORECASE)


class Transport(Base):
    """A serial port, held by this program alone."""

    # Most adapters use one of the first two; then from the fastest to the slowest.
    speeds = (38400, 9600, 500_000, 230400, 115200, 57600, 19200)

    def __init__(self, port: str, baud: int | None = None):
        try:
            self._serial = serial.Serial(
                port, baud or self.speeds[0], timeout=POLL_S, write_timeout=WRITE_TIMEOUT_S, exclusive=True
            )
        except (OSError, ValueError) as refused:
            raise LinkLost("unplugged", _why_closed(port, refused)) from refused

    @classmethod
    def check(cls, port: str) -> None:
        if os.sep in port and not port.startswith("\\\\.\\") and not os.path.exists(port):
            raise error("no_such_port", port)
        if re.fullmatch(r"[\w.-]+:\d+", port):
            raise error("network_port", port, port=port)

    @classmethod
    def found(cls) -> list[Port]:
        ports: dict[str, Port] = {}
        for info in list_ports.comports():
            text = " ".join(t for t in (info.description, info.manufacturer) if t and t != "n/a")
            about = f"{info.device} {getattr(info, 'hwid', '')}"
            incoming, bluetooth = bool(_INCOMING.search(about)), bool(_BLUETOOTH.search(about))
            default_text = messages("port.bluetooth") if bluetooth else messages("port.serial")
            rank = 3 if incoming else 2 if _BUILT_IN.match(info.device) else 1 if bluetooth else 0
            ports[info.device] = Port(info.device, text or default_text, _allowed(info.device), rank, incoming)
        for device in glob.glob("/dev/rfcomm*"):
            ports.setdefault(device, Port(device, messages("port.bluetooth"), _allowed(device), 0))
        return list(ports.values())

    def set_baud(self, baud: int) -> None:
        self._serial.baudrate = baud
        self._serial.reset_input_buffer()

    @property
    def waiting(self) -> bool:
        return bool(self._serial.in_waiting)

    def read(self) -> bytes:
        return self._serial.read(min(self._serial.in_waiting or 1, CHUNK_BYTES))

    def write(self, data: bytes) -> None:
        self._serial.write(data)

    def close(self) -> None:
        self._serial.close()


def _allowed(device: str) -> bool:
    return not os.path.exists(device) or os.access(device, os.R_OK | os.W_OK)


def _why_closed(port: str, refused: Exception) -> str:
    """Why a port cannot be opened. Windows opens a port only once and gives pyserial no error number, so there a listed
    port is one that another program holds."""
    code = getattr(refused, "errno", None)
    listed = sys.platform == "win32" and any(listed_port.device == port for listed_port in list_ports.comports())
    if code in _HELD or listed:
        return messages("port.held")
    if code == errno.EACCES:
        return messages("port.denied")
    if code == errno.ENOENT or sys.platform == "win32":
        return messages("port.missing")
    return messages("port.closed")
