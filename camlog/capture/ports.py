"""Where an adapter may be plugged in: the likely serial ports of this computer, the likeliest first."""

from __future__ import annotations

import glob
import os
from dataclasses import dataclass

from serial.tools import list_ports

from camlog.errors import InputError

# In the order a technician would check.
CHECKLIST = (
    "ignition on (or engine running)",
    "adapter pushed home in the connector, its lamp lit",
    "cable plugged in, or the adapter paired (Bluetooth) or joined (Wi-Fi: give --port socket://HOST:PORT)",
    "permission to use the port (on Linux: the group that owns /dev/ttyUSB0 or /dev/rfcomm0, often dialout)",
)


@dataclass(frozen=True, slots=True)
class Port:
    """A serial port: its `device` path, what the system calls it, and whether this user may open it."""

    device: str
    description: str
    allowed: bool


def likely_ports() -> list[Port]:
    """USB serial converters and bound Bluetooth ports first, built-in serial ports last."""
    found: dict[str, Port] = {}
    for info in list_ports.comports():
        text = " ".join(t for t in (info.description, info.manufacturer) if t and t != "n/a")
        found[info.device] = Port(info.device, text or "serial port", _allowed(info.device))
    for device in glob.glob("/dev/rfcomm*"):
        found.setdefault(device, Port(device, "Bluetooth serial port", _allowed(device)))

    def rank(port: Port) -> tuple[bool, str]:
        return (os.path.basename(port.device).startswith(("ttyS", "COM1")), port.device)

    return sorted(found.values(), key=rank)


def _allowed(device: str) -> bool:
    return not os.path.exists(device) or os.access(device, os.R_OK | os.W_OK)


def no_port_found(tried: list[str]) -> InputError:
    """The error for a computer on which no adapter was found: what to check, in order."""
    what = "no adapter answers on " + ", ".join(tried) if tried else "this computer has no port an adapter could be on"
    steps = "; ".join(f"{n}. {text}" for n, text in enumerate(CHECKLIST, start=1))
    return InputError(what, remedy=f"Check: {steps}. Then name the port with --port.")
