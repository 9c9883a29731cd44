"""The speed of a serial line: found by trying, raised if the adapter works reliably at a higher one, lowered on
doubt."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from camlog.capture import messages
from camlog.capture.lines import is_banner
from camlog.capture.ports import LinkLost

if TYPE_CHECKING:
    from camlog.capture.elm import Elm

# Bytes that are no command, even at a wrong speed and with the first byte lost.
_NONSENSE = b"\x7f\x7f"
_FIND_TIMEOUT_S = 0.3
# Higher speeds of an adapter, and the divisor of 4 MHz that selects each (the command set, from memory).
RAISED = {500_000: 0x08, 230_400: 0x11, 115_200: 0x23}
# Times of the handshake: the adapter sends its version line at the new speed and goes back unless that is confirmed.
_CONFIRMS_WITHIN_S = 0.2
_SENT_WITHIN_S = 0.02
PROOFS = 5


def find_speed(link: Elm, speeds: tuple[int, ...]) -> int:
    """The first of `speeds` at which the adapter gives a prompt; the port then has this speed. Raises LinkLost."""
    for baud in speeds:
        link.open_port().set_baud(baud)
        link.write(_NONSENSE)
        try:
            link.read(_FIND_TIMEOUT_S)
        except LinkLost as lost:
            if lost.kind == "unplugged":
                raise
            continue
        return baud
    raise LinkLost("hung", messages("lost.no_adapter"))


def raise_speed(link: Elm, baud: int) -> int | None:
    """Raise the line to the highest speed above `baud` at which the adapter repeatedly gives the same answers as now;
    returns that speed, None if none works."""
    expected_answers = _answers(link)
    if expected_answers is None:
        return None
    for faster, divisor in RAISED.items():
        if faster <= baud:
            return None
        link.write(f"ATBRD{divisor:02X}".encode())
        if b"OK" not in (reply := _hear(link, b"K")):
            link.sync()
            if b"?" in reply:
                return None  # it has no other speed
            continue
        link.open_port().set_baud(faster)
        if is_banner(_hear(link, b"\r").decode("ascii", "replace").strip()):
            link.write(b"")
            if b">" in _hear(link, b">") and all(_answers(link) == expected_answers for _ in range(PROOFS)):
                return faster
            lower_speed(link, baud)
            link.set_up()
        link.open_port().set_baud(baud)
        time.sleep(2 * _CONFIRMS_WITHIN_S)  # by then the adapter has gone back too
        link.sync()
    return None


def lower_speed(link: Elm, baud: int) -> None:
    """Return the adapter to its own speed `baud` by a restart, which loses its settings."""
    link.write(b"ATZ")
    time.sleep(_SENT_WITHIN_S)
    link.open_port().set_baud(baud)


def _answers(link: Elm) -> list[str] | None:
    """The answers of adapter and vehicle to requests whose answers never change; None if one is missing."""
    try:
        return [line for command in ("ATI", "ATDPN", "0100") for line in link.command(command)]
    except LinkLost as lost:
        if lost.kind == "unplugged":
            raise
        return None


def _hear(link: Elm, until: bytes) -> bytes:
    """The bytes received up to the byte `until`, or until the time is over."""
    came, until_s = b"", time.perf_counter() + _CONFIRMS_WITHIN_S
    while until not in came and b"?" not in came and time.perf_counter() < until_s:
        came += link.read_some()
    return came
