"""Pairing of other devices with the page: a code that works once, and the session that it gives."""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import math
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable

DIGITS = 8
SESSION_S = 12 * 3600.0  # a working day; sessions also end with the server
MOST_VIEWERS = 12
TOKEN_BYTES = 32
# Wrong tries from all devices after which a code is withdrawn. With 10^8 codes, so many tries succeed with a
# probability of 1 in 10,000, the same as 100 tries of the 6 random digits in NIST SP 800-63B (5.1.1.2, 5.2.2; from
# memory). One device alone cannot reach it: its waiting times allow about 20 tries in the first hour.
WRONG_PER_CODE = 10_000
MEMORY_S = 3600.0  # how long a wrong try of a device counts
FIRST_WAIT_S = 2.0  # after a device's first wrong try; each further one doubles it
LONGEST_WAIT_S = 900.0
_MOST_ADDRESSES = 1000
_LONGEST_TRY = 64  # characters


class Pairing:
    """The current code, the waiting times after wrong tries, and the paired viewers.

    Only the device with a wrong try must wait, so a stranger cannot lock out others. A wrong try does not change the
    code, so there is time to type it; a new code would not be harder to guess. After `WRONG_PER_CODE` wrong tries no
    code is accepted until `renew` makes another. `on_new_code` gets each new code and the reason: "used", "asked for",
    or "guessed at" (the code was withdrawn, and `code` is ""). All times are those of `clock` (s, monotonic). Codes and
    tokens come from the system's random source; only hashes of tokens are kept. Used from several threads.
    """

    def __init__(
        self, *, clock: Callable[[], float] = time.monotonic,
        on_new_code: Callable[[str, str], None] = lambda code, why: None,
    ):  # fmt: skip
        self._clock, self._on_new_code = clock, on_new_code
        self._lock = threading.Lock()
        self._digits = _new_digits()
        self._wrong_with_code = 0
        self._wrong_from: OrderedDict[str, tuple[int, float]] = OrderedDict()  # device: (how many, last)
        self._sessions: OrderedDict[bytes, float] = OrderedDict()  # hash of token: end; last seen last

    @property
    def code(self) -> str:
        """The current code in two groups, such as "1234 5678"; "" if it was withdrawn."""
        digits = self._digits
        if self._wrong_with_code >= WRONG_PER_CODE:
            return ""
        return f"{digits[: DIGITS // 2]} {digits[DIGITS // 2 :]}"

    def try_code(self, code: str, address: str) -> str | None:
        """A token for the right code; None if it is wrong, and for any code before `wait_s` is over."""
        with self._lock:
            now = self._clock()
            if self._wrong_with_code >= WRONG_PER_CODE or self._wait_s(address, now) > 0.0:
                return None
            tried = "".join(c for c in code[:_LONGEST_TRY] if c not in " -\t\r\n\u00a0")
            if hmac.compare_digest(tried.encode("utf-8", "replace"), self._digits.encode("ascii")):
                token = secrets.token_urlsafe(TOKEN_BYTES)
                self._wrong_from.pop(device_of(address), None)
                self._drop_ended(now)
                while len(self._sessions) >= MOST_VIEWERS:
                    self._sessions.popitem(last=False)  # the one not seen for the longest time
                self._sessions[_hash(token)] = now + SESSION_S
                self._replace()
                reason = "used"
            else:
                token = None
                self._note_wrong(address, now)
                self._wrong_with_code += 1
                reason = "guessed at" if self._wrong_with_code >= WRONG_PER_CODE else ""
            new = self.code
        if reason:
            self._on_new_code(new, reason)
        return token

    def renew(self) -> None:
        """Make a new code and end all waiting times; only for requests from this computer."""
        with self._lock:
            self._replace()
            self._wrong_from.clear()
            new = self.code
        self._on_new_code(new, "asked for")

    def wait_s(self, address: str) -> float:
        """How long (s) no code is accepted from an address; 0 if it may try."""
        with self._lock:
            return self._wait_s(address, self._clock())

    def knows(self, token: str | None) -> bool:
        """True if a token is that of a paired viewer."""
        if not token or len(token) > 4 * TOKEN_BYTES:
            return False
        with self._lock:
            key = _hash(token)
            end = self._sessions.get(key)
            if end is None or self._clock() >= end:
                return False
            self._sessions.move_to_end(key)
            return True

    @property
    def viewers(self) -> int:
        """The number of paired viewers."""
        with self._lock:
            self._drop_ended(self._clock())
            return len(self._sessions)

    def _replace(self) -> None:
        self._digits = _new_digits()
        self._wrong_with_code = 0

    def _note_wrong(self, address: str, now: float) -> None:
        device = device_of(address)
        count, _ = self._wrong_from.pop(device, (0, now))
        self._wrong_from[device] = (count + 1, now)
        while len(self._wrong_from) > _MOST_ADDRESSES:
            self._wrong_from.popitem(last=False)

    def _wait_s(self, address: str, now: float) -> float:
        device = device_of(address)
        count, last = self._wrong_from.get(device, (0, -math.inf))
        if now - last >= MEMORY_S:
            self._wrong_from.pop(device, None)
            return 0.0
        wait_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(count - 1, 30))
        return max(wait_s - (now - last), 0.0)

    def _drop_ended(self, now: float) -> None:
        for key in [key for key, end in self._sessions.items() if now >= end]:
            del self._sessions[key]


def _new_digits() -> str:
    return f"{secrets.randbelow(10**DIGITS):0{DIGITS}d}"


def _hash(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "replace")).digest()


def device_of(address: str) -> str:
    """What one device can hold: an IPv4 address, or the 64 bits of an IPv6 network."""
    try:
        ip = ipaddress.ip_address(address)
    except ValueError:
        return address
    if ip.version == 6:
        if ip.ipv4_mapped:
            return str(ip.ipv4_mapped)
        return str(ipaddress.ip_network((int(ip) >> 64 << 64, 64)))
    return str(ip)
