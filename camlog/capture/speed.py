"""The speed of a serial line: found by trying, raised where the adapter proves itself at the higher one, lowered at a doubt."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from camlog.capture import messages
from camlog.capture.lines import is_banner
from camlog.capture.ports import LinkLost

if TYPE_CHECKING:
    from camlog.capture.elm import Elm

# An adapter that is asked at the wrong speed hears nonsense: nothing that could be a command, the first byte lost.
_NONSENSE = b"\x7f\x7f"
_FIND_TIMEOUT_S = 0.3
# Speeds an adapter may be raised to, and the divisor of 4 MHz that asks for each (the command set's, from memory).
RAISED = {500_000: 0x08, 230_400: 0x11, 115_200: 0x23}
# The adapter's version line, at the new speed; it goes back by itself where nobody confirms it.
_CONFIRMS_WITHIN_S = 0.2
_SENT_WITHIN_S = 0.02
PROOFS = 5


def find_speed(link: Elm, speeds: tuple[int, ...]) -> int:
    """The first of `speeds` at which the adapter gives a prompt; the port is left at it. Raises LinkLost."""
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
    """The highest speed above `baud` at which the adapter answers as it does now, again and again; None where it stays."""
    usual = _answers(link)
    if usual is None:
        return None
    for faster, divisor in RAISED.items():
        if faster <= baud:
            return None
        link.write(f"ATBRD{divisor:02X}".encode())
        if b"OK" not in (said := _hear(link, b"K")):
            link.sync()
            if b"?" in said:
                return None  # it has no other speed
            continue
        link.open_port().set_baud(faster)
        if is_banner(_hear(link, b"\r").decode("ascii", "replace").strip()):
            link.write(b"")
            if b">" in _hear(link, b">") and all(_answers(link) == usual for _ in range(PROOFS)):
                return faster
            lower_speed(link, baud)
            link.set_up()
        link.open_port().set_baud(baud)
        time.sleep(2 * _CONFIRMS_WITHIN_S)  # it is back too by then
        link.sync()
    return None


def lower_speed(link: Elm, baud: int) -> None:
    """Bring the adapter back to its own speed `baud` by a restart; its settings are gone then."""
    link.write(b"ATZ")
    time.sleep(_SENT_WITHIN_S)
    link.open_port().set_baud(baud)


def _answers(link: Elm) -> list[str] | None:
    """What adapter and vehicle say to questions whose answers do not change; None where they say nothing."""
    try:
        return [line for command in ("ATI", "ATDPN", "0100") for line in link.command(command)]
    except LinkLost as lost:
        if lost.kind == "unplugged":
            raise
        return None


def _hear(link: Elm, until: bytes) -> bytes:
    """Bytes up to one that ends what is waited for, or as many as come in time."""
    came, until_s = b"", time.perf_counter() + _CONFIRMS_WITHIN_S
    while until not in came and b"?" not in came and time.perf_counter() < until_s:
        came += link.read_some()
    return came
