"""Check after every break that adapter and vehicle are still the same, before a recording goes on."""

from __future__ import annotations

from dataclasses import dataclass

from camlog.capture import messages
from camlog.capture.lines import is_banner
from camlog.capture.link import Link
from camlog.capture.probe import Capabilities
from camlog.capture.requests import SERVICE_CURRENT, named_by_map
from camlog.capture.snapshot import module_address, read_vin
from camlog.trust import vin_hash

_TRIES = 3
_FIRST_PIDS = frozenset(range(0x01, 0x21))


@dataclass(frozen=True, slots=True)
class Identity:
    """The identity of adapter and vehicle: version line and bus; engine module, supported PIDs of the first range, and
    hash of the identification number, if the vehicle gives it. Empty or None: unknown."""

    adapter: str
    protocol: str
    module: str
    pids: frozenset[int]
    vin_hash: str | None

    def change(self, now: Identity) -> str | None:
        """What has changed in `now`, in words; None where nothing known differs."""
        if self.adapter and now.adapter and now.adapter != self.adapter:
            return messages("change.adapter", now=now.adapter, before=self.adapter)
        if self.vin_hash and now.vin_hash:
            same = self.vin_hash == now.vin_hash
        else:
            same = not (self.pids and now.pids) or self.pids == now.pids
        if not same or now.protocol != self.protocol:
            return messages("change.vehicle")
        return None


def known(capabilities: Capabilities, protocol: str, vin: str | None) -> Identity:
    adapter = capabilities.adapter if is_banner(capabilities.adapter) else ""
    pids = capabilities.all_pids & _FIRST_PIDS
    return Identity(adapter, protocol, capabilities.module, pids, vin and vin_hash(vin))


def read_identity(link: Link, before: Identity) -> Identity:
    """Read the identity again, limited to what was known `before`; the link must address the engine module. Raises

    LinkLost."""
    adapter = next((name for _ in range(_TRIES) if is_banner(name := link.name())), "")
    answers = link.ask(b"0100").messages
    engine = [m for m in answers if before.module in ("", module_address(link, m))]
    vin = read_vin(link) if before.vin_hash else None
    pids = named_by_map(engine, SERVICE_CURRENT, 0x00)
    return Identity(adapter, link.form.protocol_id, before.module, pids, vin and vin_hash(vin))
