"""What a client has set up in an adapter, with the defaults of the de facto command set (from memory)."""

from __future__ import annotations

from dataclasses import dataclass

from camlog.simulate.adapter.buses import Bus

TIMEOUT_STEP_S = 0.004096  # one count of ATST
DEFAULT_TIMEOUT = 0x32  # about 200 ms
AUTOMATIC = "0"


@dataclass
class Settings:
    """One adapter's settings; a fresh one is the state after a reset.

    `header_digits` tells 11-bit, three-byte and 29-bit headers apart. `timeout` is in counts of ATST.
    `receive_filter` is ATCRA's text, `mask`/`pattern` are ATCM and ATCF.
    """

    echo: bool = True
    linefeeds: bool = False
    headers: bool = False
    spaces: bool = True
    show_length: bool = False
    auto_format: bool = True
    flow_control: bool = True
    flow_mode: int = 0
    flow_header: int | None = None
    flow_data: bytes = b"\x30\x00\x00"
    adaptive: int = 1
    timeout: int = DEFAULT_TIMEOUT
    header: int | None = None
    header_digits: int = 0
    priority: int = 0x18
    receive_filter: str | None = None
    mask: int | None = None
    pattern: int | None = None
    protocol: str = AUTOMATIC
    automatic: bool = True

    @property
    def line_end(self) -> str:
        return "\r\n" if self.linefeeds else "\r"

    @property
    def timeout_s(self) -> float:
        """How long to listen for the first answer."""
        return (self.timeout or DEFAULT_TIMEOUT) * TIMEOUT_STEP_S

    def request_header(self, bus: Bus) -> int:
        """The header or CAN identifier requests go out with on a bus."""
        if self.header is None:
            return bus.header
        if bus.id_bits == 11:
            return self.header & 0x7FF
        if bus.id_bits == 29 and self.header_digits == 6:
            return self.priority << 24 | self.header
        return self.header

    def passes(self, identifier: int, bus: Bus) -> bool:
        """True where a CAN frame with that identifier gets through the receive filter."""
        digits = 3 if bus.id_bits == 11 else 8
        if self.receive_filter is not None:
            text = f"{identifier:0{digits}X}"
            wanted = self.receive_filter
            return len(wanted) == digits and all(w in ("X", c) for w, c in zip(wanted, text, strict=True))
        if self.pattern is not None or self.mask is not None:
            mask = (1 << bus.id_bits) - 1 if self.mask is None else self.mask
            return identifier & mask == (self.pattern or 0) & mask
        if bus.id_bits == 11:
            return identifier & 0x7F8 == 0x7E8
        return identifier & 0xFFFF00 in (0xDAF100, 0xDB3300)
