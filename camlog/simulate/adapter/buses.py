"""The diagnostic buses an adapter can meet: how modules are addressed, framed and paced on each.

Numbers are those of the adapter command set ("protocol 6" and so on). CAN is ISO 15765-4; the older
ones SAE J1850, ISO 9141-2 and ISO 14230-4. Times and header bytes from memory of those standards.
"""

from __future__ import annotations

from dataclasses import dataclass

FUNCTIONAL_11BIT = 0x7DF
FUNCTIONAL_29BIT = 0x18DB33F1
PHYSICAL_11BIT = 0x7E0
PHYSICAL_29BIT = 0x18DA00F1
RESPONSE_11BIT = 0x7E8
RESPONSE_29BIT = 0x18DAF100
TESTER = 0xF1
# Module addresses in the order modules are numbered here: engine, transmission, then others.
MODULE_ADDRESSES = (0x10, 0x18, 0x28, 0x29, 0x58, 0x60, 0x40, 0x50)
FUNCTIONAL = -1

_CAN_STUFFED_BITS = {11: 122, 29: 146}  # an eight-byte frame with its gap and typical bit stuffing
LEGACY_DATA_BYTES = 7  # SAE J1979: most data bytes of a message on the older buses


@dataclass(frozen=True, slots=True)
class Bus:
    """One bus: `number` in the command set, `name` as an adapter prints it, `family` can|j1850|iso|kwp.

    `byte_s` is a byte's time on an older bus, `request_gap_s` the tester's pause between request bytes
    (P4), `answer_s` the least time a module takes to answer (P2), `idle_s` the least time from an answer to
    the next request (P3), `init_s` what opening the bus takes, `init_dots` what is printed meanwhile.
    """

    number: str
    name: str
    family: str
    id_bits: int = 0
    bit_rate: int = 10_400
    byte_s: float = 0.0
    request_gap_s: float = 0.0
    answer_s: float = 0.0
    idle_s: float = 0.0
    init_s: float = 0.0
    header: int = 0
    init_dots: str = ""

    @property
    def is_can(self) -> bool:
        return self.family == "can"

    @property
    def needs_init(self) -> bool:
        """True for the buses that are woken by an initialisation sequence."""
        return self.family in ("iso", "kwp")

    @property
    def frame_s(self) -> float:
        """Time of one CAN frame on the bus."""
        return _CAN_STUFFED_BITS[self.id_bits] / self.bit_rate if self.is_can else 0.0

    def request_s(self, data_bytes: int) -> float:
        """Time a request of that many data bytes takes on the bus."""
        if self.is_can:
            return self.frame_s
        return (data_bytes + 4) * self.byte_s + (data_bytes + 3) * self.request_gap_s

    def answer_frame_s(self, data_bytes: int) -> float:
        """Time one frame of an answer takes on the bus."""
        return self.frame_s if self.is_can else (data_bytes + 4) * self.byte_s


def _iso(number: str, name: str, family: str, init_s: float, header: int, dots: str) -> Bus:
    return Bus(
        number, name, family, byte_s=10 / 10_400, request_gap_s=0.005, answer_s=0.025, idle_s=0.055,
        init_s=init_s, header=header, init_dots=dots,
    )  # fmt: skip


BUSES: dict[str, Bus] = {
    bus.number: bus
    for bus in (
        # SAE J1850 lets a module take 0 to 100 ms; 20 ms is common practice, no source.
        Bus("1", "SAE J1850 PWM", "j1850", byte_s=8 / 41_600, answer_s=0.020, header=0x616AF1),
        Bus("2", "SAE J1850 VPW", "j1850", byte_s=8 / 10_400, answer_s=0.020, header=0x686AF1),
        _iso("3", "ISO 9141-2", "iso", 2.4, 0x686AF1, "..."),
        _iso("4", "ISO 14230-4 (KWP 5BAUD)", "kwp", 2.4, 0xC033F1, "..."),
        _iso("5", "ISO 14230-4 (KWP FAST)", "kwp", 0.3, 0xC033F1, ""),
        Bus("6", "ISO 15765-4 (CAN 11/500)", "can", 11, 500_000, header=FUNCTIONAL_11BIT),
        Bus("7", "ISO 15765-4 (CAN 29/500)", "can", 29, 500_000, header=FUNCTIONAL_29BIT),
        Bus("8", "ISO 15765-4 (CAN 11/250)", "can", 11, 250_000, header=FUNCTIONAL_11BIT),
        Bus("9", "ISO 15765-4 (CAN 29/250)", "can", 29, 250_000, header=FUNCTIONAL_29BIT),
        Bus("A", "SAE J1939 (CAN 29/250)", "can", 29, 250_000, header=FUNCTIONAL_29BIT),
    )
}


def addressed(bus: Bus, header: int) -> int | None:
    """Which module a request header addresses: its number, FUNCTIONAL for all, None for nobody here."""
    if bus.id_bits == 11:
        if header == FUNCTIONAL_11BIT:
            return FUNCTIONAL
        module = header - PHYSICAL_11BIT
        return module if 0 <= module < len(MODULE_ADDRESSES) else None
    if bus.id_bits == 29:
        if header == FUNCTIONAL_29BIT:
            return FUNCTIONAL
        if header & 0x1FFF00FF != PHYSICAL_29BIT:
            return None
    elif header >> 8 & 0xFF in (0x6A, 0x33):
        return FUNCTIONAL
    address = header >> 8 & 0xFF
    return MODULE_ADDRESSES.index(address) if address in MODULE_ADDRESSES else None


def module_of_header(header: int) -> int | None:
    """The module that a profile's `request_header` means, in 11- or 29-bit form; None for none of ours."""
    if header in (FUNCTIONAL_11BIT, FUNCTIONAL_29BIT):
        return 0
    bus = BUSES["6"] if header <= 0x7FF else BUSES["7"]
    return addressed(bus, header)


def response_id(bus: Bus, module: int) -> int:
    """CAN identifier with which a module answers."""
    return RESPONSE_11BIT + module if bus.id_bits == 11 else RESPONSE_29BIT | MODULE_ADDRESSES[module]


def ecu_name(module: int) -> str:
    """A module's name in records of trouble codes: its 11-bit response identifier."""
    return f"{RESPONSE_11BIT + module:X}"


def legacy_answer(bus: Bus, module: int, data: bytes, physical: bool) -> bytes:
    """A whole answer on an older bus: three header bytes, data, checksum."""
    address = MODULE_ADDRESSES[module]
    if bus.family == "kwp":
        header = bytes((0x80 | len(data) & 0x3F, TESTER, address))
    elif physical and bus.family == "j1850":
        header = bytes((0xC4 if bus.number == "1" else 0x6C, TESTER, address))
    else:
        header = bytes((0x41 if bus.number == "1" else 0x48, 0x6B, address))
    whole = header + data
    return whole + bytes((checksum(bus, whole),))


def checksum(bus: Bus, message: bytes) -> int:
    """The byte that ends a message: a CRC on SAE J1850, the sum modulo 256 on ISO 9141-2 and ISO 14230."""
    if bus.family != "j1850":
        return sum(message) & 0xFF
    crc = 0xFF
    for byte in message:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D if crc & 0x80 else crc << 1) & 0xFF
    return crc ^ 0xFF
